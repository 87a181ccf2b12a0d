"""A route: its shape, what must be true across its keys and the routes it inherits, and what it means.

One entry may become several routes with the same name: a map may lead to other devices than its route.
What is resolved here has been checked before. More lines than most modules: whoever adds an option finds
all of it here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from routerd.core.midi.messages import SYSEX, Kind
from routerd.core.model.route import Remap, Route
from routerd.server.rigfiles.problems import INVALID, quote, suggest
from routerd.server.rigfiles.route_parts import (
    INTERVALS,
    BendRangeEntry,
    DroneEntry,
    MapEntry,
    VelocityEntry,
    ZoneEntry,
    resolve_drone,
    resolve_map,
    resolve_zone,
    review_map,
    review_velocity,
)
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, review_twice, wrong
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.values import (
    CHANNEL,
    CHANNELS,
    FLAG,
    HEX,
    NOTE_RANGE,
    PROGRAM,
    SOURCE,
    TARGET,
    TITLE,
    choice,
    numbers,
    read_whole,
    span,
    whole,
)


def _prefix(value: Any, _: ValidationContext) -> bytes:
    if not isinstance(value, str) or HEX.match(value.strip()) is None:
        raise wrong(f"{quote(value)} is not hexadecimal bytes", "write how it begins, such as 'F0 7D'")
    data = bytes.fromhex(value)
    if data[0] != SYSEX or max(data[1:], default=0) > 0x7F:
        raise wrong(f"{quote(value)} is not how a SysEx begins", "begin with F0, then bytes 00 to 7F")
    return data


def _program_key(value: Any, _: ValidationContext) -> int:
    return read_whole(int(value) if re.fullmatch(r"[1-9]\d{0,3}", str(value)) else value, 1, 128) - 1


CONTROLLERS = numbers(0, 127)
VELOCITIES = span(1, 127)
PREFIX = Leaf(_prefix, {"type": "string", "pattern": r"^\s*[Ff]0(\s*[0-7][0-9A-Fa-f])*\s*$"})
PROGRAM_KEY = Leaf(_program_key, {"type": "string", "pattern": r"^[1-9]\d{0,2}$"})


KIND = choice(Kind)
OCTAVES = whole(-5, 5)
TRANSPOSE = whole(-48, 48)


DEFAULT_KINDS = frozenset({Kind.NOTES, Kind.CC, Kind.PITCH_BEND, Kind.CHANNEL_PRESSURE, Kind.POLY_PRESSURE})


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

    name: Annotated[str | None, TITLE] = option(
        "What a song or section calls it to replace it or switch it off; 'SOURCE to TARGET' when left out.",
        "left hand",
        None,
    )
    source: Annotated[str | None, SOURCE] = option("The device that is played.", "keys", None, "from")
    target: Annotated[str | None, TARGET] = option("The device that sounds.", "lead-synth", None, "to")
    kinds: list[Annotated[Kind, KIND]] | None = Field(
        None,
        alias="pass",
        description="The kinds of message let through; notes, controllers, bend and pressure when left out.",
        examples=[["notes", "pitch-bend"]],
        json_schema_extra={"minItems": 1},
    )
    block: list[Annotated[Kind, KIND]] | None = Field(
        None,
        description="The kinds of message kept back, instead of 'pass'.",
        examples=[["pitch-bend"]],
        json_schema_extra={"minItems": 1},
    )
    from_channel: Annotated[int | None, CHANNEL] = option(
        "Only what comes on this channel; any channel when left out.", 1, None
    )
    block_channels: Annotated[frozenset[int] | None, CHANNELS] = option(
        "Nothing that comes on these channels.", [10], None
    )
    channel: Annotated[int | None, CHANNEL] = option(
        "The channel it goes out on; unchanged when left out.", 3, None
    )
    notes: Annotated[tuple[int, int] | None, NOTE_RANGE] = option(
        "Only notes in this range, before transposing; C4 is 60.", "C2-B4", None
    )
    transpose: Annotated[int, TRANSPOSE] = option("Semitones up, or down when negative.", -12, 0)
    octave: Annotated[int, OCTAVES] = option("Octaves up, or down when negative.", -1, 0)
    velocity: VelocityEntry | None = option("How velocity is changed.", {"max": 110}, None)
    velocities: Annotated[tuple[int, int] | None, VELOCITIES] = option(
        "Only notes played with a velocity in this range; their releases follow them.", "1-80", None
    )
    chord: Annotated[tuple[int, ...] | None, INTERVALS] = option(
        "Every key plays these semitones from it.", [0, 7, 12], None
    )
    drone: DroneEntry | None = option(
        "Every key switches held notes on and off.", {"intervals": [0, 7]}, None
    )
    cc: Annotated[frozenset[int] | None, CONTROLLERS] = option("Only these controllers.", [1, "64-67"], None)
    block_cc: Annotated[frozenset[int] | None, CONTROLLERS] = option("No such controllers.", [7], None)
    maps: list[MapEntry] = Field(
        default_factory=list,
        alias="map",
        description="Controllers and other values that become something else.",
        examples=[[{"from": 1, "to": 11}]],
    )
    zone: ZoneEntry | None = option(
        "Plays a zone of one note a channel (MPE).", {"from": "lower", "members": 7, "to": "upper"}, None
    )
    pitch_bend_range: BendRangeEntry | None = option(
        "Makes bends sound alike on a device with another range.", {"from": 2, "to": 12}, None
    )
    programs: dict[Annotated[int, PROGRAM_KEY], Annotated[int, PROGRAM]] = Field(
        default_factory=dict,
        description="Program changes that become others, counted from 1; all others stay.",
        examples=[{1: 12}],
    )
    sysex: list[Annotated[bytes, PREFIX]] = Field(
        default_factory=list,
        description="Only SysEx that begins with one of these bytes.",
        examples=[["F0 7D"]],
    )
    chase: Annotated[bool, FLAG] = option(
        "On entry the target gets the present positions of the pedals, wheels, bend and pressure that pass.",
        True,
        False,
    )
    off: Annotated[bool, FLAG] = option(
        "Switches off the inherited route of that name; takes no key but name.", True, False
    )


@dataclass(frozen=True, slots=True)
class RouteNames:
    """The names of inherited routes; not `complete` when some name could not be read."""

    names: frozenset[str] = frozenset()
    complete: bool = True
    rootless: frozenset[str] = frozenset()
    """Those that play a drone on the root of the song's key."""


