"""The clock: the grid, the next tick on it, and transport with its position.

Owns the current tempo segment, transport's state and the bytes that wait for their place
between two ticks. It sends nothing: its caller asks `deadline_ns`, and when that has come
calls `take_start` or `take_tick` and sends what they say.

Position is counted in ticks of the song; the first tick after Start is 0. `origin_tick` is the
tick of the grid at which position is (or would have been) 0; bars are counted from it, also
while transport is stopped, so that "on the next bar" always means something.

The song's tempo map is taken step by step while transport runs: each step begins a new segment on its
tick. While a source is followed (`steered`), and once somebody has set the tempo by hand, the steps change
the meter only.
"""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

from routerd.core.clock.grid import Segment
from routerd.core.clock.tempo_map import TempoMap
from routerd.core.clock.transport import Command, State, TempoBy, start_slot, step
from routerd.core.midi.messages import START_LEAD_NS
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

    def steer(self, due_ns: int, interval_ns: int, bpm: Fraction, most_ns: int, now_ns: int) -> None:
        """Move the next tick towards `due_ns` and go on from it at `bpm`.

        It comes to lie no more than `most_ns` from `interval_ns` behind the last tick, not before `now_ns`,
        and not within START_LEAD_NS of a Start before it.
        """
        regular_ns = self._last_due_ns + interval_ns
        due_ns = max(now_ns, min(regular_ns + most_ns, max(regular_ns - most_ns, due_ns)))
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
        earliest_ns = max(earliest_ns, self._last_due_ns + START_LEAD_NS)
        late_ns = earliest_ns + START_LEAD_NS - self.next_due_ns
        if not self._start_bytes or not 0 < late_ns <= self._room_ns:
            return False
        self._room_ns -= late_ns
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
        """Go on with the grid of another engine, with the song's map in force, from where it was last told.

        The caller then says by `run_on` how far the grid has come since.
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

    def request(self, command: Command, now_ns: int, wires_free_ns: int) -> bytes:
        """Start, continue or stop. Returns the byte to send now; redundant commands give none.

        Start and Continue wait for their place: their byte comes from `take_start`.
        `wires_free_ns` is when the wires that carry transport will be idle.
        """
        position = self.position_ticks
        state, out = step(self.state, command)
        if state is self.state:
            return b""
        self._room_ns = 0
        self.state = state
        if state is State.STARTING:
            self._start_position = 0 if command is Command.START else position
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
        if not self._last_due_ns + START_LEAD_NS <= now_ns <= self.next_due_ns - START_LEAD_NS:
            if not self.make_room(now_ns):
                self._plan_start(now_ns)
            if self.start_at_ns > now_ns:
                return b""
        out = self._start_bytes
        self._start_bytes = b""
        self.start_at_ns = NEVER_NS
        position = self._start_position
        self._started_ns = now_ns
        self.origin_tick = self.next_tick - position
        self._take_meter(self.map.index_at(position), position)
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
        missed = 0
        if now_ns > self.segment.due_ns(self.next_tick + CATCH_UP_TICKS):
            latest = self.segment.tick_at(now_ns)
            missed = latest - self.next_tick
            self.next_tick = latest
            self.origin_tick += missed  # followers have not counted them either
            self.bar_origin_tick += missed
            if self.step_tick != NEVER_TICK:
                self.step_tick += missed
        tick = Tick(self.next_tick, self.segment.due_ns(self.next_tick), missed)
        self.next_tick += 1
        self._last_due_ns = tick.due_ns
        self.next_due_ns = self.segment.due_ns(self.next_tick)
        if self.next_tick >= self.step_tick:
            self._take_step()
        if self.state is State.STARTING and not self._start_bytes:
            self.state, _ = step(self.state, Command.TICK)
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
