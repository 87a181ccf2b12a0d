"""What the follower estimates with: the gains of its loop, lines through arrivals, the trust in a count,
steps.

Gains. The loop is of second order: with e = arrival − prediction, prediction += period + K1·e and period +=
K2·e. K1 and K2 for a noise bandwidth B·T per tick and a damping ζ are those of M. Rice, Digital
Communications: A Discrete-Time Approach, Appendix C, Eq. C.57–58, as other loops cite it. A narrow loop is
calm and slow, so the gains begin where a line is fitted through the last n arrivals, with n growing (a
growing-memory filter: K1 = 2(2n−1)/(n(n+1)), K2 = 6/(n(n+1)), the recursive least-squares line), until they
have come down to the narrow ones.

Steps. On JACK, which hands over once a period, arrivals are late by anything from nothing to a step. Where
ticks are nearly a whole number of steps apart this is no jitter from one to the next, but a slow drift, and
a jump by a step now and then: a line through what lies between two jumps has the wrong tempo. So the step
has to be known. A jump once is a new phase of the same tempo; one of the same size again gives the step.

Spans are in ns, counts and ages in ticks of the source.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from routerd.core.units import NS_PER_MS

# Gains

NARROW_BANDWIDTH = 0.01
"""B·T of the settled loop: random jitter is reduced to √(2·B·T) = 14 % of what came in."""

DAMPING = 0.5**0.5


def loop_gains(bandwidth: float, damping: float = DAMPING) -> tuple[float, float]:
    """Return K1 and K2 for the noise bandwidth B·T (per tick) and damping ζ: Rice, Eq. C.57–58."""
    theta = bandwidth / (damping + 1 / (4 * damping))
    scale = 1 + 2 * damping * theta + theta * theta
    return 4 * damping * theta / scale, 4 * theta * theta / scale


def _gains_by_memory() -> tuple[tuple[float, float], ...]:
    """Return the gains for each memory; the last are those of the narrow loop."""
    narrow = loop_gains(NARROW_BANDWIDTH)
    table = []
    for n in range(2, 1000):
        gains = 2 * (2 * n - 1) / (n * (n + 1)), 6 / (n * (n + 1))
        if gains[0] <= narrow[0] or gains[1] <= narrow[1]:
            break
        table.append(gains)
    return (*table[:1] * 2, *table, narrow)


GAINS = _gains_by_memory()
MAX_MEMORY = len(GAINS) - 1


# Lines

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


def first_line(offsets: Sequence[float], max_odd: int) -> Line:
    """Return the line that fits best: each arrival a tick, or with up to `max_odd` missing and doubled."""
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
    if 0 < odd <= max_odd and len(kept) > 2:
        judged = fitted(places, kept)
        if judged.sigma * GAPS_FIT_BETTER < line.sigma:
            return judged
    return line


# Slips

DOUBT_LIMIT = 12
"""Doubled and missing ticks add 2, good ones take 1 away; beyond this the tempo is wrong."""

SLIP_LIMITS = ((64, 6), (256, 11))
"""Missing ticks less doubled ones, of the last so many arrivals: chance makes as many of the one as of the
other (of 1 % each 256 arrivals have 2.3 rms, and a limit is passed once in 15 hours at 120 BPM, simulated), a
wrong tempo makes always the same. Beyond one of the limits the tempo is wrong too, and with it what was
judged: the count is that of the arrivals again."""


CALM_TICKS = 16
"""At a wrong tempo doubled or missing ticks follow each other faster than this."""


class Slips:
    """How far the count of a source's ticks can be trusted. A doubled tick now and then, and a missing one,
    are common; a wrong tempo makes the same of them again and again.

    Takes what was judged with `take`, and good ticks with `good`.
    """

    def __init__(self) -> None:
        self._doubt = 0
        self._judged: deque[tuple[int, int]] = deque()
        """Which arrivals were judged doubled (-1) or behind so many missing ones."""

    def calm_at(self, heard: int) -> bool:
        """Return whether arrival number `heard` and those just before it were good."""
        return not self._judged or self._judged[-1][0] < heard - CALM_TICKS

    def clear(self) -> None:
        """Trust a new estimate."""
        self._doubt = 0
        self._judged.clear()

    def good(self) -> None:
        """Take a tick that came as expected."""
        if self._doubt:
            self._doubt -= 1

    def between(self, after: int, until: int) -> int:
        """Return missing ticks less doubled ones of the arrivals with numbers above `after` up to `until`."""
        return sum(ticks for heard, ticks in self._judged if after < heard <= until)

    def take(self, ticks: int, heard: int) -> int | None:
        """Take that arrival number `heard` was behind so many missing ticks, or doubled (-1).

        Return None while the count is trusted, otherwise by how many ticks it is too far.
        """
        self._doubt += 2
        judged = self._judged
        judged.append((heard, ticks))
        while judged[0][0] < heard - SLIP_LIMITS[-1][0]:
            judged.popleft()
        net = [sum(t for at, t in judged if at >= heard - span) for span, _ in SLIP_LIMITS]
        beyond = [slip for slip, (_, limit) in zip(net, SLIP_LIMITS, strict=True) if abs(slip) > limit]
        if self._doubt <= DOUBT_LIMIT and not beyond:
            return None
        return beyond[-1] if beyond else net[0]


# Steps

JUMP_SIGMAS = 5.0
JUMP_MIN_NS = 0.3 * NS_PER_MS
"""A gap is a jump when it is off by more than the source's own noise (from gap to gap that is √2 σ) ..."""

CALM_PART = 1 / 4
"""... and the gap before it and the two after it by less than so much of that: a late tick is made good by
the next gap, a new tempo stays in every gap."""

ALIKE_PART = 1 / 4
"""Two jumps make a step known when their sizes differ by less than so much of one."""

AGE_TICKS = 1024
"""So long a jump is remembered, and a step after its last jump."""


class Steps:
    """Takes gaps with `take`. `step_ns` is the step of the stamps, 0 while none is known."""

    def __init__(self) -> None:
        self.step_ns = 0.0
        self.apart_ticks = 0
        """How many gaps there were from the jump before to the last one."""
        self._taken = 0
        self._before = ((0.0, False), (0.0, False), (0.0, False))
        """The three gaps before: by how much each was off, and whether that was much when it came."""
        self._size = 0.0
        self._size_at = self._step_at = -AGE_TICKS

    def take(self, excess_ns: float, noise_ns: float) -> float:
        """Take by how much a gap is longer than the ticks in it; return the jump two gaps before, or 0.

        `noise_ns` is the source's noise, rms.
        """
        self._taken += 1
        (before, _), (jump, was_large), (after, _) = self._before
        least = 0.75 * self.step_ns or max(JUMP_MIN_NS, JUMP_SIGMAS * noise_ns)
        self._before = *self._before[1:], (excess_ns, abs(excess_ns) > least)
        if self.step_ns and self._taken - self._step_at > AGE_TICKS:
            self.step_ns = 0.0
        if not was_large or max(abs(before), abs(after), abs(excess_ns)) > CALM_PART * abs(jump):
            return 0.0
        size, last_size = abs(jump), self._size
        self.apart_ticks = self._taken - self._size_at
        self._size, self._size_at = size, self._taken
        if self.apart_ticks <= AGE_TICKS and abs(size - last_size) < ALIKE_PART * size:
            self.step_ns, self._step_at = size, self._taken
        return jump
