"""The follower: from the arrivals of somebody else's ticks to a calm estimate of where they lie.

Owns the estimate (when is which tick of the source, and how far apart are they), the named states, and the
judgement of single arrivals. It knows nothing of the grid, of transport or of what goes out: `following`
does.

The loop is of second order (`gains`). When the source leaves the estimate by more than its own noise explains
(a new tempo, a ramp), the memory is cut and grows again: fast to lock, then narrow.

Arrivals may come in steps (`steps`): each is late by anything from nothing to a step. While every arrival is
one tick, the line through enough of them has the tempo of the source, whatever line lies between two jumps.
So an arrival that is half a period off is a tick, not a doubled or a missing one; a jump moves the phase and
not the tempo; and the jump that makes the step known has the line fitted through all that was kept. What can
be said of a source with a step of r periods and a jump every P ticks: until the second jump the tempo is off
by r/P, and where P is more than 64 it stays so, as nothing distinguishes that line from the source's own;
else it comes to 0.1 % in 8 beats, to 0.3 % where ticks lie at halves or thirds of a step. This holds up to r
= 0.7. Beyond, a jump is much like a missing tick: the source may never be trusted, and near r = 1 its
arrivals are those of a source with another tempo that loses or doubles one tick in 15 or more, for which it
may be taken.

Bandwidths are counted in ticks, not in seconds, so that all limits hold in beats at every tempo.
Spans and stamps are in ns; inside, floats count from the stamp that the fit began with (a float holds a span
of days to a fraction of a ns). More than 400 lines, as fits, judgement and loop are one state.
"""

from __future__ import annotations

import itertools
from collections import deque

from routerd.core.follow.estimate import GAINS, MAX_MEMORY, Line, Slips, Steps, first_line, fitted
from routerd.core.model.snapshot import FollowState
from routerd.core.model.timing import HOLDOVER_S
from routerd.core.units import (
    BPM_MAX,
    BPM_MIN,
    NEVER_NS,
    NS_PER_MINUTE,
    NS_PER_MS,
    NS_PER_S,
    TICKS_PER_QUARTER,
)

SHORTEST_NS = float(NS_PER_MINUTE / (TICKS_PER_QUARTER * BPM_MAX))
LONGEST_NS = float(NS_PER_MINUTE / (TICKS_PER_QUARTER * BPM_MIN))

FIT_TICKS = 8
MAX_FIT_TICKS = 64
"""Arrivals that the first line is fitted through; twice as many each time that an estimate is given up soon
after it was made."""

MAX_ODD = 2
ODD_PART = 1 / 32
"""So many of the arrivals of the shortest first line may be doubled or missing ticks, and such a part of
those of a longer one: more of them are a wrong tempo (see `slips`)."""

KEPT_TICKS = 64
"""Arrivals that are kept for the line that is fitted when a step becomes known."""

SLIP_PART = 0.65
"""An arrival that is further than so much of a period from its prediction is a doubled one, or is behind
missing ones; nearer it is the tick itself, also where arrivals come in steps of half a period."""

EVEN_PART = 0.12
EACH_GAP_PART = 0.4
EACH_PART = 0.2
EACH_MAX_PART = 0.25
"""It is neither when the last arrivals are even: a line through them, each a tick, leaves no more than the
first, rms, and no pattern of doubled and missing ticks does (they leave 0.156 and more). Nor when it came
one period after the tick before, to within so much of it, and the line leaves no more than so much at a tempo
that is no further away. (A single doubled tick leaves 0.21 and more.) Then the tempo is another."""

LOCK_TICKS = 16
"""Memory from which on the estimate is called locked."""

SHORT_MEMORY = 4
"""What the memory is cut to when single arrivals show a new tempo."""

OUTLIER_PART = 0.125
OUTLIER_SIGMAS = 5.0
OUTLIER_MAX_PART = 0.45
"""An arrival is an outlier when it is further from its prediction than an eighth of a period and five times
the source's own noise, and always beyond 0.45 of a period. It is counted as a tick and moves nothing."""

OUTLIERS_IN_A_ROW = 3
"""So many on the same side are no outliers but a new phase or a new tempo."""

STEP_PART = 1.125
"""An arrival that is off by a known step, and a little for jitter, is no outlier."""

PHASE_PART = 0.6
"""A jump that leaves so much of itself as error is a new phase of the same tempo, while no step is known or
where jumps are too rare for a line through several of them."""

LONG_TICKS = 1024
"""An estimate that has held for so many arrivals was right: given up, the next first line is short again."""

TREND_WEIGHT = 1 / 8
TREND_SIGMAS = 1.0
TREND_MIN_NS = 0.3 * NS_PER_MS
TREND_STEPS = 0.5
"""The smoothed error may be this far from zero before the memory is cut; its own deviation is 0.26 of the
noise. Arrivals that come in steps may be half of one from the middle for long."""

