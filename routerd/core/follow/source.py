"""The source: what a device that is followed sends, and what that means for the show.

Owns the `Following` of one device. Ticks move the grid here; transport, positions and changes of state are
returned, for the show to act on. Rules: Start and Continue count from the tick after them (M1 p. 30); a
position is sent only while stopped (M1 p. 27).
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

from routerd.core.follow.follower import Follower
from routerd.core.follow.following import Chase, Chased, Following
from routerd.core.midi.messages import CONTINUE, SONG_POSITION, START, STOP, TICK, TIME_CODE, is_whole
from routerd.core.model.snapshot import FollowingState, FollowState
from routerd.core.model.timing import ClockFrom
from routerd.core.units import NS_PER_S, NS_PER_US, TICKS_PER_SPP_UNIT

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock
    from routerd.core.model.timing import Timing
    from routerd.core.routing.input import Input


class Heard(Enum):
    """What a message of the source means."""

    NOTHING = 0
    MOVED = 1
    """The grid has moved."""
    START = 2
    CONTINUE = 3
    STOP = 4
    POSITION = 5
    JUMPED = 6
    """Time code goes on somewhere else."""


IGNORED_NS = NS_PER_S
"""At most one message of transport that is ignored is reported in this time."""

_TRANSPORT = {START: Heard.START, CONTINUE: Heard.CONTINUE, STOP: Heard.STOP, SONG_POSITION: Heard.POSITION}


class Source:
    """A device that is followed. `state` is its follower's as last reported; `position_ticks` its last
    position."""

    def __init__(self, input: Input, timing: Timing, clock: Clock, lead_ns: int, holdover_ns: int) -> None:
        self.input = input
        self.name = input.name
        self.leads_transport = timing.leads_transport
        self.restarts = timing.restarts
        self.following = Following(clock, lead_ns, holdover_ns)
        self.chase = Chase(clock, lead_ns, holdover_ns) if timing.clock_from is ClockFrom.MTC else None
        self.state: FollowState = self.follower.state
        self.position_ticks = 0
        self._reported_ns = -IGNORED_NS

    @property
    def follower(self) -> Follower:
        """Who estimates where the source is."""
        return self.following.follower if self.chase is None else self.chase.follower

    @property
    def steering(self) -> bool:
        """Whether the source decides about tempo."""
        return self.follower.state is not FollowState.FREE

    def lead(self, lead_ns: int) -> None:
        """Have our ticks so much earlier than the source's."""
        self.following.lead_ns = lead_ns
        if self.chase is not None:
            self.chase.lead_ns = lead_ns

    def hear(self, data: bytes, at_ns: int, now_ns: int) -> Heard:
        """Take a system message of the source."""
        if self.chase is not None:
            return self._hear_time_code(self.chase, data, at_ns, now_ns)
        if data[0] == TICK:
            return Heard.MOVED if self.following.tick(at_ns, now_ns) else Heard.NOTHING
        heard = _TRANSPORT.get(data[0], Heard.NOTHING)
        if heard is Heard.NOTHING or not self.leads_transport:
            return Heard.NOTHING
        if not is_whole(data):
            return Heard.NOTHING
        if heard is Heard.POSITION:
            self.position_ticks = (data[1] | data[2] << 7) * TICKS_PER_SPP_UNIT
        return heard

    def _hear_time_code(self, chase: Chase, data: bytes, at_ns: int, now_ns: int) -> Heard:
        if data[0] != TIME_CODE:
            return Heard.NOTHING
        if not is_whole(data):
            return Heard.NOTHING
        chased = chase.quarter_frame(data[1], at_ns, now_ns)
        if chased is Chased.MOVED:
            return Heard.MOVED
        self.position_ticks = chase.position_ticks
        return {Chased.START: Heard.POSITION, Chased.JUMPED: Heard.JUMPED}.get(chased, Heard.NOTHING)

    def comes_in(self, next_tick: int) -> bool:
        """Tell, in the gap before a tick, whether time code starts the song with it."""
        if self.chase is None or not self.chase.start_tick or next_tick < self.chase.start_tick:
            return False
        self.chase.start_tick = 0
        return True

    def reports_ignored(self, now_ns: int) -> bool:
        """Return whether a message of its transport that is ignored now shall be reported: not every one of a
        storm."""
        if now_ns - self._reported_ns < IGNORED_NS:
            return False
        self._reported_ns = now_ns
        return True

    def changed(self) -> bool:
        """Return whether the state is another than when this was asked last."""
        state = self.follower.state
        if state is self.state:
            return False
        self.state = state
        return True

    def following_state(self) -> FollowingState:
        """Return how following goes, as a snapshot shows it."""
        follower = self.follower
        distance_ns = (self.following if self.chase is None else self.chase).distance_ns
        return FollowingState(
            device=self.name,
            state=follower.state,
            jitter_us=round(follower.sigma_ns / NS_PER_US),
            lag_us=round(follower.lag_ns / NS_PER_US),
            distance_us=round(distance_ns / NS_PER_US),
            accepted=follower.accepted,
            outliers=follower.outliers,
            doubled=follower.doubled,
            missing=follower.missing,
            relocks=follower.relocks,
        )
