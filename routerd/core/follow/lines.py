"""Straight lines through arrivals: where ticks lie, and how many of them there were, before anything is
known."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple

GAPS_FIT_BETTER = 1.5
"""A line with missing and doubled ticks must fit so many times better than one without: coarse stamps make
gaps of 1.5 periods, which are none."""

DOUBLED_PART = 0.35
"""A gap shorter than so much of the others' is made by a doubled tick."""


class Line(NamedTuple):
    """A fitted line, in ns: its slope for a place, its value at the place after the last, its deviation."""

    slope: float
    next_ns: float
    sigma: float
    """How far the points are from it, rms."""
    places: tuple[int, ...]
    offsets: tuple[float, ...]
    """What it is fitted through: the number of each tick, from 0, and when it came."""


def fitted(places: Sequence[int], offsets: Sequence[float]) -> Line:
    """Return the least-squares line through at least three arrivals."""
    count = len(places)
    mean_x, mean_y = sum(places) / count, sum(offsets) / count
    spread = sum((x - mean_x) ** 2 for x in places)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(places, offsets, strict=True)) / spread
    rest = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in zip(places, offsets, strict=True))
    return Line(
        slope,
        mean_y + slope * (places[-1] + 1 - mean_x),
        (rest / (count - 2)) ** 0.5,
        tuple(places),
        tuple(offsets),
    )


def first_line(offsets: Sequence[float], odd_most: int) -> Line:
    """Return the line that fits best: each arrival a tick, or with up to `odd_most` missing and doubled."""
    gaps = [b - a for a, b in itertools.pairwise(offsets)]
    guess = sorted(gaps)[len(gaps) // 2]
    places, kept = [0], [offsets[0]]
    odd = 0
    for offset in offsets[1:]:
        gap = offset - kept[-1]
        if gap < DOUBLED_PART * guess:
            odd += 1
            continue
        ticks = max(1, round(gap / guess))
        odd += ticks - 1
        places.append(places[-1] + ticks)
        kept.append(offset)
    line = fitted(range(len(offsets)), offsets)
    if 0 < odd <= odd_most and len(kept) > 2:
        judged = fitted(places, kept)
        if judged.sigma * GAPS_FIT_BETTER < line.sigma:
            return judged
    return line
