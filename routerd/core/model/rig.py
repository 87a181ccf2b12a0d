"""A rig as checked and resolved values: its devices with their ports, and what its controls mean.

Nothing here checks; the server has. Channels are 0–15.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from routerd.core.model.controls import (
    DEFAULT_TIMES,
    Control,
    Lamp,
    Pedal,
    PressTimes,
    control_from_plain,
    control_to_plain,
    lamp_from_plain,
    lamp_to_plain,
    pedal_to_plain,
)
from routerd.core.model.plain import Plain
from routerd.core.model.timing import HOLD_S, PLAIN_TIMING, Timing, timing_from_plain, timing_to_plain


class WireKind(StrEnum):
    """What carries a port's bytes."""

    DIN = "din"
    USB = "usb"
    VIRTUAL = "virtual"


class AfterRestart(StrEnum):
    """What transport does when the service comes back in a song that was running; see core.show.recovery."""

    SILENT = "silent"
    PLAY = "play"
    CATCH_UP = "catch-up"


@dataclass(frozen=True, slots=True)
class Usb:
    """Which one of several USB devices that share a name: by serial number or by socket; "" means any.

    `path` is the kernel's name for the socket: bus, then the ports on the way, such as "1-1.2".
    """

    serial: str = ""
    path: str = ""


ANY_USB = Usb()


@dataclass(frozen=True, slots=True)
class Device:
    """One instrument, box or program; `input_pattern` and `output_pattern` are port name patterns.

    `input_pattern` names the port that routerd reads from, `output_pattern` the one it writes to;
    `input_usb` and `output_usb` say on which USB device, where a name alone does not tell.
    """

    name: str
    title: str = ""
    input_pattern: str = ""
    output_pattern: str = ""
    wire: WireKind = WireKind.USB
    clock: bool = False
    transport: bool = False
    input_usb: Usb = ANY_USB
    output_usb: Usb = ANY_USB
    running_status: bool = False
    """Whether the interface leaves a repeated status byte out on the wire (M1 p. 5)."""
    timing: Timing = PLAIN_TIMING
    loop: str = ""
    """The device whose input hears this output by a loop cable at soundcheck; "" for none."""
    answers: bool = True
    """Whether it answers an identity request (M1 p. 40), as far as is known."""
    active_sensing: bool = False
    channels: tuple[int, ...] = ()
    """The channels (0–15) of its ports that are this device's, in order; empty for all."""
    local_control: bool | None = None
    """Whether its own keys play its own sounds (controller 122, M1 p. 25); None: nothing is sent."""
    volts_per_octave: float = 0.0
    """Of the control voltage that it makes of notes; 0 when it makes none or nobody has said."""
    zero_volts_note: int = 0
    """The note (0–127) at which that is 0 V."""


@dataclass(frozen=True, slots=True)
class Rig:
    """All devices of one player, and what its controls mean."""

    name: str
    devices: tuple[Device, ...]
    controls: tuple[Control, ...] = ()
    press_times: PressTimes = DEFAULT_TIMES
    pedals: tuple[Pedal, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    after_restart: AfterRestart = AfterRestart.SILENT
    hold_s: int = HOLD_S
    """How long tempo and phase of a source that is followed are held when it falls silent."""


Port = tuple[str, Usb]
"""What tells ports apart in a rig: the pattern, upper and lower case alike, and the USB device."""


def port_in(device: Device) -> Port | None:
    """Return the port that a device is heard on, None for none."""
    return (device.input_pattern.casefold(), device.input_usb) if device.input_pattern else None


def port_out(device: Device) -> Port | None:
    """Return the port that a device is sent to on, None for none."""
    return (device.output_pattern.casefold(), device.output_usb) if device.output_pattern else None


def sharing(devices: Iterable[Device], port_of: Callable[[Device], Port | None]) -> list[tuple[Device, ...]]:
    """Return the devices that have a port, those of one port together, in the order of the rig."""
    groups: dict[Port, list[Device]] = {}
    for device in devices:
        port = port_of(device)
        if port is not None:
            groups.setdefault(port, []).append(device)
    return [tuple(group) for group in groups.values()]


def timed_device(devices: Sequence[Device]) -> Device:
    """Return the one of a port's devices whose clock settings hold for it, and whose name its wire bears: the
    first with clock or transport, else the first."""
    return next((device for device in devices if device.clock or device.transport), devices[0])


def wire_names(rig: Rig) -> dict[str, str]:
    """Return, by the name of each device with an output, what its wire is called in records and reports."""
    groups = sharing(rig.devices, port_out)
    return {device.name: timed_device(group).name for group in groups for device in group}


def device_to_plain(device: Device) -> Plain:
    """Return `device` as JSON values."""
    return {
        "name": device.name,
        "title": device.title,
        "input": device.input_pattern,
        "output": device.output_pattern,
        "wire": device.wire.value,
        "clock": device.clock,
        "transport": device.transport,
        "input_usb": [device.input_usb.serial, device.input_usb.path],
        "output_usb": [device.output_usb.serial, device.output_usb.path],
        "running_status": device.running_status,
        "active_sensing": device.active_sensing,
        "timing": timing_to_plain(device.timing),
        "loop": device.loop,
        "answers": device.answers,
        "channels": list(device.channels),
        "local_control": device.local_control,
        "volts_per_octave": device.volts_per_octave,
        "zero_volts_note": device.zero_volts_note,
    }


def device_from_plain(plain: Plain) -> Device:
    """Return the device that `device_to_plain` wrote."""
    return Device(
        name=plain["name"],
        title=plain["title"],
        input_pattern=plain["input"],
        output_pattern=plain["output"],
        wire=WireKind(plain["wire"]),
        clock=plain["clock"],
        transport=plain["transport"],
        input_usb=Usb(*plain["input_usb"]),
        output_usb=Usb(*plain["output_usb"]),
        running_status=plain["running_status"],
        active_sensing=plain["active_sensing"],
        timing=timing_from_plain(plain["timing"]),
        loop=plain["loop"],
        answers=plain["answers"],
        channels=tuple(plain["channels"]),
        local_control=plain["local_control"],
        volts_per_octave=plain.get("volts_per_octave", 0.0),
        zero_volts_note=plain.get("zero_volts_note", 0),
    )


def rig_to_plain(rig: Rig) -> Plain:
    """Return `rig` as JSON values."""
    return {
        "name": rig.name,
        "devices": [device_to_plain(device) for device in rig.devices],
        "controls": [control_to_plain(control) for control in rig.controls],
        "press_times": [rig.press_times.guard_ms, rig.press_times.long_ms, rig.press_times.double_ms],
        "pedals": [pedal_to_plain(pedal) for pedal in rig.pedals],
        "lamps": [lamp_to_plain(lamp) for lamp in rig.lamps],
        "after_restart": rig.after_restart.value,
        "hold_s": rig.hold_s,
    }


def rig_from_plain(plain: Plain) -> Rig:
    """Return the rig that `rig_to_plain` wrote."""
    return Rig(
        name=plain["name"],
        devices=tuple(device_from_plain(device) for device in plain["devices"]),
        controls=tuple(control_from_plain(control) for control in plain["controls"]),
        press_times=PressTimes(*plain["press_times"]),
        pedals=tuple(Pedal(*pedal) for pedal in plain["pedals"]),
        lamps=tuple(lamp_from_plain(lamp) for lamp in plain["lamps"]),
        after_restart=AfterRestart(plain["after_restart"]),
        hold_s=plain["hold_s"],
    )
