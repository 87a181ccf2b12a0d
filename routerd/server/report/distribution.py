"""A distribution of times in bounded memory, early and late alike.

A high dynamic range histogram (package hdrhistogram) keeps each value to within 1 % or 64 ns,
whichever is more, from 64 ns to an hour, in about 15 kB. It holds no negative values, so early times
lie in a second one, made when the first of them comes. Least and largest are kept exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any, Protocol

from hdrh.histogram import HdrHistogram

from routerd.server.report.stats import rank

RESOLUTION_NS = 64
_RESOLUTION_BITS = 6
_SIGNIFICANT_BITS = 8
LONGEST_NS = 3_600_000_000_000
"""Longer times are counted as this long in percentiles; the largest is told exactly."""


class Values(Protocol):
    """What may be asked of a distribution of either kind."""

    count: int
    least_ns: int
    largest_ns: int

    def record(self, value_ns: int, count: int = 1) -> None:
        """Add `value_ns`, `count` times (at least 1)."""

    def merge(self, other: Any) -> None:
        """Add all values of another of the same kind."""

    def percentile_ns(self, percentile: Fraction) -> int:
        """Return the `percentile` (0 to 100), rounded up to the edge of its cell.

        Never beyond the exact extremes. Raises ValueError when nothing was recorded.
        """

    def cells(self) -> Iterator[tuple[int, int]]:
        """Yield each cell that holds something, as its upper edge (0 or below for early values) and count."""


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
            yield from ((-upper, count) for upper, count in _cells(self._early))
        for upper, count in _cells(self._late):
            yield min(upper, max(0, self.largest_ns)), count

    def _histogram(self) -> HdrHistogram:
        return HdrHistogram(RESOLUTION_NS, LONGEST_NS, self._digits, word_size=4)


class SparseDistribution:
    """As a Distribution, in a few hundred bytes for a few hundred values, but slower to ask.

    For many short stretches: a histogram of the package has room for every cell, 17 kB, and refers to itself,
    so that it stays in memory until the collector comes by. Cells are as wide, at most 1/128 or 64 ns.
    """

    def __init__(self) -> None:
        self._cells: dict[int, int] = {}
        """How many values lie in a cell, by its upper edge."""
        self.count = 0
        self.least_ns = 0
        self.largest_ns = 0

    def record(self, value_ns: int, count: int = 1) -> None:
        """Add `value_ns`, `count` times (at least 1)."""
        self._widen(value_ns, value_ns)
        self.count += count
        size = abs(value_ns)
        width = 1 << max(_RESOLUTION_BITS, size.bit_length() - _SIGNIFICANT_BITS)
        edge = size // width * width
        edge = edge + width - 1 if value_ns >= 0 else -edge
        self._cells[edge] = self._cells.get(edge, 0) + count

    def merge(self, other: SparseDistribution) -> None:
        """Add all values of `other`."""
        if other.count:
            self._widen(other.least_ns, other.largest_ns)
            self.count += other.count
            for edge, count in other._cells.items():
                self._cells[edge] = self._cells.get(edge, 0) + count

    def percentile_ns(self, percentile: Fraction) -> int:
        """Return the `percentile` (0 to 100) as a Distribution does."""
        left = rank(percentile, self.count)
        for edge, count in self.cells():
            left -= count
            if left <= 0:
                return max(self.least_ns, min(edge, self.largest_ns))
        raise AssertionError("a rank is never above the count")

    def cells(self) -> Iterator[tuple[int, int]]:
        """Yield each cell as a Distribution does, from the earliest value to the latest."""
        yield from sorted(self._cells.items())

    def _widen(self, least_ns: int, largest_ns: int) -> None:
        self.least_ns = min(self.least_ns, least_ns) if self.count else least_ns
        self.largest_ns = max(self.largest_ns, largest_ns) if self.count else largest_ns


def _cells(histogram: HdrHistogram) -> Iterator[tuple[int, int]]:
    """Yield upper edge and count of each cell that holds something; the package's own iterator takes 20 times
    as long."""
    left = histogram.get_total_count()
    index = 0
    while left > 0:
        count = histogram.get_count_at_index(index)
        if count:
            left -= count
            value = histogram.get_value_from_index(index)
            yield int(histogram.get_highest_equivalent_value(value)), int(count)
        index += 1


def _at(histogram: HdrHistogram, place: int) -> int:
    # the package takes a percentile and rounds it back to a count, so this asks for exactly one
    return int(histogram.get_value_at_percentile(100 * place / histogram.get_total_count()))
