"""Statistics of ticks in bounded memory: ranks, distributions of times, and the straight line of drift.

Two kinds of distribution keep each value to within 1 % or 64 ns, whichever is more, from 64 ns to an hour:
`Distribution` is a high dynamic range histogram (package hdrhistogram) of about 15 kB, which holds no
negative values, so early times lie in a second one, made when the first of them comes; `SparseDistribution`
is smaller where there are few. Least and largest are kept exactly. A line's sums are Python integers, so
nothing is rounded while a show runs, however long it is; its figures become floating point once, when they
are asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from math import sqrt
from typing import Any, NamedTuple, Protocol

from hdrh.histogram import HdrHistogram

RESOLUTION_NS = 64
_RESOLUTION_BITS = 6
_SIGNIFICANT_BITS = 8
LONGEST_NS = 3_600_000_000_000
"""Longer times are counted as this long in percentiles; the largest is reported exactly."""

COVERAGE = 2
"""An uncertainty is this many standard errors: about 95 % when errors are independent and normal."""


def rank(percentile: Fraction, count: int) -> int:
    """Return which of `count` sorted values, from 1, is the `percentile` (0 to 100).

    It is the smallest value that at least that share of all values does not exceed (the inverse
    of the empirical distribution function). Raises ValueError when there is nothing to rank.
    """
    if count < 1 or not 0 <= percentile <= 100:
        raise ValueError(f"no percentile {percentile} of {count} values")
    return max(1, -(-percentile.numerator * count // (percentile.denominator * 100)))


def count_needed(percentile: Fraction) -> int:
    """Return how many values it takes before `percentile` can differ from the largest one.

    1000 for 99.9. Raises ValueError at 100 and above, which is the largest by definition.
    """
    if not 0 <= percentile < 100:
        raise ValueError(f"percentile {percentile} is outside 0 up to 100")
    share = 1 - percentile / 100
    return max(1, -(-share.denominator // share.numerator))


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
        self._in_order: list[tuple[int, int]] | None = None
        """The same in order, once somebody has asked: several percentiles are asked for in a row."""
        self.count = 0
        self.least_ns = 0
        self.largest_ns = 0

    def record(self, value_ns: int, count: int = 1) -> None:
        """Add `value_ns`, `count` times (at least 1)."""
        self._widen(value_ns, value_ns)
        self.count += count
        self._in_order = None
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
            self._in_order = None
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
        if self._in_order is None:
            self._in_order = sorted(self._cells.items())
        return iter(self._in_order)

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


class Slope(NamedTuple):
    """A slope and its uncertainty (COVERAGE standard errors), both parts per million, and its span.

    `span_ns` is from the first point to the last; slope × span is what the drift came to.
    """

    ppm: float
    uncertainty_ppm: float
    span_ns: int


@dataclass(slots=True)
class LineFit:
    """Least squares of y on x, both nanoseconds, one point at a time; x is taken from `origin_ns`."""

    origin_ns: int
    count: int = 0
    _first_x: int = field(default=0, repr=False)
    _last_x: int = field(default=0, repr=False)
    _x: int = field(default=0, repr=False)
    _y: int = field(default=0, repr=False)
    _xx: int = field(default=0, repr=False)
    _xy: int = field(default=0, repr=False)
    _yy: int = field(default=0, repr=False)

    def add(self, x_ns: int, y_ns: int) -> None:
        """Add one point."""
        x = x_ns - self.origin_ns
        if not self.count:
            self._first_x = self._last_x = x
        elif x > self._last_x:
            self._last_x = x
        elif x < self._first_x:
            self._first_x = x
        self.count += 1
        self._x += x
        self._y += y_ns
        self._xx += x * x
        self._xy += x * y_ns
        self._yy += y_ns * y_ns

    def merge(self, other: LineFit) -> None:
        """Add all points of `other`, which must count from the same origin (else ValueError)."""
        if other.origin_ns != self.origin_ns:
            raise ValueError("two lines of different origin cannot be merged")
        if not other.count:
            return
        if self.count:
            self._first_x = min(self._first_x, other._first_x)
            self._last_x = max(self._last_x, other._last_x)
        else:
            self._first_x, self._last_x = other._first_x, other._last_x
        self.count += other.count
        self._x += other._x
        self._y += other._y
        self._xx += other._xx
        self._xy += other._xy
        self._yy += other._yy

    def slope(self) -> Slope | None:
        """Return the slope, or None with fewer than three points or no spread in x."""
        return common_slope([self])


def common_slope(lines: Iterable[LineFit]) -> Slope | None:
    """Return the one slope of several lines that each lie at a height of their own.

    None with fewer than three points more than lines, or no spread in x. Lines of one clock move
    together, so their points are not independent: the uncertainty is what one line among them would give.
    """
    fitted = [line for line in lines if line.count]
    spread_x = spread_y = together = Fraction(0)
    for line in fitted:
        n = line.count
        spread_x += line._xx - Fraction(line._x * line._x, n)
        spread_y += line._yy - Fraction(line._y * line._y, n)
        together += line._xy - Fraction(line._x * line._y, n)
    freedom = sum(line.count for line in fitted) - len(fitted) - 1
    if freedom < 1 or spread_x == 0:
        return None
    slope = together / spread_x
    residual = spread_y - slope * together  # the sum of squared residuals, exact and never below 0
    uncertainty = COVERAGE * sqrt(residual / freedom / spread_x * len(fitted))
    span_ns = max(line._last_x for line in fitted) - min(line._first_x for line in fitted)
    return Slope(float(slope * 1_000_000), uncertainty * 1e6, span_ns)
