"""Devices that share a port, and the channels that are theirs.

Devices that name the same port (pattern and USB device) share one connection and one wire. What holds for a
port may be written at any of its devices and then holds for all; written twice it must say the same.
Everything else is each device's own. `channels` tell the parts behind a port apart. A route from a device to
itself needs keys that do not play its own sounds as well (local control, M1 p. 25).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

from routerd.core.model.rig import Device, Rig
from routerd.core.model.route import Route
from routerd.core.model.song import Song
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.clock_rules import routes_of
from routerd.server.rigfiles.entries import DeviceEntry, RigFile, SongFile
from routerd.server.rigfiles.entry import Entry
from routerd.server.rigfiles.ports import PortChoice
from routerd.server.rigfiles.problems import MISTAKE, shown
from routerd.server.rigfiles.route_entries import RouteEntry
from routerd.server.rigfiles.text import Path

OF_PORT = ("wire", "running_status", "active_sensing", "clock", "transport", "loopback")
"""Keys of a device that hold for its output port."""

TIMING_OF_PORT = ("offset", "rate", "starts", "mtc")
"""Keys of a timing that hold for the port, where it has clock or transport."""


def sharing_output(rig: RigFile) -> list[list[tuple[str, DeviceEntry]]]:
    """Return the devices with an output by name, those of one port together, in the order of the file."""
    groups: dict[PortChoice, list[tuple[str, DeviceEntry]]] = {}
    for name, device in rig.devices.items():
        if device is not MISTAKE and device.output and device.output is not MISTAKE:
            port = device.output._replace(pattern=device.output.pattern.casefold())
            groups.setdefault(port, []).append((name, device))
    return list(groups.values())


def review_ports(rig: Checked[RigFile]) -> None:
    """Check that devices of one port do not contradict each other."""
    if rig.model is None:
        return
    for group in sharing_output(rig.model):
        sound = [(name, device) for name, device in group if rig.is_sound(("devices", name))]
        for key in OF_PORT:
            _review_same(rig, sound, (), key)
        timed = [(name, device) for name, device in sound if device.clock or device.transport]
        for key in TIMING_OF_PORT:
            _review_same(rig, timed, ("timing",), key)
        _review_channels_of(rig, sound)


def _review_same(
    rig: Checked[RigFile], group: list[tuple[str, DeviceEntry]], within: tuple[str, ...], key: str
) -> None:
    first: tuple[str, Any] | None = None
    for name, device in group:
        holder: Any = getattr(device, within[0]) if within else device
        if holder is None or key not in holder.model_fields_set:
            continue
        value = getattr(holder, key)
        if first is None:
            first = name, value
        elif value != first[1]:
            written = key.replace("_", "-")
            line = rig.document.line(("devices", first[0], *within, written))
            rig.report(
                ("devices", name, *within, written),
                f"{shown(name)} and {shown(first[0])} are on one output port, but have two different "
                f"'{written}' (the other is in line {line})",
                "write the same in both, or leave it out in one: it holds for the port",
            )


def _review_channels_of(rig: Checked[RigFile], group: list[tuple[str, DeviceEntry]]) -> None:
    """Check that no channel of a port is said to be two devices', and that keys and sounds are told once."""
    owners: dict[int, str] = {}
    controls: dict[int, tuple[str, bool]] = {}
    """By channel: the first device that says something of local control there, and what."""
    for name, device in group:
        taken = sorted(channel for channel in device.channels or () if channel in owners)
        if taken:
            other = owners[taken[0]]
            line = rig.document.line(("devices", other, "channels"))
            rig.report(
                ("devices", name, "channels"),
                f"channel {taken[0] + 1} of the output port is already that of {shown(other)} in line {line}",
                "give each device of a port channels of its own",
            )
        owners |= {channel: name for channel in device.channels or () if channel not in owners}
        wanted = device.local_control
        if wanted is None:
            continue
        theirs = device.channels or _ALL
        others = [controls[one][0] for one in theirs if one in controls and controls[one][1] != wanted]
        if others:
            line = rig.document.line(("devices", others[0], "local-control"))
            rig.report(
                ("devices", name, "local-control"),
                f"{shown(name)} and {shown(others[0])} (line {line}) share channels of a port, but have two "
                "different 'local-control'",
                "write the same in both, leave it out in one, or give each 'channels' of its own",
            )
        controls |= {one: (name, wanted) for one in theirs if one not in controls}


_ALL = frozenset(range(16))


