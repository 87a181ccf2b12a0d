"""What can be asked of the show: done at once, or armed for a beat, a bar, a press or a release.

Owns nothing: what is armed belongs to `armed`, and each action to the part that it changes. Here is the
order: a command is checked before it is armed, so that it is refused while somebody looks; it is
performed when its moment comes, and what has become impossible by then is reported, not raised.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from routerd.core.errors import CommandError
from routerd.core.midi.messages import START_LEAD_NS
from routerd.core.model import events
from routerd.core.model.actions import (
    Action,
    Argument,
    ClockSource,
    FromBar,
    Learn,
    Nudge,
    OnOff,
    Restart,
    StepDone,
    Subject,
    TapRounding,
    ToSection,
    ToSong,
    ToTempo,
)
from routerd.core.model.commands import Command, Moment, When
from routerd.core.model.snapshot import ResumePoint
from routerd.core.model.timing import ChangePolicy, State

if TYPE_CHECKING:
    from routerd.core.show.armed import ArmedChange
    from routerd.core.show.effects import Effects
    from routerd.core.show.panel import Learning, Tuner
    from routerd.core.show.routes_in_force import RoutesInForce
    from routerd.core.show.songs import Songs
    from routerd.core.show.tempo import Tempo
    from routerd.core.show.tick_sender import TickSender
    from routerd.core.show.transport import Transport


class Commands:
    """Carries out what is asked, now or when its moment comes."""

    __slots__ = (
        "_armed",
        "_effects",
        "_learning",
        "_routes",
        "_songs",
        "_tempo",
        "_ticks",
        "_transport",
        "_tuning",
    )

    def __init__(
        self,
        *,
        effects: Effects,
        armed: ArmedChange,
        transport: Transport,
        tempo: Tempo,
        ticks: TickSender,
        routes: RoutesInForce,
        songs: Songs,
        tuning: Tuner,
        learning: Learning,
    ) -> None:
        self._effects = effects
        self._armed = armed
        self._transport = transport
        self._tempo = tempo
        self._ticks = ticks
        self._routes = routes
        self._songs = songs
        self._tuning = tuning
        self._learning = learning

    def apply(self, command: Command) -> None:
        """Do or arm what is asked, or raise CommandError and change nothing."""
        armed = self._armed.change
        pressed = command.action is Action.NEXT and armed and armed.command.when.moment is Moment.NEXT_PRESS
        changes = command.action in (Action.NEXT, Action.PREVIOUS, Action.SONG)
        if changes and command.when.moment is Moment.NOW and not pressed:
            command = self._by_policy(command)
        if command.when.moment is not Moment.NOW:
            self._arm(command)
        elif pressed:
            self._go()
        else:
            self._do(command)
        self._transport.poll_devices()

    def _by_policy(self, command: Command) -> Command:
        """Let a song change wait for the beat or bar that the song asks for, while transport runs."""
        if self._transport.clock.state is State.STOPPED:
            return command
        on = self._songs.on
        asked = command.argument
        if isinstance(asked, ToSong):
            place = on.find_song(asked.song, asked.index)
            name = str(asked.song) if place.index is None else place.order[place.index]
        else:
            place = on.place.at(on.neighbour(command.action))
            name = place.order[place.index or 0]
        policy = on.compiled.songs[name].song.timing.change
        if policy not in (ChangePolicy.BEAT, ChangePolicy.BAR):
            return command
        return replace(command, when=When(Moment.BEAT if policy is ChangePolicy.BEAT else Moment.BAR))

    def _do(self, command: Command) -> None:
        _ACTIONS[command.action](self, command.argument)

    # Armed changes

    def _arm(self, command: Command) -> None:
        command = self._songs.on.settled(command)
        match command.argument:
            case FromBar(bar):
                self._transport.position_of(bar)
            case ToTempo(bpm):
                self._tempo.check(bpm)
            case Subject() as subject:
                self._routes.check_subject(subject)
            case ClockSource(device):
                self._tempo.input_of(device)
            case Restart(device):
                self._transport.restartable(device)
        if command.when.moment is Moment.NAMED_BAR:
            self._check_named_bar(command.when.number)
        self._armed.arm(command)
        self.perform_on_release()
        ready_ns = max(self._effects.now_ns, self._transport.wires_free_ns())
        if not self._ticks.in_gap and self._transport.clock.next_due_ns - ready_ns >= 2 * START_LEAD_NS:
            self.reach_line()

    def _check_named_bar(self, bar: int) -> None:
        clock = self._transport.clock
        if clock.position_ticks > clock.map.tick_of_bar(bar - 1):
            now = clock.map.bar_at(clock.position_ticks) + 1
            raise CommandError(f"bar {bar} has gone by; the song is in bar {now}")

    def arm_again(self, begin: ResumePoint) -> None:
        """Arm what was armed before a restart, or report that it is gone and why."""
        on, command = self._songs.on, begin.armed
        if begin.armed_unread:
            self._effects.event(events.ArmedGone, None, None, None, why=begin.armed_unread)
        if command is None:
            return
        try:
            if on.identifier != begin.song:
                raise CommandError("the song that was on is not in the rig folder any more")
            if command.when.counted or command.when.moment is Moment.NOW:
                raise CommandError(f"its {command.when.moment.value} went by while the service was away")
            self._armed.arm(on.settled(command))
        except (CommandError, ValueError) as error:
            action, argument = command.action.value, command.shown_argument
            self._effects.event(events.ArmedGone, action, argument, str(command.when), why=str(error))

    def reach_line(self) -> None:
        """In the gap before a tick: do what is armed if that tick is the one it waits for."""
        armed = self._armed.change
        if armed is None:
            return
        left = armed.lines_left
        if armed.on_line(self._transport.clock):
            self._perform_armed()
        elif armed.lines_left != left:
            self._effects.revision += 1

    def perform_on_release(self) -> None:
        """Do what waits for the last key or pedal to come up, if it has."""
        inputs = self._songs.on.compiled.inputs
        if self._armed.waits_for_release and not any(input.sounds() for input in inputs):
            self._perform_armed()

    def _perform_armed(self) -> None:
        command = self._armed.take()
        try:
            self._do(command)
        except CommandError as error:  # the compiled rig or the order has changed since it was armed
            self._effects.event(events.Refused, command.action.value, device=None, why=str(error))

    def _go(self) -> None:
        """Do what is armed now, whatever it waits for; when that is refused it stays armed."""
        before, revision = self._armed.change, self._effects.revision
        command = self._armed.take()
        try:
            self._do(command)
        except CommandError as error:
            self._armed.change, self._effects.revision = before, revision
            # not as NotFoundError: whoever pressed has named nothing
            raise CommandError(f"what is armed cannot be done: {error}") from error

    # Actions that concern several parts

    def _song(self, asked: ToSong) -> None:
        self._songs.go_to(self._songs.on.find_song(asked.song, asked.index), asked.song)

    def _section(self, asked: ToSection) -> None:
        self._songs.go_to_section(self._songs.on.find_section(asked.section))

    def _stop(self) -> None:
        """Stop, and forget what is armed: nobody who stops expects a change to go through afterwards."""
        self._transport.stop()
        self._armed.disarm("stop")

    def _panic(self) -> None:
        """Forget what is armed and end all that sounds. Transport, clock and click go on."""
        self._armed.disarm("panic")
        self.panic()

    def _silence(self) -> None:
        """Stop, forget what is armed and end all that sounds, also the click and what would sound a little
        later. The clock goes on, as always."""
        self._transport.stop()
        if self._transport.metronome.alone:
            self._transport.click(on=False)
        self._armed.disarm("silence")
        self._transport.schedule.hush()
        self.panic()

    def panic(self, *, ending: bool = False) -> None:
        """End all that sounds, also the note that somebody tunes by; `ending`: as the service ends."""
        self._routes.panic(ending=ending)
        self._tuning.forget()


_A = TypeVar("_A", bound=Argument)
_Do = Callable[[Commands, Any], None]


def _with(_kind: type[_A], do: Callable[[Commands, _A], None]) -> _Do:
    """Return `do`, having the type checker compare its argument with the one that the action's row names."""
    return do


