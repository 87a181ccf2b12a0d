"""The parts of a route that have keys of their own: velocity, drone, map and zone."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from routerd.core.model.route import (
    FULL,
    NUMBERED,
    SEQUENCE_KINDS,
    SHAPES,
    SOURCE_KINDS,
    TARGET_KINDS,
    NoteZone,
    Points,
    Quantity,
    QuantityKind,
    Remap,
    Side,
    Switching,
)
from routerd.core.units import parse_note
from routerd.server.rigfiles.problems import one_of, quote, suggest
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, wrong
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.values import (
    BYTE,
    CHANNEL,
    CHANNELS,
    FLAG,
    LOUDNESS,
    TARGET,
    choice,
    read_whole,
    span,
    whole,
)

MOST_CURVE_POINTS = 128
MOST_INTERVALS = 16

_MOST_OF_NUMBER = {
    QuantityKind.CC: 119,
    QuantityKind.FINE: 31,
    QuantityKind.RPN: FULL,
    QuantityKind.NRPN: FULL,
}

_NO_VALUE = {6, 38, *range(96, 102)}


def _read_curve(value: Any, _: ValidationContext) -> Points:
    remedy = f"write {one_of(SHAPES)}, or points such as [[0, 0], [64, 90], [127, 127]]"
    if isinstance(value, str):
        if value not in SHAPES:
            raise wrong(f"{quote(value)} is not known here", suggest(value, SHAPES))
        return SHAPES[value]
    if not isinstance(value, list) or not all(isinstance(p, list) and len(p) == 2 for p in value):
        raise wrong(f"{quote(value)} is not a curve", remedy)
    if not 2 <= len(value) <= MOST_CURVE_POINTS:
        raise wrong(f"has {len(value)} points", f"write 2 to {MOST_CURVE_POINTS}")
    points = tuple((read_whole(x, 0, 127), read_whole(y, 0, 127)) for x, y in value)
    for (x, y), (next_x, next_y) in pairwise(points):
        if next_x <= x:
            raise wrong(f"goes from {x} back to {next_x}", "let the first number of each point rise")
        if next_y < y:
            raise wrong(
                f"falls from {y} to {next_y}",
                "let the second numbers rise; a falling 'range' turns a map round",
            )
    return points


def _read_quantity(value: Any, known: frozenset[QuantityKind]) -> Quantity:
    if isinstance(value, int) and not isinstance(value, bool):
        value = f"cc {value}"
    words = value.split() if isinstance(value, str) else []
    remedy = "write a controller's number, or words such as 'fine 1', 'pressure', 'pitch-bend', 'nrpn 300'"
    if not 1 <= len(words) <= 2:
        raise wrong(f"{quote(value)} is not something that can be mapped", remedy)
    names = sorted(kind.value for kind in known)
    if words[0] not in names:
        raise wrong(f"{quote(value)} cannot be mapped here", suggest(words[0], names))
    kind = QuantityKind(words[0])
    if (kind in NUMBERED) != (len(words) == 2):
        raise wrong(
            f"{quote(value)} is incomplete",
            f"write '{kind.value} 1'" if kind in NUMBERED else f"write '{kind.value}' alone",
        )
    if kind not in NUMBERED:
        return Quantity(kind)
    if kind is QuantityKind.NOTE:
        try:
            return Quantity(kind, parse_note(words[1]))
        except ValueError as error:
            raise wrong(
                f"{quote(value)} names no note from 0 to 127", "write 'note C3' or 'note 48'"
            ) from error
    number = read_whole(int(words[1]) if words[1].isdecimal() else words[1], 0, _MOST_OF_NUMBER[kind])
    if (kind is QuantityKind.CC and number in _NO_VALUE) or (kind is QuantityKind.FINE and number == 6):
        raise wrong(f"controller {number} is part of a parameter", "write 'rpn' or 'nrpn' and its number")
    return Quantity(kind, number)


def _read_intervals(value: Any, _: ValidationContext) -> tuple[int, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_INTERVALS:
        raise wrong(f"{quote(value)} is not a list of semitones", "write 1 to 16 of them, such as [0, 4, 7]")
    steps = tuple(read_whole(step, -48, 48) for step in value)
    if len(set(steps)) < len(steps):
        raise wrong("has the same semitone twice", "write each once")
    return steps


FROM_RANGE = span(0, FULL, point=False)
TO_RANGE = span(0, FULL, falls=True)

_POINT = {
    "type": "array",
    "items": {"type": "integer", "minimum": 0, "maximum": 127},
    "minItems": 2,
    "maxItems": 2,
}

CURVE = Leaf(
    _read_curve,
    {
        "anyOf": [
            {"type": "string", "enum": list(SHAPES)},
            {"type": "array", "items": _POINT, "minItems": 2, "maxItems": MOST_CURVE_POINTS},
        ]
    },
)

_WORDS = {"type": ["integer", "string"], "minimum": 0, "maximum": 119}
MAP_FROM = Leaf(lambda value, _: _read_quantity(value, SOURCE_KINDS), _WORDS)
MAP_TO = Leaf(lambda value, _: _read_quantity(value, TARGET_KINDS), _WORDS)

INTERVALS = Leaf(
    _read_intervals,
    {
        "type": "array",
        "items": {"type": "integer", "minimum": -48, "maximum": 48},
        "minItems": 1,
        "maxItems": MOST_INTERVALS,
    },
)


def _root(value: Any, _: ValidationContext) -> int:
    if not isinstance(value, str) or re.fullmatch(r"[A-Ga-g][#b]?", value) is None:
        raise wrong(f"{quote(value)} is not the name of a note", "write one such as D, F# or Bb")
    return parse_note(value + "4") % 12


SIDE = choice(Side)
MEMBERS = whole(1, 15)
SEMITONES = whole(1, 96)
OCTAVE_NUMBER = whole(-1, 8)
SWITCHING = choice(Switching, leave_out=[Switching.NONE])
ROOT = Leaf(_root, {"type": "string", "pattern": r"^[A-Ga-g][#b]?$"})


class VelocityEntry(Entry):
    """How a route changes velocity: fixed, or shaped and capped."""

    model_config = ConfigDict(title="velocity", json_schema_extra={"minProperties": 1, "maxProperties": 2})

    fixed: Annotated[int | None, LOUDNESS] = option("Every note gets this velocity.", 100, None)
    max: Annotated[int | None, LOUDNESS] = option("No note gets more than this velocity.", 110, None)
    curve: Annotated[Points | None, CURVE] = option(
        "How velocity answers to playing: a name, or points from played to sent.", "soft", None
    )


class BendRangeEntry(Entry):
    """The bend ranges of the device that is played and of the one that sounds, in semitones."""

    model_config = ConfigDict(title="pitch-bend-range")

    source: Annotated[int, SEMITONES] = option("Range of the device that is played.", 2, alias="from")
    target: Annotated[int, SEMITONES] = option("Range of the device that sounds.", 12, alias="to")


class DroneEntry(Entry):
    """Notes that a key switches on and off."""

    model_config = ConfigDict(title="drone")

    intervals: Annotated[tuple[int, ...], INTERVALS] = Field(
        (0,), description="Semitones above the root.", examples=[[0, 7]], json_schema_extra={"default": [0]}
    )
    octave: Annotated[int, OCTAVE_NUMBER] = option("Octave of the root; C4 is middle C.", 2, 3)
    root: Annotated[int | None, ROOT] = option("The root; the song's key when left out.", "D", None)


class MapEntry(Entry):
    """One thing that has a value made into another, on the same or another device."""

    model_config = ConfigDict(title="map")

    source: Annotated[Quantity, MAP_FROM] = option("What is moved.", 1, alias="from")
    target: Annotated[Quantity, MAP_TO] = option("What it becomes.", "fine 1", alias="to")
    device: Annotated[str | None, TARGET] = option("On which device; the route's when left out.", "pad", None)
    channels: Annotated[frozenset[int] | None, CHANNELS] = option(
        "On which channels; the route's when left out.", "1-16", None
    )
    source_range: Annotated[tuple[int, int] | None, FROM_RANGE] = option(
        "Part of its way that counts.", "20-100", None, "from-range"
    )
    target_range: Annotated[tuple[int, int] | None, TO_RANGE] = option(
        "What it becomes at the two ends; the first may be the higher.", "100-0", None, "range"
    )
    curve: Annotated[Points, CURVE] = Field(
        (),
        description="How it answers in between.",
        examples=["soft"],
        json_schema_extra={"default": "linear"},
    )
    deadband: Annotated[int, BYTE] = option("Changes smaller than this are ignored.", 2, 0)
    pickup: Annotated[bool, FLAG] = option(
        "Wait until it meets the value that the target has.", True, False, "pickup"
    )
    switch: Annotated[Switching | None, SWITCHING] = option("Use it as a switch.", "latch", None)


class ZoneEntry(Entry):
    """A zone of channels with one note each (MPE), and where it goes."""

    model_config = ConfigDict(
        title="zone", json_schema_extra={"oneOf": [{"required": ["to"]}, {"required": ["channel"]}]}
    )

    source: Annotated[Side, SIDE] = option("Which zone of the device that is played.", "lower", alias="from")
    members: Annotated[int, MEMBERS] = option("Its member channels.", 7)
    target: Annotated[Side | None, SIDE] = option("Which zone it goes to.", "upper", None, "to")
    to_members: Annotated[int | None, MEMBERS] = option(
        "The member channels there; as many when left out.", 3, None, "to-members"
    )
    channel: Annotated[int | None, CHANNEL] = option("Instead of 'to': everything on this channel.", 4, None)
    pitch_bend_range: Annotated[int, SEMITONES] = option(
        "With 'channel': the bend range there, in semitones.", 12, 2
    )


def review_velocity(checked: Checked[Any], path: KeyPath, velocity: VelocityEntry) -> None:
    """Check that a velocity is one thing, and lets something sound."""
    others = velocity.model_fields_set & {"max", "curve"}
    if not velocity.model_fields_set or (velocity.fixed is not None and others):
        checked.report(
            path,
            "velocity takes one fixed value, or a curve and a limit",
            "write 'fixed' or 'max', or 'curve' with or without 'max'",
        )
    points = velocity.curve or ()
    if points and points[-1][1] == 0:
        checked.report((*path, "curve"), "the curve never rises", "let its last point be above 0")


def review_map(checked: Checked[Any], path: KeyPath, one: MapEntry) -> None:
    """Check the ranges of a map, and what it is used as."""
    for key, value, end in (
        ("from-range", one.source_range, one.source),
        ("range", one.target_range, one.target),
    ):
        if value is not None and max(value) > end.max:
            checked.report(
                (*path, key),
                f"{key} goes up to {max(value)}, but {end.kind.value} only to {end.max}",
                f"write numbers from 0 to {end.max}",
            )
    is_switch = one.switch is not None or one.target.kind in SEQUENCE_KINDS
    if is_switch and (one.curve or one.pickup):
        checked.report(path, "a switch has neither 'curve' nor 'pickup'", "remove the key, or 'switch'")
    if one.target.kind in SEQUENCE_KINDS and one.target_range is not None:
        checked.report((*path, "range"), f"{one.target.kind.value} has no range", "remove 'range'")


_KEY = re.compile(r"\s*([A-Ga-g])\s*(#|b|♯|♭)?(?![A-Za-z#b])")
_PLAIN = {"♯": "#", "♭": "b", None: ""}


def root_of(key: str) -> int | None:
    """Return the pitch class (0–11, C is 0) that a song's key begins with, None when it names no note."""
    match = _KEY.match(key)
    if match is None:
        return None
    sign = _PLAIN.get(match[2], match[2] or "")
    return parse_note(f"{match[1].upper()}{sign}4") % 12


