"""Chasing time code: quarter frames of a source become a place in the song, and the grid is laid onto it.

Quarter frames come four to the frame, eight of them say the time at which the first was sent (MTC pp. 1–4).
Their arrivals go through the same follower as ticks do; how much faster or slower than their rate they come
is how much faster or slower the song goes. A song's time is that of its own tempo map, counted from the top;
hours are left aside, because by common practice they number songs, and the last ten minutes of one are the
pre-roll of the next.

A song that stands is started as the source runs: at the next sixteenth that is far enough away to be told to
the devices (Song Position Pointer and Continue, M1 pp. 27–30).
"""

from __future__ import annotations

from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.clock.grid import TICK_NS_AT_1_BPM
from routerd.core.clock.time_code import PIECES, FrameTime, frame_ns, frame_number, rate_of_code
from routerd.core.clock.transport import State
from routerd.core.follow.follower import HOLD_NS, Follower
from routerd.core.follow.following import SLEW_PART
from routerd.core.model.snapshot import FollowState
from routerd.core.units import NS_PER_MS, NS_PER_S, SPP_MAX, TICKS_PER_SPP_UNIT

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock
    from routerd.core.model.timing import FrameRate

LEAST_RUN_UP_NS = 150 * NS_PER_MS
"""So far ahead a song is started, for the position to be told and a tick to pass."""

FARTHEST_TICKS = 4
"""A song that is farther from the source than this is started anew where the source is."""

_HOUR_NS = 3600 * NS_PER_S
_PRE_ROLL_NS = 600 * NS_PER_S
_JUMP_FRAMES = 2


class Chased(Enum):
    """What a quarter frame means for the show."""

    NOTHING = 0
    MOVED = 1
    START = 2
    """Transport shall start at `position_ticks` with tick `start_tick` of the grid."""
    JUMPED = 3
    """The source is elsewhere in the song: transport shall stop, and be started again."""


class Chase:
    """Keeps `clock` on a source's time code. `lead_ns`: how much earlier than the source's our ticks shall
    be; `hold_ns`: how long a silent source is held."""

    def __init__(self, clock: Clock, lead_ns: int = 0, hold_ns: int = HOLD_NS) -> None:
        self.follower = Follower(hold_ns)
        self.lead_ns = lead_ns
        self.distance_ns = 0
        self.position_ticks = 0
        self.start_tick = 0
        """The tick of the grid that a start waits for; 0 for none."""
        self._clock = clock
        self._nibbles: list[int] = []
        self._rate: FrameRate | None = None
        self._at_number = 0
        self._song_ns = 0
        """Song time at quarter frame `_at_number`; may lie before the song's top."""

    @property
    def steering(self) -> bool:
        """Whether the source decides about tempo."""
        return self.follower.state is not FollowState.FREE

    def quarter_frame(self, value: int, at_ns: int, now_ns: int) -> Chased:
        """Take the data byte of a quarter frame."""
        follower = self.follower
        moved = follower.tick(at_ns, now_ns) and follower.usable
        jumped = self._collect(value)
        if not moved or self._rate is None or follower.state is not FollowState.LOCKED:
            return Chased.NOTHING
        clock = self._clock
        if clock.state is State.STOPPED:
            return Chased.NOTHING if self.start_tick else self._plan_start()
        if jumped:
            return Chased.JUMPED
        if clock.start_waits:
            return Chased.NOTHING
        position = clock.next_tick - clock.origin_tick
        due_ns = self._due_ns(position)
        period_ns = max(1, self._due_ns(position + 1) - due_ns)
        self.distance_ns = clock.next_due_ns - due_ns
        if abs(self.distance_ns) > FARTHEST_TICKS * period_ns:  # started by hand somewhere else
            return Chased.JUMPED
        interval_ns = due_ns - self._due_ns(position - 1) if position > 0 else period_ns
        bpm = Fraction(TICK_NS_AT_1_BPM, period_ns)
        clock.steer(due_ns, interval_ns, bpm, round(interval_ns * SLEW_PART), now_ns)
        return Chased.MOVED

    def _collect(self, value: int) -> bool:
        """Take a piece; True when eight of them say that the source has jumped."""
        piece, nibble = value >> 4, value & 0x0F
        if piece != len(self._nibbles):
            self._nibbles = []
        if piece != len(self._nibbles):
            return False
        self._nibbles.append(nibble)
        if len(self._nibbles) < PIECES:
            return False
        n, self._nibbles = self._nibbles, []
        rate = rate_of_code(n[7] >> 1 & 3)
        time = FrameTime(0, n[4] | (n[5] & 3) << 4, n[2] | (n[3] & 3) << 4, n[0] | (n[1] & 1) << 4)
        song_ns = int(frame_number(time, rate) * frame_ns(rate))
        if song_ns > _HOUR_NS - _PRE_ROLL_NS:
            song_ns -= _HOUR_NS
        number = self.follower.next_number - PIECES
        expected_ns = self._song_ns + int((number - self._at_number) * frame_ns(rate) / 4)
        jumped = self._rate is not rate or abs(song_ns - expected_ns) > _JUMP_FRAMES * frame_ns(rate)
        if jumped:
            self._at_number, self._song_ns = number, song_ns
        self._rate = rate
        return jumped

    def _quarter_ns(self) -> Fraction:
        if self._rate is None:
            raise ValueError("no time code has been read")
        return frame_ns(self._rate) / 4

    def _due_ns(self, position: int) -> int:
        """Return when the tick at that position of the song is due, as the source runs now."""
        follower = self.follower
        quarter_ns = self._quarter_ns()
        song_ns = self._song_ns + (follower.number - self._at_number) * quarter_ns
        ahead = float(self._clock.map.time_ns(position) - song_ns) / float(quarter_ns)
        return follower.at_ns - self.lead_ns + round(ahead * follower.period_ns)

    def _plan_start(self) -> Chased:
        clock = self._clock
        earliest_ns = clock.next_due_ns + LEAST_RUN_UP_NS
        first, last = 0, SPP_MAX
        if self._due_ns(last * TICKS_PER_SPP_UNIT) < earliest_ns:
            return Chased.NOTHING
        while first < last:  # the first sixteenth that is late enough
            middle = (first + last) // 2
            if self._due_ns(middle * TICKS_PER_SPP_UNIT) < earliest_ns:
                first = middle + 1
            else:
                last = middle
        self.position_ticks = first * TICKS_PER_SPP_UNIT
        wait_ns = self._due_ns(self.position_ticks) - clock.next_due_ns
        if wait_ns > NS_PER_S:  # a pre-roll: it is planned when it comes near
            return Chased.NOTHING
        self.start_tick = clock.next_tick + max(2, round(wait_ns * clock.segment.bpm / TICK_NS_AT_1_BPM))
        return Chased.START
