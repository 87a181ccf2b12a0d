"""A device of the rig: its shape, its ports, what must be true of it, and what it means.

Two devices of one product have the same port names. A serial number stays with the device, whichever
socket it is plugged into; a USB path stays with the socket. The path is the kernel's own name for a socket:
the number of the bus, then the ports on the way there ("1-1.2").
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Annotated, Any, NamedTuple

from pydantic import ConfigDict

from routerd.core.model.rig import ANY_USB, Device, Usb, WireKind
from routerd.core.model.timing import ClockFrom, Timing
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, wrong
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.timing import TimingEntry, resolve_timing, review_pulse
from routerd.server.rigfiles.values import CHANNELS, FLAG, NOTE, SOURCE, TITLE, choice

_USB_PATH = re.compile(r"\d{1,3}-\d{1,3}(?:\.\d{1,3}){0,6}")
_PORT_KEYS = ("name", "serial", "usb-path")
_PORT_REMEDY = "write a name such as 'Lead Synth*', or a group such as '{name: Lead Synth*, serial: AA01}'"
_COPY = "copy it from what 'routerd ports' prints"


class PortChoice(NamedTuple):
    """A port name pattern, and the USB device on which it is looked for."""

    pattern: str = ""
    usb: Usb = ANY_USB


def _read_port(value: Any, context: ValidationContext) -> PortChoice:
    if isinstance(value, list):
        raise wrong("is a list, not a name", _PORT_REMEDY)
    if not isinstance(value, dict):
        return PortChoice(TITLE.read(value, context))
    for key in value:
        if key not in _PORT_KEYS:
            raise wrong(f"has an unknown key {quote(key)}", suggest(str(key), _PORT_KEYS))
    if "name" not in value:
        raise wrong("has no 'name'", _PORT_REMEDY)
    if len(value) == 1:
        raise wrong(
            "has neither 'serial' nor 'usb-path'", "add one, or write the name alone, without a group"
        )
    path = _port_text(value, "usb-path", context)
    if path and _USB_PATH.fullmatch(path) is None:
        raise wrong(f"has a usb-path {quote(path)}, which is not one", f"write one such as 1-1.2; {_COPY}")
    serial = _port_text(value, "serial", context)
    return PortChoice(_port_text(value, "name", context), Usb(serial, path))


def _port_text(group: dict[str, Any], key: str, context: ValidationContext) -> str:
    if key not in group:
        return ""
    value = group[key]
    if not isinstance(value, str | int) or isinstance(value, bool):
        raise wrong(f"has a {key} that is {quote(value)}, not text", _COPY if key != "name" else _PORT_REMEDY)
    text: str = TITLE.read(value, context)
    return text


_NAME_SCHEMA = {**TITLE.schema}

_GROUP_SCHEMA = {
    "type": "object",
    "properties": {
        "name": _NAME_SCHEMA,
        "serial": _NAME_SCHEMA,
        "usb-path": {"type": "string", "pattern": f"^{_USB_PATH.pattern}$"},
    },
    "required": ["name"],
    "minProperties": 2,
    "additionalProperties": False,
}

PORT = Leaf(_read_port, {"anyOf": [_NAME_SCHEMA, _GROUP_SCHEMA]})


def _volts_per_octave(value: Any, _: ValidationContext) -> float:
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    is_number = isinstance(written, str) and re.fullmatch(r"\d{1,2}(?:\.\d{1,3})?", written.strip())
    volts = float(written) if is_number else 0.0
    if not 0 < volts <= 10:
        raise wrong(f"{quote(value)} is not a number of volts", "write 0.001 to 10, such as 1 or 1.2")
    return volts


WIRE = choice(WireKind)

VOLTS_PER_OCTAVE = Leaf(
    _volts_per_octave,
    {"type": ["number", "string"], "exclusiveMinimum": 0, "maximum": 10, "pattern": r"^\d{1,2}(\.\d{1,3})?$"},
)


class DeviceEntry(Entry):
    """One instrument, box or program, reached through an input port, an output port or both."""

    model_config = ConfigDict(
        title="device",
        json_schema_extra={"anyOf": [{"required": ["input"]}, {"required": ["output"]}]},
    )

    title: Annotated[str, TITLE] = option("What people call it.", "The old monosynth", "")
    input: Annotated[PortChoice | None, PORT] = option(
        "Name of the port that routerd reads from, upper and lower case alike; * stands for anything. "
        "A group of name and serial or usb-path distinguishes USB devices with the same name.",
        "Stage Keys*",
        None,
    )
    output: Annotated[PortChoice | None, PORT] = option(
        "Name of the port that routerd writes to, likewise.",
        {"name": "Lead Synth*", "serial": "AA01"},
        None,
    )
    wire: Annotated[WireKind, WIRE] = option("What carries the bytes.", "din", WireKind.USB)
    clock: Annotated[bool, FLAG] = option("Whether it gets the timing clock.", True, False)
    transport: Annotated[bool, FLAG] = option(
        "Whether it gets start, stop, continue and song position.", True, False
    )
    running_status: Annotated[bool, FLAG] = option(
        "Whether its interface leaves repeated status bytes out on a din wire.", True, False
    )
    active_sensing: Annotated[bool, FLAG] = option(
        "Whether it gets Active Sensing, so that it falls silent when the cable goes.",
        True,
        False,
    )
    recall: Annotated[bool, FLAG] = option(
        "Whether it can be put on a sound from here; if not, its patches go on the checklist.", False, True
    )
    tuning_standard: Annotated[bool, FLAG] = option(
        "Whether it takes MIDI Tuning Standard messages.", True, False
    )
    channels: Annotated[frozenset[int] | None, CHANNELS] = option(
        "Which channels of its ports are its own; all when left out.", [1, "3-4"], None
    )
    local_control: Annotated[bool | None, FLAG] = option(
        "Whether its keys play its own sounds; false separates the two, so that routes may lead back to it.",
        False,
        None,
    )
    timing: TimingEntry | None = option(
        "How it gets its clock, and how it is followed.", {"offset": "-12.5"}, None
    )
    loopback: Annotated[str | None, SOURCE] = option(
        "At soundcheck: the device whose input hears this output, by a cable from one to the other.",
        "loop-in",
        None,
    )
    volts_per_octave: Annotated[float | None, VOLTS_PER_OCTAVE] = option(
        "Of the control voltage that it makes of notes, for the technical sheet.", 1, None
    )
    zero_volts: Annotated[int | None, NOTE] = option("The note at which that voltage is 0 V.", "C2", None)
    identity_reply: Annotated[bool, FLAG] = option(
        "Whether it answers an identity request; false for a device that never does.", False, True
    )


def review_device(checked: Checked[Any], path: KeyPath, name: str, device: DeviceEntry) -> None:
    """Check a device, and what it says about its clock."""
    review_timing(checked, (*path, "timing"), device)
    if not checked.is_sound(path):
        return
    if not device.input and not device.output:
        checked.report(path, f"device {quote(name)} has no port", "add 'input', 'output' or both")
    for key, wanted in (
        ("clock", device.clock),
        ("transport", device.transport),
        ("tuning-standard", device.tuning_standard),
        ("local-control", device.local_control is not None),
        ("volts-per-octave", device.volts_per_octave is not None),
    ):
        if wanted and not device.output:
            checked.report(
                (*path, key),
                f"device {quote(name)} has no output to send {key} to",
                f"add 'output', or remove '{key}'",
            )
    if (device.volts_per_octave is None) is not (device.zero_volts is None):
        given, other = "volts-per-octave", "zero-volts"
        if device.volts_per_octave is None:
            given, other = other, given
        checked.report(
            (*path, given), f"{quote(given)} has no meaning without {quote(other)}", f"add '{other}'"
        )
    if device.loopback is not None and not device.output:
        checked.report(
            (*path, "loopback"),
            f"device {quote(name)} has no output that a loop could begin at",
            "add 'output', or remove 'loopback'",
        )


def review_timing(checked: Checked[Any], path: KeyPath, device: DeviceEntry) -> None:
    """Check what a device says about its clock."""
    timing = device.timing
    if timing is None or not checked.is_sound(path):
        return
    wants_output = sorted(timing.model_fields_set - {"leads_transport", "clock_from", "restarts"})
    if wants_output and not device.output:
        key = wants_output[0].replace("_", "-")
        checked.report((*path, key), f"'{key}' needs an output", "add 'output' to the device, or remove it")
    if "leads_transport" in timing.model_fields_set and not device.input:
        checked.report(
            (*path, "leads-transport"), "only a device with an input is followed", "add 'input', or remove it"
        )
    if timing.clock_from is ClockFrom.MTC and (not timing.leads_transport or not device.input):
        checked.report(
            (*path, "clock-from"),
            "time code is followed with transport, from a device with an input",
            "add 'input', and remove 'leads-transport'",
        )
    if timing.restarts and not device.input:
        checked.report(
            (*path, "restarts"), "only a device with an input is followed", "add 'input', or remove it"
        )
    elif timing.restarts and (not timing.leads_transport or timing.clock_from is ClockFrom.MTC):
        checked.report(
            (*path, "restarts"),
            "only a device whose transport is followed restarts the song",
            "remove 'restarts', or let its start be followed: no 'leads-transport: false', no time code",
        )
    for key, wanted in (("rate", device.clock), ("starts", device.transport), ("sequence", device.transport)):
        if key in timing.model_fields_set and device.output and not wanted:
            other = "clock" if key == "rate" else "transport"
            checked.report((*path, key), f"'{key}' has no meaning without '{other}'", f"add '{other}: true'")
    review_pulse(checked, (*path, "pulse"), timing.pulse)


def resolve_device(name: str, entry: DeviceEntry) -> Device:
    """Return the device that an entry means."""
    read_from, write_to = entry.input or PortChoice(), entry.output or PortChoice()
    return Device(
        name=name,
        title=entry.title or name,
        input_pattern=read_from.pattern,
        output_pattern=write_to.pattern,
        wire=entry.wire,
        clock=entry.clock,
        transport=entry.transport,
        running_status=entry.running_status,
        active_sensing=entry.active_sensing,
        timing=_timing(entry),
        input_usb=read_from.usb,
        output_usb=write_to.usb,
        loopback=entry.loopback or "",
        identity_reply=entry.identity_reply,
        channels=tuple(sorted(entry.channels or ())),
        local_control=entry.local_control,
        volts_per_octave=entry.volts_per_octave or 0.0,
        zero_volts_note=entry.zero_volts or 0,
    )


def _timing(entry: DeviceEntry) -> Timing:
    timing = resolve_timing(entry.timing)
    if timing.pulse is None or entry.timing is None or entry.timing.pulse is None:
        return timing
    channel = own_channel(entry.timing.pulse, timing.pulse.channel, entry)
    return replace(timing, pulse=replace(timing.pulse, channel=channel))


def own_channel(entry: Entry, usual: int, device: DeviceEntry) -> int:
    """Return the channel of an entry for a device: where it writes none, the first of the device's, if it has
    some, else the usual one."""
    return usual if "channel" in entry.model_fields_set or not device.channels else min(device.channels)
