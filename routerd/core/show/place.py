"""Where the show stands in tonight's set list, and which steps of checklists are done.

The order may change under the player's feet; the song that is on stays on. A song that is on
but not in the order (called by title, or dropped from the order while it plays) has no index;
`gap` then remembers before which song of the order the show stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import ACTIONS, Action, SectionWord, SongWord, ToSection, ToSong
from routerd.core.model.commands import Command
from routerd.core.model.song import SectionsEnd

if TYPE_CHECKING:
    from routerd.core.model.song import Step
    from routerd.core.show.compiler import CompiledRig, CompiledSection, CompiledSong


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a set list. `index` counts from 0; None when the song is not in the order."""

    order: tuple[str, ...] = ()
    index: int | None = None
    gap: int = 0

    @property
    def next_index(self) -> int | None:
        """The index that one press of next goes to, or None at the end."""
        index = self.gap if self.index is None else self.index + 1
        return index if index < len(self.order) else None

    @property
    def previous_index(self) -> int | None:
        """The index that one press of previous goes to, or None at the beginning."""
        index = (self.gap if self.index is None else self.index) - 1
        return index if index >= 0 else None

    def at(self, index: int) -> Place:
        """Return the place at that index of the order; raises IndexError outside it."""
        if not 0 <= index < len(self.order):
            raise IndexError(index)
        return Place(self.order, index)

    def at_song(self, song: str) -> Place:
        """Return the place of `song`: where it comes next, else where it came last, else outside."""
        here = self.gap if self.index is None else self.index
        later = [i for i, name in enumerate(self.order) if name == song and i >= here]
        earlier = [i for i, name in enumerate(self.order) if name == song and i < here]
        if later:
            return Place(self.order, later[0])
        if earlier:
            return Place(self.order, earlier[-1])
        return Place(self.order, None, self.gap if self.index is None else self.index + 1)

    def kept(self, song: str, index: int | None, gap: int | None) -> Place:
        """Return the place of `song` that was kept over a restart; what makes no sense is passed over."""
        if index is not None and 0 <= index < len(self.order) and self.order[index] == song:
            return Place(self.order, index)
        if song not in self.order and gap is not None and 0 <= gap <= len(self.order):
            return Place(self.order, None, gap)
        return self.at_song(song)

    def reordered(self, order: tuple[str, ...], song: str | None) -> Place:
        """Return the place in a new order while `song` is on and stays on."""
        here = self.gap if self.index is None else self.index
        if song in order:
            return Place(order, _nearest(order, str(song), here))
        for follower in self.order[here if self.index is None else here + 1 :]:
            if follower in order:
                return Place(order, None, _nearest(order, follower, here))
        for predecessor in reversed(self.order[:here]):
            if predecessor in order:
                return Place(order, None, _nearest(order, predecessor, here) + 1)
        return Place(order, None, 0)


def _nearest(order: tuple[str, ...], song: str, here: int) -> int:
    """Return the index of `song` in `order` that is closest to `here`; a song may be played twice."""
    return min((i for i, name in enumerate(order) if name == song), key=lambda i: abs(i - here))


