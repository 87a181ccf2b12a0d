"""The follower: from the arrivals of somebody else's ticks to a calm estimate of where they lie.

Owns the estimate (when is which tick of the source, and how far apart are they), the named states, and the
judgement of single arrivals. It knows nothing of the grid, of transport or of what goes out: `following`
does.

The loop is of second order: with e = arrival − prediction, prediction += period + K1·e and period += K2·e.
K1 and K2 for a noise bandwidth B·T per tick and a damping ζ are those of M. Rice, Digital Communications: A
Discrete-Time Approach, Appendix C, Eq. C.57–58, as other loops cite it. A narrow loop is calm and slow, so
the gains begin where a line is fitted through the last n arrivals, with n growing (a growing-memory filter:
K1 = 2(2n−1)/(n(n+1)), K2 = 6/(n(n+1)), the recursive least-squares line), until they have come down to the
narrow ones. When the source leaves the estimate by more than its own noise explains (a new tempo, a ramp),
the memory is cut and grows again: fast to lock, then narrow.

Bandwidths are counted in ticks, not in seconds, so that all limits hold in beats at every tempo.
Spans and stamps are in ns; inside, floats count from the stamp that the fit began with (a float holds a span
of days to a fraction of a ns).
"""

from __future__ import annotations

import itertools
from collections import deque
from enum import StrEnum

from routerd.core.units import BPM_MAX, BPM_MIN, NS_PER_MINUTE, NS_PER_MS, NS_PER_S, TICKS_PER_QUARTER
from routerd.core.wire import NEVER_NS

NARROW_BANDWIDTH = 0.01
"""B·T of the settled loop: white jitter comes out √(2·B·T) = 0.142 of what came in."""

DAMPING = 0.5**0.5

SHORTEST_NS = float(NS_PER_MINUTE / (TICKS_PER_QUARTER * BPM_MAX))
LONGEST_NS = float(NS_PER_MINUTE / (TICKS_PER_QUARTER * BPM_MIN))

FIT_TICKS = 8
"""Arrivals that the first line is fitted through."""

GAPS_FIT_BETTER = 1.5
"""A line with missing ticks must fit so many times better than one without: coarse stamps make gaps of 1.5
periods, which are none."""

LOCK_TICKS = 16
"""Memory from which on the estimate is called locked."""

SHORT_MEMORY = 4
"""What the memory is cut to when single arrivals show a new tempo."""

OUTLIER_PART = 0.125
OUTLIER_SIGMAS = 5.0
OUTLIER_MOST_PART = 0.45
"""An arrival is an outlier when it is further from its prediction than an eighth of a period and five times
the source's own noise, and always beyond 0.45 of a period. It is counted as a tick and moves nothing."""

OUTLIERS_IN_A_ROW = 3
"""So many on the same side are no outliers but a new tempo."""

DOUBT_LIMIT = 12
"""Doubled and missing ticks add 2, good ones take 1 away; beyond this the estimate is given up and fitted
anew."""

SLIP_LIMITS = ((64, 4), (256, 9))
"""Missing ticks less doubled ones, of the last so many arrivals: chance makes as many of the one as of the
other (of 1 % each 256 arrivals have 2.3 rms), a wrong tempo makes always the same. Beyond one of the limits
the estimate is given up too, and with it what was judged: the count is that of the arrivals again."""

TREND_WEIGHT = 1 / 8
TREND_SIGMAS = 1.0
TREND_LEAST_NS = 0.3 * NS_PER_MS
"""The smoothed error may be this far from zero before the memory is cut; its own deviation is 0.26 of the
noise."""

LOST_PERIODS = 4
LOST_LEAST_NS = NS_PER_MS * 100
"""The source has fallen silent after four of its periods, and not before a tenth of a second."""

HOLD_NS = 15 * NS_PER_S
"""So long tempo and phase are held for a silent source; then this clock leads on."""


class FollowState(StrEnum):
    """Whose time it is."""

    FREE = "free"
    """The source has not been heard, or is silent for longer than the hold: this clock leads."""
    ACQUIRING = "acquiring"
    """The source is heard and not yet trusted; tempo and phase stay as they were."""
    LOCKED = "locked"
    HOLDING = "holding"
    """The source has just fallen silent: its tempo and phase go on."""


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
LONGEST_MEMORY = len(GAINS) - 1