def review_routes(
    checked: Checked[Any], path: KeyPath, entries: Sequence[RouteEntry], inherited: RouteNames
) -> RouteNames:
    """Check a list of routes against what it inherits; return the names it passes on."""
    names = set(inherited.names)
    complete = inherited.complete and checked.is_sound(path)
    rootless = set(inherited.rootless)
    first: dict[str, int] = {}
    for index, entry in enumerate(entries):
        here = (*path, index)
        if INVALID in (entry.name, entry.source, entry.target):
            continue
        if entry.name is None and None in (entry.source, entry.target):
            _review_route(checked, here, entry)
            continue
        name = route_name(entry)
        review_twice(checked, first, (*here, "name"), name, "route")
        rootless.discard(name)
        if needs_root(entry):
            rootless.add(name)
        if not entry.off:
            names.add(name)
        elif name in names:
            names.discard(name)
        elif inherited.complete and entry.name is not None:
            checked.report(
                (*here, "name"),
                f"there is no route {quote(name)} to switch off here",
                partial(suggest, name, sorted(inherited.names)),
            )
        _review_route(checked, here, entry)
    return RouteNames(frozenset(names), complete, frozenset(rootless))


def _review_route(checked: Checked[Any], path: KeyPath, entry: RouteEntry) -> None:
    if not checked.is_sound(path):
        return
    if entry.off:
        others = sorted(entry.model_fields_set - {"name", "off"})
        if entry.name is None:
            checked.report((*path, "off"), "'off' needs the name of a route", "add 'name: …' beside it")
        elif others:
            checked.report(
                (*path, "off"),
                "a route that is switched off takes no key but 'name'",
                "remove the other keys, or 'off'",
            )
        return
    for key, value in (("from", entry.source), ("to", entry.target)):
        if value is None:
            checked.report(path, f"the route has no '{key}'", f"add '{key}:' and the name of a device")
    _review_kinds(checked, path, entry)
    _review_notes(checked, path, entry)
    _review_zone(checked, path, entry)
    for index, one in enumerate(entry.maps):
        review_map(checked, (*path, "map", index), one)


def _review_kinds(checked: Checked[Any], path: KeyPath, entry: RouteEntry) -> None:
    for key, kinds in (("pass", entry.kinds), ("block", entry.block)):
        if kinds is not None and not kinds:
            checked.report((*path, key), f"'{key}' is empty", "list kinds of message, such as notes")
    if entry.kinds is not None and entry.block is not None:
        checked.report((*path, "block"), "the route has both 'pass' and 'block'", "keep one of the two")
    for key, value, kind in (
        ("sysex", entry.sysex, Kind.SYSEX),
        ("programs", entry.programs, Kind.PROGRAM),
        ("pitch-bend-range", entry.pitch_bend_range, Kind.PITCH_BEND),
        ("cc", entry.cc, Kind.CC),
    ):
        if value and (kind in (entry.block or ()) or (entry.kinds and kind not in entry.kinds)):
            checked.report(
                (*path, key), f"'{key}' changes what the route does not let through", f"let {kind.value} pass"
            )


def _review_notes(checked: Checked[Any], path: KeyPath, entry: RouteEntry) -> None:
    low, high = entry.notes or (0, 127)
    shift = entry.transpose + 12 * entry.octave
    key = "transpose" if entry.transpose or not entry.octave else "octave"
    if entry.drone is None and (high + shift < 0 or low + shift > 127):
        checked.report(
            (*path, key),
            f"{key} {entry.transpose or entry.octave} moves every note of the range outside 0 to 127",
            f"choose a smaller {key} or another range",
        )
    if entry.chord is not None and entry.drone is not None:
        checked.report((*path, "drone"), "the route has both 'chord' and 'drone'", "make two routes of it")
    if entry.velocity is not None:
        review_velocity(checked, (*path, "velocity"), entry.velocity)


