"""Laying this clock's grid onto a source that leads: its ticks (`Following`) or its time code (`Chase`).

Each joins a `Follower` (where the source's ticks or quarter frames are) to the `Clock` (where ours are), by
moving our next tick without a jump and without a double tick.
"""

from __future__ import annotations

from enum import Enum
from fractions import Fraction

from routerd.core.clock.clock import Clock
from routerd.core.clock.time_code import PIECES, FrameTime, frame_ns, frame_number, rate_of_code
from routerd.core.follow.follower import HOLDOVER_NS, Follower
from routerd.core.model.snapshot import FollowState
from routerd.core.model.timing import FrameRate, State
from routerd.core.units import NS_PER_MS, NS_PER_S, SPP_MAX, TICK_NS_AT_1_BPM, TICKS_PER_SPP_UNIT

SLEW_PART = 1 / 8
"""Largest part of a period by which a tick is moved to make a distance good."""

_RATE_STEPS = 1024
"""The period is kept to 1/1024 ns, so that a whole holdover is exact to less than a microsecond."""


MIN_RUN_UP_NS = 150 * NS_PER_MS
"""So far ahead a song is started, for the position to be sent and a tick to pass."""

FARTHEST_TICKS = 4
"""A song that is farther from the source than this is started anew where the source is."""

_HOUR_NS = 3600 * NS_PER_S
_PRE_ROLL_NS = 600 * NS_PER_S
_JUMP_FRAMES = 2


class Following:
    """Keeps `clock` on the ticks of a source. `lead_ns`: how much earlier than the source's our ticks shall
    be; `holdover_ns`: how long a silent source is held.

    Joins a `Follower` (where the source's ticks are) to the `Clock` (where ours are). The source's tick
    number and the grid's differ by `shift`. Every accepted arrival determines when our next tick should be;
    it is put there at once when it is near, and otherwise moved by at most an eighth of a period each tick,
    so that no interval is shorter than 7/8 or longer than 9/8 of the source's own while a distance is made
    good.

    Transport of the source: its Start or Continue counts from its next tick (M1 p. 30), whose number is
    remembered; when our own Start has gone out, `shift` is set so that both stand at the same position. Our
    Start needs 1 ms before our tick too (M1 p. 30): where the source leaves less, that one tick waits. And
    where stamps are coarse, ours of the source's first tick may have gone out before its Start was heard:
    then another one follows at once, so that nobody begins a tick late; it is the only one that comes
    earlier than that.
    """

    def __init__(self, clock: Clock, lead_ns: int = 0, holdover_ns: int = HOLDOVER_NS) -> None:
        self.follower = Follower(holdover_ns)
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


class Chased(Enum):
    """What a quarter frame means for the show."""

    NOTHING = 0
    MOVED = 1
    START = 2
    """Transport shall start at `position_ticks` with tick `start_tick` of the grid."""
    JUMPED = 3
    """The source is elsewhere in the song: transport shall stop, and be started again."""


class Chase:
    """Keeps `clock` on a source's time code: its quarter frames become a place in the song. `lead_ns`: how
    much earlier than the source's our ticks shall be; `holdover_ns`: how long a silent source is held.

    Quarter frames come four to the frame, eight of them carry the time at which the first was sent (MTC pp.
    1–4). Their arrivals go through the same follower as ticks do; how much faster or slower than their rate
    they come is how much faster or slower the song goes. A song's time is that of its own tempo map, counted
    from the top; hours are left aside, because by common practice they number songs, and the last ten
    minutes of one are the pre-roll of the next.

    A song that stands is started as the source runs: at the next sixteenth that is far enough away to
    reach the devices first (Song Position Pointer and Continue, M1 pp. 27–30).
    """

    def __init__(self, clock: Clock, lead_ns: int = 0, holdover_ns: int = HOLDOVER_NS) -> None:
        self.follower = Follower(holdover_ns)
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
        """Take a piece; True when eight of them show that the source has jumped."""
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
        earliest_ns = clock.next_due_ns + MIN_RUN_UP_NS
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
