"""Ports behind one small interface: the system's own, and simulated ones."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routerd.core.errors import PortError

if TYPE_CHECKING:
    from routerd.ports.base import PortSystem

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
    # What is not used is not loaded: the simulation needs neither RtMidi nor its libraries.
    if kind == "simulated":
        from routerd.ports.simulated import SimulatedPorts

        return SimulatedPorts(far_end_port)
    if kind == "alsa" or (kind is None and _ALSA_SEQUENCER.exists()):
        alsa: PortSystem = _load("routerd.ports.alsa").open_alsa()
        return alsa
    if kind not in (None, "jack"):
        raise PortError(f"{kind!r} is not a kind of ports; choose one of {', '.join(KINDS)}")
    system: PortSystem = _load("routerd.ports.jack").open_jack()
    if kind is None:
        try:
            system.inputs()
        except PortError as error:
            raise PortError(
                f"this machine offers no MIDI ports: there is no ALSA sequencer ({_ALSA_SEQUENCER}; as root,"
                " modprobe snd-seq) and no JACK server; --ports simulated runs without any"
            ) from error
    return system


def missing_library() -> str:
    """Return one line: why this machine's ports cannot be opened, and the remedy; "" when they can."""
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
