"""What `routerd ports` prints: the ports there are, and what to write into a rig to use them."""

from __future__ import annotations

import json
import re
from collections import Counter

from routerd.core.errors import PortError
from routerd.core.model.rig import Rig
from routerd.ports import open_system
from routerd.ports.base import PortInfo
from routerd.ports.patterns import doubts, wishes
from routerd.printing import visible

_NO_PORTS = """\
  none: switch the device on, or start the program; a device that this machine knows is also
  listed by `aconnect -l` (ALSA) or `jack_lsp` (JACK)"""

_SIMULATED = """\
Simulated ports: each device of a rig has the ports that its patterns ask for, on any machine.
Start a rig with them by --ports simulated."""


def describe_ports(kind: str | None = None) -> str:
    """Return a text that lists inputs and outputs; raises PortError when the machine has no such ports."""
    if kind == "simulated":
        return _SIMULATED
    system = open_system(kind)
    try:
        inputs, outputs = system.inputs(), system.outputs()
    finally:
        system.close()
    lines = [
        f"MIDI ports of {system.kind.upper()}. What stands in quotes can be written into rig.yaml as it is.",
        "",
        "input (routerd reads from these):",
        *_list(inputs),
        "",
        "output (routerd writes to these):",
        *_list(outputs),
    ]
    for listed in (inputs, outputs):
        for name, count in Counter(port.name for port in listed).items():
            if count > 1:
                lines += ["", f"{count} ports are called {name!r}; {_apart(name, listed)}"]
    return "\n".join(lines)


def look_for(kind: str | None, rig: Rig) -> tuple[str, list[tuple[str, str, str, str]]]:
    """Look whether the ports of a rig are there; return one line, and what is to be said of some of them.

    That is "note" or "warning", the device, "input" or "output", and words. Never raises: rigs are written on
    machines that have no ports too.
    """
    try:
        system = open_system(kind)
    except PortError as error:
        return f"ports were not looked for: {error}", []
    try:
        inputs, outputs = system.inputs(), system.outputs()
    except PortError as error:
        return f"ports were not looked for: {error}", []
    finally:
        system.close()
    found = list(doubts(rig.devices, inputs, outputs))
    there = len(wishes(rig.devices)) - sum(doubt.kind != "several" for _, doubt in found)
    said = [
        (
            "note" if doubt.kind == "none" else "warning",
            wish.devices[0],
            "output" if wish.is_output else "input",
            f"{doubt.text}; {doubt.remedy}",
        )
        for wish, doubt in found
    ]
    return f"{there} of {len(wishes(rig.devices))} ports are there, in {system.kind.upper()}", said


def pattern_of(name: str) -> str:
    """Return the pattern to write for a port of that name: itself, with digits that may change left open.

    A long number in a name is often a program's process number, another one each time it starts.
    """
    return re.sub(r"\d{3,}", "*", name)


def _list(ports: list[PortInfo]) -> list[str]:
    return [f'  "{visible(pattern_of(port.name))}"{_usb(port)}' for port in ports] or [_NO_PORTS]


def _usb(port: PortInfo) -> str:
    known = {"serial": port.serial, "usb-path": port.usb_path}
    words = [f"{key}: {json.dumps(value)}" for key, value in known.items() if value]
    return f"   ({', '.join(words)})" if words else ""


def _apart(name: str, listed: list[PortInfo]) -> str:
    """Say how ports of one name are told apart."""
    twins = [port for port in listed if port.name == name]
    for key, values in (
        ("serial", [port.serial for port in twins]),
        ("usb-path", [port.usb_path for port in twins]),
    ):
        if all(values) and len(set(values)) == len(twins):
            example = f'{{name: "{visible(pattern_of(name))}", {key}: {json.dumps(values[0])}}}'
            return f"tell them apart by the {key}, such as\n  input: {example}"
    return "a name cannot tell them apart."
