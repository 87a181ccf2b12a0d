"""Following: lays this clock's grid onto the ticks of a source, without a jump and without a double tick.

Joins a `Follower` (where the source's ticks are) to the `Clock` (where ours are). The source's tick number
and the grid's differ by `shift`. Every accepted arrival says when our next tick should be; it is put there at
once when it is near, and otherwise moved by at most an eighth of a period each tick, so that no interval is
shorter than 7/8 or longer than 9/8 of the source's own while a distance is made good.

Transport of the source: its Start or Continue counts from its next tick (M1 p. 30), whose number is
remembered; when our own Start has gone out, `shift` is set so that both stand at the same position. Our Start
needs 1 ms before our tick too (M1 p. 30): where the source leaves less, that one tick waits. And where stamps
are coarse, ours of the source's first tick may have gone out before its Start was heard: then another one
follows at once, so that nobody begins a tick late; it is the only one that comes earlier than that.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.clock.grid import TICK_NS_AT_1_BPM
from routerd.core.clock.transport import State
from routerd.core.follow.follower import HOLD_NS, Follower

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock

SLEW_PART = 1 / 8
"""Largest part of a period by which a tick is moved to make a distance good."""

_RATE_STEPS = 1024
"""The period is kept to 1/1024 ns, so that a whole hold are exact to less than a microsecond."""


class Following:
    """Keeps `clock` on a source. `lead_ns`: how much earlier than the source's our ticks shall be;
    `hold_ns`: how long a silent source is held."""

    def __init__(self, clock: Clock, lead_ns: int = 0, hold_ns: int = HOLD_NS) -> None:
        self.follower = Follower(hold_ns)
        self.lead_ns = lead_ns
        self.distance_ns = 0
        """How far our next tick was from where the source wants it, before it was moved; late is positive."""
        self._clock = clock
        self._shift = 0
        self._fit = 0
        self._start: tuple[int, int] | None = None
        """The source's number of the tick that plays a position, while our own Start is not out."""
        self._forward_tick = -1
        """Our tick that follows at once on one that had gone out too early for a Start."""

    def started(self, position_ticks: int) -> None:
        """The source has started or continued: its next tick plays that position."""
        self._start = self.follower.next_number, position_ticks

    def bring_forward(self, earliest_ns: int) -> None:
        """The source has started, and our Start can go out at `earliest_ns`: let it begin with the tick that
        the source's begins with, also when ours of that place is out."""
        follower, clock = self.follower, self._clock
        if self._start is None or not follower.usable:
            return
        number, _ = self._start
        period_ns = follower.period_ns
        due_ns = follower.at_ns - self.lead_ns + round((number - follower.number) * period_ns)
        is_out = abs(clock.last_due_ns - due_ns) < period_ns / 2  # ours of that place
        if is_out and clock.bring_forward(due_ns, earliest_ns):
            self._forward_tick = clock.next_tick

    def stopped(self) -> None:
        """The source has stopped."""
        self._start = None

    def tick(self, at_ns: int, now_ns: int) -> bool:
        """Take a tick of the source; True when the grid has moved."""
        follower = self.follower
        if not follower.tick(at_ns, now_ns) or not follower.usable:
            return False
        clock = self._clock
        period_ns = follower.period_ns
        base_ns = follower.at_ns - self.lead_ns
        if self._fit != follower.relocks and follower.resumed:  # it was away: met at the tick that is nearest
            self._fit = follower.relocks
            self._shift = clock.next_tick - follower.number - round((clock.next_due_ns - base_ns) / period_ns)
        if self._start is not None and clock.state is not State.STOPPED and not clock.start_waits:
            number, position = self._start
            self._start = None
            self._shift = clock.origin_tick + position - number
        if clock.next_tick == self._forward_tick:
            return False  # it stays where it is
        wanted_ns = base_ns + round((clock.next_tick - follower.number - self._shift) * period_ns)
        bpm = Fraction(TICK_NS_AT_1_BPM * _RATE_STEPS, max(1, round(period_ns * _RATE_STEPS)))
        self.distance_ns = clock.next_due_ns - wanted_ns
        clock.steer(wanted_ns, round(period_ns), bpm, round(period_ns * SLEW_PART), now_ns)
        return True
