"""How a port's time error moves over observation times from one tick to minutes: MTIE and TDEV.

The time error of a tick is its lateness, x. For an observation time of n ticks (ITU-T G.810 (08/96)
appendix II; definitions from memory, values checked against published sets):

MTIE(n)   the largest peak-to-peak x within any n + 1 consecutive ticks. A pure rate offset y gives y × n.
TDEV(m)   the root of the mean of (mean of m x, minus twice that of the next m, plus that of the next m)²
          over 6, at every position (NIST SP 1065, time deviation: τ / √3 × modified Allan deviation).

Memory does not grow with the number of ticks, and nothing is approximated: windows of 2 to the power k
ticks are built from two of half the size, sums are whole numbers. All positions count, also overlapping ones.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

MOST_DOUBLINGS = 13
"""Windows of up to 8192 ticks: 170 s at 120 BPM."""

SPANS = tuple(1 << k for k in range(12))
"""Averaging times of TDEV in ticks: 1 to 2048, which takes 6144 ticks, 128 s at 120 BPM."""


class Point(NamedTuple):
    """A figure in nanoseconds over an observation time in ticks."""

    ticks: int
    ns: float


class Stability:
    """Collects one port's time errors in the order of its ticks."""

    def __init__(self, doublings: int = MOST_DOUBLINGS, spans: Sequence[int] = SPANS) -> None:
        """`doublings`: windows of 2 to 2**`doublings` ticks for MTIE; `spans`: averaging times for TDEV."""
        self._rings = [(array("q", [0]) * (1 << k), array("q", [0]) * (1 << k)) for k in range(doublings)]
        self._widest = [-1] * (doublings + 1)
        self._spans = tuple(spans)
        length = 3 * max(self._spans) + 1
        self._mask = (1 << (length - 1).bit_length()) - 1
        self._sums = array("q", [0]) * (self._mask + 1)
        self._squares = [0] * len(self._spans)
        self._positions = [0] * len(self._spans)
        self._total = 0
        self._last_ns = 0
        self._count = 0

    def add(self, error_ns: int) -> None:
        """Take the time error of the next tick."""
        self._last_ns = error_ns
        self._add_extremes(error_ns)
        self._count += 1
        self._add_sums(error_ns)

    def hold(self, ticks: int) -> None:
        """Take `ticks` that have no time error of their own: each holds that of the tick before it."""
        for _ in range(ticks):
            self.add(self._last_ns)

    def restart(self) -> None:
        """Begin anew after a gap that cannot be bridged; what was found stays."""
        self._count = 0
        self._total = 0
        self._sums[0] = 0

    def mtie(self) -> list[Point]:
        """Return MTIE for observation times of 1, 3, 7, … ticks, as far as there was a whole window."""
        return [Point((1 << k) - 1, widest) for k, widest in enumerate(self._widest) if k and widest >= 0]

    def tdev(self) -> list[Point]:
        """Return TDEV for every averaging time of which there was at least one position."""
        return [
            Point(span, sqrt(squares / (6 * span * span * positions)))
            for span, squares, positions in zip(self._spans, self._squares, self._positions, strict=True)
            if positions
        ]

    def _add_extremes(self, error_ns: int) -> None:
        """Build windows that end here from the one of half the size and its like half a window ago."""
        high = low = error_ns
        count = self._count
        widest = self._widest
        for level, (highs, lows) in enumerate(self._rings):
            place = count & ((1 << level) - 1)
            earlier_high, earlier_low = highs[place], lows[place]
            highs[place], lows[place] = high, low
            if count + 1 < 2 << level:
                return
            high = max(high, earlier_high)
            low = min(low, earlier_low)
            widest[level + 1] = max(widest[level + 1], high - low)

    def _add_sums(self, error_ns: int) -> None:
        """Let every stretch of three averages that ends here count, by differences of running sums."""
        count, mask, sums = self._count, self._mask, self._sums
        total = self._total = self._total + error_ns
        sums[count & mask] = total
        for number, span in enumerate(self._spans):
            begin = count - 3 * span
            if begin < 0:
                return
            later, earlier = sums[(count - span) & mask], sums[(begin + span) & mask]
            second_difference = total - 3 * (later - earlier) - sums[begin & mask]
            self._squares[number] += second_difference * second_difference
            self._positions[number] += 1
