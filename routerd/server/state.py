"""What is remembered of an evening: the state folder, and whose set list counts when files are read.

In the folder lie where the show stood, and the last rig that worked; a file that makes no sense is set aside,
never fatal. Reading and writing block; callers use a thread.

An order changed over the API stays as long as the set it was made from says what it said then: files
that were edited since mean that somebody wants them (`decide`).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from routerd import storage
from routerd.core.model.codec import JsonObject, from_json, to_json
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, resume_point_from
from routerd.core.units import BPM_MAX, BPM_MIN
from routerd.link import working_rig
from routerd.link.working_rig import Head, KeptRig, pack_rig

VERSION = 2
"""Of the form of the state; one of another is set aside."""
STATE = "state.json"
LARGEST_STATE_BYTES = 64 * 1024 * 1024
UNDO_BYTES = 4 * 1024 * 1024
"""A state above this leaves out set lists from before: those of thousands of songs, many times over."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class State:
    """What is remembered. `transport` is shown, never restored."""

    set_list: SetList
    origin: Origin
    resume: ResumePoint | None
    transport: str
    undo: tuple[SetList, ...] = ()
    began_s: float | None = None
    """When the set began, in seconds since the epoch."""


@dataclass(frozen=True, slots=True)
class WorkingRig:
    """The last rig that the engine took, which engine (its start, in ns), and as which generation."""

    rig_folder: RigFolder
    set_lists: tuple[SetList, ...]
    engine_started_ns: int
    generation: int


