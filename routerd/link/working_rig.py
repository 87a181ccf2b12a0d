"""The last rig that worked, as a file: the server writes it, and an engine that comes back begins with it.

Lines of JSON: a head with what the rig was made from and the checksum of the rest; the rig; tonight's
set list; all set lists; then each song as [identifier, song]. So one song can be found, read and
compiled before the others. Bytes in, bytes out; reading and writing are the callers'.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable
from typing import Any, NamedTuple

from routerd import __version__
from routerd.core.model.codec import JsonObject, decode, encode
from routerd.core.model.rig import Rig, RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song

FILE = "working-rig.jsonl"
FORM = 3
LARGEST_BYTES = 64 * 1024 * 1024
UNREADABLE = (ValueError, KeyError, TypeError, AttributeError, RecursionError, ZeroDivisionError)
"""What reading raises where the file makes no sense."""

_ABOVE_SONGS = 3


class Origin(NamedTuple):
    """What a rig was made from."""

    folder: str = ""
    set_name: str | None = None


class Head(NamedTuple):
    """Which rig it is: the engine that took it, by its start in ns of the boot, and as which generation."""

    origin: Origin
    engine_started_ns: int
    generation: int
    program: str = __version__
    """The version that wrote it; plain forms may differ between versions."""


def pack_rig(head: Head, rig_folder: RigFolder, set_lists: Iterable[SetList]) -> bytes:
    """Return the file."""
    lines = [encode(rig_folder.rig), encode(rig_folder.set_list)]
    lines.append(encode(tuple(set_lists), tuple[SetList, ...]))
    lines += [encode((song.identifier, song), tuple[str, Song]) for song in rig_folder.songs]
    body = b"\n".join(lines) + b"\n"
    top = {
        "form": FORM,
        "crc32": zlib.crc32(body),
        "folder": head.origin.folder,
        "set": head.origin.set_name,
        "engine_started_ns": head.engine_started_ns,
        "generation": head.generation,
        "program": head.program,
    }
    return _line(top) + b"\n" + body


class KeptRig:
    """A file that was written whole. Every method raises what UNREADABLE lists where it makes no sense."""

    def __init__(self, data: bytes) -> None:
        first, _, body = data.partition(b"\n")
        top = json.loads(first)
        if not isinstance(top, dict) or top.get("form") != FORM:
            raise ValueError(f"it is not of form {FORM}")
        if top["crc32"] != zlib.crc32(body):
            raise ValueError("its checksum does not fit: it is cut off or changed")
        self.head = Head(
            Origin(_text(top["folder"]), None if top["set"] is None else _text(top["set"])),
            _whole(top["engine_started_ns"]),
            _whole(top["generation"]),
            _text(top["program"]),
        )
        self._lines = body.split(b"\n")[:-1]
        if len(self._lines) < _ABOVE_SONGS:
            raise ValueError("it holds no rig")

    def rig(self) -> Rig:
        """Return the rig."""
        return decode(Rig, self._lines[0])

    def set_list(self) -> SetList:
        """Return tonight's set list as it was when the rig was taken."""
        return decode(SetList, self._lines[1])

    def set_lists(self) -> tuple[SetList, ...]:
        """Return all set lists."""
        return decode(tuple[SetList, ...], self._lines[2])

    def __len__(self) -> int:
        """Return how many songs there are."""
        return len(self._lines) - _ABOVE_SONGS

    def song_at(self, place: int) -> Song:
        """Return the song at that place, from 0."""
        return decode(tuple[str, Song], self._lines[_ABOVE_SONGS + place])[1]

    def find(self, identifier: str) -> Song | None:
        """Return the song of that identifier, without reading the others."""
        begin = b"[" + json.dumps(identifier).encode() + b","
        for place in range(len(self)):
            if self._lines[_ABOVE_SONGS + place].startswith(begin):
                return self.song_at(place)
        return None

    def load_rig(self) -> RigFolder:
        """Return all of it."""
        return RigFolder(self.rig(), tuple(self.song_at(n) for n in range(len(self))), self.set_list())


def _line(value: JsonObject | list[Any]) -> bytes:
    return json.dumps(value, separators=(",", ":")).encode()


def _whole(value: Any) -> int:
    if type(value) is not int:
        raise TypeError(f"{value!r:.40} is not a whole number")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is not text")
    return value
