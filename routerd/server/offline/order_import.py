"""A running order from CSV or plain text: what a band sends round before a show.

Plain text: a song a line, with or without its number; blank lines and lines that begin with # are passed
over, and a line that says "encore" begins the encore. CSV (comma, semicolon or tab): a column called title or
song, else the first one.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from routerd.server.rigfiles.problems import Problem, choose, shown

_NUMBER = re.compile(r"^\s*(?:\d{1,3}\s*[.):-]|[-*•])\s+")
_ENCORE = re.compile(r"^\W*encore\W*$", re.IGNORECASE)
_COLUMNS = ("title", "song")
LONGEST_TEXT = 1_000_000


@dataclass(frozen=True, slots=True)
class Imported:
    """The songs that were found, how many at the end are the encore, and what is wrong with the file."""

    order: tuple[str, ...]
    encore: int
    problems: tuple[Problem, ...]


def read_order(file: str, text: str, titles: Mapping[str, str]) -> Imported:
    """Return the order that `text` names; `titles` are the songs' titles by identifier."""
    words = {title.casefold(): identifier for identifier, title in titles.items()}
    words |= {identifier.casefold(): identifier for identifier in titles}
    order: list[str] = []
    problems: list[Problem] = []
    encore_from: int | None = None
    for line, word in _rows(file, text):
        if _ENCORE.match(word):
            encore_from = len(order)
        elif (found := words.get(word.casefold())) is not None:
            order.append(found)
        else:
            what = f"there is no song {shown(word)}"
            problems.append(Problem(file, line, what, choose(word, [*titles.values(), *titles])))
    if not order and not problems:
        problems.append(Problem(file, 1, "the file names no song", "write one title on each line"))
    encore = 0 if encore_from is None else len(order) - encore_from
    return Imported(tuple(order), encore, tuple(problems))


def _rows(file: str, text: str) -> Iterator[tuple[int, str]]:
    """Yield line number and title of every song."""
    lines = text.lstrip("\ufeff").splitlines()
    if not file.casefold().endswith((".csv", ".tsv")):
        for number, line in enumerate(lines, 1):
            word = _NUMBER.sub("", line).strip()
            if word and not word.startswith("#"):
                yield number, word
        return
    head = lines[0] if lines else ""
    delimiter = max("\t;,", key=head.count)
    column = 0
    reader = csv.reader(lines, delimiter=delimiter)
    for index, row in enumerate(reader):
        cells = [cell.strip() for cell in row]
        named = [i for i, cell in enumerate(cells) if cell.casefold() in _COLUMNS]
        if index == 0 and named:
            column = named[0]
        elif column < len(cells) and cells[column]:
            yield reader.line_num, cells[column]
