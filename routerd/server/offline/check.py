"""`routerd check`: every mistake of a rig folder on a terminal, or what the folder holds."""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING

from routerd import storage
from routerd.core.midi.messages import SYSEX_END
from routerd.core.model.rig import Rig
from routerd.core.model.set_list import Book
from routerd.errand import in_time
from routerd.printing import complain, counted, say
from routerd.server.offline.cautions import cautions
from routerd.server.offline.rehearse import rehearse, written
from routerd.server.rigfiles import Loaded, json_schemas, load_folder
from routerd.server.rigfiles.folder import RIG
from routerd.server.rigfiles.sysex import LARGEST_DUMP_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


Looked = tuple[str, list[tuple[str, str, str, str]]]
"""What looking for a rig's ports has come to, in one line, and what is to be said of some: "note" or
"warning", device, "input" or "output", and words."""


def check(
    folder: Path,
    set_name: str | None,
    schemas: Path | None,
    look: Callable[[Rig], Looked] | None = None,
    *,
    rehearsed: bool = False,
) -> int:
    """Print the problems of `folder`, one a line, or a summary; return 1 when there are any, else 0.

    The set is walked through on paper; `rehearsed` prints all of it. `schemas` is a folder that gets the
    JSON Schema of each kind of file, for editors.
    """
    if schemas is not None:
        try:
            _write_schemas(schemas)
        except OSError as error:
            complain(f"routerd: cannot write schemas to {schemas}: {error.strerror}")
            return 1
    loaded = in_time(lambda: load_folder(folder, set_name))
    if loaded.book is None:
        for problem in loaded.problems:
            say(str(problem))
        complain(f"{folder}: {counted(len(loaded.problems), 'problem')}")
        return 1
    book = loaded.book
    say(f"{folder}: all good")
    devices, controls = counted(len(book.rig.devices), "device"), counted(len(book.rig.controls), "control")
    say(f"  rig {book.rig.name}: {devices}, {controls}")
    songs, sets = counted(len(book.songs), "song"), counted(len(loaded.set_lists), "set")
    say(f"  {songs}, {sets}; tonight: {book.set_list.name}")
    for number, identifier in enumerate(book.set_list.order, 1):
        song = book.song(identifier)
        sections = ", ".join(section.name for section in song.sections) or "no sections"
        say(f"  {number:3}. {song.title} ({sections})")
    _walk(loaded, book, whole=rehearsed)
    for name in _unused_dumps(folder, book):
        say(f"warning: {name}: no song sends it; remove it, or name it in a patch")
    if look is not None:
        _say_ports(loaded, *look(book.rig))
    return 0


def _say_ports(loaded: Loaded, summary: str, found: list[tuple[str, str, str, str]]) -> None:
    say(f"  {summary}")
    for grade, device, direction, words in found:
        line = loaded.documents[RIG].line(("devices", device, direction))
        say(f"{grade}: {RIG}:{line}: {device}: its {direction}: {words}")


def _walk(loaded: Loaded, book: Book, *, whole: bool) -> None:
    changes = rehearse(book)
    if whole:
        for line in written(changes):
            say(line)
    slowest = max(((s.done_ms, c, s) for c in changes for s in c.shares), default=None, key=lambda x: x[0])
    if slowest is not None:
        done_ms, change, share = slowest
        walked = f"{counted(len(changes), 'change')} walked"
        say(f"  {walked}; the slowest: {change.name}, {share.device} in {done_ms:.0f} ms")
    for one in cautions(loaded, changes):
        say(f"warning: {one}")


def _unused_dumps(folder: Path, book: Book) -> Iterator[str]:
    """Yield the patch dumps of the rig folder that no patch of any song sends."""
    patches = [patch for song in book.songs for patch in song.patches]
    patches += [patch for song in book.songs for section in song.sections for patch in section.patches]
    used = {message for patch in patches for message in patch.sysex}
    for file in sorted(folder.rglob("*.syx")):
        with contextlib.suppress(OSError):
            content = storage.read(file, LARGEST_DUMP_BYTES, inside=folder)
            if content[: content.find(SYSEX_END) + 1] not in used:
                yield str(file.relative_to(folder))


def _write_schemas(folder: Path) -> None:
    for name, schema in json_schemas().items():
        text = json.dumps(schema, indent=2) + "\n"
        storage.put(folder / f"{name}.schema.json", text.encode(), inside=folder)
