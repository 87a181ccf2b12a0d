"""The show: one owner of time and state in the engine, a façade over parts that own it.

Everything is called by one real-time worker at a time:

    receive(input, data, at_ns)   a message has come in
    apply(command, now_ns)        a person or the server asks for something
    advance(now_ns)               time has passed: call when next_deadline_ns() has come
    output_opened / output_lost / input_opened / input_lost, load, complete, go_on

What a call leads to is in `effects`: messages as (wire, bytes) in its `sink`, and its `events`; the caller
empties both after every call. Time may not go backwards: `advance` raises ValueError.

The parts, each in a module of its own, and each knowing only those above it:

    effects           time of the call, and what it has led to
    armed             the change that waits
    transport         clock, start and stop, devices' clocks, click
    tempo             who decides about it; the source that is followed
    ticks             ticks on their way out
    routes            what reaches whom, mutes, rest, held notes, loops
    songs             which song and section are on
    commands          what can be asked, at once or armed
    panel             switches, LEDs, learn mode, a note to tune by
    recovery          ports that come and go; going on where an engine has died

The show itself has no policy but the order in which they have their turns. More than 350 lines: every verb
stands here with its contract.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from routerd.core.clock.clock import TransportCommand
from routerd.core.errors import NotFoundError
from routerd.core.midi.messages import SYSEX
from routerd.core.midi.tuning import TUNING_S
from routerd.core.model.snapshot import BarLine, ClickState, Meter, ResumePoint, Snapshot
from routerd.core.routing.input import NO_NUMBER
from routerd.core.routing.loops import WINDOW_NS
from routerd.core.show.armed import ArmedChange
from routerd.core.show.commands import Commands
from routerd.core.show.compiler import EMPTY_RIG
from routerd.core.show.effects import Effects
from routerd.core.show.panel import Learning, Panel, Tuner
from routerd.core.show.recovery import Recovery
from routerd.core.show.routes_in_force import RoutesInForce
from routerd.core.show.songs import Songs
from routerd.core.show.tempo import Tempo
from routerd.core.show.tick_sender import TickSender
from routerd.core.show.transport import Transport

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.commands import Command
    from routerd.core.model.set_list import SetList
    from routerd.core.output.wire import Wire
    from routerd.core.routing.input import Input
    from routerd.core.show.compiler import CompiledRig
    from routerd.core.show.crash_state import Kept


class Show:
    """See the module's head."""

    __slots__ = (
        "_commands",
        "_learning",
        "_panel",
        "_presses",
        "_recovery",
        "_sent",
        "_songs",
        "_tuning",
        "armed",
        "compiled",
        "effects",
        "generation",
        "routes",
        "tempo",
        "ticks",
        "transport",
    )

    def __init__(self, now_ns: int, schedule: Schedule | None = None) -> None:
        effects = self.effects = Effects(now_ns)
        armed = self.armed = ArmedChange(effects)
        transport = self.transport = Transport(effects, schedule=schedule)
        tempo = self.tempo = Tempo(effects, transport, armed)
        ticks = self.ticks = TickSender(effects, transport, tempo)
        routes = self.routes = RoutesInForce(effects)
        songs = self._songs = Songs(
            effects=effects, armed=armed, transport=transport, tempo=tempo, ticks=ticks, routes=routes
        )
        self._tuning = Tuner(effects, routes.tuner)
        self._learning = Learning(effects)
        self._commands = Commands(
            effects=effects,
            armed=armed,
            transport=transport,
            tempo=tempo,
            ticks=ticks,
            routes=routes,
            songs=songs,
            tuning=self._tuning,
            learning=self._learning,
        )
        self._panel = Panel(
            effects=effects,
            armed=armed,
            transport=transport,
            routes=routes,
            songs=songs,
            apply=self._commands.apply,
        )
        self._recovery = Recovery(
            effects=effects,
            transport=transport,
            tempo=tempo,
            ticks=ticks,
            routes=routes,
            songs=songs,
            panel=self._panel,
        )
        self.compiled = EMPTY_RIG
        """The compiled rig in force."""
        self.generation = 0
        """Number of the compiled rig in force, for whoever gave it."""
        # what every message needs, one step nearer
        self._sent = routes.loops.sent
        self._presses = self._panel.presses

    # A message

    def receive(self, input: Input, data: bytes, at_ns: int) -> None:
        """Take one message of a device: routed, or, when it is a control, carried out.

        Most messages are routed and nothing else, so the conditions of all the rest are made to cost little.
        """
        # 1. It is now when the message came, unless something later has been done already.
        effects = self.effects
        now_ns = effects.now_ns
        if at_ns > now_ns:
            effects.now_ns = now_ns = at_ns
        # 2. Clock, transport and time code of the source move the grid; they are routed, too, where routes
        #    say so.
        if input is self.tempo.source_input and data and data[0] >= SYSEX:
            self.tempo.on_message(data, at_ns)
        # 3. Learn mode uses up what it looks at; what went out just before may have come back by a cable.
        if self._learning.on and not self._came_back(data) and self._learning.uses(input, data):
            return
        # 4. What went out just before may have come back by a cable: a loop, which ends here.
        if data in self._sent and not self.routes.lets_in(input, data):
            return
        # 5. Over the table of the section in force, unless it is a switch.
        turn = input.receive(data, now_ns, effects.sink)
        if turn is not None:
            self._panel.turn(turn)
        # 6. The last release may be what an armed change, or something bent, has waited for.
        elif self.armed.change is not None and self.armed.waits_for_release:
            self._commands.perform_on_release()
            self._panel.light()
        if self.routes.unrested:
            self.routes.rest()

    @contextmanager
    def learning_nothing(self) -> Iterator[None]:
        """Learn from no message that is received within: routerd plays it itself."""
        self._learning.deaf = True
        try:
            yield
        finally:
            self._learning.deaf = False

    def _came_back(self, data: bytes) -> bool:
        """Return whether a message may be one of ours that comes back."""
        sent_ns = self._sent.get(data)
        return sent_ns is not None and self.effects.now_ns - sent_ns <= WINDOW_NS

    # Time

    def next_deadline_ns(self) -> int:
        """Return when `advance` has something to do."""
        ticks, transport = self.ticks, self.transport
        if ticks.in_gap or ticks.own:
            return self.effects.now_ns
        clock = transport.clock
        earliest_ns = min(
            clock.next_due_ns,
            clock.start_at_ns,
            transport.schedule.next_ns,
            self._presses.next_due_ns,
            self._tuning.until_ns,
        )
        for wire in self.compiled.wires:
            if wire.deadline_ns < earliest_ns:  # noqa: PLR1730 - after every message: a call costs more
                earliest_ns = wire.deadline_ns
        if self.tempo.source is not None:
            earliest_ns = min(earliest_ns, self.tempo.source.follower.silent_at_ns())
        return earliest_ns

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
                self._commands.reach_line()  # a stall must not cost a whole bar
            ticks.send_tick()
            return
        # 2. So do ticks that devices have at times of their own.
        if schedule.next_ns <= now_ns and ticks.send_timed_ticks():
            return
        # 3. In the gap behind them: what has waited for a tick, then changes that fall on the next one. They
        #    come before a Start, which may be one of them.
        if ticks.send_waiting():
            self._pass_gap()
        if clock.start_at_ns <= now_ns:
            transport.send_start()
        # 4. What is timed but no tick: pulses, clicks, time code, positions for late devices.
        if schedule.next_ns <= now_ns:
            ticks.send_timed_messages()
        # 5. What time alone decides: silence of a source, long presses, ends of tuning and learning.
        self.tempo.pass_time()
        if self._presses.next_due_ns <= now_ns:
            self._panel.pass_time()
        if self._tuning.until_ns <= now_ns:
            self._tuning.end()
        if self._learning.until_ns <= now_ns:
            self._learning.end("time")
        # 6. LEDs show what all this has led to, and wires that have become idle get what waits for them.
        self._panel.light()
        for wire in self.compiled.wires:
            if wire.deadline_ns <= now_ns:
                wire.pump(now_ns, self.effects.sink)

    def _pass_gap(self) -> None:
        """In the gap before the next tick: do what falls exactly on that tick."""
        transport = self.transport
        self.routes.poll_cables(transport.clock.next_due_ns)
        self._commands.reach_line()
        self.tempo.start_with_time_code()
        if transport.metronome.counting_to and transport.metronome.counted_in(transport.clock):
            transport.request(TransportCommand.START)
        transport.poll_devices()

    # What is asked

    def apply(self, command: Command, now_ns: int) -> None:
        """Do what is asked, or raise CommandError and change nothing."""
        self.effects.enter(now_ns)
        self._commands.apply(command)
        self._panel.light()

    def sound(
        self, device: str, channel: int, note: int, velocity: int, now_ns: int, *, for_s: int = TUNING_S
    ) -> None:
        """Sound a note on a device until another, panic or velocity 0 ends it, or for `for_s` seconds.

        Raises NotFoundError for a device without an output.
        """
        self.effects.enter(now_ns)
        output = next((one for one in self.compiled.outputs if one.name == device), None)
        if output is None:
            raise NotFoundError(f"no device {device!r} with an output")
        self._tuning.sound(output, channel, note, velocity, for_s=for_s)

    def panic(self, now_ns: int) -> None:
        """End all that sounds, and change nothing else."""
        self.effects.enter(now_ns)
        self._commands.panic()

    def shut_down(self, now_ns: int) -> None:
        """Stop transport and silence the rig; the caller then waits for `drained`."""
        self.effects.enter(now_ns)
        self.transport.stop()
        self._commands.panic(ending=True)

    def drained(self, now_ns: int) -> bool:
        """Return whether everything that was to go out has left its wire."""
        return all(w.queued == 0 and w.busy_until_ns <= now_ns for w in self.compiled.wires if w.connected)

    # Rigs, orders, and what is left of an earlier engine

    def load(
        self, compiled: CompiledRig, generation: int, now_ns: int, begin: ResumePoint | None = None
    ) -> None:
        """Swap in a compiled rig. The song that is on stays on where the new one has it.

        `begin` says where to begin when no song is on yet, and what was armed; what does not fit is passed
        over. Transport goes on as it was, or stays stopped.
        """
        self.effects.enter(now_ns)
        begin = begin or ResumePoint()
        # 1. What leaves the rig is released while its ports are still known.
        for input in self.compiled.inputs:
            input.number = NO_NUMBER
        for number, input in enumerate(compiled.inputs):
            input.number = number
        self.compiled, self.generation = compiled, generation
        self.routes.use(compiled)
        # 2. Clocks, in the song that stays on if one does, before anything is started or located by them.
        stays_on = compiled.songs.get(str(self._songs.on.identifier))
        self.transport.use(compiled, stays_on)
        self.ticks.use(compiled)
        self.ticks.use_timings(stays_on)
        self.tempo.use(compiled)
        self.transport.set_gates()
        # 3. The song itself, then what its routes bring along, and what was armed in it.
        self._songs.use(compiled, begin)
        self.routes.bring_along()
        self.effects.revision += 1
        self._panel.use(compiled)
        self._panel.light()
        self._commands.arm_again(begin)
        self._panel.light()

    def complete(self, compiled: CompiledRig, generation: int, now_ns: int, begin: ResumePoint) -> None:
        """Put the whole compiled rig in place of one that lacked songs, with what `begin` says of those."""
        before = self.compiled.subjects
        self.load(compiled, generation, now_ns)
        self._songs.restore_done(begin)
        self.routes.mutes.restore(begin.muted, begin.soloed, compiled.subjects - before)
        self.routes.install_again()
        if self.armed.change is None:
            self._commands.arm_again(begin)
        self.effects.revision += 1

    def set_order(self, set_list: SetList, now_ns: int) -> None:
        """Take a new set list; the song that is on stays on. Raises NotFoundError."""
        self.effects.enter(now_ns)
        self._songs.use_order(set_list)
        self._panel.light()

    def go_on(self, kept: Kept, now_ns: int) -> int:
        """Take up what another engine has left, after `load` and before any tick; return the gap in ns.

        The gap is that from the last tick that went out to the next one.
        """
        self.effects.enter(now_ns)
        return self._recovery.go_on(kept)

    # Ports

    def output_opened(self, wire: Wire, takes_pieces: bool, now_ns: int) -> None:
        """A port is there (again): end what its devices missed, then put them on their sounds."""
        self.effects.enter(now_ns)
        self._recovery.output_opened(wire, takes_pieces=takes_pieces)

    def output_lost(
        self,
        wire: Wire,
        now_ns: int,
        unsent: Iterable[bytes] = (),
        *,
        why: str = "",
        since_ns: int | None = None,
    ) -> None:
        """A port has gone; see `Recovery.output_lost`."""
        self.effects.enter(now_ns)
        self._recovery.output_lost(wire, unsent, why, since_ns)

    def input_opened(self, input: Input, now_ns: int) -> None:
        """A device can be heard (again)."""
        self.effects.enter(now_ns)
        self._recovery.input_opened(input)

    def input_lost(self, input: Input, now_ns: int, *, why: str = "") -> None:
        """A device cannot be heard any more, so its releases will not come: what it holds ends now."""
        self.effects.enter(now_ns)
        self._recovery.input_lost(input, why)

    # What others see

    def snapshot(self) -> Snapshot:
        """Return the state as values."""
        on, tempo, transport = self._songs.on, self.tempo, self.transport
        clock, source, place = transport.clock, tempo.source, on.place
        step, set_list = clock.map.steps[clock.step], self._songs.set_list
        return Snapshot(
            revision=self.effects.revision,
            generation=self.generation,
            set_list=set_list if set_list.order is place.order else replace(set_list, order=place.order),
            order_revision=self._songs.order_revision,
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
            songs=self.compiled.song_names,
            outputs=self.compiled.output_names,
            inputs=tuple([input.name for input in self.compiled.inputs]),
            clock_source="internal" if source is None else source.name,
            armed=self.armed.state,
            chattering=self._presses.chattering_switches,
            learning=self._learning.state,
            done=self._songs.done.by_song(),
            tuning=self._tuning.note,
            devices=transport.devices.states(),
            click=ClickState(transport.metronome.alone, transport.metronome.counting_to),
            following=None if source is None else source.following_state(),
            loops=tuple(self.routes.loops.looped),
            muted=tuple(sorted(map(str, self.routes.mutes.muted))),
            soloed=tuple(sorted(map(str, self.routes.mutes.soloed))),
        )
