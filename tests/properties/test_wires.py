"""Whatever is offered to a wire: the ticks find it idle, what is played keeps its order, nothing but a value
that a newer one has replaced is missing, and what belongs together stays together."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import TICK_BYTES
from routerd.core.model.rig import Device, WireKind
from routerd.core.output.wire import Sink, Wire
from routerd.core.units import NEVER_NS

BYTE_NS = 320_000
TICK_NS = 9_000_000

seven = st.integers(0, 127)
channels = st.integers(0, 1)
notes = st.builds(
    lambda s, c, n, v: bytes((s | c, n, v)), st.sampled_from((0x80, 0x90)), channels, seven, seven
)
switches = st.builds(
    lambda c, n, v: bytes((0xB0 | c, n, v)), channels, st.sampled_from((64, 66, 69, 123)), seven
)
values = st.builds(
    lambda c, n, v: bytes((0xB0 | c, n, v)), channels, st.sampled_from((1, 33, 7, 39, 74)), seven
)
bends = st.builds(lambda c, a, b: bytes((0xE0 | c, a, b)), channels, seven, seven)
pressures = st.builds(lambda c, v: bytes((0xD0 | c, v)), channels, seven)
dumps = st.integers(0, 60).map(lambda n: b"\xf0\x7d" + bytes(n) + b"\xf7")
sounds = st.builds(
    lambda c, b, p: [bytes((0xB0 | c, 0, b)), bytes((0xB0 | c, 32, b)), bytes((0xC0 | c, p))],
    channels,
    seven,
    seven,
)
parameters = st.builds(
    lambda c, n, v: [bytes((0xB0 | c, a, b)) for a, b in ((99, n), (98, n), (6, v), (38, v))],
    channels,
    seven,
    seven,
)
one = st.one_of(notes, notes, switches, values, values, bends, pressures, dumps).map(lambda data: [data])
offers = st.lists(
    st.tuples(st.integers(0, 4_000_000), st.one_of(one, one, one, sounds, parameters)), max_size=60
)


def is_value(data: bytes) -> bool:
    return data[0] & 0xF0 in (0xD0, 0xE0) or (data[0] & 0xF0 == 0xB0 and data[1] in (1, 33, 7, 39, 74))


def sets_sound(data: bytes) -> bool:
    return (
        data[0] == 0xF0
        or data[0] & 0xF0 == 0xC0
        or (data[0] & 0xF0 == 0xB0 and data[1] in (0, 32, 99, 98, 6, 38, 123))
    )


def state(stream: list[bytes]) -> dict[tuple[int, int], int]:
    """What a receiver's values stand at; a new upper half clears the lower one (M1 p. 12)."""
    found: dict[tuple[int, int], int] = {}
    for data in stream:
        if data[0] & 0xF0 == 0xE0:
            found[data[0], 0] = data[1] | data[2] << 7
        elif data[0] & 0xF0 == 0xD0:
            found[data[0], 0] = data[1]
        elif data[0] & 0xF0 == 0xB0 and is_value(data):
            key = (data[0], data[1] & 31 if data[1] < 64 else data[1])
            before = found.get(key, 0)
            found[key] = before & 0x3F80 | data[2] if 32 <= data[1] < 64 else data[2] << 7
    return found


def whole(pieces: list[bytes]) -> list[bytes]:
    """Join the pieces of SysEx; nothing may stand between them."""
    out: list[bytes] = []
    for data in pieces:
        if out and out[-1][0] == 0xF0 and out[-1][-1] != 0xF7:
            assert data[0] < 0x80 or data[0] == 0xF7
            out[-1] += data
        else:
            out.append(data)
    return out


@given(offers, st.sampled_from(WireKind), st.booleans())
def test_any_traffic_leaves_the_wire_free_for_its_ticks(
    traffic: list[tuple[int, list[bytes]]], wire: WireKind, running: bool
) -> None:
    device = Device("box", output_pattern="box", wire=wire, clock=True, running_status=running)
    out = Wire((device,), 0)
    sink: Sink = []
    log: list[bytes] = []
    out.connected = True
    idle_ns = now_ns = tick_ns = 0
    status = 0

    def take() -> None:
        nonlocal idle_ns, status
        for _, data in sink:
            begin_ns = max(now_ns, idle_ns)
            if data is TICK_BYTES:
                assert wire is not WireKind.DIN or begin_ns == now_ns
            length = len(data) - (running and data[0] == status and status < 0xF0)
            if wire is WireKind.DIN:
                idle_ns = begin_ns + length * BYTE_NS
            if data is not TICK_BYTES:
                log.append(data)
                status = data[0] if 0x80 <= data[0] < 0xF0 else 0
        sink.clear()

    def run(until_ns: int) -> None:
        nonlocal now_ns, tick_ns
        while (due_ns := min(tick_ns, out.deadline_ns)) <= until_ns:
            now_ns = max(now_ns, due_ns)
            if due_ns == tick_ns:
                tick_ns += TICK_NS
                out.put_realtime(TICK_BYTES, now_ns, sink)
                out.gate_ns = tick_ns
                take()
            out.pump(now_ns, sink)
            take()
        now_ns = until_ns

    at_ns = 0
    offered: list[bytes] = []
    for gap_ns, messages in traffic:
        at_ns += gap_ns
        run(at_ns)
        for data in messages:
            offered.append(data)
            out.offer(data, now_ns, sink)
            take()
    run(at_ns + 3_000_000_000)

    assert out.queued == 0
    assert out.deadline_ns == NEVER_NS
    got = whole(log)
    played = [data for data in offered if not is_value(data) and not sets_sound(data)]
    assert [data for data in got if not is_value(data) and not sets_sound(data)] == played
    assert [d for d in got if sets_sound(d)] == [d for d in offered if sets_sound(d)]
    assert state(got) == state(offered)
    assert len(got) + out.thinned == len(offered)
    for channel in (0, 1):
        stream = [data for data in got if data[0] < 0xF0 and data[0] & 15 == channel]
        for index, data in enumerate(stream):
            if data[0] & 0xF0 == 0xB0 and data[1] == 0:  # bank select: nothing between (M1 p. 13)
                assert stream[index + 1][:2] == bytes((0xB0 | channel, 32))
                assert stream[index + 2][0] == 0xC0 | channel