LOST_PERIODS = 4
LOST_MIN_NS = NS_PER_MS * 100
"""The source has fallen silent after four of its periods, and not before a tenth of a second."""

HOLDOVER_NS = HOLDOVER_S * NS_PER_S
"""So long tempo and phase are held for a silent source unless the rig says otherwise; then this clock
leads on."""


class Follower:
    """Takes arrivals with `tick` and time with `pass_time`; the estimate is in `number`, `at_ns`,
    `period_ns`.

    Tick `number` of the source lies at `at_ns`, the next one `period_ns` later. `usable` is whether there
    is an estimate at all. Counted: `accepted`, `outliers`, `doubled`, `missing` (ticks), `relocks`.
    """

    def __init__(self, holdover_ns: int = HOLDOVER_NS) -> None:
        self.state = FollowState.FREE
        self.number = 0
        self.period_ns = 0.0
        self.sigma_ns = 0.0
        """The source's own jitter, rms."""
        self.lag_ns = 0.0
        """How far the estimate is behind the source (smoothed; behind is positive: the source is early)."""
        self.accepted = self.outliers = self.doubled = self.missing = self.relocks = 0
        self.holdover_ns = holdover_ns
        """So long tempo and phase are held for a silent source."""
        self._origin_ns = 0
        self._next = 0.0
        """When tick `number` + 1 is expected, from `_origin_ns`."""
        self._memory = 0
        self._trend = 0.0
        self._variance = 0.0
        self._last_error = 0.0
        self._side = 0
        self._heard = 0
        self._slips = Slips()
        self.resumed = False
        """Whether the source was silent before the last fit, so that its count means nothing."""
        self._last_ns = -NEVER_NS
        self._received_ns = -NEVER_NS
        """When the last one was handed over: after a standstill many are, later than they came."""
        self._arrivals: deque[tuple[int, int]] = deque(maxlen=FIT_TICKS)
        """Of the first line: how many had been heard, and when it was."""
        self._fit_heard = 0
        self._settled_heard = 0
        """Up to which arrival the tempo held: what was judged missing or doubled since may be neither."""
        self._kept: deque[tuple[int, float]] = deque(maxlen=KEPT_TICKS)
        """Number and offset of the last arrivals, since the tempo was another; a doubled tick has the number
        of the tick before."""
        self._tick = 0.0
        """The offset at which tick `number` came."""
        self._steps = Steps()

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
        if self.state is FollowState.HOLDOVER:
            return self._received_ns + self.holdover_ns
        return self._received_ns + self._patience_ns()

    def pass_time(self, now_ns: int) -> None:
        """Notice that the source is silent."""
        if now_ns < self.silent_at_ns():
            return
        if self.state is FollowState.HOLDOVER:
            self.state = FollowState.FREE
        elif self._memory:
            self.state = FollowState.HOLDOVER
        elif now_ns >= self._received_ns + self.holdover_ns or not self.period_ns:
            self.state = FollowState.FREE
        else:  # it was never trusted since it was lost: what was held before is held on
            self.state = FollowState.HOLDOVER
        self._memory = 0
        self._arrivals = deque(maxlen=FIT_TICKS)

    def tick(self, at_ns: int, received_ns: int = 0) -> bool:
        """Take an arrival; True when the estimate has moved. Arrivals before earlier ones are taken as
        doubled. `received_ns`: when it is handed over, if that is later: a source whose ticks are late is
        not silent."""
        # 1. A silence ends before the arrival that ends it: what was estimated before means nothing after it.
        self.pass_time(at_ns)
        self._heard += 1
        since_ns = at_ns - self._last_ns
        # 2. Without an estimate there is nothing to judge by: arrivals are collected for a first line.
        if self._memory == 0:
            return self._collect(at_ns, since_ns, received_ns)
        # 3. How far it is from where the next tick was expected.
        offset = at_ns - self._origin_ns
        error = offset - self._next
        period = self.period_ns
        self._last_ns = max(self._last_ns, at_ns)
        self._received_ns = max(self._last_ns, received_ns)
        # 4. Near enough to be that tick.
        if abs(error) <= SLIP_PART * period:
            self._slips.good()
        # 5. Further off: first ask whether the last arrivals, each of them a tick, make an even line at
        #    another tempo. Doubled and missing ticks never look so even, and a tempo step that was taken for
        #    them would have the count wrong for good.
        elif self._each_was_a_tick(offset):
            return True
        # 6. Too early for the next tick: it is the last one doubled, and no tick. It moves nothing.
        elif error < 0:
            self.doubled += 1
            self._kept.append((self.number, offset))
            self._mistrust(-1, at_ns)
            return False
        # 7. Too late: ticks are missing before it. The count steps over them, so that the place in the song
        #    stays right, and the arrival is judged against the tick that it is.
        else:
            skipped = max(1, round(error / period))
            self.missing += skipped
            self.number += skipped
            self._next += skipped * period
            self._tick += skipped * period
            error -= skipped * period
            if self._mistrust(skipped, at_ns):
                return False
        return self._judge(error, offset)

    def _patience_ns(self) -> int:
        if self._memory == 0:
            return int(2 * LONGEST_NS)
        return max(LOST_MIN_NS, int(LOST_PERIODS * self.period_ns))

    # The first line

    def _collect(self, at_ns: int, since_ns: int, received_ns: int) -> bool:
        if self.state in (FollowState.FREE, FollowState.HOLDOVER):
            self.state = FollowState.ACQUIRING
            self._arrivals.clear()
            self.resumed = True
        elif since_ns < SHORTEST_NS / 2:
            self.doubled += 1
            return False
        self._last_ns = at_ns
        self._received_ns = max(at_ns, received_ns)
        full = len(self._arrivals) == self._arrivals.maxlen
        self.number += full  # the first of them drops out
        self._arrivals.append((self._heard, at_ns))
        if len(self._arrivals) == self._arrivals.maxlen:
            self._fit()
        return self._memory > 0

    def _fit(self) -> None:
        """Fit a line through what has arrived, with places left empty for missing ticks where that fits
        better."""
        heard, times = zip(*self._arrivals, strict=True)
        offsets = [float(at_ns - times[0]) for at_ns in times]
        count = len(offsets)
        max_odd = MAX_ODD if count == FIT_TICKS else int(count * ODD_PART)
        left_out = heard[-1] - heard[0] - (count - 1)
        line = first_line(offsets, max_odd)
        if left_out > max_odd or not SHORTEST_NS <= line.slope <= LONGEST_NS or line.sigma > line.slope / 4:
            return
        self._origin_ns = times[0]
        self._take_line(line, self.number + 1)
        self._slips.clear()
        self._fit_heard = self._heard
        self.relocks += 1
        self.accepted += count

    # The loop

    def _judge(self, error: float, offset: float) -> bool:
        """Take the arrival of the next tick, `error` from its prediction; True when the estimate has
        moved."""
        # 1. It is counted whatever else it is: only the count keeps the place in the song.
        excess = offset - self._tick - self.period_ns
        self.number += 1
        self._tick = offset
        self._kept.append((self.number, offset))
        # 2. Two jumps of one size make the step of coarse stamps known. From then on a line through all that
        #    was kept is better than the loop, which has taken the drift between two jumps for tempo.
        steps, known = self._steps, self._steps.step_ns
        jump = steps.take(excess, self.sigma_ns)
        if steps.step_ns > known == 0 and steps.apart_ticks < len(self._kept):
            return self._fit_steps()
        # 3. Beyond the limit it is an outlier and moves nothing, as a single late tick says nothing of where
        #    the source is. Several in a row on the same side do: then the memory is cut, so that the loop
        #    follows quickly, unless the gaps say that this is a jump of the stamps.
        if abs(error) > self._limit_ns():
            side = 1 if error > 0 else -1
            self._side = self._side + side if self._side * side > 0 else side
            if abs(self._side) < OUTLIERS_IN_A_ROW:
                self._next += self.period_ns
                self.outliers += 1
                return False
            if not jump:
                self._memory = SHORT_MEMORY
                self._forget(SHORT_MEMORY)
                self._trend = 0.0
        # 4. A jump that leaves most of itself as error is a new phase: the estimate goes there at once, and
        #    the tempo stays, because a loop that made it good over many ticks would bend the tempo
        #    meanwhile.
        if jump and abs(error) > PHASE_PART * abs(jump) and (not known or steps.apart_ticks > KEPT_TICKS):
            self._next += error
            error = self._trend = 0.0
            self._memory = min(self._memory, LOCK_TICKS)
        # 5. What is left of the error corrects phase and tempo.
        self._side = 0
        self._correct(error)
        return True

    def _each_was_a_tick(self, offset: float) -> bool:
        """Go on from the line through the last arrivals and this one if each of them was a tick."""
        last = [at for _, at in itertools.islice(self._kept, max(0, len(self._kept) + 1 - FIT_TICKS), None)]
        if len(last) < FIT_TICKS - 1:
            return False
        line = fitted(range(FIT_TICKS), [*last, offset])
        if not SHORTEST_NS <= line.slope <= LONGEST_NS:
            return False
        if line.sigma > EVEN_PART * line.slope:
            gap_off_ns = abs(offset - self._tick - self.period_ns)
            away_ns = abs(line.slope - self.period_ns)
            if (
                gap_off_ns > EACH_GAP_PART * self.period_ns
                or line.sigma > EACH_PART * line.slope
                or away_ns > EACH_MAX_PART * self.period_ns
            ):
                return False
        slipped = self._slips.between(self._settled_heard, self._heard + 1 - FIT_TICKS)
        self._take_line(line, self._kept[1 - FIT_TICKS][0] - slipped)
        self._slips.clear()
        self.accepted += 1
        return True

    def _fit_steps(self) -> bool:
        """Go on from the line through all that was kept: now it is known how far from it arrivals may be."""
        places = {number - self._kept[0][0]: offset for number, offset in reversed(self._kept)}
        line = fitted(list(places)[::-1], list(places.values())[::-1])
        self._take_line(line, self._kept[0][0])
        self.accepted += 1
        return True

    def _forget(self, arrivals: int) -> None:
        """Keep no more than the last arrivals."""
        while len(self._kept) > arrivals:
            self._kept.popleft()

    def _limit_ns(self) -> float:
        """Return how far from its prediction an arrival is an outlier."""
        period = self.period_ns
        scattered = min(OUTLIER_MAX_PART * period, max(OUTLIER_PART * period, OUTLIER_SIGMAS * self.sigma_ns))
        return max(scattered, min(SLIP_PART * period, STEP_PART * self._steps.step_ns))

    def _take_line(self, line: Line, first: int) -> None:
        """Go on from a fitted line, whose place 0 is tick `first`."""
        self._kept.clear()
        self._kept.extend((first + n, offset) for n, offset in zip(line.places, line.offsets, strict=True))
        self.number, self._tick = self._kept[-1]
        self.period_ns = min(LONGEST_NS, max(SHORTEST_NS, line.slope))
        self._next = line.next_ns
        self._memory = min(len(line.places), MAX_MEMORY)
        self._variance = line.sigma * line.sigma
        self.sigma_ns = line.sigma
        self._last_error = line.offsets[-1] - (line.next_ns - line.slope)
        self._trend = self.lag_ns = 0.0
        self._side = 0

    def _correct(self, error: float) -> None:
        """Correct phase and tempo by an error: the step of the loop."""
        # 1. The source's own noise: half the variance of the change from one error to the next, which a slow
        #    drift of the estimate does not enter.
        change = error - self._last_error
        self._last_error = error
        self._variance += (change * change / 2 - self._variance) / 32
        self.sigma_ns = self._variance**0.5
        # 2. The smoothed error. When it leaves zero by more than that noise explains, the source has another
        #    tempo or ramps: the memory is cut, so that the loop is wide until it has caught up. Else it
        #    grows.
        self._trend += (error - self._trend) * TREND_WEIGHT
        self.lag_ns = -self._trend
        calm_ns = max(TREND_MIN_NS, TREND_SIGMAS * self.sigma_ns, TREND_STEPS * self._steps.step_ns)
        if abs(self._trend) > calm_ns and self._memory > LOCK_TICKS:
            self._memory = max(LOCK_TICKS, self._memory // 2)
            self._trend *= 0.5
        elif self._memory < MAX_MEMORY:
            self._memory += 1
        # 3. The loop itself, clamped at what a tempo can be, so that nothing winds up at the limit.
        proportional, integral = GAINS[self._memory]
        self.period_ns = min(LONGEST_NS, max(SHORTEST_NS, self.period_ns + integral * error))
        self._next += self.period_ns + proportional * error
        self.accepted += 1
        # 4. With enough memory and little noise the estimate is trusted, and so is the count up to here.
        if self._memory >= LOCK_TICKS and self._slips.calm_at(self._heard):
            self._settled_heard = self._heard
        if self._memory >= LOCK_TICKS and self.sigma_ns < self.period_ns / 4:
            self.state = FollowState.LOCKED

    def _mistrust(self, ticks: int, at_ns: int) -> bool:
        """Doubt the count of `ticks` missing (or -1: a doubled one); True when the estimate is given up."""
        slip = self._slips.take(ticks, self._heard)
        if slip is None:
            return False
        # the tempo is another: what was taken for missing or doubled was neither
        self.number -= slip + (ticks < 0)  # this arrival is counted again with the first of the fit
        self._memory = 0
        self.resumed = False
        lasted = self._heard - self._fit_heard > LONG_TICKS
        fit_ticks = FIT_TICKS if lasted else min(MAX_FIT_TICKS, 2 * (self._arrivals.maxlen or FIT_TICKS))
        self._arrivals = deque([(self._heard, at_ns)], maxlen=fit_ticks)
        self.state = FollowState.ACQUIRING
        return True
