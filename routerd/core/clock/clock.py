"""The clock: the grid, the next tick on it, and transport with its position.

Owns the current tempo segment, transport's state and the bytes that wait for their place
between two ticks. It sends nothing: its caller asks `deadline_ns`, and when that has come
calls `take_start` or `take_tick` and sends what they return.

Position is counted in ticks of the song; the first tick after Start is 0. `origin_tick` is the
tick of the grid at which position is (or would have been) 0; bars are counted from it, also
while transport is stopped, so that "on the next bar" always means something.

The song's tempo map is taken step by step while transport runs: each step begins a new segment on its
tick. While a source is followed (`steered`), and once somebody has set the tempo by hand, the steps change
the meter only.

Transport is one table. Its rules: Start plays from position 0 and Continue from where it stopped, both from
the tick that follows (M1 pp. 28, 30); Stop holds the position (M1 p. 31); redundant commands are ignored (M1
pp. 31–32); Start and Continue stand at least 1 ms before the tick that they start (M1 p. 30).

More than 350 lines: the grid, the song's position on it and the place of a Start between two ticks are one
state; each changes with every tick.
"""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from routerd.core.clock.tempo_map import TempoMap
from routerd.core.midi.messages import CONTINUE_BYTES, START_BYTES, START_LEAD_NS, STOP_BYTES
from routerd.core.model.timing import Segment, State, TempoBy
from routerd.core.units import NEVER_NS, TICKS_PER_QUARTER, ticks_per_bar, ticks_per_beat

NEVER_TICK = 1 << 62
"""A tick that does not come."""

CATCH_UP_TICKS = TICKS_PER_QUARTER
"""While the next tick is late by no more than a quarter note, all late ticks are sent at once, so that
followers keep their place (M1 p. 32: ticks may not be dropped). When it is later than that, the late ticks
but the last are given up and counted as missed."""

ROOM_NS = 4 * START_LEAD_NS
"""A source's Start begins with a tick; ours waits for our own Start by so much at most: for the 1 ms that the
standard asks for, and for a thread that is late."""


class TransportCommand(StrEnum):
    """What can be asked of transport."""

    START = "start"
    CONTINUE = "continue"
    STOP = "stop"
    TICK = "tick"


_TRANSPORT: dict[tuple[State, TransportCommand], tuple[State, bytes]] = {
    (State.STOPPED, TransportCommand.START): (State.STARTING, START_BYTES),
    (State.STOPPED, TransportCommand.CONTINUE): (State.STARTING, CONTINUE_BYTES),
    (State.STARTING, TransportCommand.TICK): (State.RUNNING, b""),
    (State.STARTING, TransportCommand.STOP): (State.STOPPED, STOP_BYTES),
    (State.RUNNING, TransportCommand.STOP): (State.STOPPED, STOP_BYTES),
}


def transport_step(state: State, command: TransportCommand) -> tuple[State, bytes]:
    """Return the next state and the byte to send; a redundant command changes and sends nothing."""
    return _TRANSPORT.get((state, command), (state, b""))


def start_slot(earliest_ns: int, last_due_ns: int, next_due_ns: int) -> int:
    """Return when a Start or Continue may go out, START_LEAD_NS or more from the ticks beside it.

    `last_due_ns` and `next_due_ns` are the ticks before and after `earliest_ns`, which is now or
    when the wires are free. The answer lies after the next tick when there is no room before it.
    """
    at_ns = max(earliest_ns, last_due_ns + START_LEAD_NS)
    if at_ns <= next_due_ns - START_LEAD_NS:
        return at_ns
    return max(earliest_ns, next_due_ns + START_LEAD_NS)


class Tick(NamedTuple):
    """A tick that is to go out: its number, when it was due, how many before it were given up."""

    number: int
    due_ns: int
    missed: int


class ClockState(NamedTuple):
    """Where a clock stood, as the next engine takes it up. Ticks are numbers of the grid, except
    `position_ticks`."""

    segment: Segment
    bpm: Fraction
    """The tempo to show; `segment` has the rate."""
    tempo_by: TempoBy
    running: bool
    position_ticks: int
    next_tick: int
    """The tick that came next; while stopped, the first of the segment."""
    origin_tick: int
    bar_origin_tick: int