def resolve_drone(entry: DroneEntry, root: int | None) -> tuple[int, ...]:
    """Return the notes of a drone; `root` is the pitch class of the song's key."""
    pitch_class = entry.root if entry.root is not None else root or 0
    notes = (12 * (entry.octave + 1) + pitch_class + interval for interval in entry.intervals)
    return tuple(note for note in notes if 0 <= note <= 127)


def resolve_zone(entry: ZoneEntry) -> NoteZone:
    """Return the zone that an entry means."""
    folded = entry.channel is not None
    return NoteZone(
        upper=entry.source is Side.UPPER,
        members=entry.members,
        to_upper=entry.target is Side.UPPER,
        to_members=0 if folded else entry.to_members or entry.members,
        to_channel=entry.channel or 0,
        to_bend=entry.pitch_bend_range,
    )


def resolve_map(entry: MapEntry) -> Remap:
    """Return the map that an entry means."""
    return Remap(
        source=entry.source,
        target=entry.target,
        source_range=entry.source_range or (0, entry.source.max),
        target_range=entry.target_range or (0, entry.target.max),
        curve=entry.curve,
        deadband=entry.deadband,
        pickup=entry.pickup,
        switching=entry.switch or Switching.NONE,
        channels=tuple(sorted(entry.channels or ())),
    )
