"""Set lists without a service: what differs between two versions, and importing one.

A set list comes from CSV or plain text, as a band sends it round before a show. Plain text: a song a line,
with or without its number; blank lines and lines that begin with # are skipped, and a line that reads
"encore" begins the encore. CSV (comma, semicolon or tab): a column called title or song, else the first one.
"""

from __future__ import annotations

import csv
import difflib
import json
import re
import shlex
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from routerd.core.errors import FileEditError
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Section, Song
from routerd.core.units import format_bpm
from routerd.printing import complain, counted, say, say_document
from routerd.server.offline import load_or_complain, rig_folder_of
from routerd.server.rigfiles.edit import save_set
from routerd.server.rigfiles.problems import Problem, quote, suggest

_WORDS = {"bpm": "tempo", "duration_s": "duration", "beat_unit": "meter", "sections_end": "after-sections"}

_NUMBER = re.compile(r"^\s*(?:\d{1,3}\s*[.):-]|[-*•])\s+")
_ENCORE = re.compile(r"^\W*encore\W*$", re.IGNORECASE)
_COLUMNS = ("title", "song")
LONGEST_TEXT = 1_000_000


def print_diff(
    old: Path, new: Path, old_set: str | None, new_set: str | None, *, as_json: bool = False
) -> int:
    """Print what differs between two rig folders, or two sets; return 0: none, 1: some, 2: mistakes."""
    before, after = rig_folder_of(old, old_set), rig_folder_of(new, new_set)
    if before is None or after is None:
        return 2
    lines = list(differences(before, after))
    if as_json:
        document = [
            _difference_json(line) for line in lines if not line.startswith(("---", "+++", "@@", " "))
        ]
        say_document(json.dumps({"differences": document}, ensure_ascii=False, indent=2), "json")
    for line in lines if not as_json else ():
        say(line)
    return 1 if lines else 0


def _difference_json(line: str) -> dict[str, str]:
    """Return a line of `differences` as JSON: what it is about, and whether that came, went or changed."""
    change = {"-": "removed", "+": "added", "~": "changed"}[line[0]]
    what = line[2:] if line[1] == " " else f"in the order: {line[1:]}"
    return {"change": change, "what": what}


@dataclass(frozen=True, slots=True)
class ImportRequest:
    """What an imported set list becomes."""

    folder: Path
    file: Path
    name: str
    date: str
    replace: bool = False
    """Whether a set of that name gets the new order."""


def import_order(request: ImportRequest, *, as_json: bool = False) -> int:
    """Make a set of the rig folder from a file of titles; return 1: mistakes in the files, 2: not done."""
    loaded = load_or_complain(request.folder)
    rig_folder = loaded.rig_folder
    if rig_folder is None:
        return 1
    if not request.replace and request.name.casefold() in (one.name.casefold() for one in loaded.set_lists):
        complain(f"routerd: there is a set {quote(request.name)} already; --replace overwrites its order")
        return 2
    try:
        with request.file.open("rb") as file:  # may be a pipe
            data = file.read(LONGEST_TEXT + 1)
        if len(data) > LONGEST_TEXT:
            raise ValueError(f"it is larger than {LONGEST_TEXT} bytes")
        text = data.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        why = "it is not UTF-8; save it as that" if isinstance(error, UnicodeDecodeError) else why
        complain(f"routerd: {request.file} cannot be read as text: {why}")
        return 2
    found = read_order(request.file.name, text, {song.identifier: song.title for song in rig_folder.songs})
    written = None
    if not found.problems:
        try:
            written = save_set(request.folder, SetList(request.name, found.order, request.date, found.encore))
        except (FileEditError, OSError) as error:
            complain(f"routerd: {error}")
            return 2
    if as_json:
        document = {"written": written, **asdict(found)}
        say_document(json.dumps(document, ensure_ascii=False, indent=2), "json")
    else:
        for line in _import_lines(request, found, written):
            say(line)
    return 1 if written is None else 0


def _import_lines(request: ImportRequest, found: Imported, written: str | None) -> Iterator[str]:
    """Yield what is wrong with the list; or what was written, and how it is played."""
    if written is None:
        yield from map(str, found.problems)
        return
    songs = counted(len(found.order), "song")
    yield f"{request.folder / written}: {songs}, {found.encore} of them in the encore"
    folder, name = shlex.quote(str(request.folder)), shlex.quote(request.name)
    yield f"Play it: routerd run {folder} --set {name}"
    yield f"In a show: routerd do reload; routerd do set-list {name}"


def differences(old: RigFolder, new: RigFolder) -> Iterator[str]:
    """Yield one line a difference; nothing when the two are the same to play."""
    yield from _order(old, new)
    for kind, before, after in (
        ("device", {d.name: d for d in old.rig.devices}, {d.name: d for d in new.rig.devices}),
        ("song", {s.identifier: s for s in old.songs}, {s.identifier: s for s in new.songs}),
    ):
        for name in sorted({*before, *after}):
            if name not in after:
                yield f"- {kind} {name}"
            elif name not in before:
                yield f"+ {kind} {name}"
            elif before[name] != after[name]:
                yield from _changed(kind, name, before[name], after[name])
    if old.rig.controls != new.rig.controls:
        yield "~ rig: controls"
    if old.rig.leds != new.rig.leds or old.rig.pedals != new.rig.pedals:
        yield "~ rig: LEDs or pedals"


def _order(old: RigFolder, new: RigFolder) -> Iterator[str]:
    before = [old.song(name).title for name in old.set_list.order]
    after = [new.song(name).title for name in new.set_list.order]
    lines = difflib.unified_diff(before, after, old.set_list.name, new.set_list.name, lineterm="", n=1)
    yield from lines
    if old.set_list.encore != new.set_list.encore:
        yield f"~ encore: {old.set_list.encore} -> {counted(new.set_list.encore, 'song')}"


def _changed(kind: str, name: str, before: object, after: object) -> Iterator[str]:
    if not isinstance(before, Song) or not isinstance(after, Song):
        keys = _different(before, after)
        yield f"~ {kind} {name}: {', '.join(keys)}"
        return
    for key in _different(before, after):
        if key == "sections":
            yield from _sections(name, before.sections, after.sections)
            continue
        word = _WORDS.get(key, key)
        was, is_now = _short(getattr(before, key)), _short(getattr(after, key))
        yield f"~ {kind} {name}: {word}" + (f" {was} -> {is_now}" if was and is_now else "")


def _different(before: object, after: object) -> list[str]:
    names = [one.name for one in fields(before)]  # type: ignore[arg-type]
    return [name for name in names if getattr(before, name) != getattr(after, name)]


def _sections(song: str, before: tuple[Section, ...], after: tuple[Section, ...]) -> Iterator[str]:
    old, new = {s.name: s for s in before}, {s.name: s for s in after}
    if list(old) != list(new):
        yield f"~ song {song}: sections {', '.join(old) or 'none'} -> {', '.join(new) or 'none'}"
    for name in old.keys() & new.keys():
        if old[name] != new[name]:
            keys = [_WORDS.get(key, key) for key in _different(old[name], new[name])]
            yield f"~ song {song}, {name}: {', '.join(keys)}"


def _short(value: object) -> str:
    """Return a short value as people write it, "" for what is too long for a line."""
    if isinstance(value, str | int | float):
        return str(value)
    return format_bpm(value) if hasattr(value, "numerator") else ""  # type: ignore[arg-type]


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
            what = f"there is no song {quote(word)}"
            problems.append(Problem(file, line, what, suggest(word, [*titles.values(), *titles])))
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
