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

from routerd.core.clock.transport import Command as TransportCommand
from routerd.core.errors import CommandError
from routerd.core.midi.messages import (
    SYSEX,
)
from routerd.core.model.arming import Command
from routerd.core.model.controls import Control
from routerd.core.model.snapshot import BarLine, ClickState, Meter, Snapshot
from routerd.core.routing.input import SENSING_LOST, Input
from routerd.core.show.recovery_part import ShowReturn
from routerd.core.show.tick_sender import NO_SONG
from routerd.core.show.transport import DEFAULT_BPM

__all__ = ["DEFAULT_BPM", "NO_SONG", "Show"]


class Show(ShowReturn):
    """See the module's head."""

    __slots__ = ()

    def next_deadline_ns(self) -> int:
        """Return when `advance` has something to do."""
        ticks, transport = self.ticks, self.transport
        if ticks.in_gap or ticks.own:
            return self.effects.now_ns
        clock = transport.clock
        deadline_ns = min(
            clock.next_due_ns,
            clock.start_at_ns,
            transport.schedule.next_ns,
            self._presses.next_due_ns,
            self._tuning_until_ns,
        )
        for wire in self.book.wires:
            deadline_ns = min(deadline_ns, wire.next_deadline_ns())
        if self.tempo.source is not None:
            deadline_ns = min(deadline_ns, self.tempo.source.follower.silent_at_ns())
        return deadline_ns

    def advance(self, now_ns: int) -> None:
        """Do what is due: a tick first and alone; what waits for it in the next call, at once."""
        self.effects.pass_time(now_ns)
        ticks, transport = self.ticks, self.transport
        clock, schedule = transport.clock, transport.schedule
        # 1. A tick of the grid goes out first and alone, so that nothing makes it late; only a Start of a
        #    source that has to stand before it may still push it back a little.
        if clock.next_due_ns <= now_ns and not (
            clock.start_at_ns < clock.next_due_ns and clock.make_room(now_ns)
        ):
            if ticks.in_gap:
                self._reach_line(now_ns)  # a stall must not cost a whole bar
            ticks.send_tick()
            return
        # 2. So do ticks that devices have at times of their own.
        if schedule.next_ns <= now_ns and ticks.send_timed_ticks():
            return
        # 3. In the gap behind them: what has waited for a tick, then changes that fall on the next one. They
        #    come before a Start, which may be one of them.
        if ticks.send_waiting():
            self._pass_gap(now_ns)
        if clock.start_at_ns <= now_ns:
            transport.send_start()
        # 4. What is timed but no tick: pulses, clicks, time code, positions for late devices.
        if schedule.next_ns <= now_ns:
            ticks.send_timed_messages()
        # 5. What time alone decides: silence of a source, long presses, ends of tuning and learning.
        self.tempo.pass_time()
        if self._presses.next_due_ns <= now_ns:
            self._carry_out(self._presses.due(now_ns))
            self._report_switches()
        if self._tuning_until_ns <= now_ns:
            self._end_tuning(now_ns)
        if self._learner is not None and self._learner.until_ns <= now_ns:
            self._end_learning()
        # 6. LEDs show what all this has led to, and wires that have become idle get what waits for them.
        self._light()
        for wire in self.book.wires:
            if wire.next_deadline_ns() <= now_ns:
                wire.pump(now_ns, self.effects.sink)

    def _pass_gap(self, now_ns: int) -> None:
        """In the gap before the next tick: do what falls exactly on that tick."""
        transport = self.transport
        self._look_at_cables(now_ns)
        self._reach_line(now_ns)
        self.tempo.start_with_time_code()
        if transport.metronome.counting_to and transport.metronome.counted_in(transport.clock):
            transport.request(TransportCommand.START)
        transport.poll_devices()

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
        next_look_ns = 2 * self.transport.clock.next_due_ns - now_ns  # the tick after the next, about
        for wire in self._sensed:
            wire.sense(now_ns, next_look_ns, self.effects.sink)

    def receive(self, input: Input, data: bytes, at_ns: int) -> None:
        """Take one message of a device: routed, or, when it is a control, carried out."""
        now_ns = self.effects.now_ns
        if at_ns > now_ns:
            self.effects.now_ns = now_ns = at_ns
        if input is self.tempo.source_input and data and data[0] >= SYSEX:
            self.tempo.on_message(data, at_ns)
        if self._learner is not None and not self._learner.over and self._learn_from(input, data):
            return
        if data in self._sent and not self._lets_in(input, data, now_ns):
            return
        turn = input.receive(data, now_ns, self.effects.sink)
        if turn is not None:
            self._carry_out(self._presses.turn(turn, self.effects.now_ns))
            if self._presses.news:
                self._report_switches()
        elif self.armed.change is not None and self.armed.waits_for_release:
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

    def snapshot(self) -> Snapshot:
        """Return the state as values."""
        on, tempo, transport = self._on, self.tempo, self.transport
        clock, source, place = transport.clock, tempo.source, on.place
        step = clock.map.steps[clock.step]
        return Snapshot(
            revision=self.effects.revision,
            generation=self.generation,
            set_list=replace(self._set_list, order=place.order),
            order_revision=self._order_revision,
            index=place.index,
            gap=place.gap,
            next_index=place.next_index,
            song=on.identifier,
            section=on.section_number,
            transport=clock.state,
            bpm=round(clock.segment.bpm, 2) if clock.steered else clock.bpm,
            meter=Meter(step.beats, step.unit),
            meter_from=BarLine(step.bar_tick, step.bar),
            tempo_by=clock.tempo_by,
            tempo_moves=clock.steered or (clock.map.moves and clock.mapped),
            grid=clock.segment,
            position_tick=clock.position_ticks,
            origin_tick=clock.origin_tick,
            bar_origin_tick=clock.bar_origin_tick,
            songs=self.book.song_names,
            outputs=self.book.output_names,
            inputs=tuple([input.name for input in self.book.inputs]),
            clock_source="internal" if source is None else source.name,
            armed=self.armed.state,
            chattering=self._presses.chattering_switches,
            learning=None if self._learner is None else self._learner.state,
            done=self._ticks.by_song(),
            tuning=self._tuning,
            devices=transport.devices.states(),
            click=ClickState(transport.metronome.alone, transport.metronome.counting_to),
            following=None if source is None else source.following_state(),
            loops=tuple(self.loops.looped),
            muted=tuple(sorted(self.mutes.muted)),
            soloed=tuple(sorted(self.mutes.soloed)),
        )
