"""The commands that need no running service: explain, sheet, diff, import."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from routerd.core.errors import FileEditError, NotFoundError
from routerd.core.model.set_list import Book, SetList
from routerd.errand import in_time
from routerd.printing import complain, say, say_document
from routerd.server.rigfiles import Loaded, load_folder
from routerd.server.rigfiles.problems import shown


def print_sheet(folder: Path, set_name: str | None, *, technical: bool, html: bool) -> int:
    """Print the sheet of a set; return 1 when the folder has mistakes."""
    from routerd.server.offline.sheet import as_html, as_text

    book = _book(folder, set_name)
    if book is None:
        return 1
    document = as_html(book, technical=technical) if html else as_text(book, technical=technical)
    say_document(document, "html" if html else "text")
    return 0


@dataclass(frozen=True, slots=True)
class Question:
    """What a message, in hexadecimal, of a device comes to in a song's section ("" for the first)."""

    song: str
    section: str
    device: str
    message: str


def print_explanation(folder: Path, question: Question) -> int:
    """Print what a message comes to; return 1 for mistakes in the files, 2 for what is not there."""
    from routerd.server.offline.explain import explain, lines_of, read_message

    try:
        data = read_message(question.message)
        book = _book(folder, None)
        if book is None:
            return 1
        explanation = explain(book, question.song, question.section, question.device, data)
    except (ValueError, NotFoundError) as error:
        complain(f"routerd: {error}")
        return 2
    for line in lines_of(explanation):
        say(line)
    return 0


def print_diff(old: Path, new: Path, old_set: str | None, new_set: str | None) -> int:
    """Print what differs between two rig folders, or two sets; return 0: none, 1: some, 2: mistakes."""
    from routerd.server.offline.set_diff import differences

    before, after = _book(old, old_set), _book(new, new_set)
    if before is None or after is None:
        return 2
    lines = list(differences(before, after))
    for line in lines:
        say(line)
    return 1 if lines else 0


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an imported running order becomes."""

    folder: Path
    file: Path
    name: str
    date: str
    replace: bool = False
    """Whether a set of that name gets the new order."""


def import_order(wanted: Wanted) -> int:
    """Make a set of the rig folder from a file of titles; return 1 and write nothing when it has mistakes."""
    from routerd.server.offline.order_import import LONGEST_TEXT, read_order
    from routerd.server.rigfiles.set_file import save_set

    loaded = _load(wanted.folder, None)
    book = loaded.book
    if book is None:
        return 1
    if not wanted.replace and wanted.name.casefold() in (one.name.casefold() for one in loaded.set_lists):
        complain(f"routerd: there is a set {shown(wanted.name)} already; --replace gives it this order")
        return 1
    try:
        with wanted.file.open("rb") as file:  # may be a pipe
            data = file.read(LONGEST_TEXT + 1)
        if len(data) > LONGEST_TEXT:
            raise ValueError(f"it is larger than {LONGEST_TEXT} bytes")
        text = data.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        complain(f"routerd: {wanted.file} cannot be read as text: {error}")
        return 1
    found = read_order(wanted.file.name, text, {song.identifier: song.title for song in book.songs})
    for problem in found.problems:
        say(str(problem))
    if found.problems:
        return 1
    try:
        written = save_set(wanted.folder, SetList(wanted.name, found.order, wanted.date, found.encore))
    except (FileEditError, OSError) as error:
        complain(f"routerd: {error}")
        return 1
    say(f"{wanted.folder / written}: {len(found.order)} songs, {found.encore} of them the encore")
    return 0


def _book(folder: Path, set_name: str | None) -> Book | None:
    return _load(folder, set_name).book


def _load(folder: Path, set_name: str | None) -> Loaded:
    loaded = in_time(lambda: load_folder(folder, set_name))
    for problem in loaded.problems:
        complain(f"{folder}/{problem}")
    return loaded