class Clock:
    """Leads: ticks at the tempo of the current segment, always running."""

    def __init__(self, now_ns: int, bpm: Fraction) -> None:
        self.segment = Segment(now_ns, 0, bpm)
        self.next_tick = 0
        self.next_due_ns = now_ns
        self.state = State.STOPPED
        self.origin_tick = 0
        self.bar_ticks = ticks_per_bar(4, 4)
        self.beat_ticks = ticks_per_beat(4)
        self.bar_origin_tick = 0
        """The tick of the grid from which bars of this meter are counted."""
        self.steered = False
        """Whether a source decides about tempo."""
        self.tempo_by = TempoBy.SONG
        self.bpm = bpm
        """The tempo to show; `segment` has the rate of this moment."""
        self.map = TempoMap(bpm, 4, 4)
        self.step = 0
        self.step_tick = NEVER_TICK
        """The tick of the grid at which the next step of the map begins."""
        self.start_at_ns = NEVER_NS
        """When a Start or Continue that waits may go out."""
        self._start_bytes = b""
        self._start_position = 0
        self._held_position = 0
        self._last_due_ns = self.segment.due_ns(-1)
        self._started_ns = -NEVER_NS
        """When the last Start or Continue went out."""
        self._room_ns = 0
        """How far the next tick may still be moved for a Start that waits."""

    @property
    def position_ticks(self) -> int:
        """The song position of the next tick (running) or of the tick that Continue would start."""
        if self._start_bytes:
            return self._start_position
        if self.state is State.STOPPED:
            return self._held_position
        return self.next_tick - self.origin_tick

    @property
    def last_due_ns(self) -> int:
        """When the last tick was due."""
        return self._last_due_ns

    @property
    def playing(self) -> bool:
        """Whether the next tick is one of the song."""
        return self.state is State.RUNNING or (self.state is State.STARTING and not self._start_bytes)

    def deadline_ns(self) -> int:
        """Return when `take_start` or `take_tick` has something to give."""
        return min(self.next_due_ns, self.start_at_ns)

    def next_is_bar(self) -> bool:
        """Return whether the next tick is the first of a bar."""
        return (self.next_tick - self.bar_origin_tick) % self.bar_ticks == 0

    def next_is_beat(self) -> bool:
        """Return whether the next tick is the first of a beat of the meter."""
        return (self.next_tick - self.bar_origin_tick) % self.bar_ticks % self.beat_ticks == 0

    def set_tempo(self, bpm: Fraction) -> None:
        """Change tempo at the next tick, which stays where it is."""
        self.segment = self.segment.retimed(self.next_tick, bpm)
        self.bpm = bpm

    @property
    def mapped(self) -> bool:
        """Whether the song's map decides about tempo."""
        return not self.steered and self.tempo_by is not TempoBy.HAND

    @property
    def start_waits(self) -> bool:
        """Whether a Start or Continue waits for its place between two ticks."""
        return bool(self._start_bytes)

    def steer(self, due_ns: int, interval_ns: int, bpm: Fraction, max_ns: int, now_ns: int) -> None:
        """Move the next tick towards `due_ns` and go on from it at `bpm`.

        It comes to lie no more than `max_ns` from `interval_ns` behind the last tick, not before `now_ns`,
        and not within START_LEAD_NS of a Start before it.
        """
        regular_ns = self._last_due_ns + interval_ns
        due_ns = max(now_ns, min(regular_ns + max_ns, max(regular_ns - max_ns, due_ns)))
        due_ns = max(due_ns, self._started_ns + START_LEAD_NS)
        if self.start_at_ns <= self.next_due_ns:
            due_ns = max(due_ns, self.start_at_ns + START_LEAD_NS)
        self.segment = Segment(due_ns, self.next_tick, bpm)
        self.next_due_ns = due_ns

    def give_room(self, earliest_ns: int) -> None:
        """Let a Start that waits go out before the next tick: the tick waits for it, ROOM_NS at most.

        For a source that starts closely before its tick: ours is late once, and in its place.
        """
        self._room_ns = ROOM_NS
        self.make_room(earliest_ns)

    def bring_forward(self, due_ns: int, earliest_ns: int) -> bool:
        """Let the next tick come as early as `due_ns`, as far as a Start that waits and can go out at
        `earliest_ns` has room before it. Return whether it has been moved."""
        earliest_ns = max(earliest_ns, self._last_due_ns + START_LEAD_NS)
        due_ns = max(due_ns, earliest_ns + START_LEAD_NS)
        if not self._start_bytes or due_ns >= self.next_due_ns:
            return False
        self.segment = Segment(due_ns, self.next_tick, self.segment.bpm)
        self.next_due_ns = due_ns
        self._plan_start(earliest_ns)
        return True

    def make_room(self, earliest_ns: int) -> bool:
        """Move the next tick behind a Start that can go out at `earliest_ns`, as far as `give_room` allows.

        Return whether it has been moved.
        """
        # 1. When the Start can go out: 1 ms behind the tick before it, too (M1 p. 30).
        earliest_ns = max(earliest_ns, self._last_due_ns + START_LEAD_NS)
        # 2. By how much the next tick would have to be later for 1 ms between the two. Nothing to do when
        #    there is room already, and nothing that may be done beyond what is left of ROOM_NS: a tick that
        #    is later than that is an error that people hear, a Start in the next gap is not.
        late_ns = earliest_ns + START_LEAD_NS - self.next_due_ns
        if not self._start_bytes or not 0 < late_ns <= self._room_ns:
            return False
        # 3. What is used of the room is gone, so that a thread which is late again and again cannot push the
        #    same tick before it without end.
        self._room_ns -= late_ns
        # 4. The tick is the anchor of a new segment, so that all later ticks keep their distance from it;
        #    the Start takes its new place in the gap.
        self.segment = Segment(earliest_ns + START_LEAD_NS, self.next_tick, self.segment.bpm)
        self.next_due_ns = earliest_ns + START_LEAD_NS
        self._plan_start(earliest_ns)
        return True

    def begin_song(self, tempo_map: TempoMap) -> None:
        """Let the next tick be the first of the song's first bar, and position 0.

        Tempo is left as it is until the caller sets it or transport starts.
        """
        self.map = tempo_map
        self.origin_tick = self.next_tick
        self._held_position = 0
        self._take_meter(0, 0)
        self.step_tick = NEVER_TICK
        if self.state is State.RUNNING:
            self._await_step()

    def use_map(self, tempo_map: TempoMap) -> None:
        """Take the song's new tempo map where the song stands, without a change of tempo now."""
        self.map = tempo_map
        position = self.next_tick - self.origin_tick
        self._take_meter(tempo_map.index_at(max(0, position)), position)
        if self.state is State.RUNNING:
            self._await_step()

    def locate(self, position_ticks: int) -> None:
        """Set the position that Continue starts from; only while stopped."""
        if self.state is State.STOPPED:
            self._held_position = position_ticks
            self._take_meter(self.map.index_at(position_ticks), position_ticks)

    def take_up(self, state: ClockState) -> None:
        """Go on with the grid of another engine, with the song's map in force, from where it was last
        reported.

        The caller then calls `run_on` with how far the grid has come since.
        """
        self.segment = state.segment
        self.bpm = state.bpm
        self.tempo_by = state.tempo_by
        self.origin_tick = state.origin_tick
        self.next_tick = state.next_tick
        position = state.position_ticks
        if state.running:
            self.state = State.RUNNING
            self._take_meter(self.map.index_at(max(0, position)), position)
            self._await_step()
        else:
            self.stand(position)
        self.bar_origin_tick = state.bar_origin_tick
        self.run_on(self.next_tick, self.segment.due_ns(self.next_tick))

    def run_on(self, to_tick: int, until_ns: int) -> None:
        """Let ticks go by that nobody gets, up to before `to_tick`, or before the first after `until_ns`."""
        while True:
            target = min(to_tick, self.segment.tick_at(until_ns) + 1)
            if self.step_tick > target:
                break
            self.next_tick = self.step_tick
            self._take_step()
        self.next_tick = max(self.next_tick, target)
        self.next_due_ns = self.segment.due_ns(self.next_tick)
        self._last_due_ns = self.segment.due_ns(self.next_tick - 1)

    def stand(self, position_ticks: int) -> None:
        """Be stopped at a position without a word to anybody; bars are counted on as before."""
        bars_from = self.bar_origin_tick
        self.state = State.STOPPED
        self.step_tick = NEVER_TICK
        self.locate(position_ticks)
        self.bar_origin_tick = bars_from

    def next_bar(self, from_tick: int) -> int:
        """Return the first tick from `from_tick` on that begins a bar of the song, while transport runs."""
        position = max(0, from_tick - self.origin_tick)
        bar = self.map.bar_at(position)
        start = self.map.tick_of_bar(bar)
        return self.origin_tick + (start if start >= position else self.map.tick_of_bar(bar + 1))

    def request(self, command: TransportCommand, now_ns: int, wires_free_ns: int) -> bytes:
        """Start, continue or stop. Returns the byte to send now; redundant commands give none.

        Start and Continue wait for their place: their byte comes from `take_start`.
        `wires_free_ns` is when the wires that carry transport will be idle.
        """
        position = self.position_ticks
        state, out = transport_step(self.state, command)
        if state is self.state:
            return b""
        self._room_ns = 0
        self.state = state
        if state is State.STARTING:
            self._start_position = 0 if command is TransportCommand.START else position
            self._start_bytes = out
            self._plan_start(max(now_ns, wires_free_ns))
            return b""
        if self._start_bytes:  # the followers have not heard of it: they stand where they stood
            self._start_bytes = b""
            self.start_at_ns = NEVER_NS
            return b""
        self._held_position = position
        self.step_tick = NEVER_TICK
        return out

    def take_start(self, now_ns: int) -> bytes:
        """Return the Start or Continue whose time has come, or none when it must wait for the next gap."""
        # 1. The caller may be late: check the place again, by what the time is now. Where a source's Start
        #    is waited for the tick may still move; otherwise the Start waits for the next gap.
        if not self._last_due_ns + START_LEAD_NS <= now_ns <= self.next_due_ns - START_LEAD_NS:
            if not self.make_room(now_ns):
                self._plan_start(now_ns)
            if self.start_at_ns > now_ns:
                return b""
        # 2. It goes out: the tick that comes next is the first of the song from here.
        out = self._start_bytes
        self._start_bytes = b""
        self.start_at_ns = NEVER_NS
        position = self._start_position
        self._started_ns = now_ns
        self.origin_tick = self.next_tick - position
        self._take_meter(self.map.index_at(position), position)
        # 3. A song whose tempo changes on the way begins at the tempo of its place, from the next tick on,
        #    which stays where it is; one of a single tempo goes on as the clock runs.
        if self.map.moves and self.mapped:
            self._take_tempo()
            self.next_due_ns = self.segment.due_ns(self.next_tick)
        self._await_step()
        return out

    def postpone(self) -> None:
        """Let a Start or Continue that waits go into the gap after the next tick."""
        self._plan_start(self.next_due_ns)

    def take_tick(self, now_ns: int) -> Tick:
        """Return the tick that is due and step on to the next."""
        # 1. Too late to catch up: give up all ticks that were due but the latest. Followers have not counted
        #    what they did not get, so everything that is counted in ticks of the song moves by as many;
        #    position and bar stay what the devices believe them to be.
        missed = 0
        if now_ns > self.segment.due_ns(self.next_tick + CATCH_UP_TICKS):
            latest = self.segment.tick_at(now_ns)
            missed = latest - self.next_tick
            self.next_tick = latest
            self.origin_tick += missed
            self.bar_origin_tick += missed
            if self.step_tick != NEVER_TICK:
                self.step_tick += missed
        # 2. The tick of this call, due where the segment has it however late the call is: a tick that is
        #    late does not make the next one late.
        tick = Tick(self.next_tick, self.segment.due_ns(self.next_tick), missed)
        # 3. Step on, before a step of the tempo map, which retimes the segment at what is `next_tick` by
        #    then.
        self.next_tick += 1
        self._last_due_ns = tick.due_ns
        self.next_due_ns = self.segment.due_ns(self.next_tick)
        if self.next_tick >= self.step_tick:
            self._take_step()
        # 4. A Start that went out in the gap before (its bytes are gone) plays with this tick (M1 p. 30).
        if self.state is State.STARTING and not self._start_bytes:
            self.state, _ = transport_step(self.state, TransportCommand.TICK)
        return tick

    def _take_step(self) -> None:
        """Begin the next step of the map with the next tick."""
        position = self.next_tick - self.origin_tick
        self._take_meter(self.map.index_at(position), position)
        if self.mapped:
            step = self.map.steps[self.step]
            before = self.map.steps[self.step - 1]
            if (step.rate_bpm, step.bpm) != (before.rate_bpm, before.bpm):
                self._take_tempo()
        self._await_step()

    def _take_tempo(self) -> None:
        """Take the tempo of the step that is in force."""
        step = self.map.steps[self.step]
        self.set_tempo(step.rate_bpm)
        self.bpm = step.bpm
        self.tempo_by = TempoBy.SONG

    def _take_meter(self, step: int, position: int) -> None:
        """Count bars as that step does, `position` being the next tick's."""
        self.step = step
        meter = self.map.steps[step]
        self.bar_ticks = meter.bar_ticks
        self.beat_ticks = ticks_per_beat(meter.unit)
        self.bar_origin_tick = self.next_tick - position + meter.bar_tick

    def _await_step(self) -> None:
        steps = self.map.steps
        after = self.step + 1
        self.step_tick = self.origin_tick + steps[after].tick if after < len(steps) else NEVER_TICK

    def _plan_start(self, earliest_ns: int) -> None:
        self.start_at_ns = start_slot(earliest_ns, self._last_due_ns, self.next_due_ns)
