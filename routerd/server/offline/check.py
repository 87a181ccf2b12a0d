"""`routerd check`: every mistake of a rig folder, or what it holds and what may go wrong on the evening.

A warning that is intended is accepted in the file: by a comment in its line, or in the line above,

    # accepted: unused, it comes with the next tour

with the warning's kind, which stands in brackets behind it, or several with commas between; then anything.

A few lines more than most modules: each kind of warning is a function beside its place in one table.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from routerd import storage
from routerd.core.midi.messages import NOTE_ON, SYSEX_END, Kind
from routerd.core.midi.tuning import note_name
from routerd.core.model.actions import ToSection, ToSong
from routerd.core.model.controls import Control
from routerd.core.model.rig import Device, Rig, RigFolder
from routerd.core.model.route import Route
from routerd.core.model.song import Patch, Song
from routerd.core.output.receivers import SoundingNotes
from routerd.errand import in_time
from routerd.printing import complain, counted, say, say_document
from routerd.server.offline.rehearse import Change, rehearse, written
from routerd.server.rigfiles import Loaded, json_schemas, load_folder
from routerd.server.rigfiles.folder import RIG
from routerd.server.rigfiles.patch import LARGEST_DUMP_BYTES
from routerd.server.rigfiles.text import KeyPath as Place

Looked = tuple[str, list[tuple[str, str, str, str]]]
"""What looking for a rig's ports has come to, in one line, and what is to be said of some: "note" or
"warning", device, "input" or "output", and words."""

KINDS = {
    "slow": "a change that takes longer than there is time",
    "unused": "a device that nothing is sent to",
    "no-section": "a control for a section that no song has",
    "no-song": "a control for a song that the set does not have",
    "silent-key": "a key that is a control, so that it does not sound",
    "loose-note": "a patch message that starts a note which nothing ends",
    "no-duration": "a song without a duration in a set with a slot",
    "accepts-nothing": "a comment that accepts a warning which is not there",
}
"""Every kind, and what it means."""


def check(
    folder: Path,
    set_name: str | None,
    schemas: Path | None,
    look: Callable[[Rig], Looked] | None = None,
    *,
    rehearsed: bool = False,
) -> int:
    """Print the problems of `folder`, one a line, or a summary; return 1 when there are any, else 0.

    The set is rehearsed offline; `rehearsed` prints all of it. `schemas` is a folder that gets the
    JSON Schema of each kind of file, for editors, with the folder's own names where it has no mistakes.
    """
    loaded = in_time(lambda: load_folder(folder, set_name))
    if schemas is not None:
        try:
            _write_schemas(schemas, loaded.rig_folder)
        except OSError as error:
            complain(f"routerd: cannot write schemas to {schemas}: {error.strerror}")
            return 2
    if loaded.rig_folder is None:
        for problem in loaded.problems:
            say(str(problem))
        complain(f"{folder}: {counted(len(loaded.problems), 'problem')}")
        return 1
    rig_folder = loaded.rig_folder
    say(f"{folder}: all good")
    devices, controls = (
        counted(len(rig_folder.rig.devices), "device"),
        counted(len(rig_folder.rig.controls), "control"),
    )
    say(f"  rig {rig_folder.rig.name}: {devices}, {controls}")
    songs, sets = counted(len(rig_folder.songs), "song"), counted(len(loaded.set_lists), "set")
    say(f"  {songs}, {sets}; tonight: {rig_folder.set_list.name}")
    for number, identifier in enumerate(rig_folder.set_list.order, 1):
        song = rig_folder.song(identifier)
        sections = ", ".join(section.name for section in song.sections) or "no sections"
        say(f"  {number:3}. {song.title} ({sections})")
    _walk(loaded, rig_folder, whole=rehearsed)
    for name in _unused_dumps(folder, rig_folder):
        say(f"warning: {name}: no song sends it; remove it, or name it in a patch")
    if look is not None:
        _say_ports(loaded, *look(rig_folder.rig))
    return 0


def print_findings(folder: Path, set_name: str | None) -> int:
    """Print problems and warnings of `folder` as JSON; return 1 when there are problems, else 0."""
    loaded = in_time(lambda: load_folder(folder, set_name))
    warnings: list[RigWarning] = []
    if loaded.rig_folder is not None:
        warnings = warnings_of(loaded, rehearse(loaded.rig_folder))
    findings = {
        "problems": [asdict(one) for one in loaded.problems],
        "warnings": [asdict(one) for one in warnings],
    }
    say_document(json.dumps(findings, ensure_ascii=False, indent=2), "json")
    return 1 if loaded.problems else 0


def _say_ports(loaded: Loaded, summary: str, found: list[tuple[str, str, str, str]]) -> None:
    say(f"  {summary}")
    for grade, device, direction, words in found:
        line = loaded.documents[RIG].line(("devices", device, direction))
        say(f"{grade}: {RIG}:{line}: {device}: its {direction}: {words}")


def _walk(loaded: Loaded, rig_folder: RigFolder, *, whole: bool) -> None:
    changes = rehearse(rig_folder)
    if whole:
        for line in written(changes):
            say(line)
    slowest = max(((s.done_ms, c, s) for c in changes for s in c.shares), default=None, key=lambda x: x[0])
    if slowest is not None:
        done_ms, change, share = slowest
        rehearsed = f"{counted(len(changes), 'change')} rehearsed"
        say(f"  {rehearsed}; the slowest: {change.name}, {share.device} in {done_ms:.0f} ms")
    for one in warnings_of(loaded, changes):
        say(f"warning: {one}")


def _unused_dumps(folder: Path, rig_folder: RigFolder) -> Iterator[str]:
    """Yield the patch dumps of the rig folder that no patch of any song sends."""
    used = {message for part in rig_folder.parts for patch in part.patches for message in patch.sysex}
    for file in sorted(folder.rglob("*.syx")):
        with contextlib.suppress(OSError):
            content = storage.read(file, LARGEST_DUMP_BYTES, inside=folder)
            if content[: content.find(SYSEX_END) + 1] not in used:
                yield str(file.relative_to(folder))


def _write_schemas(folder: Path, rig_folder: RigFolder | None) -> None:
    for name, schema in json_schemas(rig_folder).items():
        text = json.dumps(schema, indent=2) + "\n"
        storage.put(folder / f"{name}.schema.json", text.encode(), inside=folder)


@dataclass(frozen=True, slots=True)
class RigWarning:
    """One thing that may go wrong: where, what, and what would be right."""

    kind: str
    file: str
    line: int
    what: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.what}; {self.remedy} [{self.kind}]"


def warnings_of(loaded: Loaded, changes: Iterable[Change]) -> list[RigWarning]:
    """Return what is not accepted, by file and line; `loaded` is a folder without mistakes."""
    rig_folder = loaded.rig_folder
    if rig_folder is None:
        return []
    found = [
        *_slow(loaded, changes),
        *_unused(loaded, rig_folder),
        *_controls(loaded, rig_folder),
        *_loose_notes(loaded, rig_folder),
        *_lengths(loaded, rig_folder),
    ]
    accepted = {(one.file, one.line, one.kind): _accepts(loaded, one) for one in found}
    left = [one for one in found if not accepted[one.file, one.line, one.kind]]
    used = {line for lines in accepted.values() for line in lines}
    left += _accepts_nothing(loaded, used)
    return sorted(left, key=lambda one: (one.file, one.line))


def _accepts(loaded: Loaded, one: RigWarning) -> list[tuple[str, int, str]]:
    """Return the comments that accept a warning: file, line and kind."""
    document = loaded.documents.get(one.file)
    lines = () if document is None else (one.line, one.line - 1)
    return [
        (one.file, line, one.kind)
        for line in lines
        if document is not None and one.kind in _kinds(document.accepted.get(line, ()))
    ]


def _kinds(words: tuple[str, ...]) -> tuple[str, ...]:
    """Return the kinds that a comment names: its first word, and what follows as far as it is one."""
    return words[:1] + tuple(word for word in words[1:] if word in KINDS)


def _accepts_nothing(loaded: Loaded, used: set[tuple[str, int, str]]) -> Iterator[RigWarning]:
    for file, document in loaded.documents.items():
        for line, words in document.accepted.items():
            for kind in _kinds(words):
                if kind not in KINDS:
                    what, remedy = f"'{kind}' is not a kind of warning", f"choose from {', '.join(KINDS)}"
                elif (file, line, kind) not in used:
                    what, remedy = f"there is no warning '{kind}' to accept here", "remove the comment"
                else:
                    continue
                yield RigWarning("accepts-nothing", file, line, what, remedy)


def _at(loaded: Loaded, file: str, path: Place) -> tuple[str, int]:
    document = loaded.documents.get(file)
    return file, 1 if document is None else document.line(path)


def _song_file(song: Song) -> str:
    return f"songs/{song.identifier}.yaml"


def _slow(loaded: Loaded, changes: Iterable[Change]) -> Iterator[RigWarning]:
    for change in changes:
        path: Place = ("sections", change.section_number - 1) if change.section_number > 1 else ()
        place = _at(loaded, f"songs/{change.identifier}.yaml", path)
        for share in change.slow:
            yield RigWarning(
                "slow",
                *place,
                f"{change.name}: {share.device} is done after {share.done_ms:.0f} ms, more than "
                f"{change.limit_ms:.0f} ms",
                "send less, or earlier",
            )


def _unused(loaded: Loaded, rig_folder: RigFolder) -> Iterator[RigWarning]:
    reached = {led.device for led in rig_folder.rig.leds}
    for part in rig_folder.parts:
        reached |= {route.target for route in part.routes}
        reached |= {patch.device for patch in part.patches} | {hold.device for hold in part.holds}
    clicks = (song.timing.click for song in rig_folder.songs)
    reached |= {click.device for click in clicks if click is not None}
    for device in rig_folder.rig.devices:
        if device.output_pattern and device.name not in reached and not _is_timed(device):
            place = _at(loaded, RIG, ("devices", device.name, "output"))
            what = f"nothing is ever sent to {device.name}: no route, patch, hold, click or LED, no clock"
            yield RigWarning("unused", *place, what, "route something to it, or remove its 'output'")


def _is_timed(device: Device) -> bool:
    timing = device.timing
    own = timing.pulse is not None or timing.mtc is not None
    return device.timed or own or device.local_control is not None


def _controls(loaded: Loaded, rig_folder: RigFolder) -> Iterator[RigWarning]:
    sections = {section.name for song in rig_folder.songs for section in song.sections}
    most = max((len(song.sections) for song in rig_folder.songs), default=0)
    songs = len(rig_folder.set_list.order)
    played = {route for part in rig_folder.parts for route in part.routes if Kind.NOTES in route.kinds}
    every = [(RIG, number, control) for number, control in enumerate(rig_folder.rig.controls)]
    every += [
        (_song_file(song), n, control) for song in rig_folder.songs for n, control in enumerate(song.controls)
    ]
    for file, number, control in every:
        place, argument = _at(loaded, file, ("controls", number)), control.command.argument
        if control.status == NOTE_ON and any(_plays(route, control) for route in played):
            yield RigWarning(
                "silent-key",
                *place,
                f"note {note_name(control.number)} of {control.device} is a control and never sounds, though "
                "routes would let it through",
                "choose a key that no route plays, or a channel",
            )
        if isinstance(argument, ToSection) and argument.section not in sections:
            if isinstance(argument.section, str) or argument.section > most:
                what = f"the control selects section {argument.section!r}, which no song has"
                yield RigWarning("no-section", *place, what, _sections_remedy(sections, most))
        elif isinstance(argument, ToSong) and isinstance(argument.song, int) and argument.song > songs:
            what = f"the control selects song {argument.song}; the set has {songs}"
            yield RigWarning("no-song", *place, what, f"write a number up to {songs}, or remove it")


def _sections_remedy(sections: set[str], most: int) -> str:
    names = ", ".join(sorted(sections)[:8])
    return (
        f"write a number up to {most}, or one of {names}" if sections else "no song has sections; remove it"
    )


def _plays(route: Route, control: Control) -> bool:
    channels = (-1, control.channel)
    return (
        route.source == control.device
        and route.note_low <= control.number <= route.note_high
        and (control.channel < 0 or route.from_channel in channels)
    )


def _loose_notes(loaded: Loaded, rig_folder: RigFolder) -> Iterator[RigWarning]:
    for song in rig_folder.songs:
        lists: list[tuple[Place, tuple[Patch, ...]]] = [(("patches",), song.patches)]
        lists += [(("sections", n, "patches"), one.patches) for n, one in enumerate(song.sections)]
        for path, patches in lists:
            for patch in patches:
                sounding = SoundingNotes()
                for data in patch.messages:
                    sounding.note_patch(data)
                for key in sounding.loose:
                    what = f"a message of the patch of {patch.device} starts {note_name(key & 127)}"
                    place = _at(loaded, _song_file(song), (*path, *_written_as(loaded, song, path, patch)))
                    remedy = "write it under hold, which ends with the song: only panic would end this one"
                    yield RigWarning("loose-note", *place, what, remedy)


def _written_as(loaded: Loaded, song: Song, path: Place, patch: Patch) -> Place:
    """Return which entry of a list of patches a patch is; some that are written are no patch of the song."""
    document = loaded.documents.get(_song_file(song))
    written: Any = None if document is None else document.data
    for step in path:
        written = written[step]
    for index, entry in enumerate(written or ()):
        parsed = [bytes.fromhex(text) for text in entry.get("messages", ())]
        if entry["device"] == patch.device and b"".join(parsed) == b"".join(patch.messages):
            return index, "messages"
    return ()


def _lengths(loaded: Loaded, rig_folder: RigFolder) -> Iterator[RigWarning]:
    if not rig_folder.set_list.slot_s:
        return
    for identifier in dict.fromkeys(rig_folder.set_list.order):
        song = rig_folder.song(identifier)
        if not song.duration_s:
            what = f"{song.title} has no duration, so whether the set fits its slot is not known"
            yield RigWarning("no-duration", *_at(loaded, _song_file(song), ()), what, "add 'duration: 4:10'")
