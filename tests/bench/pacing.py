"""A DIN wire that is asked for three times what it carries, measured at its far end, with and without pacing.

    python -m tests.bench.pacing

Simulated time: one output with a 4 KB patch dump, controllers at twice the wire's capacity and dense
playing at once, ticks at 120 BPM. The far end is a model of its own: an interface with a buffer of any
size and a wire that sends 320 µs a byte (M1 p. 1). "Without" hands everything over as it comes.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field

from routerd.core.midi.messages import TICK_BYTES, controller, note_off, note_on
from routerd.core.model.rig import Device, WireKind
from routerd.core.output.wire import Sink, Wire
from routerd.core.units import NEVER_NS

BYTE_NS = 320_000
TICK_NS = 20_833_333
MS = 1_000_000
CONTROLLERS = (1, 2, 4, 7, 11, 16, 71, 76)
DUMP_BYTES = 4096

Offer = tuple[int, bytes]


def flood(end_ns: int) -> Iterator[Offer]:
    """Controllers, round and round, at 6 250 bytes a second: twice what a DIN wire carries."""
    step_ns = 3 * BYTE_NS // 2
    for number, at_ns in enumerate(range(0, end_ns, step_ns)):
        yield at_ns, controller(0, CONTROLLERS[number % len(CONTROLLERS)], number // len(CONTROLLERS) % 128)


def playing(end_ns: int, every_ns: int) -> Iterator[Offer]:
    """Presses and releases in turn, one message each `every_ns`: no two in one instant, like a player's."""
    for number, at_ns in enumerate(range(1_234_567, end_ns, every_ns)):
        note = 36 + number // 2 % 48
        yield at_ns, note_off(0, note) if number % 2 else note_on(0, note, 90)


def dump(pieces: int) -> list[bytes]:
    """Return 4 KB of SysEx in so many messages."""
    length = DUMP_BYTES // pieces
    return [b"\xf0\x7d" + bytes((n + i) & 0x7F for i in range(length - 3)) + b"\xf7" for n in range(pieces)]


@dataclass
class FarEnd:
    """What left the wire, and when."""

    idle_ns: int = 0
    tick_late_ns: list[int] = field(default_factory=list)
    begun_ns: dict[bytes, list[int]] = field(default_factory=dict)
    dump_span_ns: list[int] = field(default_factory=list)
    sysex_spans_ns: list[tuple[int, int]] = field(default_factory=list)
    note_spans_ns: list[tuple[int, int]] = field(default_factory=list)
    values: dict[int, int] = field(default_factory=dict)
    received: bytearray = field(default_factory=bytearray)

    def take(self, data: bytes, at_ns: int) -> None:
        """Put bytes on the wire behind what is in the interface's buffer."""
        begin_ns = max(at_ns, self.idle_ns)
        self.idle_ns = begin_ns + len(data) * BYTE_NS
        if data == TICK_BYTES:
            self.tick_late_ns.append(begin_ns - at_ns)
            return
        self.received += data
        if data[0] & 0xF0 in (0x80, 0x90):
            self.begun_ns.setdefault(data, []).append(begin_ns)
            self.note_spans_ns.append((begin_ns, self.idle_ns))
        elif data[0] & 0xF0 == 0xB0:
            self.values[data[1]] = data[2]
        else:
            self.dump_span_ns += [begin_ns, self.idle_ns]
            self.sysex_spans_ns.append((begin_ns, self.idle_ns))


@dataclass
class Measured:
    """Figures of one run, in ms."""

    tick_late_ms: float
    note_wait_ms: float
    """Longest wait of a note, from its coming to its first byte, for anything but the next."""
    note_wait_for_sysex_ms: float
    """Longest time of that wait that a SysEx was on the wire, or a note that had waited for it."""
    dump_ratio: float
    thinned: int
    most_queued: int
    far: FarEnd