class StateFolder:
    """Reads and writes the state folder. `warn` gets what was set aside; rigs get `rig_origin`."""

    def __init__(
        self,
        folder: Path,
        warn: Callable[[str], None],
        rig_origin: working_rig.Origin = working_rig.Origin(),  # noqa: B008 - an immutable value
    ) -> None:
        self.path = folder
        self._warn = warn
        self._forgets_undo = False
        self._rig_origin = rig_origin

    def read_state(self) -> State | None:
        """Return the state, or None when there is none that makes sense."""
        storage.sweep(self.path)
        return self._read(STATE, _state_from_bytes, LARGEST_STATE_BYTES)

    def read_working_rig(self) -> WorkingRig | None:
        """Return the last rig that worked, or None when there is none that makes sense."""
        return self._read(working_rig.FILE, _working_rig_from_bytes, working_rig.LARGEST_BYTES)

    def write_state(self, state: State) -> None:
        """Write the state; raises OSError."""
        data, changes = _state_to_bytes(state), len(state.undo)
        while len(data) > UNDO_BYTES and state.undo:
            state = replace(state, undo=state.undo[1 + len(state.undo) // 2 :])
            data = _state_to_bytes(state)
        if len(state.undo) < changes and not self._forgets_undo:
            self._forgets_undo = True
            self._warn(
                "the order is so long that a restart keeps only its newest changes; older ones cannot be "
                "taken back then"
            )
        self._write(STATE, data, LARGEST_STATE_BYTES)

    def write_working_rig(self, working: WorkingRig) -> None:
        """Write the last rig that worked; raises OSError."""
        head = Head(self._rig_origin, working.engine_started_ns, working.generation)
        self._write(
            working_rig.FILE, pack_rig(head, working.rig_folder, working.set_lists), working_rig.LARGEST_BYTES
        )

    def _read(self, name: str, make: Callable[[bytes], T], most_bytes: int) -> T | None:
        path = self.path / name
        try:
            return make(storage.read(path, most_bytes, inside=self.path))
        except FileNotFoundError:
            return None
        except (storage.NotRegularError, storage.OutsideError, storage.TooLargeError) as error:
            self._set_aside(path, str(error.strerror))
        except OSError as error:
            self._warn(f"{path} cannot be read ({error.strerror}); going on without it")
        except working_rig.UNREADABLE as error:
            self._set_aside(path, f"{type(error).__name__}: {error}")
        return None

    def _set_aside(self, path: Path, why: str) -> None:
        aside = path.with_name(path.name + ".aside")
        try:
            path.replace(aside)
            what = f"set aside as {aside.name}"
        except OSError:
            what = "left where it is"
        self._warn(f"{path} makes no sense ({why}); {what}, going on without it")

    def _write(self, name: str, data: bytes, most_bytes: int) -> None:
        storage.put(self.path / name, data, inside=self.path, mode=0o600, most_bytes=most_bytes)


def _state_to_bytes(state: State) -> bytes:
    return json.dumps({"version": VERSION, **_state_to_plain(state)}, separators=(",", ":")).encode()


def _state_to_plain(state: State) -> JsonObject:
    return {
        "set_list": to_json(state.set_list),
        "origin": {"chosen": state.origin.chosen, "base": to_json(state.origin.base)},
        "resume": None if state.resume is None else to_json(state.resume),
        "transport": state.transport,
        "undo": [to_json(one) for one in state.undo],
        "began_s": state.began_s,
    }


def _state_from_bytes(data: bytes) -> State:
    plain = json.loads(data)
    if not isinstance(plain, dict):
        raise TypeError("it is not an object")
    if (found := plain.get("version")) != VERSION:
        raise ValueError(f"its form is {found!r:.40}, not {VERSION}: another version of routerd wrote it")
    origin = plain["origin"]
    return State(
        _set_list(plain["set_list"]),
        Origin(_text(origin["chosen"]), _set_list(origin["base"])),
        None if plain["resume"] is None else _resume_point(plain["resume"]),
        _text(plain["transport"]),
        tuple(_set_list(one) for one in plain.get("undo", [])),
        _seconds(plain.get("began_s")),
    )


def _resume_point(plain: Any) -> ResumePoint:
    """Return where to begin: song, section and tempo must make sense, what else does not is passed over."""
    must: ResumePoint = from_json(
        ResumePoint, {key: plain[key] for key in ("song", "section", "bpm") if key in plain}
    )
    if must.song is None or must.section < 0:
        raise ValueError("there is no such place")
    if must.bpm is not None and not BPM_MIN <= must.bpm <= BPM_MAX:
        raise ValueError("there is no such tempo")
    return resume_point_from(plain)


def _set_list(plain: JsonObject) -> SetList:
    if not isinstance(plain["order"], list):
        raise TypeError("an order is a list")
    for text in (plain["name"], plain.get("date", ""), *plain["order"]):
        _text(text)
    for key in ("encore", "slot_s", "changeover_s"):
        if type(plain.get(key, 0)) is not int or plain.get(key, 0) < 0:
            raise TypeError(f"{key} is a whole number")
    return from_json(SetList, plain)


def _seconds(value: Any) -> float | None:
    if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
        raise TypeError(f"{value!r:.40} is not a time")
    return None if value is None else float(value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is not text")
    return value


def _working_rig_from_bytes(data: bytes) -> WorkingRig:
    kept = KeptRig(data)
    return WorkingRig(kept.load_rig(), kept.set_lists(), kept.head.engine_started_ns, kept.head.generation)


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
    rig_folder: RigFolder, set_lists: tuple[SetList, ...], current: SetList, origin: Origin, *, at_start: bool
) -> Decision:
    """Return what to play from `rig_folder`, whose own set list is the one that its folder chooses.

    `current` and `origin` are what was played before. At the start of the service another chosen
    set (a newer one, or another --set) counts; while it runs only its own set replaces an order.
    """
    chosen = rig_folder.set_list
    fresh = Decision(chosen, Origin(chosen.name, chosen))
    if at_start and chosen.name != origin.chosen:
        return fresh
    known = {song.identifier for song in rig_folder.songs}
    by_name = {one.name: one for one in (*set_lists, chosen)}
    base = by_name.get(origin.base.name)
    if base is not None and base != origin.base:
        why = "" if current == origin.base else f"the file of set list {base.name} has changed"
        return Decision(base, Origin(chosen.name, base), why)
    missing = [identifier for identifier in current.order if identifier not in known]
    if missing:
        instead = fresh if base is None else Decision(base, Origin(chosen.name, base))
        why = f"song {missing[0]} of the set list is no longer there"
        return Decision(instead.set_list, instead.origin, why)
    return Decision(current, Origin(chosen.name, origin.base))
