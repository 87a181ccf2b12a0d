"""Ports behind one small interface, the system's own and simulated ones; and the ports there are, as text."""

from __future__ import annotations

import json
import re
from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

from routerd.core.errors import PortError
from routerd.core.model.rig import Rig
from routerd.ports.base import PortInfo, PortSystem
from routerd.ports.patterns import doubts, wishes
from routerd.printing import visible

KINDS = ("alsa", "jack", "simulated")
_ALSA_SEQUENCER = Path("/dev/snd/seq")

_PACKAGES = {
    "libasound.so.2": "libasound2 (from Debian 13 on: libasound2t64)",
    "libjack.so.0": "libjack-jackd2-0",
}
"""Which Debian package brings a system library that python-rtmidi is linked to."""


def open_system(kind: str | None = None, far_end_port: int = 0) -> PortSystem:
    """Return a port system of that kind, or of the kind that this machine has: ALSA, else JACK.

    `far_end_port` is the UDP port of the simulation (0: any).

    Raises PortError, which says how to get ports, when the machine has neither.
    """
    # What is not used is not loaded: JACK alone needs RtMidi and its libraries.
    if kind == "simulated":
        from routerd.ports.simulated import SimulatedPorts

        return SimulatedPorts(far_end_port)
    if kind == "alsa" or (kind is None and _ALSA_SEQUENCER.exists()):
        from routerd.ports.alsa import AlsaPorts

        return AlsaPorts()
    if kind not in (None, "jack"):
        raise PortError(f"{kind!r} is not a kind of ports; choose one of {', '.join(KINDS)}")
    system: PortSystem = _load("routerd.ports.jack").open_jack()
    if kind is None:
        try:
            system.inputs()
        except PortError as error:
            system.close()
            raise PortError(
                f"this machine offers no MIDI ports: there is no ALSA sequencer ({_ALSA_SEQUENCER}; as root,"
                " modprobe snd-seq) and no JACK server; --ports simulated runs without any"
            ) from error
    return system


def missing_library() -> str:
    """Return one line: why this machine's ports cannot be opened, and the remedy; "" when they can."""
    if _ALSA_SEQUENCER.exists():
        return ""
    try:
        import_module("rtmidi")
    except (ImportError, OSError) as error:
        return _remedy(error)
    return ""


def _load(module: str) -> Any:
    try:
        return import_module(module)
    except (ImportError, OSError) as error:
        raise PortError(_remedy(error)) from error


def _remedy(error: ImportError | OSError) -> str:
    """Return what to install. python-rtmidi raises ImportError, ctypes OSError; both name the file."""
    found = re.search(r"lib\w+\.so\.\d+", str(error))
    if found is None:
        return f"this machine's ports cannot be opened: {error}; --ports simulated runs without them"
    package = _PACKAGES.get(found[0], f"the package with {found[0]}")
    return (
        f"this machine's ports cannot be opened: the system library {found[0]} is missing; install it by"
        f" apt-get install {package}, or run with --ports simulated"
    )


_NO_PORTS = """\
  none: switch the device on, or start the program; a device that this machine knows is also
  listed by `aconnect -l` (ALSA) or `jack_lsp` (JACK)"""

_SIMULATED = """\
Simulated ports: each device of a rig has the ports that its patterns ask for, on any machine.
Start a rig with them by --ports simulated."""


def list_ports(kind: str | None = None) -> tuple[str, list[PortInfo], list[PortInfo]]:
    """Return what offers the ports, inputs and outputs; raises PortError when this machine has none such."""
    system = open_system(kind)
    try:
        return system.kind, system.inputs(), system.outputs()
    finally:
        system.close()


def ports_json(kind: str | None = None) -> str:
    """Return the ports as JSON, each with the pattern for rig.yaml; raises PortError as `list_ports`."""
    offered_by, *listed = list_ports(kind)
    inputs, outputs = (
        [
            {
                "name": port.name,
                "pattern": pattern_of(port.name),
                "serial": port.serial,
                "usb_path": port.usb_path,
            }
            for port in ports
        ]
        for ports in listed
    )
    document = {"ports": offered_by, "inputs": inputs, "outputs": outputs}
    return json.dumps(document, ensure_ascii=False, indent=2)


def describe_ports(kind: str | None = None) -> str:
    """Return a text that lists inputs and outputs; raises PortError as `list_ports`."""
    if kind == "simulated":
        return _SIMULATED
    offered_by, inputs, outputs = list_ports(kind)
    lines = [
        f"MIDI ports of {offered_by.upper()}. What stands in quotes can be written into rig.yaml as it is.",
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


def find_ports(kind: str | None, rig: Rig) -> tuple[str, list[tuple[str, str, str, str]]]:
    """Return in one line how many of a rig's ports are there, and what is doubtful about some of them.

    That is "note" or "warning", the device, "input" or "output", and words. Never raises: rigs are written on
    machines that have no ports too.
    """
    try:
        system = open_system(kind)
    except PortError as error:
        return f"ports were not checked: {error}", []
    try:
        inputs, outputs = system.inputs(), system.outputs()
    except PortError as error:
        return f"ports were not checked: {error}", []
    finally:
        system.close()
    found = list(doubts(rig.devices, inputs, outputs))
    there = len(wishes(rig.devices)) - sum(doubt.kind != "several" for _, doubt in found)
    remarks = [
        (
            "note" if doubt.kind == "none" else "warning",
            wish.devices[0],
            "output" if wish.is_output else "input",
            f"{doubt.text}; {doubt.remedy}",
        )
        for wish, doubt in found
    ]
    return f"{there} of {len(wishes(rig.devices))} ports are there, in {system.kind.upper()}", remarks


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
    """Return how to tell ports with the same name apart."""
    twins = [port for port in listed if port.name == name]
    for key, values in (
        ("serial", [port.serial for port in twins]),
        ("usb-path", [port.usb_path for port in twins]),
    ):
        if all(values) and len(set(values)) == len(twins):
            example = f'{{name: "{visible(pattern_of(name))}", {key}: {json.dumps(values[0])}}}'
            return f"tell them apart by the {key}, such as\n  input: {example}"
    return "a name cannot tell them apart."