_BESIDE_ZONE = frozenset(
    {"name", "from", "to", "pass", "block", "notes", "transpose", "octave", "velocity", "velocities", "zone"}
)


def _review_zone(checked: Checked[Any], path: KeyPath, entry: RouteEntry) -> None:
    zone = entry.zone
    if zone is None:
        return
    if (zone.target is None) == (zone.channel is None):
        checked.report((*path, "zone"), "a zone goes to a zone or to one channel", "write 'to' or 'channel'")
    elif zone.channel is not None and zone.to_members is not None:
        checked.report((*path, "zone", "to-members"), "one channel has no members", "remove 'to-members'")
    fields = RouteEntry.model_fields.items()
    given = {info.alias or name for name, info in fields if name in entry.model_fields_set}
    for other in sorted(given - _BESIDE_ZONE)[:1]:
        checked.report((*path, other), f"'{other}' has no meaning beside 'zone'", "make another route for it")


_ALL_CONTROLLERS = frozenset(range(128))


def route_name(entry: RouteEntry) -> str:
    """Return the name of a route, given or by default."""
    return entry.name if entry.name is not None else f"{entry.source} to {entry.target}"


def needs_root(entry: RouteEntry) -> bool:
    """Return whether a route takes its drone's root from the song's key."""
    return entry.drone is not None and entry.drone.root is None


def inherit(
    inherited: tuple[Route, ...], entries: Iterable[RouteEntry], root: int | None
) -> tuple[Route, ...]:
    """Return the inherited routes with those of `entries` put in their place, added or taken away.

    `root` is the pitch class of the song's key.
    """
    routes: dict[str, tuple[Route, ...]] = {}
    for route in inherited:
        routes[route.name] = (*routes.get(route.name, ()), route)
    for entry in entries:
        name = route_name(entry)
        if entry.off:
            del routes[name]
        else:
            routes[name] = resolve_route(name, entry, root)
    return tuple(route for group in routes.values() for route in group)


def resolve_route(name: str, entry: RouteEntry, root: int | None) -> tuple[Route, ...]:
    """Return the routes that an entry means."""
    low, high = entry.notes or (0, 127)
    velocity = entry.velocity
    low_velocity, high_velocity = entry.velocities or (1, 127)
    here = [one for one in entry.maps if one.device in (None, entry.target)]
    main = Route(
        name=name,
        source=entry.source or "",
        target=entry.target or "",
        kinds=_kinds(entry),
        from_channel=-1 if entry.from_channel is None else entry.from_channel,
        to_channel=-1 if entry.channel is None else entry.channel,
        note_low=low,
        note_high=high,
        transpose=entry.transpose + 12 * entry.octave,
        velocity_fixed=(velocity and velocity.fixed) or 0,
        velocity_max=(velocity and velocity.max) or 0,
        velocity_low=low_velocity,
        velocity_high=high_velocity,
        velocity_curve=(velocity and velocity.curve) or (),
        blocked_channels=entry.block_channels or frozenset(),
        blocked_cc=_blocked_cc(entry),
        programs=tuple(sorted(entry.programs.items())),
        sysex_prefixes=tuple(entry.sysex),
        bend_from=entry.pitch_bend_range.source if entry.pitch_bend_range else 0,
        bend_to=entry.pitch_bend_range.target if entry.pitch_bend_range else 0,
        chord=entry.chord or (),
        drone=() if entry.drone is None else resolve_drone(entry.drone, root),
        maps=tuple(resolve_map(one) for one in here),
        zone=None if entry.zone is None else resolve_zone(entry.zone),
        chase=entry.chase,
    )
    return main, *_elsewhere(main, [one for one in entry.maps if one not in here])


def _elsewhere(main: Route, entries: list[MapEntry]) -> list[Route]:
    """Return one route more for every other device that a map leads to."""
    by_device: dict[str, list[Remap]] = {}
    for entry in entries:
        by_device.setdefault(entry.device or "", []).append(resolve_map(entry))
    return [
        Route(
            name=main.name,
            source=main.source,
            target=device,
            kinds=frozenset(),
            from_channel=main.from_channel,
            to_channel=main.to_channel,
            blocked_channels=main.blocked_channels,
            maps=tuple(maps),
            chase=main.chase,
        )
        for device, maps in by_device.items()
    ]


def _kinds(entry: RouteEntry) -> frozenset[Kind]:
    kinds = DEFAULT_KINDS if entry.kinds is None else frozenset(entry.kinds)
    if entry.kinds is None and entry.programs:
        kinds |= {Kind.PROGRAM}
    if entry.kinds is None and entry.sysex:
        kinds |= {Kind.SYSEX}
    return kinds - frozenset(entry.block or ())


def _blocked_cc(entry: RouteEntry) -> frozenset[int]:
    only = frozenset() if entry.cc is None else _ALL_CONTROLLERS - entry.cc
    return only | (entry.block_cc or frozenset())
