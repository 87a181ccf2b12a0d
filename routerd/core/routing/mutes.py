"""Who is muted and who plays alone, and the tables that are left.

A subject is a device (the one that sounds) or the routes with one name. Something is heard when neither its
device nor its route is muted, and when it is among the solos of each kind that has any. Clock, transport
and patches go on all the same. Routes of one name, in whatever songs, are muted together.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from routerd.core.model import events
from routerd.core.model.actions import ACTIONS, Action, Subject
from routerd.core.routing.tables import entry_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable

    from routerd.core.model.commands import Command
    from routerd.core.routing.tables import Compiled, Leg, Table


def muting(action: Action, subject: Subject) -> Callable[[int], events.Mute | events.Solo]:
    """Return what makes the event of one of the four actions, when it is called with its time."""
    kind = events.Mute if action in (Action.MUTE, Action.UNMUTE) else events.Solo
    return partial(kind, subject=str(subject), on=action in (Action.MUTE, Action.SOLO))


class Mutes:
    """The muted and the soloed; both survive songs, reloads and restarts."""

    __slots__ = ("muted", "soloed")

    def __init__(self) -> None:
        self.muted: set[Subject] = set()
        self.soloed: set[Subject] = set()

    @classmethod
    def named(cls, muted: Iterable[str], soloed: Iterable[str]) -> Mutes:
        """Return those that a snapshot names."""
        mutes = cls()
        mutes.muted.update(map(Subject.of, muted))
        mutes.soloed.update(map(Subject.of, soloed))
        return mutes

    @property
    def any(self) -> bool:
        """Return whether anything is muted or soloed."""
        return bool(self.muted or self.soloed)

    def keep(self, subjects: Iterable[Subject]) -> None:
        """Forget all but these: the others are no more."""
        known = set(subjects)
        self.muted &= known
        self.soloed &= known

    def restore(
        self, muted: Iterable[str], soloed: Iterable[str], subjects: Collection[Subject]
    ) -> list[tuple[Action, Subject]]:
        """Take what was muted and soloed before a restart, as far as it makes sense for these subjects.

        Returns the actions that it comes to.
        """
        known = {str(subject): subject for subject in subjects}
        taken = [
            (action, known[name])
            for action, kept in ((Action.MUTE, muted), (Action.SOLO, soloed))
            for name in kept
            if name in known
        ]
        for action, subject in taken:
            self.change(action, subject)
        return taken

    def change(self, action: Action, subject: Subject) -> None:
        """Carry out one of the four actions."""
        of = self.muted if action in (Action.MUTE, Action.UNMUTE) else self.soloed
        (of.add if action in (Action.MUTE, Action.SOLO) else of.discard)(subject)

    def toggled(self, command: Command) -> Command:
        """Return what a foot switch means: the contrary of how its subject is."""
        undo = ACTIONS[command.action].undo
        if undo is None or command.argument not in (
            self.muted if command.action is Action.MUTE else self.soloed
        ):
            return command
        return replace(command, action=undo)

    def hears(self, *subjects: Subject) -> bool:
        """Return whether all of these are heard, each as far as its own kind goes."""
        return not self.why_silent(*subjects)

    def why_silent(self, *subjects: Subject) -> str:
        """Return why one of these is not heard, the first of them; "" when all are."""
        for subject in subjects:
            if subject in self.muted:
                return f"{subject} is muted"
            alone = [one for one in self.soloed if (one.device is None) is (subject.device is None)]
            if alone and subject not in alone:
                return f"only {', '.join(sorted(map(str, alone)))} {'is' if len(alone) == 1 else 'are'} heard"
        return ""

    def tables(self, compiled: Compiled) -> tuple[Table, ...]:
        """Return the tables with the legs that are heard; the compiled ones when all are."""
        if not self.any:
            return compiled.tables
        heard: dict[tuple[str, str], bool] = {}

        def is_heard(leg: Leg, route: str) -> bool:
            key = (leg[0].output.name, route)
            if key not in heard:
                heard[key] = self.hears(Subject(key[0]), Subject(route=route))
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


def others(subject: Subject, subjects: Iterable[Subject]) -> str:
    """Return in words which devices there are, or routes for a route; of many the first twelve."""
    names = [one.route if subject.device is None else one.device for one in subjects]
    known = sorted(name for name in names if name is not None)
    return f"there are {', '.join(known[:12]) or 'none'}{' …' if len(known) > 12 else ''}"
