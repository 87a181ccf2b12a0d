"""The shape of the three kinds of file, as people write them.

Types, names, defaults, descriptions and examples stand here, once: checking, the JSON Schemas
and the reference in configs/README.md follow them. What one value cannot tell alone (a range
and a transpose together, names across a list) is in rules.py.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import ConfigDict, Field

from routerd.core.model.rig import AfterRestart, WireKind
from routerd.core.model.song import (
    HeldNotes,
    SectionsEnd,
    StartPolicy,
    Step,
)
from routerd.core.model.timing import HOLDOVER_S, ChangePolicy
from routerd.server.rigfiles import route_leaves as r
from routerd.server.rigfiles import scalars as s
from routerd.server.rigfiles import time_scalars as t
from routerd.server.rigfiles.control_entries import ControlEntry, LedEntry, PedalEntry, PressesEntry
from routerd.server.rigfiles.entry import Entry
from routerd.server.rigfiles.entry import key as _key
from routerd.server.rigfiles.entry import lines as _lines
from routerd.server.rigfiles.ports import PORT, PortChoice
from routerd.server.rigfiles.route_entries import RouteEntry
from routerd.server.rigfiles.sysex import SYSEX_ITEM
from routerd.server.rigfiles.tempo_file import TEMPO_FILE, FileTempo
from routerd.server.rigfiles.time_entries import (
    ClickEntry,
    MeterEntry,
    SongDeviceEntry,
    TempoEntry,
    TimingEntry,
)


class DeviceEntry(Entry):
    """One instrument, box or program, reached through an input port, an output port or both."""

    model_config = ConfigDict(
        title="device",
        json_schema_extra={"anyOf": [{"required": ["input"]}, {"required": ["output"]}]},
    )

    title: Annotated[str, s.TITLE] = _key("What people call it.", "The old monosynth", "")
    input: Annotated[PortChoice | None, PORT] = _key(
        "Name of the port that routerd reads from, upper and lower case alike; * stands for anything. "
        "A group of name and serial or usb-path tells USB devices of one name apart.",
        "Stage Keys*",
        None,
    )
    output: Annotated[PortChoice | None, PORT] = _key(
        "Name of the port that routerd writes to, likewise.",
        {"name": "Lead Synth*", "serial": "AA01"},
        None,
    )
    wire: Annotated[WireKind, s.WIRE] = _key("What carries the bytes.", "din", WireKind.USB)
    clock: Annotated[bool, s.FLAG] = _key("Whether it gets the timing clock.", True, False)
    transport: Annotated[bool, s.FLAG] = _key(
        "Whether it gets start, stop, continue and song position.", True, False
    )
    running_status: Annotated[bool, s.FLAG] = _key(
        "Whether its interface leaves repeated status bytes out on a din wire.", True, False
    )
    active_sensing: Annotated[bool, s.FLAG] = _key(
        "Whether it gets Active Sensing, so that it falls silent when the cable goes.",
        True,
        False,
    )
    recall: Annotated[bool, s.FLAG] = _key(
        "Whether it can be put on a sound from here; if not, its patches go on the checklist.", False, True
    )
    tuning_standard: Annotated[bool, s.FLAG] = _key(
        "Whether it takes MIDI Tuning Standard messages.", True, False
    )
    channels: Annotated[frozenset[int] | None, r.CHANNELS] = _key(
        "Which channels of its ports are its own; all when left out.", [1, "3-4"], None
    )
    local_control: Annotated[bool | None, s.FLAG] = _key(
        "Whether its keys play its own sounds; false separates the two, so that routes may lead back to it.",
        False,
        None,
    )
    timing: TimingEntry | None = _key(
        "How it gets its clock, and how it is followed.", {"offset": "-12.5"}, None
    )
    loopback: Annotated[str | None, s.SOURCE] = _key(
        "At soundcheck: the device whose input hears this output, by a cable from one to the other.",
        "loop-in",
        None,
    )
    volts_per_octave: Annotated[float | None, s.VOLTS_PER_OCTAVE] = _key(
        "Of the control voltage that it makes of notes, for the technical sheet.", 1, None
    )
    zero_volts: Annotated[int | None, s.NOTE] = _key("The note at which that voltage is 0 V.", "C2", None)
    identity_reply: Annotated[bool, s.FLAG] = _key(
        "Whether it answers an identity request; false for a device that never does.", False, True
    )


class BankEntry(Entry):
    """A bank by its two halves; a half left out is 0."""

    model_config = ConfigDict(title="bank", json_schema_extra={"minProperties": 1})

    msb: Annotated[int, s.BYTE] = _key("Controller 0 of the bank select.", 1, 0)
    lsb: Annotated[int, s.BYTE] = _key("Controller 32 of the bank select.", 5, 0)


PATCH_PARTS = ("bank", "program", "cc", "sysex", "messages", "rpn", "nrpn")


class PatchEntry(Entry):
    """The bank, program, controllers and SysEx that a device is put on."""

    model_config = ConfigDict(
        title="patch",
        json_schema_extra={"anyOf": [{"required": [key]} for key in PATCH_PARTS]},
    )

    device: Annotated[str, s.TARGET] = _key("Which device.", "lead-synth")
    channel: Annotated[int, s.CHANNEL] = Field(
        0, description="On which channel; 1 when left out.", examples=[2], json_schema_extra={"default": 1}
    )
    bank: BankEntry | None = _key("Sent before the program.", {"msb": 1, "lsb": 5}, None)
    program: Annotated[int | None, s.PROGRAM] = _key(
        "Counted from 1, as the General MIDI table prints it.", 12, None
    )
    cc: dict[Annotated[int, s.CONTROLLER_KEY], Annotated[int, s.BYTE]] = Field(
        default_factory=dict,
        description="Controller numbers and the values they are set to, sent after the program.",
        examples=[{7: 100, 91: 40}],
    )
    sysex: list[Annotated[tuple[bytes, ...], SYSEX_ITEM]] = _lines(
        "Whole messages, sent before everything else.", ["F0 7D 01 F7", {"file": "sysex/bass.syx"}]
    )
    messages: list[Annotated[tuple[bytes, ...], r.MESSAGES]] = _lines(
        "Any other whole messages, behind the SysEx.", ["B0 7E 01"]
    )
    rpn: dict[Annotated[int, r.PARAMETER_KEY], Annotated[int, r.FINE]] = Field(
        default_factory=dict,
        description="Registered parameters and the 14-bit values they are set to.",
        examples=[{0: 256}],
    )
    nrpn: dict[Annotated[int, r.PARAMETER_KEY], Annotated[int, r.FINE]] = Field(
        default_factory=dict,
        description="Non-registered parameters, likewise.",
        examples=[{300: 8192}],
    )
    order: list[Annotated[str | int, r.PATCH_STEP]] = _lines(
        "The parts in the order in which they are sent, with pauses.", ["program", "200 ms", "sysex"]
    )
    always: Annotated[bool, s.FLAG] = _key(
        "Send everything even when the device is already on this sound.", True, False
    )


class HoldEntry(Entry):
    """Notes that a song or section holds on a device by itself."""

    model_config = ConfigDict(title="hold")

    device: Annotated[str, s.TARGET] = _key("Which device.", "bass-modular")
    notes: list[Annotated[int, s.NOTE]] = Field(
        description="Which notes.", examples=[["A2"]], json_schema_extra={"minItems": 1}
    )
    channel: Annotated[int, s.CHANNEL] = Field(
        0, description="On which channel; 1 when left out.", examples=[2], json_schema_extra={"default": 1}
    )
    velocity: Annotated[int, s.LOUDNESS] = _key("How hard they are pressed.", 127, 100)


class SectionEntry(Entry):
    """A named part of a song; it inherits the routes of the song."""

    model_config = ConfigDict(title="section")

    name: Annotated[str, s.NAME] = _key("What people call it.", "chorus")
    tempo: Annotated[Fraction | None, s.TEMPO] = _key(
        "Tempo from here on, in quarter notes per minute; the song's when left out.", "124.5", None
    )
    routes: list[RouteEntry] = _lines(
        "Changes to the song's routes while in this section.", [{"name": "left hand", "off": True}]
    )
    patches: list[PatchEntry] = _lines(
        "Sent on entering this section.", [{"device": "lead-synth", "program": 5}]
    )
    hold: list[HoldEntry] = _lines(
        "Notes that are held while in this section, besides the song's.",
        [{"device": "bass-modular", "notes": ["A2"]}],
    )
    mute: list[Annotated[str, s.TARGET]] = _lines("Devices that no route leads to here.", ["sampler"])
    held_notes: Annotated[HeldNotes | None, s.HELD_NOTES] = _key(
        "Whether held notes ring on or are cut on entering; as the song says when left out.", "cut", None
    )


class RigFile(Entry):
    """rig.yaml: all devices of one player, what their controls mean, and the routes that songs share."""

    model_config = ConfigDict(title="rig")

    name: Annotated[str, s.NAME] = _key("What people call the rig.", "Touring rig")
    devices: dict[Annotated[str, s.NAME], DeviceEntry] = Field(
        description="The devices by name; songs use these names.",
        examples=[{"keys": {"input": "Stage Keys*"}}],
        json_schema_extra={"minProperties": 1},
    )
    controls: list[ControlEntry] = _lines(
        "What foot switches, pads and buttons mean.", [{"from": "pedals", "cc": 80, "do": "next"}]
    )
    concert_pitch: Annotated[float, s.CONCERT_PITCH] = _key("What A4 is, in Hz.", 442, 440.0)
    after_restart: Annotated[AfterRestart, s.AFTER_RESTART] = _key(
        "Whether transport goes on when the service comes back after a crash or power loss.",
        "play",
        AfterRestart.SILENT,
        "after-restart",
    )
    holdover: Annotated[int, s.HOLDOVER] = _key(
        "For how many seconds tempo and phase of a source that has fallen silent are held.",
        60,
        HOLDOVER_S,
    )
    presses: PressesEntry | None = _key("How presses are measured.", {"debounce-ms": 80}, None)
    pedals: list[PedalEntry] = _lines(
        "Expression pedals and the ends of their ranges.",
        [{"from": "pedals", "cc": 11, "heel": 4, "toe": 121}],
    )
    leds: list[LedEntry] = _lines(
        "LEDs that show how things stand.",
        [{"to": "pedals", "cc": 80, "channel": 16, "shows": "running"}],
    )
    routes: list[RouteEntry] = _lines(
        "Routes that every song starts from.", [{"from": "keys", "to": "lead-synth"}]
    )


class SongFile(Entry):
    """songs/*.yaml: one song. The file's name without .yaml is what set lists may call it."""

    model_config = ConfigDict(title="song")

    title: Annotated[str, s.TITLE] = _key("The song's title; no two songs share one.", "Copper Ferry")
    tempo: Annotated[Fraction, s.TEMPO] = _key("Quarter notes per minute, exactly.", "121.5")
    meter: Annotated[tuple[int, int], s.METER] = Field(
        (4, 4), description="Beats in a bar and the note value of a beat.", examples=["7/8"],
        json_schema_extra={"default": "4/4"},
    )  # fmt: skip
    meters: list[MeterEntry] = _lines("Changes of meter on the way.", [{"bar": 17, "meter": "7/8"}])
    tempo_map: list[TempoEntry] = _lines(
        "Changes of tempo on the way.", [{"bar": 9, "tempo": 140, "over": 8}], "tempo-map"
    )
    tempo_file: Annotated[FileTempo | None, TEMPO_FILE] = _key(
        "A Standard MIDI File whose tempo and meter changes are taken.",
        "midi/copper-ferry.mid",
        None,
    )
    change: Annotated[ChangePolicy, t.CHANGE] = _key(
        "What transport does when the song is entered.", "bar", ChangePolicy.STOP
    )
    click: ClickEntry | None = _key("The metronome and the count-in.", {"device": "sampler"}, None)
    devices: dict[Annotated[str, s.TARGET], SongDeviceEntry] = Field(
        default_factory=dict,
        description="Devices whose clock is otherwise in this song, by name.",
        examples=[{"bass-modular": {"rate": "1/2"}}],
    )
    clock_source: Annotated[str | None, s.SOURCE] = _key(
        "The device whose tempo is followed in this song; routerd leads when left out.", "drum-machine", None
    )
    key: Annotated[str, s.NAME] = _key("The key, for people to read.", "D minor", "")
    duration: Annotated[int, s.DURATION] = Field(
        0, description="How long it plays.", examples=["4:10"], json_schema_extra={"default": None}
    )
    start: Annotated[StartPolicy, s.START] = _key(
        "Whether sequencers are started by a press or by entering the song.", "entry", StartPolicy.MANUAL
    )
    routes: list[RouteEntry] = _lines(
        "Changes to the rig's routes in this song.", [{"from": "keys", "to": "lead-synth"}]
    )
    patches: list[PatchEntry] = _lines(
        "Sent on entering the song.", [{"device": "lead-synth", "program": 12}]
    )
    hold: list[HoldEntry] = _lines(
        "Notes that are held while the song is on.", [{"device": "bass-modular", "notes": ["A2"]}]
    )
    concert_pitch: Annotated[float | None, s.CONCERT_PITCH] = _key(
        "What A4 is in this song, in Hz; as in the rig when left out.", 443, None
    )
    tuning_note: Annotated[int | None, s.NOTE] = _key(
        "The note to tune by; the root of the key, in the octave from C3, when left out.",
        "D2",
        None,
    )
    mute: list[Annotated[str, s.TARGET]] = _lines("Devices that no route leads to.", ["sampler"])
    held_notes: Annotated[HeldNotes, s.HELD_NOTES] = _key(
        "Whether held notes ring on or are cut on entering.", "cut", HeldNotes.RING
    )
    after_sections: Annotated[SectionsEnd, s.SECTIONS_END] = _key(
        "Where next section leads from the last: nowhere, to the first, or to the next song.",
        "wrap",
        SectionsEnd.STAY,
    )
    sections: list[SectionEntry] = _lines("The parts of the song, in order.", [{"name": "verse"}])
    controls: list[ControlEntry] = _lines(
        "What controls mean in this song, instead of what they mean in the rig.",
        [{"from": "pedals", "cc": 80, "do": "next-section"}],
    )
    checklist: list[Annotated[Step, s.CHECKLIST_ITEM]] = _lines(
        "What people do by hand at this song.",
        ["Put the rain tape in", {"text": "Tune the left case", "who": "Technician", "section": "bridge"}],
    )
    notes: Annotated[str, s.PROSE] = _key("Anything worth knowing.", "Ends on the drummer's nod.", "")


class SetFile(Entry):
    """sets/*.yaml: a running order. The file's name without .yaml may be used instead of the name."""

    model_config = ConfigDict(title="set")

    name: Annotated[str, s.NAME] = _key("What people call the set list; no two share one.", "Harbour")
    date: Annotated[str, s.DATE] = _key(
        "The evening it is for; the newest is loaded when none is named.", "2026-11-27", ""
    )
    order: list[Annotated[str, s.TITLE]] = Field(
        description="The songs in order, each by its file's name or its title.",
        examples=[["copper-ferry", "Nine Lamps"]],
        json_schema_extra={"minItems": 1},
    )
    encore: Annotated[int, s.ENCORE] = _key("How many songs at the end of the order are the encore.", 2, 0)
    slot: Annotated[int, s.DURATION] = Field(
        0,
        description="How long the evening's slot is.",
        examples=["45:00"],
        json_schema_extra={"default": None},
    )
    changeover: Annotated[int, s.DURATION] = Field(
        0,
        description="From the end of a song to the beginning of the next.",
        examples=["0:30"],
        json_schema_extra={"default": None},
    )
