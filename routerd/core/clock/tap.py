"""Tap tempo: a tempo from the last taps, one to the quarter note.

The median of the recent intervals decides what belongs together; what is further from it than OUTLIER_PART is
left out, and the rest is averaged. A pause begins anew.
"""

from __future__ import annotations

import itertools
import re
from collections import deque
from fractions import Fraction

from routerd.core.errors import CommandError
from routerd.core.units import BPM_MAX, BPM_MIN, NS_PER_MINUTE, parse_bpm

_DECIMAL = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{1,6})?")

TAPS_KEPT = 9
LEAST_TAPS = 3
OUTLIER_PART = Fraction(1, 4)
LONGEST_NS = NS_PER_MINUTE // 24
"""A longer pause than at 24 BPM begins anew."""


class Taps:
    """Takes taps and tells the tempo that they mean."""

    def __init__(self) -> None:
        self._taps: deque[int] = deque(maxlen=TAPS_KEPT)

    def tap(self, at_ns: int, rounded_to: Fraction = Fraction(1, 100)) -> Fraction | None:
        """Take a tap; return the tempo rounded to a multiple of `rounded_to` BPM, or None as long as none is
        clear.

        Tempos outside BPM_MIN to BPM_MAX are None too.
        """
        if self._taps and not 0 < at_ns - self._taps[-1] <= LONGEST_NS:
            self._taps.clear()
        self._taps.append(at_ns)
        if len(self._taps) < LEAST_TAPS:
            return None
        taps = list(self._taps)
        intervals = sorted(b - a for a, b in itertools.pairwise(taps))
        middle = intervals[len(intervals) // 2]
        near = [one for one in intervals if abs(one - middle) <= middle * OUTLIER_PART]
        bpm = Fraction(NS_PER_MINUTE * len(near), sum(near))
        bpm = round(bpm / rounded_to) * rounded_to
        return bpm if BPM_MIN <= bpm <= BPM_MAX else None


def rounding_of(argument: int | str | None) -> Fraction:
    """Return the step in BPM that a tapped tempo is rounded to: a hundredth without one; raises
    CommandError."""
    if argument is None:
        return Fraction(1, 100)
    return _decimal(argument, Fraction(1, 100), Fraction(10), "a step to round to")


def bpm_of(argument: int | str | None) -> Fraction:
    """Return the tempo that a command asks for; raises CommandError."""
    try:
        return parse_bpm(str(argument))
    except ValueError as error:
        raise CommandError(str(error)) from error


def nudge_of(argument: int | str | None) -> Fraction:
    """Return by how many BPM a nudge goes: text in BPM, a number in thousandths; raises CommandError."""
    if isinstance(argument, int):
        return Fraction(argument, 1000)
    return _decimal(argument or "", Fraction(-50), Fraction(50), "a change of tempo")


def _decimal(argument: int | str, least: Fraction, most: Fraction, what: str) -> Fraction:
    text = str(argument)
    if _DECIMAL.fullmatch(text) is None or not least <= Fraction(text) <= most:
        raise CommandError(
            f"{text[:40]!r} is not {what}; write a decimal from {float(least):g} to {float(most):g}"
        )
    return Fraction(text)
