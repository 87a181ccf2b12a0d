"""What can be asked of the show: done at once, or armed for a beat, a bar, a press or a release."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from routerd.core.clock.tap import bpm_of, nudge_of
from routerd.core.clock.transport import State
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.midi.messages import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    NOTE_OFF,
    NOTE_ON,
    RESET_CONTROLLERS,
    START_LEAD_NS,
    SUSTAIN,
    controller,
)
from routerd.core.midi.tuning import TUNING_S
from routerd.core.model.arming import Action, Command, Learns, Moment, When, command_from_plain
from routerd.core.model.snapshot import TuningNote
from routerd.core.model.timing import ChangePolicy
from routerd.core.show.learning import LEARN_NS, Learner
from routerd.core.units import NEVER_NS, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from routerd.core.show.compiler import CompiledBook

from routerd.core.show.songs_part import ShowSongs

SILENCE = tuple(
    controller(channel, number, 0)
    for channel in range(16)
    for number in (SUSTAIN, ALL_SOUND_OFF, RESET_CONTROLLERS, ALL_NOTES_OFF)
)
"""All Notes Off comes after the explicit Note Offs, it is no substitute for them (M1 p. 20)."""


class ShowCommands(ShowSongs):
    """The layer above songs."""

    __slots__ = ()

    def load(
        self, book: CompiledBook, generation: int, now_ns: int, begin: dict[str, Any] | None = None
    ) -> None:
        """Swap in a compiled book, see the layer below; what `begin` says was armed is armed again."""
        super().load(book, generation, now_ns, begin)
        armed = (begin or {}).get("armed")
        if isinstance(armed, dict):
            self._arm_again(armed, same_song=self._on.identifier == (begin or {}).get("song"))

    def _arm_again(self, kept: dict[str, Any], *, same_song: bool) -> None:
        """Arm what was armed before a restart, or say that it is gone and why."""
        try:
            if not same_song:
                raise CommandError("the song that was on is not in the rig folder any more")
            command = command_from_plain(kept)
            if command.when.counted or command.when.moment is Moment.NOW:
                raise CommandError(f"its {command.when.moment.value} went by while the service was away")
            if command.place_index is None:
                command = self._on.settled(command)
            else:
                self._on.find_song(command.argument, command.place_index)
        except (CommandError, ValueError) as error:
            shown = {key: kept.get(key) for key in ("action", "argument", "when")}
            self.effects.event("armed-gone", **shown, why=str(error))
            return
        self.armed.arm(command)
        self._light()

    def _learn(self, argument: int | str | None, now_ns: int) -> None:
        if argument is None:
            self._end_learning()
            return
        try:
            self._learner = Learner(Learns(str(argument)), now_ns + LEARN_NS)
        except ValueError as error:
            raise CommandError(f"{argument!r} cannot be learnt; say control or pedal") from error
        self.effects.revision += 1

    def _end_learning(self) -> None:
        if self._learner is not None and not self._learner.over:
            self._learner.over = True
            self.effects.revision += 1

    def sound(
        self, device: str, channel: int, note: int, velocity: int, now_ns: int, *, for_s: int = TUNING_S
    ) -> None:
        """Sound a note on a device until another, panic or velocity 0 ends it, or for `for_s` seconds.

        Raises NotFoundError for a device without an output.
        """
        now_ns = self.effects.enter(now_ns)
        output = next((one for one in self.book.outputs if one.name == device), None)
        if output is None:
            raise NotFoundError(f"no device {device!r} with an output")
        self._end_tuning(now_ns)
        if velocity:
            self._tuner.held_notes[0] = ((output, NOTE_OFF | channel, note),)
            output.play(bytes((NOTE_ON | channel, note, velocity)), now_ns, self.effects.sink)
            until_ns = now_ns + for_s * NS_PER_S
            self._tuning = TuningNote(device, channel + 1, note, until_ns)
            self._tuning_until_ns = until_ns

    def _end_tuning(self, now_ns: int) -> None:
        self._tuner.let_go(now_ns, self.effects.sink)
        self._tuner.held_notes.clear()
        self._tuning, self._tuning_until_ns = None, NEVER_NS
        self.effects.revision += 1

    def check(self, song: str | None, number: int | None, *, done: bool = True) -> None:
        """Tick an item of a song's checklist off, or take the tick back; see `checklist.Ticks.tick`."""
        identifier = self._on.identifier if song is None else song
        if identifier is None:
            raise CommandError("no song is on")
        if identifier not in self.book.songs:
            raise NotFoundError(f"no song {identifier!r}")
        items = self.book.songs[identifier].song.checklist
        number = self._ticks.tick(identifier, items, number, done=done)
        self.effects.revision += 1
        self.effects.event("checked", song=identifier, number=number, text=items[number - 1].text, done=done)
        self._light()

    def _check_next(self, argument: int | str | None, _now_ns: int) -> None:
        self.check(None, argument if isinstance(argument, int) else None)

    def apply(self, command: Command, now_ns: int) -> None:
        """Do what is asked, or raise CommandError and change nothing."""
        now_ns = self.effects.enter(now_ns)
        armed = self.armed.change
        pressed = command.action is Action.NEXT and armed and armed.command.when.moment is Moment.PRESS
        changes = command.action in (Action.NEXT, Action.PREVIOUS, Action.SONG)
        if changes and command.when.moment is Moment.NOW and not pressed:
            command = self._by_policy(command)
        if command.when.moment is not Moment.NOW:
            self._arm(command, now_ns)
        elif pressed:
            self._go(None, now_ns)
        else:
            self._do(command, now_ns)
        self.transport.poll_devices()
        self._light()

    def _by_policy(self, command: Command) -> Command:
        """Let a song change wait for the beat or bar that the song asks for, while transport runs."""
        if self.transport.clock.state is State.STOPPED:
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

    def _arm(self, command: Command, now_ns: int) -> None:
        command = self._on.settled(command)
        if command.action is Action.CONTINUE:
            self.transport.position_of(command.argument)
        elif command.action is Action.TEMPO:
            bpm_of(command.argument)
        elif command.action in (Action.MUTE, Action.UNMUTE, Action.SOLO, Action.UNSOLO):
            self._check_subject(command.argument)
        elif command.action is Action.SOURCE:
            self.tempo.input_of(str(command.argument or ""))
        elif command.action is Action.RETRIGGER:
            self.transport.restartable(str(command.argument or ""))
        if command.when.moment is Moment.NAMED_BAR:
            self._check_named_bar(command.when.number)
        self.armed.arm(command)
        self._perform_on_release(now_ns)
        ready_ns = max(now_ns, self.transport.wires_free_ns())
        if not self.ticks.in_gap and self.transport.clock.next_due_ns - ready_ns >= 2 * START_LEAD_NS:
            self._reach_line(now_ns)

    def _check_named_bar(self, bar: int) -> None:
        clock = self.transport.clock
        if clock.position_ticks > clock.map.tick_of_bar(bar - 1):
            now = clock.map.bar_at(clock.position_ticks) + 1
            raise CommandError(f"bar {bar} has gone by; the song is in bar {now}")

    def _reach_line(self, now_ns: int) -> None:
        """In the gap before a tick: do what is armed if that tick is the one it waits for."""
        armed = self.armed.change
        if armed is None:
            return
        left = armed.lines_left
        if armed.on_line(self.transport.clock):
            self._perform_armed(now_ns)
        elif armed.lines_left != left:
            self.effects.revision += 1

    def _perform_on_release(self, now_ns: int) -> None:
        if self.armed.waits_for_release and not any(input.sounds() for input in self.book.inputs):
            self._perform_armed(now_ns)

    def _perform_armed(self, now_ns: int) -> None:
        command = self.armed.take()
        try:
            self._do(command, now_ns)
        except CommandError as error:  # the book or the order has changed since it was armed
            self.effects.event("refused", action=command.action.value, why=str(error))

    def _go(self, _argument: int | str | None, now_ns: int) -> None:
        """Do what is armed now, whatever it waits for; when that is refused it stays armed."""
        before, revision = self.armed.change, self.effects.revision
        command = self.armed.take()
        try:
            self._do(command, now_ns)
        except CommandError as error:
            self.armed.change, self.effects.revision = before, revision
            # not as NotFoundError: whoever pressed has named nothing
            raise CommandError(f"what is armed cannot be done: {error}") from error

    def _stop(self) -> None:
        """Stop, and forget what is armed: nobody who stops expects a change to go through afterwards."""
        self.transport.stop()
        self.armed.disarm("stop")

    def _panic(self, now_ns: int) -> None:
        """Forget what is armed and end all that sounds. Transport, clock and click go on."""
        self.armed.disarm("panic")
        self.panic(now_ns)

    def _silence(self, now_ns: int) -> None:
        """Stop, forget what is armed and end all that sounds, also the click and what would sound a little
        later. The clock goes on, as always."""
        self.transport.stop()
        if self.transport.metronome.alone:
            self.transport.click("off")
        self.armed.disarm("silence")
        self.transport.schedule.hush()
        self.panic(now_ns)

    def panic(self, now_ns: int) -> None:
        """End all that sounds: what waits is forgotten, what sounds is released, every channel told."""
        for wire in self.book.wires:
            for data in wire.clear(now_ns, self.effects.sink):
                wire.offer(data, now_ns, self.effects.sink)
        for input in self._every_input:
            input.let_go(now_ns, self.effects.sink)
        if self._tuning is not None:
            self._end_tuning(now_ns)
        for output in self.book.outputs:
            output.end_latched((), now_ns, self.effects.sink)
        self._holding.forget()
        for wire in self.book.wires:
            ended = [*wire.receivers.sounding.end(), *wire.receivers.take_rest()]
            if not wire.connected:
                wire.owed += ended
                continue
            for data in (*ended, *SILENCE):
                wire.offer(data, now_ns, self.effects.sink)
        self.effects.event("panic")

    def shut_down(self, now_ns: int) -> None:
        """Stop transport and silence the rig; the caller then waits for `drained`."""
        now_ns = self.effects.enter(now_ns)
        self.transport.stop()
        self.panic(now_ns)

    def drained(self, now_ns: int) -> bool:
        """Return whether everything that was to go out has left its wire."""
        return all(w.queued == 0 and w.busy_until_ns <= now_ns for w in self.book.wires if w.connected)


