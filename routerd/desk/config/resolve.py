"""From checked files to the values that the engine compiles: defaults filled in, routes inherited.

Trusts its arguments: it runs only when no file had a problem.
"""

from __future__ import annotations

from collections.abc import Iterable

from routerd.core.model import Device, Patch, Rig, Section, Song
from routerd.core.routes import Route
from routerd.desk.config.entries import (
    DEFAULT_KINDS,
    DeviceEntry,
    PatchEntry,
    RigFile,
    RouteEntry,
    SongFile,
)
from routerd.desk.config.ports import PortChoice
from routerd.desk.config.rules import control_of, route_name


def resolve_rig(file: RigFile) -> Rig:
    """Return the rig that a file describes."""
    devices = tuple(_device(name, entry) for name, entry in file.devices.items())
    return Rig(file.name, devices, tuple(control_of(entry) for entry in file.controls))


def _device(name: str, entry: DeviceEntry) -> Device:
    read_from, write_to = entry.input or PortChoice(), entry.output or PortChoice()
    return Device(
        name=name,
        title=entry.title or name,
        input_pattern=read_from.pattern,
        output_pattern=write_to.pattern,
        wire=entry.wire,
        clock=entry.clock,
        transport=entry.transport,
        input_usb=read_from.usb,
        output_usb=write_to.usb,
    )


def resolve_song(identifier: str, file: SongFile, shared: tuple[Route, ...]) -> Song:
    """Return the song that a file describes; `shared` are the rig's routes."""
    beats, beat_unit = file.meter
    routes = inherit(shared, file.routes)
    sections = tuple(
        Section(
            name=entry.name,
            routes=unmuted(inherit(routes, entry.routes), [*file.mute, *entry.mute]),
            patches=tuple(_patch(patch) for patch in entry.patches),
            bpm=entry.tempo,
            sounding=entry.sounding or file.sounding,
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
        patches=tuple(_patch(patch) for patch in file.patches),
        sections=sections,
        checklist=tuple(file.checklist),
        notes=file.notes,
        sections_end=file.after_sections,
        sounding=file.sounding,
    )


def inherit(inherited: tuple[Route, ...], entries: Iterable[RouteEntry]) -> tuple[Route, ...]:
    """Return the inherited routes with those of `entries` put in their place, added or taken away."""
    routes = {route.name: route for route in inherited}
    for entry in entries:
        name = route_name(entry)
        if entry.off:
            del routes[name]
        else:
            routes[name] = _route(name, entry)
    return tuple(routes.values())


def unmuted(routes: tuple[Route, ...], muted: Iterable[str]) -> tuple[Route, ...]:
    """Return the routes that do not lead to a device of `muted`."""
    silent = set(muted)
    return tuple(route for route in routes if route.target not in silent)


def resolve_routes(entries: Iterable[RouteEntry]) -> tuple[Route, ...]:
    """Return the rig's own routes, which inherit nothing."""
    return inherit((), entries)


def _route(name: str, entry: RouteEntry) -> Route:
    low, high = entry.notes or (0, 127)
    velocity = entry.velocity
    return Route(
        name=name,
        source=entry.source or "",
        target=entry.target or "",
        kinds=DEFAULT_KINDS if entry.kinds is None else frozenset(entry.kinds),
        from_channel=-1 if entry.from_channel is None else entry.from_channel,
        to_channel=-1 if entry.channel is None else entry.channel,
        note_low=low,
        note_high=high,
        transpose=entry.transpose,
        velocity_fixed=(velocity and velocity.fixed) or 0,
        velocity_most=(velocity and velocity.most) or 0,
    )


def _patch(entry: PatchEntry) -> Patch:
    return Patch(
        device=entry.device,
        channel=entry.channel,
        bank=-1 if entry.bank is None else 128 * entry.bank.msb + entry.bank.lsb,
        program=-1 if entry.program is None else entry.program,
        controllers=tuple(entry.controllers.items()),
        sysex=tuple(message for dump in entry.sysex for message in dump),
    )
