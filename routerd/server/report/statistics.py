"""Statistics of ticks in bounded memory: ranks, distributions of times, and the straight line of drift.

A distribution keeps each value to within 1 % or 64 ns, whichever is more, from 64 ns to an hour, in the cells
of a high dynamic range histogram: 64 ns wide up to 16 µs, then 128 to each doubling. It is written out here,
because every tick is counted in one: the package hdrhistogram, with which tests compare it, takes four times
as long, and 17 kB however little is in it. Least and largest are kept exactly. A line's sums are Python
integers, so nothing is rounded while a show runs, however long it is; its figures become floating point once,
when they are asked for.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate
from math import sqrt
from operator import add
from typing import NamedTuple

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


class Distribution:
    """Values in nanoseconds; see the module's head."""

    def __init__(self) -> None:
        self._late, self._early = array("Q"), array("Q")
        """How many values lie in each cell, up to the last that holds one: from 0 on, and below 0."""
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
        cells, size = (self._late, value_ns) if value_ns >= 0 else (self._early, -value_ns)
        size = min(size, LONGEST_NS) >> _RESOLUTION_BITS
        octave = size.bit_length() - _SIGNIFICANT_BITS
        place = size if octave <= 0 else (octave << _SIGNIFICANT_BITS - 1) + (size >> octave)
        try:
            cells[place] += count
        except IndexError:
            cells.frombytes(bytes(cells.itemsize * (place + 1 - len(cells))))
            cells[place] = count

    def merge(self, other: Distribution) -> None:
        """Add all values of `other`."""
        if not other.count:
            return
        self.least_ns = min(self.least_ns, other.least_ns) if self.count else other.least_ns
        self.largest_ns = max(self.largest_ns, other.largest_ns) if self.count else other.largest_ns
        self.count += other.count
        self._late = _sum(self._late, other._late)
        self._early = _sum(self._early, other._early)

    def percentile_ns(self, percentile: Fraction) -> int:
        """Return the `percentile` (0 to 100), rounded up to the edge of its cell.

        Never beyond the exact extremes. Raises ValueError when nothing was recorded.
        """
        place = rank(percentile, self.count)
        early = sum(self._early)
        if place <= early:
            value = -_lower_edge(bisect_left([*accumulate(self._early)], early - place + 1))
        else:
            value = _upper_edge(bisect_left([*accumulate(self._late)], place - early))
        return max(self.least_ns, min(value, self.largest_ns))

    def cells(self) -> Iterator[tuple[int, int]]:
        """Yield each cell that holds something, the earliest first, as its upper edge and count."""
        for place in range(len(self._early) - 1, -1, -1):
            if count := self._early[place]:
                yield -_lower_edge(place), count
        for place, count in enumerate(self._late):
            if count:
                yield min(_upper_edge(place), max(0, self.largest_ns)), count


def _sum(one: array[int], other: array[int]) -> array[int]:
    shorter, longer = sorted((one, other), key=len)
    return array("Q", map(add, shorter, longer)) + longer[len(shorter) :]


def _lower_edge(place: int) -> int:
    octave = max(0, (place >> _SIGNIFICANT_BITS - 1) - 1)
    return (place - (octave << _SIGNIFICANT_BITS - 1)) << octave + _RESOLUTION_BITS


def _upper_edge(place: int) -> int:
    return _lower_edge(place + 1) - 1


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