_ACTIONS: dict[Action, Callable[[ShowCommands, int | str | None, int], None]] = {
    Action.NEXT: lambda show, _, now_ns: show._step_song(Action.NEXT, now_ns),
    Action.PREVIOUS: lambda show, _, now_ns: show._step_song(Action.PREVIOUS, now_ns),
    Action.SONG: ShowCommands._song,
    Action.SECTION: ShowCommands._section,
    Action.NEXT_SECTION: lambda show, _, now_ns: show._step_section(Action.NEXT_SECTION, now_ns),
    Action.PREVIOUS_SECTION: lambda show, _, now_ns: show._step_section(Action.PREVIOUS_SECTION, now_ns),
    Action.TEMPO: lambda show, bpm, _: show.tempo.set_by_hand(bpm_of(bpm)),
    Action.SONG_TEMPO: lambda show, _, __: show.tempo.set_by_song(show._on),
    Action.SOURCE: lambda show, device, _: show.tempo.follow(str(device or "")),
    Action.PANIC: lambda show, _, now_ns: show._panic(now_ns),
    Action.SILENCE: lambda show, _, now_ns: show._silence(now_ns),
    Action.TAP: lambda show, argument, _: show.tempo.tap(argument),
    Action.NUDGE: lambda show, by, _: show.tempo.set_by_hand(show.transport.clock.bpm + nudge_of(by)),
    Action.HALF: lambda show, _, __: show.tempo.set_by_hand(show.transport.clock.bpm / 2),
    Action.DOUBLE: lambda show, _, __: show.tempo.set_by_hand(show.transport.clock.bpm * 2),
    Action.RETRIGGER: lambda show, argument, _: show.transport.retrigger(str(argument or "")),
    Action.CLICK: lambda show, argument, _: show.transport.click(argument),
    Action.START: lambda show, _, __: show.transport.start_from_top(),
    Action.STOP: lambda show, _, __: show._stop(),
    Action.CONTINUE: lambda show, bar, _: show.transport.resume_from(bar),
    Action.MUTE: lambda show, subject, now_ns: show._mute(Action.MUTE, subject, now_ns),
    Action.UNMUTE: lambda show, subject, now_ns: show._mute(Action.UNMUTE, subject, now_ns),
    Action.SOLO: lambda show, subject, now_ns: show._mute(Action.SOLO, subject, now_ns),
    Action.UNSOLO: lambda show, subject, now_ns: show._mute(Action.UNSOLO, subject, now_ns),
    Action.GO: ShowCommands._go,
    Action.CANCEL: lambda show, _, __: show.armed.disarm("cancel"),
    Action.CHECK: ShowCommands._check_next,
    Action.LEARN: ShowCommands._learn,
}
