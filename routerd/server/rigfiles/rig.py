"""The rig's file: its shape, what must be true of it, what it means, and devices that share a port.

Devices that name the same port (pattern and USB device) share one connection and one wire. What holds for a
port may be written at any of its devices and then holds for all; written twice it must say the same.
Everything else is each device's own. `channels` tell the parts behind a port apart.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from routerd.core.model.rig import AfterRestart, Device, Rig
from routerd.core.model.timing import HOLDOVER_S
from routerd.server.rigfiles.control import (
    ControlEntry,
    LedEntry,
    PedalEntry,
    PressesEntry,
    control_of,
    led_of,
    pedal_of,
    review_controls,
    review_leds,
    review_pedals,
    review_presses,
    times_of,
)
from routerd.server.rigfiles.device import DeviceEntry, PortChoice, resolve_device, review_device
from routerd.server.rigfiles.problems import INVALID, quote
from routerd.server.rigfiles.route import RouteEntry, RouteNames, review_routes
from routerd.server.rigfiles.shape import Checked, Entry, option, options
from routerd.server.rigfiles.values import CONCERT_PITCH, FLAG, NAME, choice, whole

AFTER_RESTART = choice(AfterRestart)
HOLDOVER = whole(1, 600)


class RigFile(Entry):
    """rig.yaml: all devices of one player, what their controls mean, and the routes that songs share."""

    model_config = ConfigDict(title="rig")

    name: Annotated[str, NAME] = option("What people call the rig.", "Touring rig")
    devices: dict[Annotated[str, NAME], DeviceEntry] = Field(
        description="The devices by name; songs use these names.",
        examples=[{"keys": {"input": "Stage Keys*"}}],
        json_schema_extra={"minProperties": 1},
    )
    controls: list[ControlEntry] = options(
        "What foot switches, pads and buttons mean.", [{"from": "pedals", "cc": 80, "do": "next"}]
    )
    concert_pitch: Annotated[float, CONCERT_PITCH] = option("What A4 is, in Hz.", 442, 440.0)
    after_restart: Annotated[AfterRestart, AFTER_RESTART] = option(
        "Whether transport goes on when the service comes back after a crash or power loss.",
        "play",
        AfterRestart.SILENT,
        "after-restart",
    )
    holdover: Annotated[int, HOLDOVER] = option(
        "For how many seconds tempo and phase of a source that has fallen silent are held.",
        60,
        HOLDOVER_S,
    )
    spare: Annotated[bool, FLAG] = option(
        "Whether a second engine is kept ready, which goes on when the first one dies.", False, True
    )
    presses: PressesEntry | None = option("How presses are measured.", {"debounce-ms": 80}, None)
    pedals: list[PedalEntry] = options(
        "Expression pedals and the ends of their ranges.",
        [{"from": "pedals", "cc": 11, "heel": 4, "toe": 121}],
    )
    leds: list[LedEntry] = options(
        "LEDs that show how things stand.",
        [{"to": "pedals", "cc": 80, "channel": 16, "shows": "running"}],
    )
    routes: list[RouteEntry] = options(
        "Routes that every song starts from.", [{"from": "keys", "to": "lead-synth"}]
    )


def review_rig(checked: Checked[RigFile]) -> RouteNames:
    """Check devices, controls and shared routes; return the names that songs inherit."""
    rig = checked.model
    if rig is None:
        return RouteNames(complete=False)
    if not rig.devices and checked.is_sound(("devices",)):
        checked.report(("devices",), "there are no devices", "describe at least one, with an input or output")
    for name, device in rig.devices.items():
        review_device(checked, ("devices", name), name, device)
    review_controls(checked, rig.controls)
    review_presses(checked, rig.presses)
    review_pedals(checked, rig.pedals)
    review_leds(checked, rig.leds)
    return review_routes(checked, ("routes",), rig.routes, RouteNames())


OF_PORT = ("wire", "running_status", "active_sensing", "clock", "transport", "loopback")
"""Keys of a device that hold for its output port."""

TIMING_OF_PORT = ("offset", "rate", "starts", "mtc")
"""Keys of a timing that hold for the port, where it has clock or transport."""


def sharing_output(rig: RigFile) -> list[list[tuple[str, DeviceEntry]]]:
    """Return the devices with an output by name, those of one port together, in the order of the file."""
    groups: dict[PortChoice, list[tuple[str, DeviceEntry]]] = {}
    for name, device in rig.devices.items():
        if device is not INVALID and device.output and device.output is not INVALID:
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
                f"{quote(name)} and {quote(first[0])} are on one output port, but have two different "
                f"'{written}' (the other is in line {line})",
                "write the same in both, or leave it out in one: it holds for the port",
            )


def _review_channels_of(rig: Checked[RigFile], group: list[tuple[str, DeviceEntry]]) -> None:
    """Check that no channel of a port belongs to two devices, and that their local control agrees."""
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
                f"channel {taken[0] + 1} of the output port is already that of {quote(other)} in line {line}",
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
                f"{quote(name)} and {quote(others[0])} (line {line}) share channels of a port, but have two "
                "different 'local-control'",
                "write the same in both, leave it out in one, or give each 'channels' of its own",
            )
        controls |= {one: (name, wanted) for one in theirs if one not in controls}


_ALL = frozenset(range(16))


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


def resolve_rig(file: RigFile) -> Rig:
    """Return the rig that a file describes."""
    devices = tuple(resolve_device(name, entry) for name, entry in file.devices.items())
    return Rig(
        name=file.name,
        devices=devices,
        controls=tuple(control_of(entry) for entry in file.controls),
        press_times=times_of(file.presses),
        pedals=tuple(pedal_of(entry) for entry in file.pedals),
        leds=tuple(led_of(entry) for entry in file.leds),
        after_restart=file.after_restart,
        holdover_s=file.holdover,
        spare=file.spare,
    )
