"""The state folder: where the show stood, and the last book that worked.

Files are written whole: to a file beside it, flushed to the disk, then renamed over the old one, so that
pulling the plug leaves the old one or the new one. A file that makes no sense is set aside, never fatal.
Everything here blocks; callers use a thread.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from routerd.core.model import (
    Book,
    Plain,
    SetList,
    rig_from_plain,
    rig_to_plain,
    set_list_from_plain,
    set_list_to_plain,
    song_from_plain,
    song_to_plain,
)
from routerd.core.units import parse_bpm
from routerd.desk.order import Origin

VERSION = 1
STATE = "state.json"
WORKING_BOOK = "working-book.json"
LARGEST_STATE_BYTES = 1_000_000

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class State:
    """What is remembered. `place` as the link's `commit` has it; `transport` is told, never restored."""

    set_list: SetList
    origin: Origin
    place: Plain | None
    transport: str
    undo: tuple[SetList, ...] = ()
    began_s: float | None = None
    """When the set began, in seconds since the epoch."""


@dataclass(frozen=True, slots=True)
class WorkingBook:
    """The last book that the engine took, which engine (its start, in ns), and as which generation."""

    book: Book
    set_lists: tuple[SetList, ...]
    engine_started_ns: int
    generation: int


class StateFolder:
    """Reads and writes the state folder. `warn` is told what was set aside."""

    def __init__(self, folder: Path, warn: Callable[[str], None]) -> None:
        self.path = folder
        self._warn = warn

    def read_state(self) -> State | None:
        """Return the state, or None when there is none that makes sense."""
        return self._read(STATE, _state_from_plain, LARGEST_STATE_BYTES)

    def read_working_book(self) -> WorkingBook | None:
        """Return the last book that worked, or None when there is none that makes sense."""
        return self._read(WORKING_BOOK, _working_book_from_plain, None)

    def write_state(self, state: State) -> None:
        """Write the state; raises OSError."""
        self._write(STATE, _state_to_plain(state))

    def write_working_book(self, working: WorkingBook) -> None:
        """Write the last book that worked; raises OSError."""
        self._write(WORKING_BOOK, _working_book_to_plain(working))

    def _read(self, name: str, make: Callable[[Any], T], most_bytes: int | None) -> T | None:
        path = self.path / name
        try:
            if most_bytes is not None and path.stat().st_size > most_bytes:
                raise ValueError(f"it is larger than {most_bytes} bytes")
            plain = json.loads(path.read_bytes())
            if not isinstance(plain, dict) or plain.get("version") != VERSION:
                raise ValueError(f"it is not of version {VERSION}")
            return make(plain)
        except FileNotFoundError:
            return None
        except OSError as error:
            self._warn(f"{path} cannot be read ({error.strerror}); going on without it")
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError, ZeroDivisionError) as error:
            self._set_aside(path, error)
        return None

    def _set_aside(self, path: Path, error: Exception) -> None:
        aside = path.with_name(path.name + ".aside")
        try:
            path.replace(aside)
            what = f"set aside as {aside.name}"
        except OSError:
            what = "left where it is"
        self._warn(f"{path} makes no sense ({type(error).__name__}: {error}); {what}, going on without it")

    def _write(self, name: str, plain: Plain) -> None:
        self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
        path = self.path / name
        beside = path.with_name(name + ".new")
        data = json.dumps({"version": VERSION, **plain}, indent=1).encode()
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
        handle = os.open(self.path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(handle)  # the rename is safe only when the folder is
        finally:
            os.close(handle)


def _state_to_plain(state: State) -> Plain:
    return {
        "set_list": set_list_to_plain(state.set_list),
        "origin": {"chosen": state.origin.chosen, "base": set_list_to_plain(state.origin.base)},
        "place": state.place,
        "transport": state.transport,
        "undo": [set_list_to_plain(one) for one in state.undo],
        "began_s": state.began_s,
    }


def _state_from_plain(plain: Plain) -> State:
    origin = plain["origin"]
    return State(
        _set_list(plain["set_list"]),
        Origin(_text(origin["chosen"]), _set_list(origin["base"])),
        None if plain["place"] is None else _place(plain["place"]),
        _text(plain["transport"]),
        tuple(_set_list(one) for one in plain.get("undo", [])),
        _seconds(plain.get("began_s")),
    )


def _place(plain: Plain) -> Plain:
    section, bpm = plain["section"], plain["bpm"]
    if type(section) is not int or section < 0:
        raise ValueError("a section's number is from 0")
    if bpm is not None:
        parse_bpm(_text(bpm))
    kept: Plain = {key: plain[key] for key in ("index", "gap") if type(plain.get(key)) is int}
    inner = (("checked", dict), ("armed", dict), ("muted", list), ("soloed", list))  # the engine looks inside
    for key, kind in inner:
        if isinstance(plain.get(key), kind):
            kept[key] = plain[key]
    return {"song": _text(plain["song"]), "section": section, "bpm": bpm, **kept}


def _set_list(plain: Plain) -> SetList:
    if not isinstance(plain["order"], list):
        raise TypeError("an order is a list")
    for text in (plain["name"], plain["date"], *plain["order"]):
        _text(text)
    for key in ("encore", "slot_s", "changeover_s"):
        if type(plain.get(key, 0)) is not int or plain.get(key, 0) < 0:
            raise TypeError(f"{key} is a whole number")
    return set_list_from_plain(plain)


def _seconds(value: Any) -> float | None:
    if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
        raise TypeError(f"{value!r:.40} is not a time")
    return None if value is None else float(value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is not text")
    return value


def _working_book_to_plain(working: WorkingBook) -> Plain:
    return {
        "engine_started_ns": working.engine_started_ns,
        "generation": working.generation,
        "rig": rig_to_plain(working.book.rig),
        "songs": [song_to_plain(song) for song in working.book.songs],
        "set_list": set_list_to_plain(working.book.set_list),
        "set_lists": [set_list_to_plain(one) for one in working.set_lists],
    }


def _working_book_from_plain(plain: Plain) -> WorkingBook:
    return WorkingBook(
        Book(
            rig_from_plain(plain["rig"]),
            tuple(song_from_plain(song) for song in plain["songs"]),
            _set_list(plain["set_list"]),
        ),
        tuple(_set_list(one) for one in plain["set_lists"]),
        plain["engine_started_ns"],
        plain["generation"],
    )
