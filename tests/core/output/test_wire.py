"""DIN wires: what may go out when, in literal times.

31 250 baud, ten bits to the byte: 320 µs a byte (M1 p. 1), a Note On 960 µs (M1 p. 9), so bank select and
program change (3 + 3 + 2 bytes) 2560 µs.
"""

from __future__ import annotations

import pytest

from routerd.core.midi.messages import controller, is_release, note_off, note_on, program_change
from routerd.core.model.rig import Device, WireKind
from routerd.core.output.lanes import pause
from routerd.core.output.wire import HORIZON_NS, PIECE_LIMIT, QUEUE_LIMIT, Sink, Wire
from routerd.core.units import NEVER_NS

US = 1_000
BYTE = 320 * US
ON = note_on(0, 60, 100)
TICK = b"\xf8"


def output(wire: WireKind = WireKind.DIN, *, takes_pieces: bool = True) -> Wire:
    made = Wire((Device("box", output_pattern="box", wire=wire, clock=True),), 0)
    made.connected = True
    made.takes_pieces = takes_pieces
    return made


def sysex(length: int) -> bytes:
    return b"\xf0\x7d" + bytes(n & 0x7F for n in range(length - 3)) + b"\xf7"


def data_of(sink: Sink) -> list[bytes]:
    return [data for _, data in sink]


def drain(out: Wire, sink: Sink, now_ns: int = 0) -> list[tuple[int, bytes]]:
    """Pump at each deadline until nothing waits for time; returns what went out, with its time."""
    log = [(now_ns, data) for data in data_of(sink)]
    sink.clear()
    while (deadline_ns := out.deadline_ns) != NEVER_NS:
        out.pump(deadline_ns, sink)
        log += [(deadline_ns, data) for data in data_of(sink)]
        sink.clear()
    return log


def test_a_note_takes_960_microseconds() -> None:
    out, sink = output(), []
    out.offer(ON, 0, sink)
    assert out.busy_until_ns == 960 * US


def test_bank_select_and_program_change_take_2560_microseconds() -> None:
    out, sink = output(), []
    for data in (controller(0, 0, 1), controller(0, 32, 2), program_change(0, 3)):
        out.offer(data, 0, sink)
    assert data_of(sink) == [b"\xb0\x00\x01", b"\xb0\x20\x02", b"\xc0\x03"]
    assert out.busy_until_ns == 2560 * US


def test_a_byte_later_begins_behind_what_is_on_the_wire() -> None:
    out, sink = output(), []
    out.offer(ON, 0, sink)
    out.offer(ON, 500 * US, sink)
    assert out.busy_until_ns == 1920 * US
    out.offer(ON, 5000 * US, sink)
    assert out.busy_until_ns == 5960 * US


@pytest.mark.parametrize(("at_us", "passes"), [(0, True), (9040, True), (9041, False), (9999, False)])
def test_a_note_goes_only_when_the_wire_is_idle_at_the_tick(at_us: int, passes: bool) -> None:
    """The tick is due at 10 000 µs: a Note On may begin at 9 040 µs at the latest."""
    out, sink = output(), []
    out.gate_ns = 10_000 * US
    out.offer(ON, at_us * US, sink)
    assert data_of(sink) == ([ON] if passes else [])
    assert out.queued == (0 if passes else 1)


def test_what_waited_for_the_tick_follows_it() -> None:
    out, sink = output(), []
    out.gate_ns = 10_000 * US
    out.offer(ON, 9_500 * US, sink)
    assert out.deadline_ns == NEVER_NS  # not time is waited for, but the tick
    out.put_realtime(TICK, 10_000 * US, sink)
    out.gate_ns = 30_000 * US
    out.pump(10_000 * US, sink)
    assert data_of(sink) == [TICK, ON]
    assert out.busy_until_ns == 10_000 * US + 320 * US + 960 * US


