"""The show: one owner of time and state in the engine.

Composes clock, routing, notes, wires and set list, and has no policy of its own beyond the
order in which things happen. Everything is called by one real-time worker at a time:

    receive(input, data, at_ns)   a message has come in
    apply(command, now_ns)        a person or the server asks for something
    advance(now_ns)               time has passed: call when next_deadline_ns() has come
    output_opened / output_lost / input_lost, load

Effects are appended to `sink` as (output, bytes) and to `events` as plain values; the caller
empties both after every call. Time may not go backwards: that raises ValueError.

A song change stops transport (a song whose start policy is "entry" then starts it again from
the top), swaps the tables, sends the patches and lets the tempo change at the next tick. What
waits for a bar is done in the gap before the bar's first tick, so that tempo, Start and Stop
fall exactly on the bar.

This is the uppermost of the layers that `show_state` lists.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from routerd.core.clock.clock import Tick
from routerd.core.clock.transport import Command as TransportCommand
from routerd.core.errors import CommandError
from routerd.core.midi.messages import (
    SYSEX,
    TICK,
    TICK_BYTES,
)
from routerd.core.model.arming import Command
from routerd.core.model.controls import Control
from routerd.core.model.set_list import set_list_to_plain
from routerd.core.routing.input import Input
from routerd.core.routing.watch import SENSING_LOST
from routerd.core.units import (
    TICKS_PER_QUARTER,
)

if TYPE_CHECKING:
    from routerd.core.output.wire import Wire

from routerd.core.show.recovery_part import ShowReturn
from routerd.core.show.state import DEFAULT_BPM, NO_SONG

__all__ = ["DEFAULT_BPM", "NO_SONG", "Show"]


class Show(ShowReturn):
    """See the module's head."""

    __slots__ = ()

    def next_deadline_ns(self) -> int:
        """Return when `advance` has something to do."""
        if self._after_tick or self._ticked:
            return self.effects.now_ns
        deadline_ns = min(self.clock.deadline_ns(), self.schedule.next_ns, self._presses.next_due_ns)
        deadline_ns = min(deadline_ns, self._tuning_until_ns)
        for wire in self.book.wires:
            deadline_ns = min(deadline_ns, wire.next_deadline_ns())
        if self._source is not None:
            deadline_ns = min(deadline_ns, self._source.follower.silent_at_ns())
        return deadline_ns

    def advance(self, now_ns: int) -> None:
        """Do what is due: a tick first and alone; what waits for it in the next call, at once."""
        self.effects.pass_time(now_ns)
        clock = self.clock
        if clock.next_due_ns <= now_ns and not (
            clock.start_at_ns < clock.next_due_ns and clock.make_room(now_ns)
        ):
            if self._after_tick:
                self._reach_line(now_ns)  # a stall must not cost a whole bar
            self._tick(now_ns)
            return
        if self.schedule.next_ns <= now_ns and self._timed_ticks(now_ns):
            return
        if self._after_tick or self._ticked:
            self._pass_tick(now_ns)
        if clock.start_at_ns <= now_ns:
            self._start(now_ns)
        if self.schedule.next_ns <= now_ns:
            self._timed_messages(now_ns)
        if self._source is not None:
            self._source.follower.pass_time(now_ns)
            self._look_at_source()
        if self._presses.next_due_ns <= now_ns:
            self._carry_out(self._presses.due(now_ns))
            self._report_switches()
        if self._tuning_until_ns <= now_ns:
            self._end_tuning(now_ns)
        if self._learner is not None and self._learner.until_ns <= now_ns:
            self._end_learning()
        self._light()
        for wire in self.book.wires:
            if wire.next_deadline_ns() <= now_ns:
                wire.pump(now_ns, self.effects.sink)

    def _pass_tick(self, now_ns: int) -> None:
        """In the gap after a tick: send what has waited for it, and do what is armed for the next."""
        clock = self.clock
        if self._ticked:
            ticked, self._ticked = self._ticked, []
            for wire in ticked:
                wire.pump(now_ns, self.effects.sink)
        if self._after_tick:
            self._after_tick = False
            for wire in self._clocked:
                wire.pump(now_ns, self.effects.sink)
            self._look_at_cables(now_ns)
            self._reach_line(now_ns)
            if self._source is not None and self._source.comes_in(clock.next_tick):
                self._come_in(now_ns)
            if self._metronome.counting_to and self._metronome.counted_in(clock):
                self._transport(TransportCommand.START, now_ns)
            self._look_at_devices()

    def _tick(self, now_ns: int) -> None:
        clock = self.clock
        was = clock.state
        tick = clock.take_tick(now_ns)
        self.tick_number, self.tick_due_ns, missed = tick
        for wire in self._clocked:
            wire.put_realtime(TICK_BYTES, now_ns, self.effects.sink)
        if self._caught_up:
            self._end_catching_up()
        if missed:
            self._devices.miss(missed)
            self._metronome.miss(missed)
        if self._devices.busy or self._devices.coders or self._metronome.output is not None:
            self._tick_devices(tick)
        self._set_gates()
        self._after_tick = True
        if missed:
            first = tick.number - missed
            self.effects.event("ticks-missed", count=missed, from_tick=first, to_tick=tick.number - 1)
            self.effects.revision += 1
        if clock.state is not was:
            self._transport_changed()
        if clock.step != self._step:
            self._step_taken()
        elif (clock.steered or self._source is not None) and tick.number % TICKS_PER_QUARTER == 0:
            self.effects.revision += 1  # so that others see where the grid has been moved to

    def _tick_devices(self, tick: Tick) -> None:
        """Pass a tick of the grid to those that make their own out of it."""
        for one in self._devices.busy:
            one.tick(tick, self.clock)
        self._devices.look()
        for coder in self._devices.coders:
            coder.tick(tick, self.clock)
        self._metronome.tick(tick, self.clock)

    def _timed_ticks(self, now_ns: int) -> bool:
        """Send the ticks that are due by the schedule, alone and one to a device, so that each is recorded as
        what it is; False when something else comes first."""
        schedule = self.schedule
        sent: list[Wire] = []
        while schedule.next_ns <= now_ns and schedule.next_data is TICK_BYTES:
            if schedule.next_output.wire in sent:
                break  # after a stall several are late
            timed = schedule.take()
            wire = timed.output.wire
            sent.append(wire)
            self.stamps[wire] = timed.tick, timed.at_ns
            if wire in self._clocked:  # one of the song before, in which it had another rate
                self.stamps[wire] = None
                self._caught_up.append(wire)
            wire.put_realtime(TICK_BYTES, now_ns, self.effects.sink)
            self._ticked.append(wire)
        if sent:
            self._set_gates()
        return bool(sent)

    def _timed_messages(self, now_ns: int) -> None:
        """Send what else is due by the schedule, up to the next tick in it."""
        schedule = self.schedule
        while schedule.next_ns <= now_ns and schedule.next_data is not TICK_BYTES:
            timed = schedule.take()
            if timed.data[0] >= TICK:
                timed.output.put_realtime(timed.data, now_ns, self.effects.sink)
            else:
                timed.output.offer(timed.data, now_ns, self.effects.sink)
        self._set_gates()

    def _look_at_cables(self, now_ns: int) -> None:
        """Once a tick: bank select that waits alone, loops, and Active Sensing both ways."""
        for input in self.book.inputs:
            if input.banks:
                input.send_banks(now_ns, self.effects.sink)
            if input.is_lost(now_ns):
                self.effects.event(SENSING_LOST, device=input.name)
                input.let_go(now_ns, self.effects.sink)
                self._abandon(input)
        if self.loops.busy:
            self.loops.look(now_ns, self.effects.sink)
            self._tell_loops()
        next_look_ns = 2 * self.clock.next_due_ns - now_ns  # the tick after the next, about
        for wire in self._sensed:
            wire.sense(now_ns, next_look_ns, self.effects.sink)

    def receive(self, input: Input, data: bytes, at_ns: int) -> None:
        """Take one message of a device: routed, or, when it is a control, carried out."""
        now_ns = self.effects.now_ns
        if at_ns > now_ns:
            self.effects.now_ns = now_ns = at_ns
        if input is self._source_input and data and data[0] >= SYSEX:
            self._hear_source(data, at_ns)
        if self._learner is not None and not self._learner.over and self._learn_from(input, data):
            return
        if data in self._sent and not self._lets_in(input, data, now_ns):
            return
        turn = input.receive(data, now_ns, self.effects.sink)
        if turn is not None:
            self._carry_out(self._presses.turn(turn, self.effects.now_ns))
            if self._presses.news:
                self._report_switches()
        elif self._armed is not None and self._waits_for_release:
            self._perform_on_release(self.effects.now_ns)
            self._light()
        if self._unrested:
            self._rest()

    def _lets_in(self, input: Input, data: bytes, now_ns: int) -> bool:
        is_let_in = self.loops.lets_in(input, data, now_ns, self.effects.sink)
        self._tell_loops()
        return is_let_in

    def _carry_out(self, controls: list[Control]) -> None:
        for control in controls:
            try:
                argument = control.subject or control.argument or None
                action = self.mutes.toggled(control.action, control.subject)
                self.apply(Command(action, argument, control.when), self.effects.now_ns)
            except CommandError as error:
                self.effects.event(
                    "refused", device=control.device, action=control.action.value, why=str(error)
                )

    def _learn_from(self, input: Input, data: bytes) -> bool:
        learner = self._learner
        if learner is None or not learner.hears(input.name, data):
            return False
        if learner.over:
            input.swallow_release(data)
            self.effects.event("learnt", device=input.name, message=data.hex(" ").upper())
        self.effects.revision += 1
        return True

    def grid(self) -> dict[str, Any]:
        """Return where ticks lie now, as plain values."""
        segment = self.clock.segment
        return {
            "anchor_ns": segment.anchor_ns,
            "anchor_tick": segment.anchor_tick,
            "rate_bpm": str(segment.bpm),
        }

    def snapshot(self) -> dict[str, Any]:
        """Return the state as plain values; see routerd.link.messages for who reads it."""
        clock = self.clock
        on = self._on
        step = clock.map.steps[clock.step]
        armed = self._armed
        return {
            "revision": self.effects.revision,
            "generation": self.generation,
            "set_list": set_list_to_plain(replace(self._set_list, order=on.place.order)),
            "order_revision": self._order_revision,
            "index": on.place.index,
            "gap": on.place.gap,
            "next_index": on.place.next_index,
            "song": on.identifier,
            "section": on.section_number,
            "armed": armed and armed.to_plain(),
            "chattering": self._presses.to_plain(),
            "learning": self._learner and self._learner.to_plain(),
            "checked": self._ticks.to_plain(),
            "tuning": self._tuning,
            "transport": clock.state.value,
            "bpm": str(round(clock.segment.bpm, 2) if clock.steered else clock.bpm),
            "meter": [step.beats, step.unit],
            "tempo_by": clock.tempo_by.value,
            "tempo_moves": clock.steered or (clock.map.moves and clock.mapped),
            "meter_from": [step.bar_tick, step.bar],
            "grid": self.grid(),
            "position_tick": clock.position_ticks,
            "origin_tick": clock.origin_tick,
            "bar_origin_tick": clock.bar_origin_tick,
            "songs": list(self.book.song_names),
            "outputs": list(self.book.output_names),
            "inputs": [input.name for input in self.book.inputs],
            "clock_source": "internal" if self._source is None else self._source.name,
            "devices": self._devices.to_plain(),
            "click": {"alone": self._metronome.alone, "counting_to": self._metronome.counting_to},
            "follow": None if self._source is None else self._source.plain(),
            "loops": self.loops.looped,
            "muted": sorted(self.mutes.muted),
            "soloed": sorted(self.mutes.soloed),
        }
