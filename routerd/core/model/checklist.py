"""Checklists: what people do by hand at a song, who does it and when, and what of it is done.

An item is done for the evening: coming back to a song does not undo the tape that was put in. A reload
keeps what is ticked as long as the song still has that many items.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from routerd.core.errors import CommandError, NotFoundError


@dataclass(frozen=True, slots=True)
class Item:
    """One step. `who` does it, "" for anybody; `section` is the one it comes before, "" for the song."""

    text: str
    who: str = ""
    section: str = ""

    @property
    def in_words(self) -> str:
        """The step as one line: before what it is done, what it is, and who does it."""
        place = f"before {self.section}: " if self.section else ""
        return f"{place}{self.text}{f' ({self.who})' if self.who else ''}"


@dataclass(slots=True)
class Ticks:
    """What is ticked off, by song: numbers of items, from 1."""

    _done: dict[str, set[int]] = field(default_factory=dict)

    def done(self, song: str) -> set[int]:
        """Return the numbers of the items of a song that are done."""
        return self._done.get(song, set())

    def open(self, song: str, items: Sequence[Item]) -> list[int]:
        """Return the numbers of the items that are still to be done."""
        return [number for number in range(1, len(items) + 1) if number not in self.done(song)]

    def tick(self, song: str, items: Sequence[Item], number: int | None, *, done: bool = True) -> int:
        """Tick an item off, or take the tick back; without a number the next open item, or the last tick.

        Returns the number; raises NotFoundError for a number without an item, CommandError when there is
        nothing left to tick.
        """
        if number is None:
            candidates = self.open(song, items) if done else sorted(self.done(song), reverse=True)
            if not candidates:
                raise CommandError(f"nothing of the checklist of {song!r} is {'open' if done else 'ticked'}")
            number = candidates[0]
        if not 1 <= number <= len(items):
            raise NotFoundError(f"the checklist of {song!r} has items 1 to {len(items)}, not {number}")
        self._done.setdefault(song, set())
        (self._done[song].add if done else self._done[song].discard)(number)
        return number

    def by_song(self) -> dict[str, tuple[int, ...]]:
        """Return what is done, by song."""
        return {song: tuple(sorted(numbers)) for song, numbers in self._done.items() if numbers}

    def restore(self, plain: object, items: Mapping[str, Sequence[Item]]) -> None:
        """Take what `by_song` gave, as far as it makes sense for these songs."""
        if not isinstance(plain, dict):
            return
        for song, numbers in plain.items():
            if song in items and isinstance(numbers, list):
                known = range(1, len(items[song]) + 1)
                self._done[song] = {n for n in numbers if type(n) is int and n in known}
