"""What routes, patches and songs say of devices, against what the rig says of them.

Two clocks on one wire are one of twice the tempo to who receives them (24 ticks to the quarter, M1 p. 30);
two sources of transport or of time code send a sequencer back and forth. A route from a device to itself
needs keys that do not play its own sounds as well (local control, M1 p. 25). In one song a device's clock may
be otherwise: rate, start and sequence are those of the port, so they must agree where several devices share
one, and go to the device whose timing holds for it; pulses are each device's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import partial
from typing import Any

from routerd.core.midi.messages import Kind
from routerd.core.model.rig import Rig, wire_names
from routerd.core.model.route import Route
from routerd.core.model.song import Song
from routerd.core.model.timing import Timing
from routerd.server.rigfiles.device import DeviceEntry
from routerd.server.rigfiles.problems import INVALID, quote, suggest
from routerd.server.rigfiles.rig import RigFile, sharing_output
from routerd.server.rigfiles.route import RouteEntry, route_name
from routerd.server.rigfiles.shape import Checked
from routerd.server.rigfiles.song import SongFile
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.timing import SongDeviceEntry, resolve_pulse, review_pulse


def review_clocked_routes(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check the routes of every file that let a kind of time through."""
    if rig.model is None:
        return
    given = {name: _given(device) for name, device in rig.model.devices.items() if device is not INVALID}
    files: list[Checked[Any]] = [rig, *songs]
    for checked in files:
        for path, entry in routes_of(checked):
            if not checked.is_sound(path) or entry.off:
                continue
            for kind in entry.kinds or ():
                key = given.get(entry.target or "", {}).get(kind)
                if key is not None and kind not in (entry.block or ()):
                    checked.report(
                        (*path, "pass"),
                        f"{quote(entry.target)} would get {kind.value} twice: it has '{key}' in rig.yaml",
                        f"take {kind.value} out of 'pass', or '{key}' from the device",
                    )


def _given(device: DeviceEntry) -> dict[Kind, str]:
    """Return the kinds that a device gets from routerd itself, and the key that says so."""
    given: dict[Kind, str] = {}
    if device.clock is True:
        given[Kind.CLOCK] = "clock"
    if device.transport is True:
        given |= {Kind.TRANSPORT: "transport", Kind.SONG_POSITION: "transport"}
    if device.timing is not None and device.timing is not INVALID and device.timing.mtc is not None:
        given[Kind.MTC] = "mtc"
    return given


def routes_of(checked: Checked[Any]) -> Iterator[tuple[KeyPath, RouteEntry]]:
    """Yield the routes of a file and where each is."""
    model = checked.model
    if model is None:
        return
    lists: list[tuple[KeyPath, list[RouteEntry]]] = [(("routes",), model.routes)]
    if isinstance(model, SongFile):
        lists += [
            (("sections", index, "routes"), section.routes)
            for index, section in enumerate(model.sections)
            if section is not INVALID
        ]
    for path, entries in lists:
        yield from (((*path, index), entry) for index, entry in enumerate(entries) if entry is not INVALID)


