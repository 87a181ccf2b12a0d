"""What must be true across the keys of a route, and across routes and what they inherit; see rules.py."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from routerd.core.midi.messages import Kind
from routerd.core.model.route import SEQUENCE_KINDS
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.problems import MISTAKE, choose, shown
from routerd.server.rigfiles.route_entries import MapEntry, RouteEntry
from routerd.server.rigfiles.route_resolve import needs_root, route_name
from routerd.server.rigfiles.text import Path


@dataclass(frozen=True, slots=True)
class RouteNames:
    """The names of inherited routes; not `complete` when some name could not be read."""

    names: frozenset[str] = frozenset()
    complete: bool = True
    rootless: frozenset[str] = frozenset()
    """Those that play a drone on the root of the song's key."""


def review_routes(
    checked: Checked[Any], path: Path, entries: Sequence[RouteEntry], inherited: RouteNames
) -> RouteNames:
    """Check a list of routes against what it inherits; return the names it passes on."""
    names = set(inherited.names)
    complete = inherited.complete and checked.is_sound(path)
    rootless = set(inherited.rootless)
    first: dict[str, int] = {}
    for index, entry in enumerate(entries):
        here = (*path, index)
        if MISTAKE in (entry.name, entry.source, entry.target):
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
                f"there is no route {shown(name)} to switch off here",
                partial(choose, name, sorted(inherited.names)),
            )
        _review_route(checked, here, entry)
    return RouteNames(frozenset(names), complete, frozenset(rootless))


def review_twice(checked: Checked[Any], first: dict[str, int], path: Path, name: str, kind: str) -> None:
    """Report a name that a list has already."""
    line = checked.document.line(path)
    if name in first:
        checked.report(
            path,
            f"{kind} {shown(name)} is already in line {first[name]}",
            f"give each {kind} of a list a 'name' of its own",
        )
    first.setdefault(name, line)


def _review_route(checked: Checked[Any], path: Path, entry: RouteEntry) -> None:
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
        _review_map(checked, (*path, "map", index), one)


def _review_kinds(checked: Checked[Any], path: Path, entry: RouteEntry) -> None:
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


def _review_notes(checked: Checked[Any], path: Path, entry: RouteEntry) -> None:
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
    velocity = entry.velocity
    if velocity is None:
        return
    others = velocity.model_fields_set & {"max", "curve"}
    if not velocity.model_fields_set or (velocity.fixed is not None and others):
        checked.report(
            (*path, "velocity"),
            "velocity takes one fixed value, or a curve and a limit",
            "write 'fixed' or 'most', or 'curve' with or without 'most'",
        )
    points = velocity.curve or ()
    if points and points[-1][1] == 0:
        checked.report((*path, "velocity", "curve"), "the curve never rises", "let its last point be above 0")


_BESIDE_ZONE = frozenset(
    {"name", "from", "to", "pass", "block", "notes", "transpose", "octave", "velocity", "velocities", "zone"}
)


def _review_zone(checked: Checked[Any], path: Path, entry: RouteEntry) -> None:
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


def _review_map(checked: Checked[Any], path: Path, one: MapEntry) -> None:
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
