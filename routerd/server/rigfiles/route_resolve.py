"""Routes resolved: defaults filled in, inherited routes replaced, added to and taken away.

Trusts its arguments, like `resolve`. One entry may become several routes of one name: a map may lead
to other devices than its route.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from routerd.core.midi.messages import Kind
from routerd.core.model.route import NoteZone, Remap, Route, Side, Switching
from routerd.core.units import parse_note
from routerd.server.rigfiles.route_entries import DEFAULT_KINDS, DroneEntry, MapEntry, RouteEntry, ZoneEntry

_ALL_CONTROLLERS = frozenset(range(128))
_KEY = re.compile(r"\s*([A-Ga-g])\s*(#|b|♯|♭)?(?![A-Za-z#b])")
_PLAIN = {"♯": "#", "♭": "b", None: ""}


def route_name(entry: RouteEntry) -> str:
    """Return the name of a route, given or by default."""
    return entry.name if entry.name is not None else f"{entry.source} to {entry.target}"


def root_of(key: str) -> int | None:
    """Return the pitch class (0–11, C is 0) that a song's key begins with, None when it names no note."""
    match = _KEY.match(key)
    if match is None:
        return None
    sign = _PLAIN.get(match[2], match[2] or "")
    return parse_note(f"{match[1].upper()}{sign}4") % 12


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
        drone=() if entry.drone is None else _drone(entry.drone, root),
        maps=tuple(_remap(one) for one in here),
        zone=None if entry.zone is None else _zone(entry.zone),
        chase=entry.chase,
    )
    return main, *_elsewhere(main, [one for one in entry.maps if one not in here])


def _elsewhere(main: Route, entries: list[MapEntry]) -> list[Route]:
    """Return one route more for every other device that a map leads to."""
    by_device: dict[str, list[Remap]] = {}
    for entry in entries:
        by_device.setdefault(entry.device or "", []).append(_remap(entry))
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


def _drone(entry: DroneEntry, root: int | None) -> tuple[int, ...]:
    pitch_class = entry.root if entry.root is not None else root or 0
    notes = (12 * (entry.octave + 1) + pitch_class + interval for interval in entry.intervals)
    return tuple(note for note in notes if 0 <= note <= 127)


def _zone(entry: ZoneEntry) -> NoteZone:
    folded = entry.channel is not None
    return NoteZone(
        upper=entry.source is Side.UPPER,
        members=entry.members,
        to_upper=entry.target is Side.UPPER,
        to_members=0 if folded else entry.to_members or entry.members,
        to_channel=entry.channel or 0,
        to_bend=entry.pitch_bend_range,
    )


def _remap(entry: MapEntry) -> Remap:
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