def review_control_routes(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check that the routes that controls name are anywhere."""
    named = [] if rig.model is None else [(i, c) for i, c in enumerate(rig.model.controls) if c.route]
    if not named or rig.model is None:
        return
    lists = [rig.model.routes]
    for song in songs:
        if song.model is None:
            return
        lists += [song.model.routes, *(section.routes for section in song.model.sections)]
    names = {route_name(entry) for entries in lists for entry in entries if entry is not INVALID}
    for index, control in named:
        if control.route is not INVALID and control.route not in names:
            rig.report(
                ("controls", index, "route"),
                f"no file has a route {quote(control.route)}",
                partial(suggest, control.route or "", sorted(names)),
            )


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
    checked: Checked[Any], path: KeyPath, entry: RouteEntry, devices: dict[str, DeviceEntry]
) -> None:
    name = entry.source or ""
    source = devices.get(name)
    if source is None or source.local_control is False:
        return
    ends: list[tuple[KeyPath, str, str | None]] = [((*path, "to"), "route", entry.target)]
    ends += [((*path, "map", n, "device"), "map", one.device) for n, one in enumerate(entry.maps)]
    for where, what, target in ends:
        if target == name:
            checked.report(
                where,
                f"the {what} leads from {quote(name)} to itself, where its keys play its own sounds already",
                "write 'local-control: false' at the device in rig.yaml if it knows that message, or name "
                "another device",
            )


def _review_route_channels(
    checked: Checked[Any], path: KeyPath, entry: RouteEntry, devices: dict[str, DeviceEntry]
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
            f"a zone takes channels of its own, but {quote(target)} has only some of its port ('channels')",
            "send the zone to a device without 'channels'",
        )


def _review_channel(
    checked: Checked[Any], path: KeyPath, channel: int, name: str, devices: dict[str, DeviceEntry]
) -> bool:
    """Report a channel that is not one of the device's; True when it is not."""
    device = devices.get(name)
    if device is None or not device.channels or channel in device.channels:
        return False
    has = ", ".join(str(one + 1) for one in sorted(device.channels))
    checked.report(
        path,
        f"channel {channel + 1} is not one of {quote(name)}, which has {has}",
        "write one of these, leave it out, or change 'channels' in rig.yaml",
    )
    return True


def _with_channels(checked: Checked[Any]) -> Iterator[tuple[KeyPath, Any, str]]:
    """Yield the entries of a file, routes apart, that say a channel of a device, and the device's name."""
    model = checked.model
    if model is None:
        return
    lists: list[tuple[KeyPath, Iterable[Any], str]] = [(("controls",), model.controls, "source")]
    if isinstance(model, RigFile):
        lists += [(("pedals",), model.pedals, "source"), (("leds",), model.leds, "target")]
        for name, device in model.devices.items():
            if device is not INVALID and device.timing not in (None, INVALID) and device.timing.pulse:
                yield ("devices", name, "timing", "pulse"), device.timing.pulse, name
    else:
        for name, device in model.devices.items():
            if device is not INVALID and device.pulse not in (None, INVALID):
                yield ("devices", name, "pulse"), device.pulse, name
        if model.click not in (None, INVALID):
            yield ("click",), model.click, model.click.device
        parts: list[tuple[KeyPath, Any]] = [((), model)]
        parts += [
            (("sections", index), one) for index, one in enumerate(model.sections) if one is not INVALID
        ]
        for path, part in parts:
            lists += [((*path, "patches"), part.patches, "device"), ((*path, "hold"), part.hold, "device")]
    for path, entries, end in lists:
        for index, entry in enumerate(entries):
            if entry is not INVALID:
                yield (*path, index), entry, getattr(entry, end)


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


_OF_PORT = {"rate": "clock", "starts": "transport", "sequence": "transport"}
"""What holds for the port, and what its devices must get for it to mean anything."""


def review_song_devices(rig: Checked[RigFile], songs: Iterable[Checked[SongFile]]) -> None:
    """Check what songs say of devices against the rig."""
    if rig.model is None or not rig.is_sound(("devices",)):
        return
    ports = {name: group for group in sharing_output(rig.model) for name, _ in group}
    for song in songs:
        first: dict[tuple[str, str], tuple[Any, str]] = {}
        for name, entry in ({} if song.model is None else song.model.devices).items():
            path: KeyPath = ("devices", name)
            if not song.is_sound(path) or name not in ports or not rig.is_sound(path):
                continue
            if not entry.model_fields_set:
                song.report(path, f"nothing is set for {quote(name)}", "add rate, starts, sequence or pulse")
            review_pulse(song, (*path, "pulse"), entry.pulse)
            if entry.pulse is not None and not entry.pulses:
                song.report(
                    (*path, "pulses"),
                    "'pulse' and 'pulses: false' contradict each other",
                    "remove one of the two",
                )
            for key, needed in _OF_PORT.items():
                value = getattr(entry, key)
                if value is None:
                    continue
                if not any(getattr(device, needed) for _, device in ports[name]):
                    what = f"'{key}' has no meaning, as {quote(name)} gets no {needed}"
                    song.report((*path, key), what, f"add '{needed}: true' to it in rig.yaml, or remove it")
                seen, other = first.setdefault((ports[name][0][0], key), (value, name))
                if seen != value:
                    song.report(
                        (*path, key),
                        f"{quote(name)} and {quote(other)} share an output port, but not '{key}'",
                        "write the same in both, or leave it out in one",
                    )


def with_devices(song: Song, file: SongFile, rig: Rig) -> Song:
    """Return the song with the whole timing of every device that it wants otherwise."""
    usual = {device.name: device.timing for device in rig.devices}
    channels = {device.name: device.channels for device in rig.devices}
    timed = wire_names(rig)
    wanted: dict[str, Timing] = {}
    for name, entry in file.devices.items():
        port = timed[name]
        wanted[port] = _timing_of_port(wanted.get(port, usual[port]), entry)
        wanted[name] = _own_timing(wanted.get(name, usual[name]), entry, channels[name])
    devices = tuple((name, timing) for name, timing in wanted.items() if timing != usual[name])
    return replace(song, timing=replace(song.timing, devices=devices)) if devices else song


def _timing_of_port(timing: Timing, entry: SongDeviceEntry) -> Timing:
    return replace(
        timing,
        rate=timing.rate if entry.rate is None else entry.rate,
        start=timing.start if entry.starts is None else entry.starts,
        sequence_steps=timing.sequence_steps if entry.sequence is None else entry.sequence,
    )


def _own_timing(timing: Timing, entry: SongDeviceEntry, channels: tuple[int, ...]) -> Timing:
    if not entry.pulses:
        return replace(timing, pulse=None)
    if entry.pulse is None:
        return timing
    pulse = resolve_pulse(entry.pulse)
    if channels and "channel" not in entry.pulse.model_fields_set:
        pulse = replace(pulse, channel=channels[0])
    return replace(timing, pulse=pulse)