def test_order_is_kept_behind_a_message_that_waits() -> None:
    """A two-byte message would fit, but may not pass the three bytes before it."""
    out, sink = output(), []
    out.gate_ns = 10_000 * US
    out.offer(ON, 9_200 * US, sink)
    out.offer(program_change(0, 1), 9_210 * US, sink)
    assert data_of(sink) == []
    out.gate_ns = 30_000 * US
    out.pump(10_000 * US, sink)
    assert data_of(sink) == [ON, program_change(0, 1)]


def test_not_more_than_the_horizon_is_handed_over_ahead() -> None:
    out, sink = output(), []
    notes = [note_on(0, note, 64) for note in range(30)]
    for data in notes:
        out.offer(data, 0, sink)
    log = drain(out, sink)
    assert [data for _, data in log] == notes
    for number, (at_ns, _) in enumerate(log):
        begins_ns = number * 960 * US
        assert begins_ns - at_ns < HORIZON_NS
        assert at_ns <= begins_ns  # and the wire is never left idle


def test_sysex_goes_in_pieces_that_leave_the_wire_idle_at_the_tick() -> None:
    """From 0 to the tick at 2 000 µs there is room for 6 bytes of 320 µs; the rest follows the tick."""
    out, sink = output(), []
    out.gate_ns = 2_000 * US
    dump = sysex(14)
    out.offer(dump, 0, sink)
    assert data_of(sink) == [dump[:6]]
    assert out.busy_until_ns == 1_920 * US
    out.put_realtime(TICK, 2_000 * US, sink)
    out.gate_ns = 22_000 * US
    out.pump(2_000 * US, sink)
    assert data_of(sink) == [dump[:6], TICK, dump[6:]]
    assert out.queued == 0


def test_sysex_is_one_whole_where_the_port_takes_no_pieces() -> None:
    out, sink = output(takes_pieces=False), []
    out.gate_ns = 20_000 * US
    out.offer(sysex(100), 0, sink)
    assert data_of(sink) == [sysex(100)]
    assert out.ungated == 1  # it crosses the tick, and is counted
    out.offer(sysex(10), 100_000 * US, sink)
    assert out.ungated == 2
    out.gate_ns = 200_000 * US
    out.offer(sysex(10), 100_000 * US, sink)
    assert out.ungated == 2


def test_pieces_on_usb_are_bounded_and_paced() -> None:
    out, sink = output(WireKind.USB), []
    dump = sysex(1000)
    out.offer(dump, 0, sink)
    log = drain(out, sink)
    assert b"".join(data for _, data in log) == dump
    assert max(len(data) for _, data in log) <= PIECE_LIMIT
    assert log[-1][0] >= (1000 - 2 * PIECE_LIMIT) * 10 * US - HORIZON_NS  # 100 kB/s


@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.VIRTUAL])
def test_short_messages_pass_at_once_where_no_wire_is_slow(wire: WireKind) -> None:
    out, sink = output(wire), []
    out.gate_ns = 1
    for note in range(128):
        out.offer(note_on(0, note, 1), 0, sink)
    assert data_of(sink) == [note_on(0, note, 1) for note in range(128)]
    assert out.queued == 0


def test_a_short_message_does_not_pass_a_sysex_on_usb() -> None:
    out, sink = output(WireKind.USB), []
    dump = sysex(2000)
    out.offer(dump, 0, sink)
    out.offer(ON, 0, sink)
    assert [data for _, data in drain(out, sink)][-1] == ON


def test_nothing_goes_to_a_device_that_is_not_there() -> None:
    out, sink = output(), []
    out.connected = False
    out.offer(ON, 0, sink)
    out.put_realtime(TICK, 0, sink)
    assert sink == []
    assert out.queued == 0


def test_clear_ends_a_sysex_that_is_half_out() -> None:
    """Any status byte ends a SysEx (M1 p. 29); F7 is the one meant for it."""
    out, sink = output(), []
    out.gate_ns = 2_000 * US
    out.offer(sysex(200), 0, sink)
    out.offer(ON, 0, sink)
    out.offer(note_off(0, 60), 0, sink)
    sink.clear()
    assert out.clear(0, sink) == [note_off(0, 60)]
    assert data_of(sink) == [b"\xf7"]
    assert out.queued == 0
    assert out.clear(0, sink) == []
    assert data_of(sink) == [b"\xf7"]


