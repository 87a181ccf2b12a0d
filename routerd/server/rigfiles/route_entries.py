"""The shape of a route, as people write it; see entries.py."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field

from routerd.core.midi.messages import Kind
from routerd.core.model.route import Points, Quantity, Side, Switching
from routerd.server.rigfiles import route_leaves as r
from routerd.server.rigfiles import scalars as s
from routerd.server.rigfiles.entry import Entry
from routerd.server.rigfiles.entry import key as _key

DEFAULT_KINDS = frozenset({Kind.NOTES, Kind.CC, Kind.PITCH_BEND, Kind.CHANNEL_PRESSURE, Kind.POLY_PRESSURE})


class VelocityEntry(Entry):
    """How a route changes velocity: fixed, or shaped and capped."""

    model_config = ConfigDict(title="velocity", json_schema_extra={"minProperties": 1, "maxProperties": 2})

    fixed: Annotated[int | None, s.LOUDNESS] = _key("Every note gets this velocity.", 100, None)
    max: Annotated[int | None, s.LOUDNESS] = _key("No note gets more than this velocity.", 110, None)
    curve: Annotated[Points | None, r.CURVE] = _key(
        "How velocity answers to playing: a name, or points from played to sent.", "soft", None
    )


class BendRangeEntry(Entry):
    """The bend ranges of the device that is played and of the one that sounds, in semitones."""

    model_config = ConfigDict(title="pitch-bend-range")

    source: Annotated[int, s.SEMITONES] = _key("Range of the device that is played.", 2, alias="from")
    target: Annotated[int, s.SEMITONES] = _key("Range of the device that sounds.", 12, alias="to")


class DroneEntry(Entry):
    """Notes that a key switches on and off."""

    model_config = ConfigDict(title="drone")

    intervals: Annotated[tuple[int, ...], r.INTERVALS] = Field(
        (0,), description="Semitones above the root.", examples=[[0, 7]], json_schema_extra={"default": [0]}
    )
    octave: Annotated[int, s.OCTAVE_NUMBER] = _key("Octave of the root; C4 is middle C.", 2, 3)
    root: Annotated[int | None, s.ROOT] = _key("The root; the song's key when left out.", "D", None)


class MapEntry(Entry):
    """One thing that has a value made into another, on the same or another device."""

    model_config = ConfigDict(title="map")

    source: Annotated[Quantity, r.MAP_FROM] = _key("What is moved.", 1, alias="from")
    target: Annotated[Quantity, r.MAP_TO] = _key("What it becomes.", "fine 1", alias="to")
    device: Annotated[str | None, s.TARGET] = _key("On which device; the route's when left out.", "pad", None)
    channels: Annotated[frozenset[int] | None, r.CHANNELS] = _key(
        "On which channels; the route's when left out.", "1-16", None
    )
    source_range: Annotated[tuple[int, int] | None, r.FROM_RANGE] = _key(
        "Part of its way that counts.", "20-100", None, "from-range"
    )
    target_range: Annotated[tuple[int, int] | None, r.TO_RANGE] = _key(
        "What it becomes at the two ends; the first may be the higher.", "100-0", None, "range"
    )
    curve: Annotated[Points, r.CURVE] = Field(
        (),
        description="How it answers in between.",
        examples=["soft"],
        json_schema_extra={"default": "linear"},
    )
    deadband: Annotated[int, s.BYTE] = _key("Changes smaller than this are ignored.", 2, 0)
    pickup: Annotated[bool, s.FLAG] = _key(
        "Wait until it meets the value that the target has.", True, False, "pickup"
    )
    switch: Annotated[Switching | None, s.SWITCHING] = _key("Use it as a switch.", "latch", None)


class ZoneEntry(Entry):
    """A zone of channels with one note each (MPE), and where it goes."""

    model_config = ConfigDict(
        title="zone", json_schema_extra={"oneOf": [{"required": ["to"]}, {"required": ["channel"]}]}
    )

    source: Annotated[Side, s.SIDE] = _key("Which zone of the device that is played.", "lower", alias="from")
    members: Annotated[int, s.MEMBERS] = _key("Its member channels.", 7)
    target: Annotated[Side | None, s.SIDE] = _key("Which zone it goes to.", "upper", None, "to")
    to_members: Annotated[int | None, s.MEMBERS] = _key(
        "The member channels there; as many when left out.", 3, None, "to-members"
    )
    channel: Annotated[int | None, s.CHANNEL] = _key("Instead of 'to': everything on this channel.", 4, None)
    pitch_bend_range: Annotated[int, s.SEMITONES] = _key(
        "With 'channel': the bend range there, in semitones.", 12, 2
    )


class RouteEntry(Entry):
    """From a device to a device, with what is let through and how it is changed."""

    model_config = ConfigDict(
        title="route",
        json_schema_extra={
            "anyOf": [
                {"required": ["from", "to"]},
                {"required": ["name", "off"], "properties": {"off": {"const": True}}},
            ]
        },
    )

    name: Annotated[str | None, s.TITLE] = _key(
        "What a song or section calls it to replace it or switch it off; 'SOURCE to TARGET' when left out.",
        "left hand",
        None,
    )
    source: Annotated[str | None, s.SOURCE] = _key("The device that is played.", "keys", None, "from")
    target: Annotated[str | None, s.TARGET] = _key("The device that sounds.", "lead-synth", None, "to")
    kinds: list[Annotated[Kind, s.KIND]] | None = Field(
        None,
        alias="pass",
        description="The kinds of message let through; notes, controllers, bend and pressure when left out.",
        examples=[["notes", "pitch-bend"]],
        json_schema_extra={"minItems": 1},
    )
    block: list[Annotated[Kind, s.KIND]] | None = Field(
        None,
        description="The kinds of message kept back, instead of 'pass'.",
        examples=[["pitch-bend"]],
        json_schema_extra={"minItems": 1},
    )
    from_channel: Annotated[int | None, s.CHANNEL] = _key(
        "Only what comes on this channel; any channel when left out.", 1, None
    )
    block_channels: Annotated[frozenset[int] | None, r.CHANNELS] = _key(
        "Nothing that comes on these channels.", [10], None
    )
    channel: Annotated[int | None, s.CHANNEL] = _key(
        "The channel it goes out on; unchanged when left out.", 3, None
    )
    notes: Annotated[tuple[int, int] | None, s.NOTE_RANGE] = _key(
        "Only notes in this range, before transposing; C4 is 60.", "C2-B4", None
    )
    transpose: Annotated[int, s.TRANSPOSE] = _key("Semitones up, or down when negative.", -12, 0)
    octave: Annotated[int, s.OCTAVES] = _key("Octaves up, or down when negative.", -1, 0)
    velocity: VelocityEntry | None = _key("How velocity is changed.", {"max": 110}, None)
    velocities: Annotated[tuple[int, int] | None, r.VELOCITIES] = _key(
        "Only notes played with a velocity in this range; their releases follow them.", "1-80", None
    )
    chord: Annotated[tuple[int, ...] | None, r.INTERVALS] = _key(
        "Every key plays these semitones from it.", [0, 7, 12], None
    )
    drone: DroneEntry | None = _key("Every key switches held notes on and off.", {"intervals": [0, 7]}, None)
    cc: Annotated[frozenset[int] | None, r.CONTROLLERS] = _key("Only these controllers.", [1, "64-67"], None)
    block_cc: Annotated[frozenset[int] | None, r.CONTROLLERS] = _key("No such controllers.", [7], None)
    maps: list[MapEntry] = Field(
        default_factory=list,
        alias="map",
        description="Controllers and other values that become something else.",
        examples=[[{"from": 1, "to": 11}]],
    )
    zone: ZoneEntry | None = _key(
        "Plays a zone of one note a channel (MPE).", {"from": "lower", "members": 7, "to": "upper"}, None
    )
    pitch_bend_range: BendRangeEntry | None = _key(
        "Makes bends sound alike on a device with another range.", {"from": 2, "to": 12}, None
    )
    programs: dict[Annotated[int, r.PROGRAM_KEY], Annotated[int, s.PROGRAM]] = Field(
        default_factory=dict,
        description="Program changes that become others, counted from 1; all others stay.",
        examples=[{1: 12}],
    )
    sysex: list[Annotated[bytes, r.PREFIX]] = Field(
        default_factory=list,
        description="Only SysEx that begins with one of these bytes.",
        examples=[["F0 7D"]],
    )
    chase: Annotated[bool, s.FLAG] = _key(
        "On entry the target gets the present positions of the pedals, wheels, bend and pressure that pass.",
        True,
        False,
    )
    off: Annotated[bool, s.FLAG] = _key(
        "Switches off the inherited route of that name; takes no key but name.", True, False
    )
