"""What is wrong in a rig folder, in words that help the person who wrote it put it right.

Owns the wording that every check shares: how a value is quoted, how the nearest known word is suggested.
Knows nothing of YAML, songs or devices.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import islice
from typing import Any

from routerd.printing import visible

LONGEST_SHOWN = 40
MOST_LISTED = 12
MOST_COMPARED = 1000
LONGEST_COMPARED = 200

Remedy = str | Callable[[], str]
"""What would be right, or how to find it out: names are compared only when it is shown."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake: the file within the rig folder, the line from 1, what is wrong, what would be right."""

    file: str
    line: int
    what: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.what}; {self.remedy}"


class Invalid:
    """Stands in the data where a value was wrong and has been reported, so that checking can go on."""


INVALID: Any = Invalid()


def quote(value: Any) -> str:
    """Return `value` as a message shows it: short, on one line, in the file's own terms."""
    if value is None:
        return "(nothing)"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        cut = value if len(value) <= LONGEST_SHOWN else value[: LONGEST_SHOWN - 1] + "…"
        return f"'{visible(cut)}'"
    return "a list" if isinstance(value, list) else "a group of keys"


def unquoted(text: str) -> tuple[str, str]:
    """Return what is wrong with a text that has ': ' in it and no quotes, and the remedy."""
    quoted = "'" + visible(text).replace("'", "''") + "'"
    return f"{quote(text)} has a ':' in it and no quotes", f"write {quoted}"


def one_of(words: Iterable[str]) -> str:
    """Return "a, b or c", cut short where there are many."""
    listed = list(words)
    if len(listed) > MOST_LISTED:
        return ", ".join(listed[:MOST_LISTED]) + f" … ({len(listed)} in all)"
    if len(listed) < 2:
        return "".join(listed)
    return ", ".join(listed[:-1]) + " or " + listed[-1]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word closest to `word`, upper and lower case alike, or None when none is close."""
    by_folded = {other.casefold(): other for other in islice(known, MOST_COMPARED)}
    close = difflib.get_close_matches(word[:LONGEST_COMPARED].casefold(), by_folded, n=1, cutoff=0.5)
    return by_folded[close[0]] if close else None


def suggest(word: str, known: Iterable[str]) -> str:
    """Return the remedy for an unknown word: the nearest known one first, then what there is."""
    listed = list(known)
    close = nearest(word, listed)
    if close is None:
        return f"choose from {one_of(listed)}" if listed else "there is none to choose from yet"
    return f"did you mean '{close}'? Choose from {one_of(listed)}" if len(listed) > 1 else f"write '{close}'"