def _line(places: list[int], offsets: list[float]) -> tuple[float, float, float, int]:
    """Return slope, value at the place after the last, deviation (rms) and last place of the fitted line."""
    count = len(places)
    mean_x, mean_y = sum(places) / count, sum(offsets) / count
    spread = sum((x - mean_x) ** 2 for x in places)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(places, offsets, strict=True)) / spread
    rest = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in zip(places, offsets, strict=True))
    return slope, mean_y + slope * (places[-1] + 1 - mean_x), (rest / (count - 2)) ** 0.5, places[-1]


class Follower:
    """Takes arrivals with `tick` and time with `pass_time`; the estimate is in `number`, `at_ns`,
    `period_ns`.

    Tick `number` of the source lies at `at_ns`, the next one `period_ns` later. `usable` tells whether there
    is an estimate at all. Counted: `accepted`, `outliers`, `doubled`, `missing` (ticks), `relocks`.
    """

    def __init__(self, hold_ns: int = HOLD_NS) -> None:
        self.state = FollowState.FREE
        self.number = 0
        self.period_ns = 0.0
        self.sigma_ns = 0.0
        """The source's own jitter, rms."""
        self.lag_ns = 0.0
        """How far the estimate is behind the source (smoothed; behind is positive: the source is early)."""
        self.accepted = self.outliers = self.doubled = self.missing = self.relocks = 0
        self._hold_ns = hold_ns
        self._origin_ns = 0
        self._next = 0.0
        """When tick `number` + 1 is expected, from `_origin_ns`."""
        self._memory = 0
        self._trend = 0.0
        self._trend_from = 0
        self._variance = 0.0
        self._last_error = 0.0
        self._side = 0
        self._doubt = 0
        self._heard = 0
        self._slips: deque[tuple[int, int]] = deque()
        """Of the last arrivals: which were judged doubled (-1) or behind so many missing ones."""
        self.resumed = False
        """Whether the source was silent before the last fit, so that its count means nothing."""
        self._last_ns = -NEVER_NS
        self._arrivals: deque[int] = deque(maxlen=FIT_TICKS)

    @property
    def usable(self) -> bool:
        """Whether there is an estimate."""
        return self._memory > 0

    @property
    def at_ns(self) -> int:
        """When tick `number` lies, as estimated."""
        return self._origin_ns + round(self._next - self.period_ns)

    @property
    def next_number(self) -> int:
        """The number of the tick that comes next."""
        return self.number + 1 + (0 if self._memory else len(self._arrivals))

    @property
    def error_ns(self) -> float:
        """The last arrival's distance from its prediction."""
        return self._last_error

    def silent_at_ns(self) -> int:
        """Return when `pass_time` has something to do if nothing arrives before."""
        if self.state is FollowState.FREE:
            return NEVER_NS
        if self.state is FollowState.HOLDING:
            return self._last_ns + self._hold_ns
        return self._last_ns + self._patience_ns()

    def pass_time(self, now_ns: int) -> None:
        """Notice that the source is silent."""
        if now_ns < self.silent_at_ns():
            return
        if self.state is FollowState.HOLDING:
            self.state = FollowState.FREE
        elif self._memory:
            self.state = FollowState.HOLDING
        elif now_ns >= self._last_ns + self._hold_ns or not self.period_ns:
            self.state = FollowState.FREE
        else:  # it was never trusted since it was lost: what was held before is held on
            self.state = FollowState.HOLDING
        self._memory = 0
        self._arrivals.clear()

    def tick(self, at_ns: int) -> bool:
        """Take an arrival; True when the estimate has moved. Arrivals before earlier ones are taken as
        doubled."""
        self.pass_time(at_ns)
        self._heard += 1
        since_ns = at_ns - self._last_ns
        if self._memory == 0:
            return self._collect(at_ns, since_ns)
        offset = at_ns - self._origin_ns
        error = offset - self._next
        period = self.period_ns
        self._last_ns = max(self._last_ns, at_ns)
        if error < -period / 2:
            self.doubled += 1
            self._mistrust(-1, at_ns)
            return False
        if error > period / 2:
            skipped = round(error / period)
            self.missing += skipped
            self.number += skipped
            self._next += skipped * period
            error -= skipped * period
            if self._mistrust(skipped, at_ns):
                return False
        elif self._doubt:
            self._doubt -= 1
        return self._judge(error)

    def _patience_ns(self) -> int:
        if self._memory == 0:
            return int(2 * LONGEST_NS)
        return max(LOST_LEAST_NS, int(LOST_PERIODS * self.period_ns))

    # The first line

    def _collect(self, at_ns: int, since_ns: int) -> bool:
        if self.state in (FollowState.FREE, FollowState.HOLDING):
            self.state = FollowState.ACQUIRING
            self._arrivals.clear()
            self.resumed = True
        elif since_ns < SHORTEST_NS / 2:
            self.doubled += 1
            return False
        self._last_ns = at_ns
        self._arrivals.append(at_ns)
        if len(self._arrivals) == FIT_TICKS:
            self._fit()
        return self._memory > 0

    def _fit(self) -> None:
        """Fit a line through what has arrived, with places left empty for missing ticks where that fits
        better."""
        offsets = [float(at_ns - self._arrivals[0]) for at_ns in self._arrivals]
        gaps = [b - a for a, b in itertools.pairwise(offsets)]
        guess = sorted(gaps)[len(gaps) // 2]
        places = [0]
        for gap in gaps:
            places.append(places[-1] + max(1, round(gap / guess)))
        line = _line(list(range(len(offsets))), offsets)
        if places[-1] >= len(offsets):
            with_gaps = _line(places, offsets)
            if with_gaps[2] * GAPS_FIT_BETTER < line[2]:
                line = with_gaps
        slope, self._next, sigma, last = line
        if not SHORTEST_NS <= slope <= LONGEST_NS or sigma > slope / 4:
            return
        self._origin_ns = self._arrivals[0]
        self.period_ns = slope
        self.number += last + 1
        self._memory = len(offsets)
        self._variance = sigma * sigma
        self.sigma_ns = sigma
        self._last_error = offsets[-1] - (self._next - slope)
        self._trend = self.lag_ns = 0.0
        self._side = self._doubt = 0
        self._slips.clear()
        self.relocks += 1
        self.accepted += self._memory

    # The loop

    def _judge(self, error: float) -> bool:
        period = self.period_ns
        limit = min(OUTLIER_MOST_PART * period, max(OUTLIER_PART * period, OUTLIER_SIGMAS * self.sigma_ns))
        self.number += 1
        side = 1 if error > 0 else -1
        if abs(error) > limit:
            self._side = self._side + side if self._side * side > 0 else side
            self._next += period
            if abs(self._side) < OUTLIERS_IN_A_ROW:
                self.outliers += 1
                return False
            self._next -= period
            self._memory = SHORT_MEMORY
            self._trend = 0.0
        self._side = 0
        self._correct(error)
        return True

    def _correct(self, error: float) -> None:
        change = error - self._last_error
        self._last_error = error
        self._variance += (change * change / 2 - self._variance) / 32
        self.sigma_ns = self._variance**0.5
        self._trend += (error - self._trend) * TREND_WEIGHT
        self.lag_ns = -self._trend
        if abs(self._trend) > max(TREND_LEAST_NS, TREND_SIGMAS * self.sigma_ns) and self._memory > LOCK_TICKS:
            self._memory = max(LOCK_TICKS, self._memory // 2)
            self._trend *= 0.5
        elif self._memory < LONGEST_MEMORY:
            self._memory += 1
        proportional, integral = GAINS[self._memory]
        self.period_ns = min(LONGEST_NS, max(SHORTEST_NS, self.period_ns + integral * error))
        self._next += self.period_ns + proportional * error
        self.accepted += 1
        if self._memory >= LOCK_TICKS and self.sigma_ns < self.period_ns / 4:
            self.state = FollowState.LOCKED

    def _mistrust(self, ticks: int, at_ns: int) -> bool:
        """Doubt the count of `ticks` missing (or -1: a doubled one); True when the estimate is given up."""
        self._doubt += 2
        self._slips.append((self._heard, ticks))
        while self._slips[0][0] < self._heard - SLIP_LIMITS[-1][0]:
            self._slips.popleft()
        net = [sum(t for at, t in self._slips if at >= self._heard - span) for span, _ in SLIP_LIMITS]
        beyond = [slip for slip, (_, limit) in zip(net, SLIP_LIMITS, strict=True) if abs(slip) > limit]
        if self._doubt <= DOUBT_LIMIT and not beyond:
            return False
        slip = beyond[-1] if beyond else net[0]
        # the tempo is another: what was taken for missing or doubled was neither
        self.number -= slip + (ticks < 0)  # this arrival is counted again with the first of the fit
        self._memory = 0
        self._doubt = 0
        self.resumed = False
        self._arrivals.clear()
        self._arrivals.append(at_ns)
        self.state = FollowState.ACQUIRING
        return True