def test_clear_without_a_sysex_sends_nothing() -> None:
    out, sink = output(), []
    out.gate_ns = 100 * US
    out.offer(ON, 0, sink)
    assert out.clear(0, sink) == []
    assert sink == []


def test_overflow_drops_presses_and_never_releases() -> None:
    out, sink = output(), []
    out.gate_ns = 0  # nothing gets out
    for _ in range(QUEUE_LIMIT):
        out.offer(ON, 0, sink)
    out.offer(ON, 0, sink)
    assert (out.queued, out.dropped) == (QUEUE_LIMIT, 1)
    releases = [
        note_off(3, 60),
        note_on(3, 60, 0),
        controller(0, 64, 0),
        controller(0, 66, 63),
        controller(0, 123, 0),
        controller(0, 120, 0),
    ]
    for data in releases:
        out.offer(data, 0, sink)
    assert (out.queued, out.dropped) == (QUEUE_LIMIT + len(releases), 1)
    assert out.clear(0, sink) == releases


NO_RELEASES = """
    90 3c 01|a0 3c 00|b0 40 40|b0 42 7f|b0 07 00|c0 00|d0 00|e0 00 40|f0 f7|f2 00 00
    |00 01|3c 40 00|f7|f8
"""


@pytest.mark.parametrize("hexes", NO_RELEASES.split("|"))
def test_what_is_no_release(hexes: str) -> None:
    assert not is_release(bytes.fromhex(hexes))


def test_holds_tells_what_waits() -> None:
    out, sink = output(), []
    out.gate_ns = 0
    out.offer(b"\xf2\x0a\x00", 0, sink)
    assert out.holds(0xF2)
    assert not out.holds(0x90)


def test_a_device_that_goes_is_owed_its_releases() -> None:
    out, sink = output(), []
    out.gate_ns = 0
    out.offer(ON, 0, sink)
    out.offer(note_off(0, 60), 0, sink)
    out.lose(5, [note_off(0, 72)])
    assert out.owed == [note_off(0, 72), note_off(0, 60)]
    assert (out.connected, out.queued, out.busy_until_ns) == (False, 0, 5)


# A 4 KB dump between ticks, against a wire model written here and nowhere else


class FarEnd:
    """A DIN interface: a buffer of any size and a wire that sends its bytes one after the other."""

    def __init__(self) -> None:
        self.idle_ns = 0
        self.tick_late_ns: list[int] = []
        self.dump_end_ns = 0
        self.received = bytearray()

    def take(self, data: bytes, at_ns: int) -> None:
        for byte in data:
            starts_ns = max(at_ns, self.idle_ns)
            self.idle_ns = starts_ns + BYTE
            if byte == 0xF8:
                self.tick_late_ns.append(starts_ns - at_ns)
            else:
                self.received.append(byte)
                if byte == 0xF7:
                    self.dump_end_ns = self.idle_ns


@pytest.mark.parametrize("tick_ns", [20_833_333, 8_333_333])
def test_every_tick_is_on_time_while_a_dump_and_dense_notes_go_out(tick_ns: int) -> None:
    """120 and 300 BPM. Ticks begin within one byte time; the dump takes little longer than its bytes need."""
    out, far, sink = output(), FarEnd(), []
    dump = sysex(4096)
    notes = [(n * 7_001_000, note_on(0, n & 0x7F, 1)) for n in range(150)]
    offers = sorted([(1_000_000, dump), *notes], key=lambda item: item[0])
    tick, end_ns = 0, 3_000_000_000

    def hand_over(now_ns: int) -> None:
        for _, data in sink:
            far.take(data, now_ns)
        sink.clear()

    out.gate_ns = 0
    while True:
        due_ns = tick * tick_ns
        now_ns = min(due_ns, out.deadline_ns, offers[0][0] if offers else NEVER_NS)
        if now_ns > end_ns:
            break
        if now_ns == due_ns:
            tick += 1
            out.put_realtime(TICK, now_ns, sink)
            out.gate_ns = tick * tick_ns
            hand_over(now_ns)
            out.pump(now_ns, sink)
        elif offers and now_ns == offers[0][0]:
            out.offer(offers.pop(0)[1], now_ns, sink)
        else:
            out.pump(now_ns, sink)
        hand_over(now_ns)

    assert len(far.tick_late_ns) == tick
    assert max(far.tick_late_ns) <= BYTE
    assert max(far.tick_late_ns) == 0  # in fact the wire is idle whenever a tick is due
    expected = b"".join(data for _, data in sorted([(1_000_000, dump), *notes], key=lambda item: item[0]))
    assert bytes(far.received) == expected
    ratio = (far.dump_end_ns - 1_000_000) / (4096 * BYTE)
    assert 1 <= ratio < 1.1


