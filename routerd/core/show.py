"""The show: one owner of time and state in the engine.

Composes clock, routing, notes, wires and set list, and has no policy of its own beyond the
order in which things happen. Everything is called by one real-time worker at a time:

    receive(inlet, data, at_ns)   a message has come in
    apply(command, now_ns)        a person or the desk asks for something
    advance(now_ns)               time has passed: call when next_deadline_ns() has come
    output_opened / output_lost / input_lost, load

Effects are appended to `sink` as (outlet, bytes) and to `events` as plain values; the caller
empties both after every call. Time may not go backwards: that raises ValueError.

A song change stops transport (a song whose start policy is "entry" then starts it again from
the top), swaps the tables, sends the patches and lets the tempo change at the next tick. What
waits for a bar is done in the gap before the bar's first tick, so that tempo, Start and Stop
fall exactly on the bar.

More than 300 lines: what is here shares one state and one order of events; what has an idea of its
own (clock, transport, wires, notes, places) lives in a module of its own.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from routerd.core.arming import Action, Armed, Command, Moment, When
from routerd.core.checklist import Ticks
from routerd.core.clock import Clock, Tick
from routerd.core.compiler import EMPTY_BOOK, CompiledBook, CompiledSection, CompiledSong, PatchSends
from routerd.core.controls import Control
from routerd.core.device_clock import DeviceClocks, Wanted
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.lamps import Facts
from routerd.core.lanes import is_release
from routerd.core.learning import LEARN_NS, Learner, Learns
from routerd.core.messages import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    NOTE_OFF,
    NOTE_ON,
    RESET_CONTROLLERS,
    SONG_POSITION,
    SUSTAIN,
    SYSEX,
    TICK,
    TICK_BYTES,
    controller,
    song_position,
)
from routerd.core.metronome import Metronome
from routerd.core.model import Device, SetList, StartPolicy, set_list_to_plain
from routerd.core.mutes import DEVICE, Mutes
from routerd.core.notes import Inlet
from routerd.core.presses import Presses
from routerd.core.routing import EMPTY
from routerd.core.schedule import NO_TICK, Schedule
from routerd.core.setlist import Place, Standing
from routerd.core.source import Heard, Source
from routerd.core.tap import Taps, nudge_of, rounding_of
from routerd.core.timing import ChangePolicy, StartMode
from routerd.core.transport import LEAD_NS, State
from routerd.core.transport import Command as TransportCommand
from routerd.core.units import (
    BPM_MAX,
    BPM_MIN,
    SPP_MAX,
    TICKS_PER_QUARTER,
    TICKS_PER_SPP_UNIT,
    format_bpm,
    parse_bpm,
)
from routerd.core.watch import LOOP_ENDED
from routerd.core.wire import NEVER_NS, Outlet, Sink

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

NO_SONG = 0xFFFF
"""Song number in tick records while no song is on."""

DEFAULT_BPM = Fraction(120)

_SILENCE = tuple(
    controller(channel, number, 0)
    for channel in range(16)
    for number in (SUSTAIN, ALL_SOUND_OFF, RESET_CONTROLLERS, ALL_NOTES_OFF)
)
"""All Notes Off comes after the explicit Note Offs, it is no substitute for them (M1 p. 20)."""


class Show:
    """See the module's head."""

    def __init__(self, now_ns: int, bpm: Fraction = DEFAULT_BPM) -> None:
        self.sink: Sink = []
        self.events: list[dict[str, Any]] = []
        self.revision = 0
        self.generation = 0
        self.mutes = Mutes()
        self.clock = Clock(now_ns, bpm)
        self.tick_number = -1
        self.tick_due_ns = now_ns
        self.song_number = NO_SONG
        self._now_ns = now_ns
        self._after_tick = False
        self._on = Standing(EMPTY_BOOK)
        self._set_list = SetList("", ())
        self._order_revision = 0
        self._armed: Armed | None = None
        self._source: Source | None = None
        self._source_inlet: Inlet | None = None
        self._step = self.clock.step
        self.schedule = Schedule()
        self.stamps: dict[Outlet, tuple[int, int] | None] = {}
        """Number and due time of the last tick of outlets with a clock of their own; None: not one of the
        grid."""
        self._devices = DeviceClocks((), {}, self.schedule)
        self._ticked: list[Outlet] = []
        self._position_tick = -1
        """Start and Continue wait for a tick after this one."""
        self._metronome = Metronome(self.schedule)
        self._taps = Taps()
        self._tuner = Inlet(Device("tuning"))
        """Holds the note that somebody tunes by."""
        self._tuning: dict[str, Any] | None = None
        self._presses = Presses()
        self._learner: Learner | None = None
        self._ticks = Ticks()
        self._lit_revision = -1
        self._clocked: tuple[Outlet, ...] = ()
        self._sensed: tuple[Outlet, ...] = ()
        self._transported: tuple[Outlet, ...] = ()

    @property
    def book(self) -> CompiledBook:
        """The book in force."""
        return self._on.book

    # Time

    def next_deadline_ns(self) -> int:
        """Return when `advance` has something to do."""
        if self._after_tick or self._ticked:
            return self._now_ns
        deadline_ns = min(self.clock.deadline_ns(), self.schedule.next_ns, self._presses.next_due_ns)
        for outlet in self.book.outlets:
            deadline_ns = min(deadline_ns, outlet.next_deadline_ns())
        if self._source is not None:
            deadline_ns = min(deadline_ns, self._source.follower.silent_at_ns())
        return deadline_ns

    def advance(self, now_ns: int) -> None:
        """Do what is due: a tick first and alone; what waits for it in the next call, at once."""
        self._enter(now_ns)
        clock = self.clock
        if clock.next_due_ns <= now_ns:
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
        if self._learner is not None and self._learner.until_ns <= now_ns:
            self._end_learning()
        self._light()
        for outlet in self.book.outlets:
            if outlet.next_deadline_ns() <= now_ns:
                outlet.pump(now_ns, self.sink)

    def _pass_tick(self, now_ns: int) -> None:
        """In the gap after a tick: send what has waited for it, and do what is armed for the next."""
        clock = self.clock
        if self._ticked:
            ticked, self._ticked = self._ticked, []
            for outlet in ticked:
                outlet.pump(now_ns, self.sink)
        if self._after_tick:
            self._after_tick = False
            for outlet in self._clocked:
                outlet.pump(now_ns, self.sink)
            self._look_at_cables(now_ns)
            self._reach_line(now_ns)
            if self._source is not None and self._source.comes_in(clock.next_tick):
                self._come_in(now_ns)
            if self._metronome.counting_to and self._metronome.counted_in(clock):
                self._transport(TransportCommand.START, now_ns)

    def _tick(self, now_ns: int) -> None:
        clock = self.clock
        was = clock.state
        tick = clock.take_tick(now_ns)
        self.tick_number, self.tick_due_ns, missed = tick
        for outlet in self._clocked:
            outlet.put_realtime(TICK_BYTES, now_ns, self.sink)
        if missed:
            self._devices.miss(missed)
            self._metronome.miss(missed)
        if self._devices.busy or self._devices.coders or self._metronome.outlet is not None:
            self._tick_devices(tick)
        self._set_gates()
        self._after_tick = True
        if missed:
            first = tick.number - missed
            self._event("ticks-missed", count=missed, from_tick=first, to_tick=tick.number - 1)
            self.revision += 1
        if clock.state is not was:
            self._transport_changed()
        if clock.step != self._step:
            self._step_taken()
        elif clock.steered and tick.number % TICKS_PER_QUARTER == 0:
            self.revision += 1  # so that others see where the grid has been moved to

    def _tick_devices(self, tick: Tick) -> None:
        """Pass a tick of the grid to those that make their own out of it."""
        for one in self._devices.busy:
            one.tick(tick, self.clock)
        self._devices.look()
        for coder in self._devices.coders:
            coder.tick(tick, self.clock)
        self._metronome.tick(tick, self.clock)

    def _timed_ticks(self, now_ns: int) -> bool:
        """Send the ticks that are due by the schedule, alone; False when something else comes first."""
        schedule = self.schedule
        while schedule.next_ns <= now_ns and schedule.next_data is TICK_BYTES:
            timed = schedule.take()
            outlet = timed.outlet
            self.stamps[outlet] = None if timed.tick == NO_TICK else (timed.tick, timed.at_ns)
            outlet.put_realtime(TICK_BYTES, now_ns, self.sink)
            self._ticked.append(outlet)
        if self._ticked:
            self._set_gates()
        return bool(self._ticked)

    def _timed_messages(self, now_ns: int) -> None:
        """Send what else is due by the schedule, up to the next tick in it."""
        schedule = self.schedule
        while schedule.next_ns <= now_ns and schedule.next_data is not TICK_BYTES:
            timed = schedule.take()
            if timed.data[0] >= TICK:
                timed.outlet.put_realtime(timed.data, now_ns, self.sink)
            else:
                timed.outlet.offer(timed.data, now_ns, self.sink)
        self._set_gates()

    def _step_taken(self) -> None:
        """Tell a change of meter, and tempo as often as once a beat."""
        clock = self.clock
        before, after = clock.map.steps[self._step], clock.map.steps[clock.step]
        self._step = clock.step
        if (before.beats, before.unit) != (after.beats, after.unit):
            self._event("meter", meter=f"{after.beats}/{after.unit}")
            self.revision += 1
        if not clock.steered and clock.next_is_beat() and before.bpm != after.bpm:
            self._event("tempo", bpm=format_bpm(clock.bpm))
            self.revision += 1

    def _start(self, now_ns: int) -> None:
        """Send the Start or Continue whose time has come, behind any song position that still waits."""
        waits = any(outlet.holds(SONG_POSITION) for outlet in self._transported)
        waits = waits or self.clock.next_tick <= self._position_tick
        data = b"" if waits else self.clock.take_start(now_ns)
        if waits:
            self.clock.postpone()
        if data:
            self._put_transport(data, now_ns)
            self._transport_changed()
        self._set_gates()
        for outlet in self._transported:
            outlet.pump(now_ns, self.sink)

    def _look_at_cables(self, now_ns: int) -> None:
        """Once a tick: bank select that waits alone, loops, and Active Sensing both ways."""
        for inlet in self.book.inlets:
            if inlet.banks:
                inlet.send_banks(now_ns, self.sink)
            happened = inlet.watch.look(now_ns)
            if happened is not None:
                self._event(happened, device=inlet.name)
                if happened != LOOP_ENDED:
                    inlet.let_go(now_ns, self.sink)
        next_look_ns = 2 * self.clock.next_due_ns - now_ns  # the tick after the next, about
        for outlet in self._sensed:
            outlet.sense(now_ns, next_look_ns, self.sink)

    def _set_gates(self) -> None:
        """Tell every wire when it must be idle next: for a tick, and for a Start that waits."""
        clock = self.clock
        for outlet in self.book.outlets:
            gate_ns = clock.next_due_ns if outlet.clock else NEVER_NS
            outlet.gate_ns = min(gate_ns, clock.start_at_ns) if outlet.transport else gate_ns
        for one in self._devices.busy:
            outlet = one.outlet
            gate_ns = self.schedule.next_realtime_ns(outlet)
            if outlet.clock:
                gate_ns = min(gate_ns, clock.next_due_ns + one.delay_ns)
            outlet.gate_ns = gate_ns

    def _enter(self, now_ns: int) -> None:
        if now_ns < self._now_ns:
            raise ValueError(f"time went backwards by {self._now_ns - now_ns} ns")
        self._now_ns = now_ns

    # Messages

    def receive(self, inlet: Inlet, data: bytes, at_ns: int) -> None:
        """Take one message of a device: routed, or, when it is a control, carried out."""
        self._now_ns = max(self._now_ns, at_ns)
        if inlet is self._source_inlet and data and data[0] >= SYSEX:
            self._hear_source(data, at_ns)
        if self._learner is not None and not self._learner.over and self._learn_from(inlet, data):
            return
        turn = inlet.receive(data, self._now_ns, self.sink)
        if turn is not None:
            self._carry_out(self._presses.turn(turn, self._now_ns))
        elif self._waits_for_release:
            self._perform_on_release(self._now_ns)
            self._light()

    def _carry_out(self, controls: list[Control]) -> None:
        for control in controls:
            try:
                argument = control.subject or control.argument or None
                action = self.mutes.toggled(control.action, control.subject)
                self.apply(Command(action, argument, control.when), self._now_ns)
            except CommandError as error:
                self._event("refused", device=control.device, action=control.action.value, why=str(error))

    # Learn mode

    def _learn(self, argument: int | str | None, now_ns: int) -> None:
        if argument is None:
            self._end_learning()
            return
        try:
            self._learner = Learner(Learns(str(argument)), now_ns + LEARN_NS)
        except ValueError as error:
            raise CommandError(f"{argument!r} cannot be learnt; say control or pedal") from error
        self.revision += 1

    def _end_learning(self) -> None:
        if self._learner is not None and not self._learner.over:
            self._learner.over = True
            self.revision += 1

    def _learn_from(self, inlet: Inlet, data: bytes) -> bool:
        learner = self._learner
        if learner is None or not learner.hears(inlet.name, data):
            return False
        if learner.over:
            inlet.swallow_release(data)
            self._event("learnt", device=inlet.name, message=data.hex(" ").upper())
        self.revision += 1
        return True

    # A note to tune by

    def sound(self, device: str, channel: int, note: int, velocity: int, now_ns: int) -> None:
        """Sound a note on a device until another, until panic, or until velocity 0 ends it.

        Raises NotFoundError for a device without an output.
        """
        self._enter(max(now_ns, self._now_ns))
        outlet = next((one for one in self.book.outlets if one.name == device), None)
        if outlet is None:
            raise NotFoundError(f"no device {device!r} with an output")
        self._tuner.let_go(self._now_ns, self.sink)
        self._tuner.held_notes.clear()
        if velocity:
            self._tuner.held_notes[0] = ((outlet, NOTE_OFF | channel, note),)
            outlet.offer(bytes((NOTE_ON | channel, note, velocity)), self._now_ns, self.sink)
        self._tuning = {"device": device, "channel": channel + 1, "note": note} if velocity else None
        self.revision += 1

    @property
    def _every_inlet(self) -> tuple[Inlet, ...]:
        return (*self.book.inlets, self._tuner)

    # Checklists and lamps

    def check(self, song: str | None, number: int | None, *, done: bool = True) -> None:
        """Tick an item of a song's checklist off, or take the tick back; see `checklist.Ticks.tick`."""
        identifier = self._on.identifier if song is None else song
        if identifier is None:
            raise CommandError("no song is on")
        if identifier not in self.book.songs:
            raise NotFoundError(f"no song {identifier!r}")
        items = self.book.songs[identifier].song.checklist
        number = self._ticks.tick(identifier, items, number, done=done)
        self.revision += 1
        self._event("checked", song=identifier, number=number, text=items[number - 1].text, done=done)
        self._light()

    def _check_next(self, argument: int | str | None, _now_ns: int) -> None:
        self.check(None, argument if isinstance(argument, int) else None)

    def _light(self) -> None:
        """Let every lamp show how things stand, if anything may have changed."""
        if self.revision == self._lit_revision:
            return
        self._lit_revision = self.revision
        for outlet, data in self.book.board.update(self._facts()):
            outlet.offer(data, self._now_ns, self.sink)

    def _facts(self) -> Facts:
        on = self._on
        return Facts(
            running=self.clock.state is not State.STOPPED,
            armed=self._armed is not None,
            song=0 if on.place.index is None else on.place.index + 1,
            section=on.section_number,
            section_name=on.section.name if on.section_number else "",
            last_song=on.place.next_index is None,
            open_items=0
            if on.song is None
            else len(self._ticks.open(on.song.song.identifier, on.song.song.checklist)),
        )

    # Commands

    def apply(self, command: Command, now_ns: int) -> None:
        """Do what is asked, or raise CommandError and change nothing."""
        self._enter(max(now_ns, self._now_ns))
        armed = self._armed
        pressed = command.action is Action.NEXT and armed and armed.command.when.moment is Moment.PRESS
        changes = command.action in (Action.NEXT, Action.PREVIOUS, Action.SONG)
        if changes and command.when.moment is Moment.NOW and not pressed:
            command = self._by_policy(command)
        if command.when.moment is not Moment.NOW:
            self._arm(command, self._now_ns)
        elif pressed:
            self._go(None, self._now_ns)
        else:
            self._do(command, self._now_ns)
        self._light()

    def _by_policy(self, command: Command) -> Command:
        """Let a song change wait for the beat or bar that the song asks for, while transport runs."""
        if self.clock.state is State.STOPPED:
            return command
        on = self._on
        if command.action is Action.SONG:
            place = on.find_song(command.argument, command.place_index)
        else:
            place = on.place.at(on.neighbour(command.action))
        name = str(command.argument) if place.index is None else place.order[place.index]
        policy = self.book.songs[name].song.timing.change
        if policy not in (ChangePolicy.BEAT, ChangePolicy.BAR):
            return command
        return command._replace(when=When(Moment.BEAT if policy is ChangePolicy.BEAT else Moment.BAR))

    def _do(self, command: Command, now_ns: int) -> None:
        if command.place_index is not None:
            self._go_to(self._on.find_song(command.argument, command.place_index), now_ns, command.argument)
        else:
            _ACTIONS[command.action](self, command.argument, now_ns)

    def _step_song(self, action: Action, now_ns: int) -> None:
        self._go_to(self._on.place.at(self._on.neighbour(action)), now_ns)

    def _song(self, argument: int | str | None, now_ns: int) -> None:
        self._go_to(self._on.find_song(argument), now_ns, argument)

    def _section(self, argument: int | str | None, now_ns: int) -> None:
        self._go_to_section(self._on.find_section(argument), now_ns)

    def _step_section(self, action: Action, now_ns: int) -> None:
        number = self._on.neighbour_section(action)
        if number is not None:
            self._go_to_section(number, now_ns)
        else:
            self._step_song(Action.NEXT if action is Action.NEXT_SECTION else Action.PREVIOUS, now_ns)

    def _mute(self, action: Action, argument: int | str | None, now_ns: int) -> None:
        """Mute, solo or neither. What sounds on a device that is not heard any more ends now."""
        if argument not in self.book.subjects:
            raise NotFoundError(f"there is no {argument}")
        self.mutes.change(action, str(argument))
        if self._on.song is not None:
            self._install(self._on.section)
        for outlet in self.book.outlets:
            if not self.mutes.hears(DEVICE + outlet.name):
                outlet.end_latched((), now_ns, self.sink)
                for inlet in self.book.inlets:
                    for data in inlet.forget(outlet):
                        outlet.offer(data, now_ns, self.sink)
        self.revision += 1
        self._event(action.value, subject=argument)

    # What is armed

    def _arm(self, command: Command, now_ns: int) -> None:
        command = self._on.settled(command)
        if command.action is Action.CONTINUE:
            self._position_of(command.argument)
        elif command.action is Action.TEMPO:
            _bpm_of(command.argument)
        if command.when.moment is Moment.NAMED_BAR:
            self._check_named_bar(command.when.number)
        self._armed = Armed.of(command)
        self.revision += 1
        self._event("armed", action=command.action.value, argument=command.argument, when=str(command.when))
        self._perform_on_release(now_ns)
        ready_ns = max(now_ns, self._wires_free_ns())
        if not self._after_tick and self.clock.next_due_ns - ready_ns >= 2 * LEAD_NS:
            self._reach_line(now_ns)

    def _check_named_bar(self, bar: int) -> None:
        clock = self.clock
        if clock.position_ticks > clock.map.tick_of_bar(bar - 1):
            now = clock.map.bar_at(clock.position_ticks) + 1
            raise CommandError(f"bar {bar} has gone by; the song is in bar {now}")

    def _reach_line(self, now_ns: int) -> None:
        """In the gap before a tick: do what is armed if that tick is the one it waits for."""
        if self._armed is not None and self._armed.on_line(self.clock):
            self._perform_armed(now_ns)

    @property
    def _waits_for_release(self) -> bool:
        return self._armed is not None and self._armed.command.when.moment is Moment.RELEASE

    def _perform_on_release(self, now_ns: int) -> None:
        if self._waits_for_release and not any(inlet.sounds() for inlet in self.book.inlets):
            self._perform_armed(now_ns)

    def _perform_armed(self, now_ns: int) -> None:
        command = self._take_armed()
        try:
            self._do(command, now_ns)
        except CommandError as error:  # the book or the order has changed since it was armed
            self._event("refused", action=command.action.value, why=str(error))

    def _take_armed(self) -> Command:
        if self._armed is None:
            raise CommandError("nothing is armed")
        command, self._armed = self._armed.command, None
        self.revision += 1
        return command

    def _go(self, _argument: int | str | None, now_ns: int) -> None:
        """Do what is armed now, whatever it waits for; when that is refused it stays armed."""
        before, revision = self._armed, self.revision
        command = self._take_armed()
        try:
            self._do(command, now_ns)
        except CommandError:
            self._armed, self.revision = before, revision
            raise

    def _disarm(self) -> None:
        """Forget what is armed, if anything."""
        if self._armed is not None:
            command = self._take_armed()
            self._event("disarmed", action=command.action.value, argument=command.argument)

    def panic(self, now_ns: int) -> None:
        """Silence everything: what waits is forgotten, what sounds is released, every channel told."""
        for outlet in self.book.outlets:
            for data in outlet.clear(now_ns, self.sink):
                outlet.offer(data, now_ns, self.sink)
        for inlet in self._every_inlet:
            inlet.let_go(now_ns, self.sink)
        if self._tuning is not None:
            self._tuning = None
            self.revision += 1
        for outlet in self.book.outlets:
            outlet.end_latched((), now_ns, self.sink)
            for data in _SILENCE:
                outlet.offer(data, now_ns, self.sink)
        self._event("panic")

    def shut_down(self, now_ns: int) -> None:
        """Stop transport and silence the rig; the caller then waits for `drained`."""
        self._enter(max(now_ns, self._now_ns))
        self._transport(TransportCommand.STOP, self._now_ns)
        self.panic(self._now_ns)

    def drained(self, now_ns: int) -> bool:
        """Tell whether everything that was to go out has left its wire."""
        return all(o.queued == 0 and o.busy_until_ns <= now_ns for o in self.book.outlets if o.connected)

    # Songs and sections

    def _go_to(self, place: Place, now_ns: int, argument: int | str | None = None) -> None:
        self._on.place = place
        identifier = place.order[place.index] if place.index is not None else str(argument)
        self._enter_song(self.book.songs[identifier], now_ns)

    def _enter_song(
        self, song: CompiledSong, now_ns: int, *, may_start: bool = True, section: int = 1
    ) -> None:
        on = self._on
        if song.song.timing.change is ChangePolicy.STOP or not may_start:
            self._transport(TransportCommand.STOP, now_ns)
        self._disarm()
        on.song = song
        self._use_controls(song)
        on.section_number = min(section, len(song.sections))
        self.song_number = song.number
        self.clock.begin_song(song.map)
        self._step = self.clock.step
        self._enter_section(on.section, now_ns)
        self._follow(song.song.timing.follow)
        first = song.map.steps[0]
        runs = self.clock.state is not State.STOPPED  # a start would take the map's own rate anyway
        self._set_tempo(on.section.bpm or (first.rate_bpm if runs else first.bpm))
        self._send(song.patches, now_ns)
        self._send(on.section.patches, now_ns)
        self._event("song", song=song.song.identifier, title=song.song.title, index=on.place.index)
        if on.section_number:
            self._event("section", section=on.section.name, number=on.section_number)
        self.revision += 1
        self._take_click_and_code(song)
        if may_start:
            for one in self._devices.by_outlet.values():
                one.song_entered()
            self._devices.look()
        if may_start and song.song.start is StartPolicy.ENTRY:
            self._start_from_top(None, now_ns)

    def _go_to_section(self, number: int, now_ns: int) -> None:
        """Enter a section. A tempo set by hand stays, unless the two sections ask for different ones."""
        on = self._on
        left = on.section
        on.section_number = number
        self._enter_section(on.section, now_ns)
        song_bpm = on.song.song.bpm if on.song is not None else DEFAULT_BPM
        if (left.bpm or song_bpm) != (on.section.bpm or song_bpm):
            self._set_tempo(on.section.bpm or song_bpm)
        self._send(on.section.patches, now_ns)
        self._event("section", section=on.section.name, number=number)
        self.revision += 1

    def _use_controls(self, song: CompiledSong | None) -> None:
        every = self.book.controls if song is None else song.controls
        for inlet, controls in zip(self.book.inlets, every, strict=True):
            inlet.use_controls(controls, self._now_ns, self.sink)

    def _enter_section(self, section: CompiledSection, now_ns: int) -> None:
        if section.cuts:
            for inlet in self.book.inlets:
                inlet.let_go(now_ns, self.sink)
        self._install(section)

    def _install(self, section: CompiledSection) -> None:
        tables = self.mutes.tables(section.routes)
        for inlet, table in zip(self.book.inlets, tables, strict=True):
            inlet.table = table
        for outlet in self.book.outlets:
            if outlet.latched:
                outlet.end_latched(section.routes.converters, self._now_ns, self.sink)

    def _send(self, patches: PatchSends, now_ns: int, only: Outlet | None = None) -> None:
        for patch in patches:
            if only is None or patch.outlet is only:
                patch.send(now_ns, self.sink)

    def _set_tempo(self, bpm: Fraction) -> None:
        if self.clock.steered or bpm == self.clock.segment.bpm:
            return
        self.clock.set_tempo(bpm)
        self.revision += 1
        self._event("tempo", bpm=format_bpm(bpm))

    # A source

    def _follow(self, device: str) -> None:
        """Follow that device from now on, or lead; raises NotFoundError."""
        if device == (self._source.name if self._source else ""):
            return
        source = None
        if device:
            inlet = next((inlet for inlet in self.book.inlets if inlet.name == device), None)
            if inlet is None:
                raise NotFoundError(f"there is no device {device!r} with an input to follow")
            timing = next(d.timing for d in self.book.rig.devices if d.name == device)
            source = Source(inlet, timing, self.clock, self._devices.lead_ns)
        self._use_source(source)
        self._event("clock-source", device=device or None)

    def _use_source(self, source: Source | None) -> None:
        self._source = source
        self._source_inlet = None if source is None else source.inlet
        self._steer(source is not None and source.steering)

    def _steer(self, steered: bool) -> None:
        """Let a source decide about tempo, or lead on with the tempo that there is."""
        self.clock.steered = steered
        self.revision += 1

    def _tempo_by_hand(self, bpm: Fraction) -> None:
        self._refuse_while_steered()
        if not BPM_MIN <= bpm <= BPM_MAX:
            raise CommandError(f"tempo {format_bpm(bpm)} is outside {BPM_MIN} to {BPM_MAX} BPM")
        self._set_tempo(bpm)

    def _tap(self, argument: int | str | None, now_ns: int) -> None:
        """Take a tap; `argument` is the step that the tempo is rounded to, as text."""
        self._refuse_while_steered()
        bpm = self._taps.tap(now_ns, rounding_of(argument))
        if bpm is not None:
            self._set_tempo(bpm)

    # Devices by themselves

    def _retrigger(self, argument: str) -> None:
        """Restart one device's sequence: "bar NAME" or "cycle NAME"; raises CommandError."""
        at, _, name = argument.partition(" ")
        one = self._devices.find(name)
        if one is None:
            raise NotFoundError(f"there is no device {name!r} that gets transport")
        if one.timing.start is StartMode.NEVER:
            raise CommandError(f"device {name!r} is never started: its timing says so")
        if at == Wanted.CYCLE.value and not (one.cycle_ticks and one.running):
            raise CommandError(
                f"device {name!r} has no sequence that runs; its timing states no length, or it is stopped"
            )
        one.start_at(Wanted.CYCLE if at == Wanted.CYCLE.value else Wanted.BAR)
        self._devices.look()
        self._event("retrigger", device=name, at=at)
        self.revision += 1

    def _take_click_and_code(self, song: CompiledSong) -> None:
        for coder in self._devices.coders:
            coder.hour = (self._on.place.index or 0) + 1 if coder.of_set else 0
        click = song.song.timing.click
        outlet = (
            None if click is None else next((o for o in self.book.outlets if o.name == click.device), None)
        )
        one = None if outlet is None else self._devices.by_outlet.get(outlet)
        self._metronome.use(click, outlet, self._devices.lead_ns if one is None else one.delay_ns)

    def _click(self, argument: int | str | None) -> None:
        """Click without transport, or stop that: "on", "off", or the other of the two."""
        if self._metronome.outlet is None:
            raise CommandError("this song has no click")
        self._metronome.alone = argument == "on" or (argument != "off" and not self._metronome.alone)
        self.revision += 1
        self._event("click", on=self._metronome.alone)

    def _start_from_top(self, _: int | str | None, now_ns: int) -> None:
        """Start, after the song's count-in if it has one."""
        clock = self.clock
        if clock.state is State.STOPPED and self._metronome.count_in(clock):
            self.revision += 1
            self._event("count-in", to_tick=self._metronome.counting_to)
        elif not self._metronome.counting_to:
            self._transport(TransportCommand.START, now_ns)

    def _refuse_while_steered(self) -> None:
        if self._source is not None and self.clock.steered:
            raise CommandError(
                f"tempo follows {self._source.name!r}, which is {self._source.state.value}; "
                "choose another clock source first"
            )

    def _hear_source(self, data: bytes, at_ns: int) -> None:
        source, clock = self._source, self.clock
        if source is None:
            return
        now_ns = self._now_ns
        heard = source.hear(data, at_ns, now_ns)
        if heard is Heard.MOVED:
            self._set_gates()
        elif heard is Heard.STOP:
            source.following.stopped()
            self._transport(TransportCommand.STOP, now_ns)
        elif heard in (Heard.START, Heard.CONTINUE) and clock.state is State.STOPPED:
            at_top = heard is Heard.START or clock.position_ticks == 0  # the same (M1 p. 28)
            source.following.started(0 if at_top else clock.position_ticks)
            self._transport(TransportCommand.START if at_top else TransportCommand.CONTINUE, now_ns)
            clock.make_room(max(now_ns, self._wires_free_ns()))
            self._set_gates()
        elif heard is Heard.POSITION and clock.state is State.STOPPED:
            clock.locate(source.position_ticks)
            self._send_position(source.position_ticks, now_ns)
            self.revision += 1
        elif heard is Heard.POSITION:
            self._event("position-ignored", device=source.name, why="transport is running")
        self._look_at_source()

    def _come_in(self, now_ns: int) -> None:
        """Start where time code is, from the tick that comes next."""
        at_top = self.clock.position_ticks == 0
        self._transport(TransportCommand.START if at_top else TransportCommand.CONTINUE, now_ns)

    def _look_at_source(self) -> None:
        source = self._source
        if source is None or not source.changed():
            return
        self._steer(source.steering)
        bpm = format_bpm(round(self.clock.segment.bpm, 2))
        self._event("follow", device=source.name, state=source.state.value, bpm=bpm)

    # Transport

    def _transport(self, command: TransportCommand, now_ns: int) -> None:
        was = self.clock.state
        if command is TransportCommand.STOP:
            self._metronome.stop()
            for one in self._devices.by_outlet.values():
                one.stop_own(now_ns)
        data = self.clock.request(command, now_ns, self._wires_free_ns())
        if data:
            self._put_transport(data, now_ns)
        self._set_gates()
        if self.clock.state is not was:
            self._transport_changed()
            for outlet in self._transported:  # a Start that was taken back may have held something up
                outlet.pump(now_ns, self.sink)

    def _wires_free_ns(self) -> int:
        """Return when the last of the wires that carry transport will be idle."""
        return max((outlet.busy_until_ns for outlet in self._transported), default=self._now_ns)

    def _continue(self, argument: int | str | None, now_ns: int) -> None:
        position = self._position_of(argument)
        if position is not None:
            self._transport(TransportCommand.STOP, now_ns)
            self.clock.locate(position)
            self._send_position(position, now_ns)
        if (
            self.clock.position_ticks == 0
        ):  # the same as Start (M1 p. 28), wherever the followers stood before
            self._transport(TransportCommand.START, now_ns)
        else:
            self._transport(TransportCommand.CONTINUE, now_ns)

    def _send_position(self, position: int, now_ns: int) -> None:
        """Tell a song position, which is sent only while stopped (M1 p. 27)."""
        data = song_position(position // TICKS_PER_SPP_UNIT)
        for outlet in self._transported:
            one = self._devices.by_outlet[outlet]
            if one.delay_ns:
                self.schedule.put(now_ns + one.delay_ns, outlet, data)
                self._position_tick = self.clock.next_tick + 1  # by then its wire has had room for it
            elif one.timing.start is StartMode.TRANSPORT:
                outlet.offer(data, now_ns, self.sink)

    def _position_of(self, argument: int | str | None) -> int | None:
        """Return the position of a bar; a Song Position Pointer counts sixteenths (M1 p. 27), so a bar that
        does not begin on one cannot be told to the followers."""
        if argument is None:
            return None
        if not isinstance(argument, int) or argument < 1:
            raise CommandError(f"bar {argument!r} is not a whole number from 1")
        position = self.clock.map.tick_of_bar(argument - 1)
        if position % TICKS_PER_SPP_UNIT or position // TICKS_PER_SPP_UNIT > SPP_MAX:
            raise CommandError(f"bar {argument} has no song position pointer in this meter")
        return position

    def _put_transport(self, data: bytes, now_ns: int) -> None:
        for outlet in self._transported:
            if self._devices.by_outlet[outlet].transport(data, now_ns, self.clock):
                outlet.put_realtime(data, now_ns, self.sink)

    def _transport_changed(self) -> None:
        self.revision += 1
        self._event("transport", state=self.clock.state.value, position_ticks=self.clock.position_ticks)

    # Ports

    def output_opened(self, outlet: Outlet, takes_pieces: bool, now_ns: int) -> None:
        """A device is there (again): end what it missed, then put it on its sound."""
        self._enter(max(now_ns, self._now_ns))
        outlet.connected = True
        outlet.takes_pieces = takes_pieces
        outlet.busy_until_ns = self._now_ns
        self._set_gates()
        owed, outlet.owed = outlet.owed, []
        for data in owed:
            outlet.offer(data, self._now_ns, self.sink)
        if self._on.song is not None:
            self._send(self._on.song.patches, self._now_ns, outlet)
            self._send(self._on.section.patches, self._now_ns, outlet)
        self.book.board.forget(outlet)
        self._lit_revision = -1
        self._light()
        self._event("port-opened", device=outlet.name, direction="output", output=outlet.number)

    def output_lost(self, outlet: Outlet, now_ns: int, unsent: Iterable[bytes] = ()) -> None:
        """A device has gone: what it was holding is ended when it comes back.

        `unsent` are messages of `sink` that its port did not take any more.
        """
        self._enter(max(now_ns, self._now_ns))
        missed = [data for data in unsent if is_release(data)]
        missed += [data for inlet in self._every_inlet for data in inlet.forget(outlet)]
        outlet.lose(self._now_ns, missed)
        self._event("port-closed", device=outlet.name, direction="output", output=outlet.number)

    def input_opened(self, inlet: Inlet, now_ns: int) -> None:
        """A device can be heard (again)."""
        self._enter(max(now_ns, self._now_ns))
        self._event("port-opened", device=inlet.name, direction="input")

    def input_lost(self, inlet: Inlet, now_ns: int) -> None:
        """A device cannot be heard any more, so its releases will not come: what it holds ends now."""
        self._enter(max(now_ns, self._now_ns))
        inlet.let_go(self._now_ns, self.sink)
        inlet.controls_down.clear()
        self._presses.forget(inlet.name)
        self._event("port-closed", device=inlet.name, direction="input")

    # Books

    def load(
        self, book: CompiledBook, generation: int, now_ns: int, begin: dict[str, Any] | None = None
    ) -> None:
        """Swap in a compiled book. The song that is on stays on where the new book has it.

        `begin` (a place, see routerd.link.messages) says where to begin when no song is on yet; what makes
        no sense in it is passed over. Transport goes on as it was, or stays stopped.
        """
        self._enter(max(now_ns, self._now_ns))
        now_ns = self._now_ns
        before = self._on
        self._part_with_removed(before.book, book, now_ns)
        place = before.place.reordered(book.set_list.order, before.identifier)
        self._on = Standing(book, place)
        self._set_list = book.set_list
        self._order_revision += 1
        self.mutes.keep(book.subjects)
        self.generation = generation
        self._install_clocks(before.book, book)
        self._transported = tuple(outlet for outlet in book.outlets if outlet.transport)
        self._set_gates()
        if self._source is not None and self._source.inlet not in book.inlets:
            self._use_source(None)  # its device has left the rig
            self._event("clock-source", device=None)
        for inlet, pedals in zip(book.inlets, book.pedals, strict=True):
            inlet.pedals = pedals
        if before.identifier in book.songs:
            self._renew(before, book.songs[str(before.identifier)], now_ns)
        else:
            self._begin(begin or {}, now_ns)
        self.revision += 1
        self._light()

    def _install_clocks(self, before: CompiledBook, book: CompiledBook) -> None:
        """Give every device its clock, and the source its lead before the latest of them."""
        gone = set(before.outlets) - set(book.outlets)
        self.schedule.drop(gone)
        for outlet in gone:
            self.stamps.pop(outlet, None)
        timings = {device.name: device.timing for device in book.rig.devices}
        devices = DeviceClocks(book.outlets, timings, self.schedule)
        devices.take_over(self._devices)
        self._devices = devices
        self._clocked = devices.straight
        self._sensed = tuple(outlet for outlet in book.outlets if outlet.device.active_sensing)
        for outlet in self._clocked:
            self.stamps.pop(outlet, None)
        if self._source is not None:
            self._source.lead(devices.lead_ns)

    def _part_with_removed(self, before: CompiledBook, book: CompiledBook, now_ns: int) -> None:
        """Release what leaves. What an absent device is owed passes to the outlet that takes its name."""
        successors = {outlet.name: outlet for outlet in book.outlets if outlet not in before.outlets}
        for outlet in before.outlets:
            if outlet not in book.outlets:
                inlets = (*before.inlets, self._tuner)
                missed = [data for inlet in inlets for data in inlet.forget(outlet)]
                outlet.part(missed, now_ns, self.sink)
                if outlet.name in successors:
                    successors[outlet.name].owed += outlet.owed
        for inlet in before.inlets:
            if inlet not in book.inlets:
                inlet.let_go(now_ns, self.sink)

    def _renew(self, before: Standing, song: CompiledSong, now_ns: int) -> None:
        """Put the new version of the song that is on into force, without leaving it."""
        on = self._on
        old, old_section = before.song, before.section
        on.song = song
        self._use_controls(song)
        self.song_number = song.number
        same_name = [n for n, section in enumerate(song.sections, 1) if section.name == old_section.name]
        on.section_number = same_name[0] if same_name else min(1, len(song.sections))
        self._install(on.section)
        self._take_click_and_code(song)
        self.clock.use_map(song.map)
        self._step = self.clock.step
        if old is None:
            return
        if song.song.timing.follow != old.song.timing.follow:
            self._follow(song.song.timing.follow)
        bpm = on.section.bpm or song.song.bpm
        if bpm != (old_section.bpm or old.song.bpm):
            self._set_tempo(bpm)
        if (song.patches, on.section.patches) != (old.patches, old_section.patches):
            self._send(song.patches, now_ns)
            self._send(on.section.patches, now_ns)

    def _begin(self, begin: dict[str, Any], now_ns: int) -> None:
        """Enter the song of `begin`, else the next of the order, else none; without starting it.

        With "play" transport goes on by Continue: followers that were not told to stop stand where they
        stood (M1 p. 31).
        """
        self._ticks.restore(begin.get("checked"), {n: s.song.checklist for n, s in self.book.songs.items()})
        on = self._on
        identifier, section, bpm = begin.get("song"), begin.get("section"), begin.get("bpm")
        order = on.place.order
        if isinstance(identifier, str) and identifier in self.book.songs:
            on.place = on.place.kept(identifier, begin.get("index"), begin.get("gap"))
        elif order:  # the first song, or where a song that is no longer in the book was
            next_index = on.place.next_index
            on.place = on.place.at(len(order) - 1 if next_index is None else next_index)
            identifier, section, bpm = order[on.place.index or 0], None, None
        else:
            self.song_number = NO_SONG
            self._use_controls(None)
            for inlet in self.book.inlets:
                inlet.table = EMPTY
            return
        number = section if isinstance(section, int) and section > 0 else 1
        self._enter_song(self.book.songs[identifier], now_ns, may_start=False, section=number)
        if bpm is not None:
            with contextlib.suppress(CommandError):  # a place that was kept by hand or by another version
                self._set_tempo(_bpm_of(bpm))
        if begin.get("play") is True and identifier == begin.get("song"):
            self._transport(TransportCommand.CONTINUE, now_ns)

    def set_order(self, set_list: SetList, now_ns: int) -> None:
        """Take a new running order; the song that is on stays on. Raises NotFoundError."""
        self._enter(max(now_ns, self._now_ns))
        unknown = [identifier for identifier in set_list.order if identifier not in self.book.songs]
        if unknown:
            raise NotFoundError(f"no song {unknown[0]!r}")
        self._set_list = set_list
        self._order_revision += 1
        self._on.place = self._on.place.reordered(set_list.order, self._on.identifier)
        self.revision += 1
        self._light()

    # What others see

    def _event(self, kind: str, **fields: Any) -> None:
        self.events.append({"kind": kind, "at_ns": self._now_ns, **fields})

    def snapshot(self) -> dict[str, Any]:
        """Return the state as plain values; see routerd.link.messages for who reads it."""
        clock = self.clock
        on = self._on
        segment, step = clock.segment, clock.map.steps[clock.step]
        armed = self._armed
        return {
            "revision": self.revision,
            "generation": self.generation,
            "set_list": set_list_to_plain(replace(self._set_list, order=on.place.order)),
            "order_revision": self._order_revision,
            "index": on.place.index,
            "gap": on.place.gap,
            "next_index": on.place.next_index,
            "song": on.identifier,
            "section": on.section_number,
            "armed": armed and armed.to_plain(),
            "learning": self._learner and self._learner.to_plain(),
            "checked": self._ticks.to_plain(),
            "tuning": self._tuning,
            "transport": clock.state.value,
            "bpm": str(round(segment.bpm, 2) if clock.steered else clock.bpm),
            "meter": [step.beats, step.unit],
            "tempo_moves": clock.steered or clock.map.moves,
            "meter_from": [step.bar_tick, step.bar],
            "grid": {
                "anchor_ns": segment.anchor_ns,
                "anchor_tick": segment.anchor_tick,
                "rate_bpm": str(segment.bpm),
            },
            "position_tick": clock.position_ticks,
            "origin_tick": clock.origin_tick,
            "songs": list(self.book.song_names),
            "outputs": list(self.book.output_names),
            "inputs": [inlet.name for inlet in self.book.inlets],
            "clock_source": "internal" if self._source is None else self._source.name,
            "devices": self._devices.to_plain(),
            "click": {"alone": self._metronome.alone, "counting_to": self._metronome.counting_to},
            "follow": None if self._source is None else self._source.plain(),
            "muted": sorted(self.mutes.muted),
            "soloed": sorted(self.mutes.soloed),
        }


def _bpm_of(argument: int | str | None) -> Fraction:
    try:
        return parse_bpm(str(argument))
    except ValueError as error:
        raise CommandError(str(error)) from error


_ACTIONS: dict[Action, Callable[[Show, int | str | None, int], None]] = {
    Action.NEXT: lambda show, _, now_ns: show._step_song(Action.NEXT, now_ns),
    Action.PREVIOUS: lambda show, _, now_ns: show._step_song(Action.PREVIOUS, now_ns),
    Action.SONG: Show._song,
    Action.SECTION: Show._section,
    Action.NEXT_SECTION: lambda show, _, now_ns: show._step_section(Action.NEXT_SECTION, now_ns),
    Action.PREVIOUS_SECTION: lambda show, _, now_ns: show._step_section(Action.PREVIOUS_SECTION, now_ns),
    Action.TEMPO: lambda show, bpm, _: show._tempo_by_hand(_bpm_of(bpm)),
    Action.SOURCE: lambda show, device, _: show._follow(str(device or "")),
    Action.PANIC: lambda show, _, now_ns: show.panic(now_ns),
    Action.TAP: Show._tap,
    Action.NUDGE: lambda show, by, _: show._tempo_by_hand(show.clock.bpm + nudge_of(by)),
    Action.HALF: lambda show, _, __: show._tempo_by_hand(show.clock.bpm / 2),
    Action.DOUBLE: lambda show, _, __: show._tempo_by_hand(show.clock.bpm * 2),
    Action.RETRIGGER: lambda show, argument, _: show._retrigger(str(argument or "")),
    Action.CLICK: lambda show, argument, _: show._click(argument),
    Action.START: Show._start_from_top,
    Action.STOP: lambda show, _, now_ns: show._transport(TransportCommand.STOP, now_ns),
    Action.CONTINUE: Show._continue,
    Action.MUTE: lambda show, subject, now_ns: show._mute(Action.MUTE, subject, now_ns),
    Action.UNMUTE: lambda show, subject, now_ns: show._mute(Action.UNMUTE, subject, now_ns),
    Action.SOLO: lambda show, subject, now_ns: show._mute(Action.SOLO, subject, now_ns),
    Action.UNSOLO: lambda show, subject, now_ns: show._mute(Action.UNSOLO, subject, now_ns),
    Action.GO: Show._go,
    Action.CANCEL: lambda show, _, __: show._disarm(),
    Action.CHECK: Show._check_next,
    Action.LEARN: Show._learn,
}
