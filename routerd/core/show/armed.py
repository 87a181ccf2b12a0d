"""The change that is armed: at most one at a time, until it is performed, replaced or forgotten.

Owns that one change and nothing else. Who arms has checked that it could be done now; who performs it
takes it first, so that what it leads to finds nothing armed. Stop, panic, silence and another song
disarm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.errors import CommandError
from routerd.core.model.arming import Armed, Moment

if TYPE_CHECKING:
    from routerd.core.model.arming import Command
    from routerd.core.show.effects import Effects


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

    def arm(self, command: Command) -> None:
        """Arm a command, in place of what was armed before."""
        self.change = Armed.of(command)
        self._effects.revision += 1
        self._effects.event(
            "armed", action=command.action.value, argument=command.argument, when=str(command.when)
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
            self._effects.event("disarmed", action=command.action.value, argument=command.argument, by=by)
