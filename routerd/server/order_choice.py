"""Which running order counts when the files are read: theirs, or the one that was made by hand tonight.

An order changed over the API stays as long as the set it was made from says what it said then: files
that were edited since mean that somebody wants them. Pure values; nothing here reads or writes.
"""

from __future__ import annotations

from dataclasses import dataclass

from routerd.core.model.set_list import Book, SetList


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the order came from: the set that the folder chose, and the set as its file had it."""

    chosen: str
    base: SetList


@dataclass(frozen=True, slots=True)
class Decision:
    """The order to play, where it comes from, and why the order before was given up ("" if it was not)."""

    set_list: SetList
    origin: Origin
    why: str = ""


def decide(
    book: Book, set_lists: tuple[SetList, ...], current: SetList, origin: Origin, *, at_start: bool
) -> Decision:
    """Return what to play from `book`, whose own set list is the one that its folder chooses.

    `current` and `origin` are what was played before. At the start of the service another chosen
    set (a newer one, or another --set) counts; while it runs only its own set replaces an order.
    """
    chosen = book.set_list
    fresh = Decision(chosen, Origin(chosen.name, chosen))
    if at_start and chosen.name != origin.chosen:
        return fresh
    known = {song.identifier for song in book.songs}
    by_name = {one.name: one for one in (*set_lists, chosen)}
    base = by_name.get(origin.base.name)
    if base is not None and base != origin.base:
        why = "" if current == origin.base else f"the file of set list {base.name} has changed"
        return Decision(base, Origin(chosen.name, base), why)
    missing = [identifier for identifier in current.order if identifier not in known]
    if missing:
        instead = fresh if base is None else Decision(base, Origin(chosen.name, base))
        why = f"song {missing[0]} of the running order is no longer there"
        return Decision(instead.set_list, instead.origin, why)
    return Decision(current, Origin(chosen.name, origin.base))
