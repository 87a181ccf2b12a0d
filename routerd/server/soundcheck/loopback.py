"""Measuring from outside: what goes out of an output and comes in at an input over a loop cable.

Two things are sent round: the clock's own ticks, one byte each, and probes, SysEx of the number that is kept
for non-commercial use (7D; from memory), which no instrument acts on. Both ends are stamped in the engine
by the same clock: when the port had taken the bytes, and when the input port told their arrival (of ticks on
ALSA, when the kernel stamped it). So the interface, the wire and the input are in these figures, and the far
instrument is not. A loop inside the computer may bring the bytes before the port has said that it took them:
that is no time at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from routerd.core.midi.messages import TICK_BYTES
from routerd.core.model.plain import Plain
from routerd.core.units import DIN_BYTE_NS, NS_PER_MS, NS_PER_US
from routerd.link.messages import INPUT_BIT, OWN_RATE, Tap, TickRecord
from routerd.server.report.rows import PERCENTILES
from routerd.server.report.stats import count_needed, rank

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
class Loop:
    """One loop, from an output to the input of another device; collects, then tells."""

    device: str
    hears: str
    din: bool
    _sent: dict[bytes, int] = field(default_factory=dict)
    _came: dict[bytes, int] = field(default_factory=dict)
    _ticks_sent: list[int] = field(default_factory=list)
    _ticks_came: list[int] = field(default_factory=list)
    _cut: int = 0

    def take_taps(self, taps: list[Tap], output: int, input: int) -> None:
        """Take messages; `output` and `input` are the numbers of this loop's ends."""
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

    def plain(self) -> Plain:
        """Return the figures as JSON values, in µs."""
        took = [
            max(0, self._came[data] - sent_ns)
            for data, sent_ns in self._sent.items()
            if data in self._came and self._came[data] - sent_ns <= WINDOW_NS
        ]
        ticks = match(self._ticks_sent, self._ticks_came, TICK_WINDOW_NS)
        return {
            "device": self.device,
            "hears": self.hears,
            "probes": len(self._sent),
            "probes_cut": self._cut,
            "lost": len(self._sent) - len(took),
            "latency_us": _figures(took),
            "wire_us": PROBE_BYTES * DIN_BYTE_NS / NS_PER_US if self.din else 0.0,
            "ticks": len(ticks),
            "tick_latency_us": _figures(ticks),
        }


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


def suggested_offsets(loops: list[Plain]) -> list[Plain]:
    """Return how much later (+) each looped device's clock may be sent, in ms, so that all arrive together.

    The slowest keeps its place: everything else waits for it. Empty with fewer than two measured loops.
    """
    usual = {
        loop["device"]: loop["tick_latency_us"]["p50"]
        for loop in loops
        if loop["tick_latency_us"]["p50"] is not None
    }
    if len(usual) < 2:
        return []
    slowest = max(usual.values())
    return [
        {"device": device, "offset_ms": round((slowest - latency) / 1000, 2)}
        for device, latency in usual.items()
    ]


def _figures(values: list[int]) -> Plain:
    """Return least, percentiles and largest in µs; null where there are too few values."""
    ordered = sorted(values)
    found: Plain = {"min": ordered[0] / NS_PER_US if ordered else None}
    for name, percentile in PERCENTILES.items():
        enough = len(ordered) >= count_needed(percentile)
        found[name] = ordered[rank(percentile, len(ordered)) - 1] / NS_PER_US if enough else None
    found["max"] = ordered[-1] / NS_PER_US if ordered else None
    return found
