"""Exact statistics of a series of ticks: ranks of percentiles and the straight line of drift.

Owns the arithmetic only. Sums are Python integers, so nothing is rounded while a show runs,
however long it is; memory does not grow with the number of points. A line's figures become
floating point once, when they are asked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from math import sqrt
from typing import NamedTuple

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