def test_the_bulk_lane_is_bounded_and_empties_to_nothing() -> None:
    """SysEx by a route may flood a wire for ever; what a song's patches send always has room."""
    out, sink = output(), []
    out.gate_ns = 0
    dump = b"\xf0\x7d" + bytes(100_000 - 3) + b"\xf7"
    for _ in range(60):
        out.offer(dump, 0, sink)
    assert (out.queued, out.dropped) == (41, 19)  # 41 × 100 064 bytes are 4 MiB
    for _ in range(200_000):
        out.offer(b"\xc0\x05", 0, sink)
    assert out.queued < 41 + 4 * 1024 * 1024 / 64
    before = out.queued
    out.offer_patch(dump, 0, sink)
    assert out.queued == before + 1
    out.clear(0, sink)
    out.offer(dump, 0, sink)
    assert out.queued == 1


def test_a_flood_of_releases_is_bounded_and_none_that_counts_is_lost() -> None:
    out, sink = output(), []
    out.gate_ns = 0
    for _ in range(2 * QUEUE_LIMIT // 16 + 100):
        for note in range(60, 76):
            out.offer(bytes((0x80, note, 0)), 0, sink)
    assert out.queued == 2 * QUEUE_LIMIT
    assert out.dropped == 1600
    out.offer(bytes((0x80, 20, 0)), 0, sink)  # of a key of which none waits
    assert out.queued == 2 * QUEUE_LIMIT + 1


def test_dumps_that_have_gone_make_room_for_others() -> None:
    """What waits is bounded in bytes; what has gone, or was cleared, no longer counts."""
    out, sink = output(), []
    now_ns = 0
    for _ in range(3):
        for length in (900, 40, 3):
            out.offer(sysex(length), now_ns, sink)
        waiting = out._bulk_bytes
        assert waiting > 0
        log = drain(out, sink, now_ns)
        now_ns = log[-1][0] + 1_000_000_000
        assert out._bulk_bytes == 0
    out.offer(sysex(900), now_ns, sink)
    out.offer(sysex(900), now_ns, sink)
    assert out._bulk_bytes > 0
    out.clear(now_ns, sink)
    assert out._bulk_bytes == 0


def test_messages_go_past_a_wire_again_once_what_waited_has_been_dropped() -> None:
    wire, sink = output(WireKind.USB), []
    assert wire.direct is wire
    for data in (pause(5_000 * US), sysex(20)):
        wire.offer_patch(data, 0, sink)
    assert wire.direct is None
    wire.clear(0, sink)
    assert sink == []
    assert wire.direct is wire


def test_while_values_are_reported_nothing_goes_past_the_wire() -> None:
    """Whoever wants to know where a device stands learns it from what is offered, short messages too."""
    wire = Wire((Device("box", output_pattern="b", wire=WireKind.USB),), 0)
    wire.connected = True
    (output,) = wire.outputs
    assert wire.direct is output.direct is wire
    wire.report_values()
    assert wire.direct is output.direct is None
    sink: Sink = []
    for data in (b"\xb0\x07\x40", b"\xe0\x00\x50"):
        output.offer(data, 0, sink)
        assert wire.direct is None
    assert [data for _, data in sink] == [b"\xb0\x07\x40", b"\xe0\x00\x50"]
    assert wire.receivers.values[0xB0 << 7 | 7] == 0x40
