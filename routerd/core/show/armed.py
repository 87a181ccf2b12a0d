"""The change that is armed: at most one at a time, until it is performed, replaced or forgotten.

Owns that one change and nothing else. Who arms has checked that it could be done now; who performs it
takes it first, so that what it leads to finds nothing armed. Stop, panic, silence and another song
disarm. `Armed` only counts: it is asked once in every gap between two ticks, and what is armed is done
there, so that tempo and transport fall exactly on the line.

Over a restart of the engine what is armed is kept, but for what counted beats or bar lines: they went by
meanwhile, and nobody would expect the change at some later one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from routerd.core.errors import CommandError
from routerd.core.model import events
from routerd.core.model.commands import Moment
from routerd.core.model.snapshot import ArmedCommand
from routerd.core.model.timing import State

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock
    from routerd.core.model.commands import Command
    from routerd.core.show.effects import Effects


@dataclass(slots=True)
class Armed:
    """A command that waits. `lines_left` counts bar lines or beats that are still to come."""

    command: Command
    lines_left: int = 1

    @classmethod
    def of(cls, command: Command) -> Armed:
        """Return a command as it begins to wait."""
        counted = command.when.number if command.when.moment is Moment.BAR else 1
        return cls(command, counted)

    def on_line(self, clock: Clock) -> bool:
        """Count the line that the next tick lies on, if any; return whether it is the one waited for.

        Called once in every gap between two ticks.
        """
        moment, number = self.command.when
        if moment is Moment.NAMED_BAR:
            running = clock.state is not State.STOPPED
            return running and clock.position_ticks >= clock.map.tick_of_bar(number - 1)
        if not (
            (moment is Moment.BAR and clock.next_is_bar()) or (moment is Moment.BEAT and clock.next_is_beat())
        ):
            return False
        self.lines_left -= 1
        return self.lines_left <= 0


class ArmedChange:
    """What is armed, if anything."""

    __slots__ = ("_effects", "change")

    def __init__(self, effects: Effects) -> None:
        self._effects = effects
        self.change: Armed | None = None

    @property
    def waits_for_release(self) -> bool:
        """Whether it is performed as soon as no key and no hold pedal is down."""
        return self.change is not None and self.change.command.when.moment is Moment.RELEASE

    @property
    def state(self) -> ArmedCommand | None:
        """What a snapshot shows of it."""
        change = self.change
        if change is None:
            return None
        return ArmedCommand(change.command, change.lines_left if change.command.when.counted else None)

    def arm(self, command: Command) -> None:
        """Arm a command, in place of what was armed before."""
        self.change = Armed.of(command)
        self._effects.revision += 1
        self._effects.event(
            events.Armed,
            action=command.action.value,
            argument=command.shown_argument,
            when=str(command.when),
        )

    def take(self) -> Command:
        """Return what is armed, which it is no more; raises CommandError."""
        if self.change is None:
            raise CommandError("nothing is armed")
        command, self.change = self.change.command, None
        self._effects.revision += 1
        return command

    def disarm(self, by: str) -> None:
        """Forget what is armed, if anything; `by` says what made it so."""
        if self.change is not None:
            command = self.take()
            action, argument = command.action.value, command.shown_argument
            self._effects.event(events.Disarmed, action=action, argument=argument, by=by)
