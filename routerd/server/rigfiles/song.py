"""A song and its sections: their shape, what must be true of them, and what they mean.

More lines than most modules: a song has the most keys, and each is found here whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from difflib import get_close_matches
from fractions import Fraction
from functools import partial
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from routerd.core.midi.tuning import A4, retuned
from routerd.core.model.route import Route
from routerd.core.model.song import HeldNotes, Patch, Section, SectionsEnd, Song, StartPolicy, Step
from routerd.core.model.timing import ChangePolicy, SongTiming, TempoPoint
from routerd.server.rigfiles.control import ControlEntry, control_of, review_controls
from routerd.server.rigfiles.device import DeviceEntry, own_channel
from routerd.server.rigfiles.patch import (
    HoldEntry,
    PatchEntry,
    resolve_holds,
    resolve_patches,
    review_holds,
    review_patches,
)
from routerd.server.rigfiles.problems import INVALID, quote, suggest
from routerd.server.rigfiles.rig import RigFile
from routerd.server.rigfiles.route import (
    RouteEntry,
    RouteNames,
    inherit,
    review_routes,
)
from routerd.server.rigfiles.route_parts import root_of
from routerd.server.rigfiles.shape import (
    Checked,
    Entry,
    Leaf,
    ValidationContext,
    option,
    options,
    review_twice,
    wrong,
)
from routerd.server.rigfiles.tempo import (
    METER,
    TEMPO,
    TEMPO_FILE,
    ClickEntry,
    FileTempo,
    MeterEntry,
    TempoEntry,
    meter_points,
    resolve_click,
    review_time,
    tempo_points,
)
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.timing import SongDeviceEntry
from routerd.server.rigfiles.values import (
    CONCERT_PITCH,
    DURATION,
    HELD_NOTES,
    NAME,
    NOTE,
    SOURCE,
    TARGET,
    TITLE,
    as_text,
    choice,
    text,
)


def _checklist_item(value: Any, context: ValidationContext) -> Step:
    if not isinstance(value, dict):
        return Step(REMINDER.read(value, context))
    strange = [key for key in value if key not in ("text", "who", "section")]
    if strange and len(value) == 1 and not get_close_matches(str(strange[0]), ["text"], cutoff=0.7):
        raise wrong(*as_text(value))
    if strange:
        raise wrong(f"has the key {quote(strange[0])}", suggest(str(strange[0]), ["text", "who", "section"]))
    if "text" not in value:
        raise wrong("does not say what to do", "add 'text: …'")
    rest = (NAME.read(value[key], context) if key in value else "" for key in ("who", "section"))
    return Step(REMINDER.read(value["text"], context), *rest)


REMINDER = text(500)
PROSE = text(20_000, lines=True)
START = choice(StartPolicy)
SECTIONS_END = choice(SectionsEnd)

CHECKLIST_ITEM = Leaf(
    _checklist_item,
    {
        "anyOf": [
            {"type": "string", "maxLength": 500},
            {
                "type": "object",
                "properties": {
                    "text": {"type": "string", "maxLength": 500, "description": "The step."},
                    "who": {"type": "string", "maxLength": 64, "description": "Who does it."},
                    "section": {"type": "string", "maxLength": 64, "description": "Before which section."},
                },
                "required": ["text"],
                "additionalProperties": False,
            },
        ]
    },
)

CHANGE = choice(ChangePolicy)


class SectionEntry(Entry):
    """A named part of a song; it inherits the routes of the song."""

    model_config = ConfigDict(title="section")

    name: Annotated[str, NAME] = option("What people call it.", "chorus")
    tempo: Annotated[Fraction | None, TEMPO] = option(
        "Tempo from here on, in quarter notes per minute; the song's when left out.", "124.5", None
    )
    routes: list[RouteEntry] = options(
        "Changes to the song's routes while in this section.", [{"name": "left hand", "off": True}]
    )
    patches: list[PatchEntry] = options(
        "Sent on entering this section.", [{"device": "lead-synth", "program": 5}]
    )
    hold: list[HoldEntry] = options(
        "Notes that are held while in this section, besides the song's.",
        [{"device": "bass-modular", "notes": ["A2"]}],
    )
    mute: list[Annotated[str, TARGET]] = options("Devices that no route leads to here.", ["sampler"])
    held_notes: Annotated[HeldNotes | None, HELD_NOTES] = option(
        "Whether held notes ring on or are cut on entering; as the song says when left out.", "cut", None
    )


class SongFile(Entry):
    """songs/*.yaml: one song. The file's name without .yaml is what set lists may call it."""

    model_config = ConfigDict(title="song")

    title: Annotated[str, TITLE] = option("The song's title; no two songs share one.", "Copper Ferry")
    tempo: Annotated[Fraction, TEMPO] = option("Quarter notes per minute, exactly.", "121.5")
    meter: Annotated[tuple[int, int], METER] = Field(
        (4, 4), description="Beats in a bar and the note value of a beat.", examples=["7/8"],
        json_schema_extra={"default": "4/4"},
    )  # fmt: skip
    meters: list[MeterEntry] = options("Changes of meter on the way.", [{"bar": 17, "meter": "7/8"}])
    tempo_map: list[TempoEntry] = options(
        "Changes of tempo on the way.", [{"bar": 9, "tempo": 140, "over": 8}], "tempo-map"
    )
    tempo_file: Annotated[FileTempo | None, TEMPO_FILE] = option(
        "A Standard MIDI File whose tempo and meter changes are taken.",
        "midi/copper-ferry.mid",
        None,
    )
    change: Annotated[ChangePolicy, CHANGE] = option(
        "What transport does when the song is entered.", "bar", ChangePolicy.STOP
    )
    click: ClickEntry | None = option("The metronome and the count-in.", {"device": "sampler"}, None)
    devices: dict[Annotated[str, TARGET], SongDeviceEntry] = Field(
        default_factory=dict,
        description="Devices whose clock is otherwise in this song, by name.",
        examples=[{"bass-modular": {"rate": "1/2"}}],
    )
    clock_source: Annotated[str | None, SOURCE] = option(
        "The device whose tempo is followed in this song; routerd leads when left out.", "drum-machine", None
    )
    key: Annotated[str, NAME] = option("The key, for people to read.", "D minor", "")
    duration: Annotated[int, DURATION] = Field(
        0, description="How long it plays.", examples=["4:10"], json_schema_extra={"default": None}
    )
    start: Annotated[StartPolicy, START] = option(
        "Whether sequencers are started by a press or by entering the song.", "entry", StartPolicy.MANUAL
    )
    routes: list[RouteEntry] = options(
        "Changes to the rig's routes in this song.", [{"from": "keys", "to": "lead-synth"}]
    )
    patches: list[PatchEntry] = options(
        "Sent on entering the song.", [{"device": "lead-synth", "program": 12}]
    )
    hold: list[HoldEntry] = options(
        "Notes that are held while the song is on.", [{"device": "bass-modular", "notes": ["A2"]}]
    )
    concert_pitch: Annotated[float | None, CONCERT_PITCH] = option(
        "What A4 is in this song, in Hz; as in the rig when left out.", 443, None
    )
    tuning_note: Annotated[int | None, NOTE] = option(
        "The note to tune by; the root of the key, in the octave from C3, when left out.",
        "D2",
        None,
    )
    mute: list[Annotated[str, TARGET]] = options("Devices that no route leads to.", ["sampler"])
    held_notes: Annotated[HeldNotes, HELD_NOTES] = option(
        "Whether held notes ring on or are cut on entering.", "cut", HeldNotes.RING
    )
    after_sections: Annotated[SectionsEnd, SECTIONS_END] = option(
        "Where next section leads from the last: nowhere, to the first, or to the next song.",
        "wrap",
        SectionsEnd.STAY,
    )
    sections: list[SectionEntry] = options("The parts of the song, in order.", [{"name": "verse"}])
    controls: list[ControlEntry] = options(
        "What controls mean in this song, instead of what they mean in the rig.",
        [{"from": "pedals", "cc": 80, "do": "next-section"}],
    )
    checklist: list[Annotated[Step, CHECKLIST_ITEM]] = options(
        "What people do by hand at this song.",
        ["Put the rain tape in", {"text": "Tune the left case", "who": "Technician", "section": "bridge"}],
    )
    notes: Annotated[str, PROSE] = option("Anything worth knowing.", "Ends on the drummer's nod.", "")


MOST_SYSEX_BYTES = 1024 * 1024


def review_song(checked: Checked[SongFile], inherited: RouteNames) -> None:
    """Check the routes, patches and sections of one song."""
    song = checked.model
    if song is None:
        return
    review_time(checked, song.tempo_map, song.meters, has_file=song.tempo_file is not None)
    names = review_routes(checked, ("routes",), song.routes, inherited)
    rootless = set(names.rootless)
    review_patches(checked, ("patches",), song.patches)
    review_holds(checked, ("hold",), song.hold)
    first: dict[str, int] = {}
    for index, section in enumerate(song.sections):
        path: KeyPath = ("sections", index)
        rootless |= review_routes(checked, (*path, "routes"), section.routes, names).rootless
        review_patches(checked, (*path, "patches"), section.patches)
        review_holds(checked, (*path, "hold"), section.hold)
        if section.name is not INVALID:
            review_twice(checked, first, (*path, "name"), section.name, "section")
    if rootless and song.key is not INVALID and root_of(song.key) is None:
        which = f"the drone of route {quote(min(rootless))} takes its root from the"
        if song.key:
            what, remedy = f"{which} key, which names no note", "begin the key with one, such as 'D minor'"
        else:
            what, remedy = f"{which} song's key, and there is none", "add one, such as 'key: D minor'"
        checked.report(("key",) if song.key else (), what, f"{remedy}, or give the drone a 'root'")
    review_controls(checked, song.controls)
    _review_checklist(checked, song, list(first))
    patches = [*song.patches, *(patch for section in song.sections for patch in section.patches)]
    size = sum(len(m) for patch in patches for dump in patch.sysex if dump is not INVALID for m in dump)
    if size > MOST_SYSEX_BYTES:
        checked.report((), f"the song sends {size} bytes of SysEx", f"keep it under {MOST_SYSEX_BYTES}")


def _review_checklist(checked: Checked[SongFile], song: SongFile, sections: list[str]) -> None:
    for index, item in enumerate(song.checklist):
        if item is INVALID or not item.section or not checked.is_sound(("sections",)):
            continue
        if item.section not in sections:
            checked.report(
                ("checklist", index),
                f"there is no section {quote(item.section)} in this song",
                partial(suggest, item.section, sections),
            )


def resolve_song_timing(file: SongFile) -> SongTiming:
    """Return what a song says about time."""
    tempo: tuple[TempoPoint, ...]
    if file.tempo_file is not None:
        tempo, meters = file.tempo_file
    else:
        meters = meter_points(file.tempo, file.meter, file.meters)
        tempo = tempo_points(file.tempo, file.meter, file.tempo_map, meters)
    return SongTiming(
        clock_source=file.clock_source or "",
        tempo=tempo,
        meters=meters,
        click=None if file.click is None else resolve_click(file.click),
        change=file.change,
    )


C3 = 48
ALL_CHANNELS = -1
"""The channel of what concerns a whole device, so that no patch of a channel is taken for it."""


def resolve_song(identifier: str, file: SongFile, rig: RigFile, *, tuned: bool = False) -> Song:
    """Return the song that a file describes; `rig` has the routes that it inherits.

    `tuned`: some song of the folder is not at 440 Hz, so that devices have to be tuned for each.
    """
    beats, beat_unit = file.meter
    root = root_of(file.key)
    routes = inherit(inherit((), rig.routes, root), file.routes, root)
    sections = tuple(
        Section(
            name=entry.name,
            routes=unmuted(inherit(routes, entry.routes, root), [*file.mute, *entry.mute]),
            patches=resolve_patches(entry.patches, rig.devices),
            bpm=entry.tempo,
            held_notes=entry.held_notes or file.held_notes,
            holds=resolve_holds([*file.hold, *entry.hold], rig.devices),
        )
        for entry in file.sections
    )
    return Song(
        identifier=identifier,
        title=file.title,
        bpm=file.tempo,
        beats=beats,
        beat_unit=beat_unit,
        key=file.key,
        duration_s=file.duration,
        start=file.start,
        routes=unmuted(routes, file.mute),
        patches=(*(_tunings(file, rig) if tuned else ()), *resolve_patches(file.patches, rig.devices)),
        sections=sections,
        checklist=(*file.checklist, *_by_hand(file, rig)),
        notes=file.notes,
        sections_end=file.after_sections,
        held_notes=file.held_notes,
        timing=_song_timing(file, rig),
        controls=tuple(control_of(entry) for entry in file.controls),
        concert_pitch_hz=file.concert_pitch or rig.concert_pitch,
        tuning_note=_tuning_note(file, root),
        holds=resolve_holds(file.hold, rig.devices),
    )


def _tuning_note(file: SongFile, root: int | None) -> int:
    if file.tuning_note is not None:
        return file.tuning_note
    return A4 if root is None else C3 + root


def _tunings(file: SongFile, rig: RigFile) -> tuple[Patch, ...]:
    """Return what tunes devices to the song's concert pitch; the show skips what is in force."""
    dumps = retuned(file.concert_pitch or rig.concert_pitch)
    return tuple(
        Patch(name, ALL_CHANNELS, sysex=dumps)
        for name, device in rig.devices.items()
        if device.tuning_standard
    )


def unmuted(routes: tuple[Route, ...], muted: Iterable[str]) -> tuple[Route, ...]:
    """Return the routes that do not lead to a device of `muted`."""
    silent = set(muted)
    return tuple(route for route in routes if route.target not in silent)


def _song_timing(file: SongFile, rig: RigFile) -> SongTiming:
    timing = resolve_song_timing(file)
    if timing.click is None or file.click is None:
        return timing
    channel = own_channel(file.click, timing.click.channel, rig.devices[timing.click.device])
    return replace(timing, click=replace(timing.click, channel=channel))


def _by_hand(file: SongFile, rig: RigFile) -> list[Step]:
    """Return what a person has to do where a device cannot be put on its sound from here.

    What the checklist has already, by the name of the device and the number of the program, is not added.
    """
    lists = [("", file.patches)] + [(one.name, one.patches) for one in file.sections]
    items = []
    for section, entries in lists:
        for entry in entries:
            device = rig.devices[entry.device]
            if device.recall:
                continue
            bank = f"bank MSB {entry.bank.msb} LSB {entry.bank.lsb}, " if entry.bank else ""
            program = f"program {entry.program + 1}" if entry.program is not None else "its sound"
            if any(_names(item, section, entry, device) for item in file.checklist):
                continue
            text = f"Put {device.title or entry.device} on {bank}{program}"
            items.append(Step(text, section=section))
    return items


def _names(item: Step, section: str, entry: PatchEntry, device: DeviceEntry) -> bool:
    """Return whether an item of the checklist names the device and the program of a patch."""
    if item.section != section:
        return False
    words = item.text.casefold()
    named = any(name and name.casefold() in words for name in (device.title, entry.device))
    return named and (entry.program is None or str(entry.program + 1) in re.findall(r"\d+", words))
