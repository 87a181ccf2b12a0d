"""A set list as a value, and its edits: a set list in, the changed one out.

Songs at the end of the order may be its encore block; an edit keeps the boundary where it was. Numbers
count from 1, as people see them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from routerd.core.errors import CommandError, NotFoundError


@dataclass(frozen=True, slots=True)
class SetList:
    """Tonight's set list: identifiers of songs."""

    name: str
    order: tuple[str, ...]
    date: str = ""
    encore: int = 0
    """How many songs at the end of the order are its encore block."""
    slot_s: int = 0
    """How long the evening's slot is; 0 where not stated."""
    changeover_s: int = 0
    """From the end of a song to the beginning of the next."""


def move(set_list: SetList, number: int, to: int) -> SetList:
    """Return the order with song `number` moved so that it becomes number `to`. Raises NotFoundError.

    Right at the boundary of the encore block a song stays on the side it was on. Where no song would be left
    before the encore, its first is before it from then on.
    """
    index, target = _index(set_list, number), _index(set_list, to)
    order = list(set_list.order)
    boundary = len(order) - set_list.encore
    was_encore = index >= boundary
    song = order.pop(index)
    boundary -= not was_encore
    order.insert(target, song)
    in_encore = target > boundary or (target == boundary and was_encore)
    encore = min(set_list.encore - was_encore + in_encore, len(order) - 1)
    return replace(set_list, order=tuple(order), encore=encore)


def insert(set_list: SetList, song: str, number: int) -> SetList:
    """Return the order with `song` as number `number`, at most one behind the last. Raises NotFoundError.

    A song put between the set and its encore ends the set.
    """
    count = len(set_list.order)
    if not 1 <= number <= count + 1:
        raise NotFoundError(f"a song can become number 1 to {count + 1}, not {number}")
    order = (*set_list.order[: number - 1], song, *set_list.order[number - 1 :])
    in_encore = set_list.encore > 0 and number - 1 > count - set_list.encore
    return replace(set_list, order=order, encore=set_list.encore + in_encore)


def drop(set_list: SetList, number: int) -> SetList:
    """Return the order without song `number`. Raises NotFoundError, and CommandError for the only one.

    Where it was the only one before the encore, the encore's first is before it from then on.
    """
    index = _index(set_list, number)
    if len(set_list.order) == 1:
        raise CommandError("the set list needs at least one song")
    was_encore = index >= len(set_list.order) - set_list.encore
    order = set_list.order[:index] + set_list.order[index + 1 :]
    encore = min(set_list.encore - was_encore, len(order) - 1)
    return replace(set_list, order=order, encore=encore)


def begin_encore(set_list: SetList, number: int | None) -> SetList:
    """Return the order with its encore block beginning at song `number`, or without one. Raises
    NotFoundError, and CommandError for the first song."""
    encore = 0 if number is None else len(set_list.order) - _index(set_list, number)
    if encore == len(set_list.order):
        raise CommandError("the encore cannot begin with the first song: it comes after the set")
    return replace(set_list, encore=encore)


def song_at(set_list: SetList, number: int) -> str:
    """Return the identifier of song `number`. Raises NotFoundError."""
    return set_list.order[_index(set_list, number)]


def _index(set_list: SetList, number: int) -> int:
    if not 1 <= number <= len(set_list.order):
        raise NotFoundError(f"the set list has songs 1 to {len(set_list.order)}, not {number}")
    return number - 1