@dataclass(slots=True)
class Standing:
    """Which song and section are on, in which compiled rig and order, and what names lead to others."""

    compiled: CompiledRig
    place: Place = field(default_factory=Place)
    song: CompiledSong | None = None
    section_number: int = 0
    """From 1; 0 in a song without sections."""

    @property
    def section(self) -> CompiledSection:
        """What is in force; raises CommandError when no song is on."""
        if self.song is None:
            raise CommandError("no song is on")
        return self.song.sections[self.section_number - 1] if self.section_number else self.song.whole

    @property
    def identifier(self) -> str | None:
        """The song that is on."""
        return None if self.song is None else self.song.song.identifier

    def neighbour(self, action: Action) -> int:
        """Return the index that next or previous leads to; raises CommandError at the end."""
        index = self.place.next_index if action is Action.NEXT else self.place.previous_index
        if index is None:
            end = "last" if action is Action.NEXT else "first"
            raise CommandError(f"this is the {end} song of the set list")
        return index

    def settled(self, command: Command) -> Command:
        """Return a command that is to be armed with its numbers made names, which a new order keeps.

        Raises CommandError when it could not be done now, or when it is always done at once.
        """
        action, argument = command.action, command.argument
        if not ACTIONS[action].armable:
            raise CommandError(f"{action.value} is done at once and cannot be armed")
        if action is Action.NEXT or action is Action.PREVIOUS:
            self.neighbour(action)
        elif action is Action.NEXT_SECTION or action is Action.PREVIOUS_SECTION:
            self.neighbour_section(action)
        elif isinstance(argument, ToSong):
            place = self.find_song(argument.song, argument.index)
            name = argument.song if place.index is None else place.order[place.index]
            return replace(command, argument=ToSong(name, place.index))
        elif isinstance(argument, ToSection):
            number = self.find_section(argument.section)
            name = self.song.sections[number - 1].name if self.song else argument.section
            return replace(command, argument=ToSection(name))
        return command

    def neighbour_section(self, action: Action) -> int | None:
        """Return the number of the section that next or previous section leads to.

        None when that is another song; raises CommandError where there is none.
        """
        if self.song is None or not self.song.sections:
            raise CommandError("this song has no sections" if self.song else "no song is on")
        forward = action is Action.NEXT_SECTION
        number = self.section_number + (1 if forward else -1)
        count = len(self.song.sections)
        if 1 <= number <= count:
            return number
        end = self.song.song.sections_end
        if end is SectionsEnd.WRAP:
            return 1 if forward else count
        if end is SectionsEnd.SONG:
            self.neighbour(Action.NEXT if forward else Action.PREVIOUS)
            return None
        raise CommandError(f"this is the {'last' if forward else 'first'} section of the song")

    def find_song(self, argument: SongWord, hint: int | None = None) -> Place:
        """Return the place of a song, by its number in the order (from 1) or its identifier.

        `hint` is the index that was meant, for a song that is played twice.
        """
        order = self.place.order
        if hint is not None and hint < len(order) and order[hint] == argument:
            return self.place.at(hint)
        if isinstance(argument, int):
            if not 1 <= argument <= len(order):
                raise NotFoundError(f"the set list has songs 1 to {len(order)}, not {argument}")
            return self.place.at(argument - 1)
        if argument not in self.compiled.songs:
            raise NotFoundError(f"no song {argument!r}")
        return self.place.at_song(str(argument))

    def find_section(self, argument: SectionWord) -> int:
        """Return the number of a section of the song that is on, by number (from 1) or name."""
        sections = () if self.song is None else self.song.sections
        if isinstance(argument, int) and 1 <= argument <= len(sections):
            return argument
        for number, section in enumerate(sections, 1):
            if section.name == argument:
                return number
        names = ", ".join(section.name for section in sections) or "none"
        raise NotFoundError(f"no section {argument!r} in this song; it has: {names}")


@dataclass(slots=True)
class DoneSteps:
    """Which steps of checklists are done, by song: their numbers, from 1.

    A step is done for the evening: coming back to a song does not undo the tape that was put in. A reload
    keeps what is done as long as the song still has that many steps.
    """

    _done: dict[str, set[int]] = field(default_factory=dict)

    def done(self, song: str) -> set[int]:
        """Return the numbers of the steps of a song that are done."""
        return self._done.get(song, set())

    def open(self, song: str, steps: Sequence[Step]) -> list[int]:
        """Return the numbers of the steps that are still to be done."""
        return [number for number in range(1, len(steps) + 1) if number not in self.done(song)]

    def mark(self, song: str, steps: Sequence[Step], number: int | None, *, done: bool = True) -> int:
        """Note a step as done, or not; without a number the next open one, or the last that is done.

        Returns the number; raises NotFoundError for a number without a step, CommandError when there is
        none left.
        """
        if number is None:
            candidates = self.open(song, steps) if done else sorted(self.done(song), reverse=True)
            if not candidates:
                raise CommandError(f"nothing of the checklist of {song!r} is {'open' if done else 'done'}")
            number = candidates[0]
        if not 1 <= number <= len(steps):
            raise NotFoundError(f"the checklist of {song!r} has steps 1 to {len(steps)}, not {number}")
        self._done.setdefault(song, set())
        (self._done[song].add if done else self._done[song].discard)(number)
        return number

    def by_song(self) -> dict[str, tuple[int, ...]]:
        """Return what is done, by song."""
        return {song: tuple(sorted(numbers)) for song, numbers in self._done.items() if numbers}

    def restore(self, done: Mapping[str, Iterable[int]], steps: Mapping[str, Sequence[Step]]) -> None:
        """Take what `by_song` gave, as far as it makes sense for these songs."""
        for song, numbers in done.items():
            if song in steps:
                self._done[song] = set(numbers) & set(range(1, len(steps[song]) + 1))
