"""A whole rig folder: which files there are, what they say to each other, which set is tonight's."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import ConfigDict, Field

from routerd.core.errors import RigFolderError
from routerd.core.midi.tuning import STANDARD_HZ
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import SetList
from routerd.printing import visible
from routerd.server.rigfiles.against_rig import (
    own_channels,
    review_against_devices,
    review_clocked_routes,
    review_control_routes,
    review_song_devices,
    with_devices,
)
from routerd.server.rigfiles.problems import INVALID, Problem, quote, suggest
from routerd.server.rigfiles.rig import RigFile, resolve_rig, review_ports, review_rig, settle_ports
from routerd.server.rigfiles.shape import (
    Checked,
    Ends,
    Entry,
    Leaf,
    ValidationContext,
    check,
    option,
    wrong,
)
from routerd.server.rigfiles.song import SongFile, resolve_song, review_song
from routerd.server.rigfiles.text import (
    LARGEST_FILE_BYTES,
    Document,
    UnreadableFileError,
    list_folder,
    read_document,
    read_file,
)
from routerd.server.rigfiles.values import DURATION, NAME, NAMED, TITLE, whole


def _date(value: Any, _: ValidationContext) -> str:
    try:
        if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
            return datetime.date.fromisoformat(value).isoformat()
    except ValueError:
        pass
    raise wrong(f"{quote(value)} is not a date", "write year, month and day such as 2026-11-27")


_DATE = r"^\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$"
ENCORE = whole(0, 999)
SONG_NAME = Leaf(TITLE.read, {**TITLE.schema, NAMED: "songs"})
DATE = Leaf(_date, {"type": "string", "format": "date", "pattern": _DATE})


class SetFile(Entry):
    """sets/*.yaml: a set list. The file's name without .yaml may be used instead of the name."""

    model_config = ConfigDict(title="set")

    name: Annotated[str, NAME] = option("What people call the set list; no two share one.", "Harbour")
    date: Annotated[str, DATE] = option(
        "The evening it is for; the newest is loaded when none is named.", "2026-11-27", ""
    )
    order: list[Annotated[str, SONG_NAME]] = Field(
        description="The songs in order, each by its file's name or its title.",
        examples=[["copper-ferry", "Nine Lamps"]],
        json_schema_extra={"minItems": 1},
    )
    encore: Annotated[int, ENCORE] = option("How many songs at the end of the order are the encore.", 2, 0)
    slot: Annotated[int, DURATION] = Field(
        0,
        description="How long the evening's slot is.",
        examples=["45:00"],
        json_schema_extra={"default": None},
    )
    changeover: Annotated[int, DURATION] = Field(
        0,
        description="From the end of a song to the beginning of the next.",
        examples=["0:30"],
        json_schema_extra={"default": None},
    )


ALL_SONGS = "all songs"
RIG = "rig.yaml"
_STEM = re.compile(r"\w[\w .'-]{0,99}\Z")
M = TypeVar("M", bound=Entry)


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a rig folder holds; `rig_folder` is None exactly when there are problems."""

    rig_folder: RigFolder | None
    set_lists: tuple[SetList, ...]
    problems: tuple[Problem, ...]
    documents: Mapping[str, Document] = field(default_factory=dict)
    """The files that were read, by name, for whoever has to say where something stands."""

    def whole(self) -> RigFolder:
        """Return the rig folder; raises RigFolderError, with every problem, where it has some."""
        if self.rig_folder is None:
            raise RigFolderError([str(problem) for problem in self.problems])
        return self.rig_folder


def load_folder(folder: Path, set_name: str | None = None) -> Loaded:
    """Read and check every file of a rig folder and suggest tonight's set list.

    `set_name` is a set's name or its file's name without .yaml; without it the set with the
    newest date counts, and without any set all songs by title. Never raises for anything that
    a person can do to the files: all mistakes are in `problems`, by file and line.
    """
    reading = _Reading(folder)
    reading.read()
    set_list = reading.choose_set(set_name)
    problems = tuple(sorted(reading.all_problems(), key=lambda p: (p.file, p.line)))
    if problems or reading.rig is None or reading.rig.model is None or set_list is None:
        return Loaded(None, (), problems)
    pitches = {song.model.concert_pitch for song in reading.songs.values() if song.model is not None}
    tuned = bool({reading.rig.model.concert_pitch, *pitches} - {None, STANDARD_HZ})
    songs = [
        resolve_song(stem, song.model, reading.rig.model, tuned=tuned)
        for stem, song in reading.songs.items()
        if song.model is not None
    ]
    rig = settle_ports(resolve_rig(reading.rig.model), reading.rig.model)
    songs = [
        with_devices(song, one.model, rig)
        for song in songs
        if (one := reading.songs[song.identifier]).model is not None
    ]
    songs.sort(key=lambda song: (song.title.casefold(), song.identifier))
    if not set_list.order:
        set_list = SetList(ALL_SONGS, tuple(song.identifier for song in songs))
    rig_folder = RigFolder(rig, tuple(own_channels(song, rig) for song in songs), set_list)
    documents = {document.file: document for document in reading.documents}
    return Loaded(rig_folder, tuple(reading.set_lists.values()), (), documents)


def unreadable(why: str) -> Loaded:
    """Return what a rig folder holds that cannot be read at all."""
    problem = Problem(RIG, 1, f"the rig folder cannot be read: {why}", "check the disk or the network")
    return Loaded(None, (), (problem,))


@dataclass(slots=True)
class _Reading:
    folder: Path
    problems: list[Problem] = field(default_factory=list)
    rig: Checked[RigFile] | None = None
    songs: dict[str, Checked[SongFile]] = field(default_factory=dict)
    sets: dict[str, Checked[SetFile]] = field(default_factory=dict)
    set_lists: dict[str, SetList] = field(default_factory=dict)
    documents: list[Document] = field(default_factory=list)

    def all_problems(self) -> list[Problem]:
        return [*self.problems, *(p for document in self.documents for p in document.problems)]

    def read(self) -> None:
        """Read all files and check them alone and against each other."""
        try:
            list_folder(self.folder)
        except UnreadableFileError as problem:
            self._add(RIG, f"the rig folder {quote(str(self.folder))} {problem.what}", problem.remedy)
            return
        rig_document = self._document(RIG)
        around = ValidationContext(self.folder, _device_ends(rig_document))
        self.rig = check(rig_document, RigFile, around)
        inherited = review_rig(self.rig)
        self.songs = self._read_all("songs", SongFile, around)
        for song in self.songs.values():
            review_song(song, inherited)
        review_control_routes(self.rig, self.songs.values())
        review_clocked_routes(self.rig, self.songs.values())
        review_ports(self.rig)
        review_against_devices(self.rig, self.songs.values())
        review_song_devices(self.rig, self.songs.values())
        if not self.songs and not any(p.file.startswith("songs") for p in self.all_problems()):
            self._add("songs", "there are no songs", "write one, such as songs/copper-ferry.yaml")
        _review_shared(self.songs, "title")
        self.sets = self._read_all("sets", SetFile, around)
        _review_shared(self.sets, "name")
        titles = _Titles(self.songs)
        for stem, one_set in self.sets.items():
            self.set_lists[stem] = titles.resolve(one_set)

    def choose_set(self, wanted: str | None) -> SetList | None:
        """Return tonight's set list, empty for all songs, or None with a problem added."""
        if wanted is None:
            dated = sorted(self.set_lists.items(), key=lambda item: (item[1].date, item[0]))
            return dated[-1][1] if dated else SetList(ALL_SONGS, ())
        by_name = {one.name: one for one in self.set_lists.values()} | self.set_lists
        if wanted in by_name:
            return by_name[wanted]
        folded = {name.casefold(): one for name, one in by_name.items()}
        if wanted.casefold() in folded:
            return folded[wanted.casefold()]
        if wanted == ALL_SONGS:
            return SetList(ALL_SONGS, ())
        if not any(p.file.startswith("sets") for p in self.all_problems()):
            self._add(
                "sets",
                f"there is no set list {quote(wanted)}",
                suggest(wanted, sorted({*by_name, ALL_SONGS})),
            )
        return None

    def _add(self, file: str, what: str, remedy: str) -> None:
        self.problems.append(Problem(file, 1, what, remedy))

    def _document(self, file: str) -> Document:
        try:
            content = read_file(self.folder / file, LARGEST_FILE_BYTES, self.folder)
            document = read_document(visible(file), content)
        except UnreadableFileError as problem:
            document = Document(visible(file))
            document.report(1, f"{quote(Path(file).name)} {problem.what}", problem.remedy)
        self.documents.append(document)
        return document

    def _read_all(self, room: str, shape: type[M], around: ValidationContext) -> dict[str, Checked[M]]:
        try:
            names = list_folder(self.folder / room)
        except UnreadableFileError as problem:
            if room == "songs" or (self.folder / room).is_symlink() or (self.folder / room).exists():
                self._add(room, f"the folder {problem.what}", problem.remedy)
            return {}
        found = {}
        for name in names:
            file = f"{room}/{name}"
            stem, _, ending = name.rpartition(".")
            if ending == "yml":
                self._add(visible(file), "the file's name ends in .yml", f"rename it to {visible(stem)}.yaml")
            elif ending == "yaml" and _STEM.match(stem) is None:
                self._add(
                    visible(file),
                    "the file's name is not plain",
                    "use letters, digits, spaces, hyphens and underscores, at most 100",
                )
            elif ending == "yaml":
                found[stem] = check(self._document(file), shape, around)
        return found


class _Titles:
    """Finds songs by file name or title."""

    def __init__(self, songs: Mapping[str, Checked[SongFile]]) -> None:
        self._stems = set(songs)
        self._by_title: dict[str, str] = {}
        self._complete = True
        self._words: list[str] = []
        for stem, song in songs.items():
            title = INVALID if song.model is None else song.model.title
            if title is INVALID:
                self._complete = False
            else:
                self._by_title.setdefault(title, stem)
        self._words = sorted({*self._stems, *self._by_title})

    def resolve(self, checked: Checked[SetFile]) -> SetList:
        """Return the set list with every song as its identifier, reporting what is not a song."""
        one_set = checked.model
        if one_set is None:
            return SetList("", ())
        if not one_set.order and checked.is_sound(("order",)):
            checked.report(("order",), "the set has no songs", "list at least one under 'order'")
        order = []
        for index, word in enumerate(one_set.order):
            if word is INVALID:
                continue
            identifier = self._find(checked, ("order", index), word)
            if identifier is not None:
                order.append(identifier)
        name, date = ("" if value is INVALID else value for value in (one_set.name, one_set.date))
        encore, slot_s, changeover_s = (
            0 if value is INVALID else value for value in (one_set.encore, one_set.slot, one_set.changeover)
        )
        if encore >= len(one_set.order) and encore and checked.is_sound(("order",)):
            checked.report(
                ("encore",),
                f"an encore of {encore} leaves no song before it",
                f"write at most {len(one_set.order) - 1}",
            )
        return SetList(name, tuple(order), date, encore, slot_s, changeover_s)

    def _find(self, checked: Checked[SetFile], path: tuple[str | int, ...], word: str) -> str | None:
        by_title = self._by_title.get(word)
        if word in self._stems:
            if by_title not in {None, word}:
                checked.report(
                    path,
                    f"{quote(word)} is the file songs/{word}.yaml and the title of songs/{by_title}.yaml",
                    f"write '{by_title}', or rename one of the two",
                )
            return word
        if by_title is None and self._complete:
            checked.report(
                path,
                f"there is no song {quote(word)}",
                partial(suggest, word, self._words),
            )
        return by_title


def _review_shared(files: Mapping[str, Checked[Any]], key: str) -> None:
    """Report a title or name that two files share, upper and lower case alike."""
    first: dict[str, str] = {}
    for checked in files.values():
        value = INVALID if checked.model is None else getattr(checked.model, key)
        if value is INVALID:
            continue
        document = checked.document
        there = first.setdefault(value.casefold(), f"{document.file}:{document.line((key,))}")
        if there != f"{document.file}:{document.line((key,))}":
            checked.report(
                (key,), f"the {key} {quote(value)} is already used by {there}", "change one of the two"
            )


def _device_ends(document: Document) -> dict[str, Ends] | None:
    """Return the ends of the rig's devices as far as they can be read, or None when they cannot."""
    devices = document.data.get("devices") if isinstance(document.data, dict) else None
    if not isinstance(devices, dict):
        return None
    return {
        name: Ends("input" in device, "output" in device) if isinstance(device, dict) else Ends(True, True)
        for name, device in devices.items()
    }