_ACTIONS: dict[Action, _Do] = {
    Action.NEXT: lambda show, _: show._songs.step(Action.NEXT),
    Action.PREVIOUS: lambda show, _: show._songs.step(Action.PREVIOUS),
    Action.SONG: _with(ToSong, Commands._song),
    Action.SECTION: _with(ToSection, Commands._section),
    Action.NEXT_SECTION: lambda show, _: show._songs.step_section(Action.NEXT_SECTION),
    Action.PREVIOUS_SECTION: lambda show, _: show._songs.step_section(Action.PREVIOUS_SECTION),
    Action.GO: lambda show, _: show._go(),
    Action.CANCEL: lambda show, _: show._armed.disarm("cancel"),
    Action.START: lambda show, _: show._transport.start_from_top(),
    Action.STOP: lambda show, _: show._stop(),
    Action.CONTINUE: _with(FromBar, lambda show, asked: show._transport.resume_from(asked.bar)),
    Action.TEMPO: _with(ToTempo, lambda show, asked: show._tempo.set_by_hand(asked.bpm)),
    Action.SONG_TEMPO: lambda show, _: show._tempo.set_by_song(show._songs.on),
    Action.TAP: _with(TapRounding, lambda show, asked: show._tempo.tap(asked.round)),
    Action.NUDGE: _with(
        Nudge, lambda show, asked: show._tempo.set_by_hand(show._transport.clock.bpm + asked.by)
    ),
    Action.HALF: lambda show, _: show._tempo.set_by_hand(show._transport.clock.bpm / 2),
    Action.DOUBLE: lambda show, _: show._tempo.set_by_hand(show._transport.clock.bpm * 2),
    Action.RETRIGGER: _with(Restart, lambda show, asked: show._transport.retrigger(asked.device, asked.at)),
    Action.CLICK: _with(OnOff, lambda show, asked: show._transport.click(on=asked.on)),
    Action.CLOCK_SOURCE: _with(ClockSource, lambda show, asked: show._tempo.follow(asked.device)),
    Action.MUTE: _with(Subject, lambda show, asked: show._routes.mute(Action.MUTE, asked)),
    Action.UNMUTE: _with(Subject, lambda show, asked: show._routes.mute(Action.UNMUTE, asked)),
    Action.SOLO: _with(Subject, lambda show, asked: show._routes.mute(Action.SOLO, asked)),
    Action.UNSOLO: _with(Subject, lambda show, asked: show._routes.mute(Action.UNSOLO, asked)),
    Action.DONE: _with(StepDone, lambda show, asked: show._songs.mark_done(asked)),
    Action.LEARN: _with(Learn, lambda show, asked: show._learning.learn(asked.what)),
    Action.PANIC: lambda show, _: show._panic(),
    Action.SILENCE: lambda show, _: show._silence(),
}
"""What each action does. A line without `_with` is of an action without an argument."""