def run(pieces: int, *, paced: bool, end_ns: int = 4_000 * MS, note_every_ns: int = 11 * MS) -> Measured:
    """Play it all and measure."""
    out = Wire((Device("box", output_pattern="box", wire=WireKind.DIN, clock=True),), 0)
    out.connected = True
    far = FarEnd()
    start_ns = 500 * MS
    notes = list(playing(end_ns, note_every_ns))
    offers = list(heapq.merge(flood(end_ns), notes, [(start_ns, data) for data in dump(pieces)]))
    offers.sort(key=lambda offer: offer[0])
    if paced:
        _paced(out, far, offers, end_ns)
    else:
        ticks = [(at_ns, TICK_BYTES) for at_ns in range(0, end_ns, TICK_NS)]
        for at_ns, data in sorted(ticks + offers, key=lambda offer: offer[0]):
            far.take(data, at_ns)
    waits, unavoidable = [0], [0]
    taken = sorted(_messages(far.sysex_spans_ns) + far.note_spans_ns)
    for at_ns, data in notes:
        begun = far.begun_ns.get(data)
        if begun:
            begin_ns = begun.pop(0)
            blocked_ns = sum(
                min(end, begin_ns) - max(begin, at_ns)
                for begin, end in taken
                if begin < begin_ns and end > at_ns
            )
            waits.append(begin_ns - at_ns - blocked_ns)
            unavoidable.append(blocked_ns)
    span_ns = max(far.dump_span_ns) - (start_ns if paced else min(far.dump_span_ns))
    return Measured(
        max(far.tick_late_ns) / MS,
        max(waits) / MS,
        max(unavoidable) / MS,
        span_ns / (DUMP_BYTES * BYTE_NS),
        out.thinned,
        out.most_queued,
        far,
    )


def _messages(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join the pieces of a SysEx, between which only ticks stand."""
    joined: list[tuple[int, int]] = []
    for begin, end in spans:
        if joined and begin - joined[-1][1] <= 3 * BYTE_NS:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((begin, end))
    return joined


def _paced(out: Wire, far: FarEnd, offers: list[Offer], end_ns: int) -> None:
    tick = 0
    sink: Sink = []
    pending = iter(offers)
    following = next(pending, None)
    while True:
        due_ns = tick * TICK_NS
        now_ns = min(due_ns, out.deadline_ns, following[0] if following else NEVER_NS)
        if now_ns > end_ns:
            return
        if now_ns == due_ns:
            tick += 1
            out.put_realtime(TICK_BYTES, now_ns, sink)
            out.gate_ns = tick * TICK_NS
            _hand_over(sink, far, now_ns)
            out.pump(now_ns, sink)
        elif following is not None and now_ns == following[0]:
            out.offer(following[1], now_ns, sink)
            following = next(pending, None)
        else:
            out.pump(now_ns, sink)
        _hand_over(sink, far, now_ns)


def _hand_over(sink: Sink, far: FarEnd, now_ns: int) -> None:
    for _, data in sink:
        far.take(data, now_ns)
    sink.clear()


def main() -> None:
    """See the module's head."""
    print("A DIN wire with a 4 KB dump, controllers at 2x its capacity and 91 note messages a second;")
    print("longest waits. No note can stand inside a SysEx (M1 T-8), so waits for one are told apart.")
    heads = ("tick late", "note waits", "for SysEx", "dump takes", "queue", "thinned")
    print(f"{'':34}" + "".join(f"{head:>12}" for head in heads))
    for pieces in (1, 128, 512):
        for paced in (True, False):
            m = run(pieces, paced=paced)
            name = f"dump in {pieces}, {'paced' if paced else 'as it comes'}"
            times = (m.tick_late_ms, m.note_wait_ms, m.note_wait_for_sysex_ms)
            print(
                f"{name:34}"
                + "".join(f"{time_ms:9.2f} ms" for time_ms in times)
                + f"{m.dump_ratio:11.3f}x{m.most_queued:12}{m.thinned:12}"
            )


if __name__ == "__main__":
    main()
