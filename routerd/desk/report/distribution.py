"""A distribution of times in bounded memory, early and late alike.

A high dynamic range histogram (package hdrhistogram) keeps each value to within 1 % or 64 ns,
whichever is more, from 64 ns to an hour, in about 15 kB. It holds no negative values, so early times
lie in a second one, made when the first of them comes. Least and largest are kept exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from hdrh.histogram import HdrHistogram

from routerd.core.stats import rank

RESOLUTION_NS = 64
LONGEST_NS = 3_600_000_000_000
"""Longer times are counted as this long in percentiles; the largest is told exactly."""


class Distribution:
    """Values in nanoseconds; `digits` is how many significant digits they keep (1 to 5)."""

    def __init__(self, digits: int = 2) -> None:
        self._digits = digits
        self._late = self._histogram()
        self._early: HdrHistogram | None = None
        self.count = 0
        self.least_ns = 0
        self.largest_ns = 0

    def record(self, value_ns: int, count: int = 1) -> None:
        """Add `value_ns`, `count` times (at least 1)."""
        if not self.count:
            self.least_ns = self.largest_ns = value_ns
        elif value_ns > self.largest_ns:
            self.largest_ns = value_ns
        elif value_ns < self.least_ns:
            self.least_ns = value_ns
        self.count += count
        if value_ns >= 0:
            self._late.record_value(min(value_ns, LONGEST_NS), count)
            return
        if self._early is None:
            self._early = self._histogram()
        self._early.record_value(min(-value_ns, LONGEST_NS), count)

    def merge(self, other: Distribution) -> None:
        """Add all values of `other`."""
        if not other.count:
            return
        self.least_ns = min(self.least_ns, other.least_ns) if self.count else other.least_ns
        self.largest_ns = max(self.largest_ns, other.largest_ns) if self.count else other.largest_ns
        self.count += other.count
        self._late.add(other._late)
        if other._early is not None:
            if self._early is None:
                self._early = self._histogram()
            self._early.add(other._early)

    def percentile_ns(self, percentile: Fraction) -> int:
        """Return the `percentile` (0 to 100), rounded up to the edge of its cell.

        Never beyond the exact extremes. Raises ValueError when nothing was recorded.
        """
        place = rank(percentile, self.count)
        early = self._early.get_total_count() if self._early is not None else 0
        if self._early is not None and place <= early:
            magnitude = _at(self._early, early - place + 1)
            value = -int(self._early.get_lowest_equivalent_value(magnitude))
        else:
            value = _at(self._late, place - early)
        return max(self.least_ns, min(value, self.largest_ns))

    def cells(self) -> Iterator[tuple[int, int]]:
        """Yield each cell that holds something, as its upper edge (0 or below for early values) and count."""
        if self._early is not None:
            for cell in self._early.get_recorded_iterator():
                yield -int(cell.value_iterated_to), int(cell.count_added_in_this_iter_step)
        for cell in self._late.get_recorded_iterator():
            upper = min(int(cell.value_iterated_to), max(0, self.largest_ns))
            yield upper, int(cell.count_added_in_this_iter_step)

    def _histogram(self) -> HdrHistogram:
        return HdrHistogram(RESOLUTION_NS, LONGEST_NS, self._digits, word_size=4)


def _at(histogram: HdrHistogram, place: int) -> int:
    # the package takes a percentile and rounds it back to a count, so this asks for exactly one
    return int(histogram.get_value_at_percentile(100 * place / histogram.get_total_count()))
