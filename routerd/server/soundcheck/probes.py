"""What is sent to learn of devices and cables: identity requests, and probes over a loopback cable.

The roll call's question and its answers are identity request and reply (M1 p. 40). M1 is the MIDI 1.0
Detailed Specification, document version 4.2.1.

Over a loopback cable what goes out of an output comes in at an input. Two things are sent round: the clock's
own ticks, one byte each, and probes, SysEx of the number that is kept for non-commercial use (7D; from
memory), which no instrument acts on. Both ends are stamped in the engine by the same clock: when the port had
taken the bytes, and when the input port reported their arrival (of ticks on ALSA, when the kernel stamped
it). So the interface, the wire and the input are in these figures, and the far instrument is not. A loopback
inside the computer may bring the bytes before the port has said that it took them: that is no time at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from routerd.core.midi.messages import TICK_BYTES
from routerd.core.units import DIN_BYTE_NS, NS_PER_MS, NS_PER_US
from routerd.link.frames import INPUT_BIT, OWN_RATE, Tap, TickRecord
from routerd.server.report.series import P50, P99, P99_9
from routerd.server.report.statistics import count_needed, rank
from routerd.server.soundcheck.figures import Identity, LoopbackFigures, LoopbackTimes, Offset

REQUEST = bytes.fromhex("F0 7E 7F 06 01 F7")
"""To every device on the wire, whatever its own number (7F)."""

ANSWER_S = 1.5
"""How long to wait for an answer."""

OTHERS_S = 0.3
"""How long to wait behind one: two devices of one product may be behind one port, by a thru box, say."""

_REPLY_BYTES = 15
_LONG_REPLY_BYTES = 17

PROBES = 200
PROBE_EVERY_S = 0.05
WINDOW_NS = 500 * NS_PER_MS
"""What has not come round by then is lost."""

EARLY_NS = NS_PER_MS
"""By so much a tick may have come before it is known to have been sent."""

TICK_WINDOW_NS = 15 * NS_PER_MS
"""Shorter than any interval of ticks up to 166 BPM, so that a tick is not taken for the one before."""


def probe(number: int) -> bytes:
    """Return the probe of that number, 0 to 16 383."""
    return bytes((0xF0, 0x7D, number >> 7, number & 0x7F, 0xF7))


PROBE_BYTES = len(probe(0))


@dataclass(slots=True)
class Loopback:
    """One loopback, from an output to the input of another device; collects, then sums up."""

    device: str
    hears: str
    din: bool
    _sent: dict[bytes, int] = field(default_factory=dict)
    _came: dict[bytes, int] = field(default_factory=dict)
    _ticks_sent: list[int] = field(default_factory=list)
    _ticks_came: list[int] = field(default_factory=list)
    _cut: int = 0

    def take_taps(self, taps: list[Tap], output: int, input: int) -> None:
        """Take messages; `output` and `input` are the numbers of this loopback's ends."""
        for at_ns, way, data in taps:
            if way == INPUT_BIT | input:
                if data == TICK_BYTES:
                    self._ticks_came.append(at_ns)
                elif data[:2] == b"\xf0\x7d":
                    self._came.setdefault(data, at_ns)
            elif way == output and data[:2] == b"\xf0\x7d":
                if len(data) == PROBE_BYTES:
                    self._sent.setdefault(data, at_ns)
                else:
                    self._cut += 1

    def take_ticks(self, records: list[TickRecord], output: int) -> None:
        """Take tick records."""
        self._ticks_sent += [record.sent_ns for record in records if record.output & ~OWN_RATE == output]

    def figures(self) -> LoopbackFigures:
        """Return the figures."""
        took = [
            max(0, self._came[data] - sent_ns)
            for data, sent_ns in self._sent.items()
            if data in self._came and self._came[data] - sent_ns <= WINDOW_NS
        ]
        ticks = match(self._ticks_sent, self._ticks_came, TICK_WINDOW_NS)
        return LoopbackFigures(
            device=self.device,
            hears=self.hears,
            probes=len(self._sent),
            probes_cut=self._cut,
            lost=len(self._sent) - len(took),
            latency_us=_times(took),
            wire_us=PROBE_BYTES * DIN_BYTE_NS / NS_PER_US if self.din else 0.0,
            ticks=len(ticks),
            tick_latency_us=_times(ticks),
        )


def match(sent: list[int], came: list[int], window_ns: int) -> list[int]:
    """Return how long each of `sent` took, of those that came round within `window_ns`.

    Both in order of time; an arrival belongs to the last that was sent before it, or EARLY_NS after it.
    """
    took: list[int] = []
    place = 0
    for at_ns in came:
        while place + 1 < len(sent) and sent[place + 1] - EARLY_NS <= at_ns:
            place += 1
        if place < len(sent) and -EARLY_NS <= at_ns - sent[place] <= window_ns:
            took.append(max(0, at_ns - sent[place]))
    return took


def suggested_offsets(loopbacks: Iterable[LoopbackFigures]) -> tuple[Offset, ...]:
    """Return how much later (+) each measured device's clock may be sent, in ms, so that all arrive together.

    The slowest keeps its place: everything else waits for it. Empty with fewer than two measured ones.
    """
    usual_us = {
        loop.device: loop.tick_latency_us.p50 for loop in loopbacks if loop.tick_latency_us.p50 is not None
    }
    if len(usual_us) < 2:
        return ()
    slowest_us = max(usual_us.values())
    return tuple(
        Offset(device, round((slowest_us - latency_us) / 1000, 2)) for device, latency_us in usual_us.items()
    )


def _times(values: Sequence[int]) -> LoopbackTimes:
    """Return least, percentiles and largest in µs; None where there are too few values."""
    ordered = sorted(values)

    def percentile(wanted: Fraction) -> float | None:
        if len(ordered) < count_needed(wanted):
            return None
        return ordered[rank(wanted, len(ordered)) - 1] / NS_PER_US

    return LoopbackTimes(
        min=ordered[0] / NS_PER_US if ordered else None,
        p50=percentile(P50),
        p99=percentile(P99),
        p99_9=percentile(P99_9),
        max=ordered[-1] / NS_PER_US if ordered else None,
    )


def all_words(identities: Iterable[Identity]) -> str:
    """Return what all devices that answered one request have said, equal answers counted."""
    counts = Counter(identity.words for identity in identities)
    return "; and ".join(f"{count} times {words}" if count > 1 else words for words, count in counts.items())


def parse_identity(data: bytes) -> Identity | None:
    """Return what an identity reply says, None for any other message.

    Two-byte numbers come least significant byte first; a manufacturer number that begins with 00 has three
    bytes.
    """
    if len(data) < _REPLY_BYTES or data[:2] != b"\xf0\x7e" or data[3:5] != b"\x06\x02" or data[-1] != 0xF7:
        return None
    length = 3 if data[5] == 0 else 1
    if len(data) != (_LONG_REPLY_BYTES if length == 3 else _REPLY_BYTES) or max(data[1:-1]) > 0x7F:
        return None
    rest = data[5 + length :]
    return Identity(
        channel=data[2],
        manufacturer=data[5 : 5 + length].hex(" ").upper(),
        family=rest[0] | rest[1] << 7,
        member=rest[2] | rest[3] << 7,
        version=rest[4:8].hex(" ").upper(),
    )
