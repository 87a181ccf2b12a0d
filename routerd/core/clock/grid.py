"""The clock's grid: where in time every tick lies.

Owns the arithmetic and nothing else. Tick *n* of a segment lies at
`anchor_ns + (n − anchor_tick) × 60 / (24 × bpm)` seconds (24 ticks to the quarter note,
M1 p. 30), always computed from the anchor with whole numbers, so nothing adds up and
nothing drifts. A tempo change starts a new segment anchored at a tick, so the tick before
and the tick after it are one grid without a gap or a double tick; its anchor is rounded
down to a nanosecond once, at the change.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from routerd.core.units import NS_PER_MINUTE, TICKS_PER_QUARTER

TICK_NS_AT_1_BPM = NS_PER_MINUTE // TICKS_PER_QUARTER
"""2 500 000 000 ns; whole, so the arithmetic below is exact."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one tempo: tick `anchor_tick` lies at `anchor_ns`."""

    anchor_ns: int
    anchor_tick: int
    bpm: Fraction

    def due_ns(self, tick: int) -> int:
        """Return when `tick` is due, rounded down to a nanosecond."""
        return self.anchor_ns + (
            (tick - self.anchor_tick) * TICK_NS_AT_1_BPM * self.bpm.denominator // self.bpm.numerator
        )

    def tick_at(self, at_ns: int) -> int:
        """Return the last tick that is due at `at_ns` or before."""
        # n is due by `at_ns` exactly when n × K × den < (at − anchor + 1) × num, with K the constant above
        span = (at_ns - self.anchor_ns + 1) * self.bpm.numerator
        return self.anchor_tick + -(-span // (TICK_NS_AT_1_BPM * self.bpm.denominator)) - 1

    def retimed(self, tick: int, bpm: Fraction) -> Segment:
        """Return the segment of the new tempo that begins at `tick` of this one."""
        return Segment(self.due_ns(tick), tick, bpm)