def review_against_devices(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check the routes and patches of every file against the channels and the local control of devices."""
    if rig.model is None:
        return
    devices = {name: device for name, device in rig.model.devices.items() if rig.is_sound(("devices", name))}
    files: list[Checked[Any]] = [rig, *songs]
    for checked in files:
        for path, entry in routes_of(checked):
            if checked.is_sound(path) and not entry.off:
                _review_to_itself(checked, path, entry, devices)
                _review_route_channels(checked, path, entry, devices)
        for path, one, name in _with_channels(checked):
            if checked.is_sound(path) and "channel" in one.model_fields_set and one.channel is not None:
                _review_channel(checked, (*path, "channel"), one.channel, name, devices)


def _review_to_itself(
    checked: Checked[Any], path: Path, entry: RouteEntry, devices: dict[str, DeviceEntry]
) -> None:
    name = entry.source or ""
    source = devices.get(name)
    if source is None or source.local_control is False:
        return
    ends: list[tuple[Path, str, str | None]] = [((*path, "to"), "route", entry.target)]
    ends += [((*path, "map", n, "device"), "map", one.device) for n, one in enumerate(entry.maps)]
    for where, what, target in ends:
        if target == name:
            checked.report(
                where,
                f"the {what} leads from {shown(name)} to itself, where its keys play its own sounds already",
                "write 'local-control: false' at the device in rig.yaml if it knows that message, or name "
                "another device",
            )


def _review_route_channels(
    checked: Checked[Any], path: Path, entry: RouteEntry, devices: dict[str, DeviceEntry]
) -> None:
    target = entry.target or ""
    if entry.from_channel is not None:
        where = (*path, "from-channel")
        _review_channel(checked, where, entry.from_channel, entry.source or "", devices)
    if entry.channel is not None:
        _review_channel(checked, (*path, "channel"), entry.channel, target, devices)
    for index, one in enumerate(entry.maps):
        for channel in sorted(one.channels or ())[:16]:
            where = (*path, "map", index, "channels")
            if _review_channel(checked, where, channel, one.device or target, devices):
                break
    if entry.zone is not None and target in devices and devices[target].channels:
        checked.report(
            (*path, "zone"),
            f"a zone takes channels of its own, but {shown(target)} has only some of its port ('channels')",
            "lead the zone to a device without 'channels'",
        )


def _review_channel(
    checked: Checked[Any], path: Path, channel: int, name: str, devices: dict[str, DeviceEntry]
) -> bool:
    """Report a channel that is not one of the device's; True when it is not."""
    device = devices.get(name)
    if device is None or not device.channels or channel in device.channels:
        return False
    has = ", ".join(str(one + 1) for one in sorted(device.channels))
    checked.report(
        path,
        f"channel {channel + 1} is not one of {shown(name)}, which has {has}",
        "write one of these, leave it out, or change 'channels' in rig.yaml",
    )
    return True


def _with_channels(checked: Checked[Any]) -> Iterator[tuple[Path, Any, str]]:
    """Yield the entries of a file, routes apart, that say a channel of a device, and the device's name."""
    model = checked.model
    if model is None:
        return
    lists: list[tuple[Path, Iterable[Any], str]] = [(("controls",), model.controls, "source")]
    if isinstance(model, RigFile):
        lists += [(("pedals",), model.pedals, "source"), (("leds",), model.leds, "target")]
        for name, device in model.devices.items():
            if device is not MISTAKE and device.timing not in (None, MISTAKE) and device.timing.pulse:
                yield ("devices", name, "timing", "pulse"), device.timing.pulse, name
    else:
        for name, device in model.devices.items():
            if device is not MISTAKE and device.pulse not in (None, MISTAKE):
                yield ("devices", name, "pulse"), device.pulse, name
        if model.click not in (None, MISTAKE):
            yield ("click",), model.click, model.click.device
        parts: list[tuple[Path, Any]] = [((), model)]
        parts += [
            (("sections", index), one) for index, one in enumerate(model.sections) if one is not MISTAKE
        ]
        for path, part in parts:
            lists += [((*path, "patches"), part.patches, "device"), ((*path, "hold"), part.hold, "device")]
    for path, entries, end in lists:
        for index, entry in enumerate(entries):
            if entry is not MISTAKE:
                yield (*path, index), entry, getattr(entry, end)


def settle_ports(rig: Rig, file: RigFile) -> Rig:
    """Return the rig with what is written at one device of a port said of all, and time at the first of those
    that have clock or transport."""
    found = {device.name: device for device in rig.devices}
    for group in sharing_output(file):
        if len(group) > 1:
            _settle(found, group)
    return replace(rig, devices=tuple(found.values()))


def _settle(found: dict[str, Device], group: list[tuple[str, DeviceEntry]]) -> None:
    def first_with(key: str) -> Device:
        names = (name for name, device in group if key in device.model_fields_set)
        return found[next(names, group[0][0])]

    wire, running_status = first_with("wire").wire, first_with("running_status").running_status
    active_sensing, loopback = first_with("active_sensing").active_sensing, first_with("loopback").loopback
    for name, _ in group:
        found[name] = replace(
            found[name],
            wire=wire,
            running_status=running_status,
            active_sensing=active_sensing,
            loopback=loopback,
        )
    timed = [(name, device) for name, device in group if device.clock or device.transport]
    if not timed:
        return
    timing = found[timed[0][0]].timing
    for name, device in timed[1:]:
        written = set() if device.timing is None else device.timing.model_fields_set
        given = {key: getattr(found[name].timing, _RESOLVED[key]) for key in TIMING_OF_PORT if key in written}
        timing = replace(timing, **{_RESOLVED[key]: value for key, value in given.items()})
        found[name] = replace(found[name], timing=replace(found[name].timing, mtc=None))
    found[timed[0][0]] = replace(found[timed[0][0]], timing=timing)


_RESOLVED = {"offset": "offset_ns", "rate": "rate", "starts": "start", "mtc": "mtc"}


def own_channels(song: Song, rig: Rig) -> Song:
    """Return the song with routes to a device of one channel led there, where they name none."""
    only = {device.name: device.channels[0] for device in rig.devices if len(device.channels) == 1}
    if not only:
        return song

    def led(routes: tuple[Route, ...]) -> tuple[Route, ...]:
        return tuple(
            replace(route, to_channel=only[route.target])
            if route.to_channel < 0 and route.target in only and route.zone is None
            else route
            for route in routes
        )

    sections = tuple(replace(section, routes=led(section.routes)) for section in song.sections)
    return replace(song, routes=led(song.routes), sections=sections)


def own_channel(entry: Entry, usual: int, device: DeviceEntry) -> int:
    """Return the channel of an entry for a device: where it writes none, the first of the device's, if it has
    some, else the usual one."""
    return usual if "channel" in entry.model_fields_set or not device.channels else min(device.channels)
