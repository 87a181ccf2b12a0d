"""Who is muted and who plays alone, and the tables that are left.

A subject is "device NAME" (the device that sounds) or "route NAME". Something is heard when neither its
device nor its route is muted, and when it is among the solos of each kind that has any. Clock, transport
and patches go on all the same. Routes of one name, in whatever songs, are muted together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.model.arming import Action
from routerd.core.routing.tables import entry_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from routerd.core.routing.tables import Compiled, Leg, Table

DEVICE = "device "
ROUTE = "route "


class Mutes:
    """The muted and the soloed; both survive songs, reloads and restarts."""

    __slots__ = ("muted", "soloed")

    def __init__(self) -> None:
        self.muted: set[str] = set()
        self.soloed: set[str] = set()

    @property
    def any(self) -> bool:
        """Return whether anything is muted or soloed."""
        return bool(self.muted or self.soloed)

    def keep(self, subjects: Iterable[str]) -> None:
        """Forget all but these: the others are no more."""
        known = set(subjects)
        self.muted &= known
        self.soloed &= known

    def restore(self, muted: object, soloed: object, subjects: Collection[str]) -> list[tuple[Action, str]]:
        """Take what was muted and soloed before a restart, as far as it makes sense for these subjects.

        Returns the actions that it comes to.
        """
        taken = [
            (action, subject)
            for action, kept in ((Action.MUTE, muted), (Action.SOLO, soloed))
            for subject in (kept if isinstance(kept, list) else ())
            if isinstance(subject, str) and subject in subjects
        ]
        for action, subject in taken:
            self.change(action, subject)
        return taken

    def change(self, action: Action, subject: str) -> None:
        """Carry out one of the four actions."""
        of = self.muted if action in (Action.MUTE, Action.UNMUTE) else self.soloed
        (of.add if action in (Action.MUTE, Action.SOLO) else of.discard)(subject)

    def toggled(self, action: Action, subject: str) -> Action:
        """Return what a foot switch means: the contrary of how its subject is."""
        if action is Action.MUTE and subject in self.muted:
            return Action.UNMUTE
        if action is Action.SOLO and subject in self.soloed:
            return Action.UNSOLO
        return action

    def hears(self, subject: str) -> bool:
        """Return whether a subject is heard, as far as its own kind goes."""
        if subject in self.muted:
            return False
        kind = DEVICE if subject.startswith(DEVICE) else ROUTE
        alone = [one for one in self.soloed if one.startswith(kind)]
        return not alone or subject in alone

    def tables(self, compiled: Compiled) -> tuple[Table, ...]:
        """Return the tables with the legs that are heard; the compiled ones when all are."""
        if not self.any:
            return compiled.tables
        heard: dict[tuple[str, str], bool] = {}

        def is_heard(leg: Leg, route: str) -> bool:
            key = (leg[0].output.name, route)
            if key not in heard:
                heard[key] = self.hears(DEVICE + key[0]) and self.hears(ROUTE + route)
            return heard[key]

        return tuple(
            tuple(
                entry_of(leg for leg, route in zip(legs, routes, strict=True) if is_heard(leg, route))
                if legs
                else ()
                for legs, routes in zip(table, names, strict=True)
            )
            for table, names in zip(compiled.tables, compiled.names, strict=True)
        )
