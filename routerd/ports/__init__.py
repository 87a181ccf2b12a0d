"""Ports behind one small interface: the system's own, and simulated ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from routerd.core.errors import PortError

if TYPE_CHECKING:
    from routerd.ports.base import PortSystem

KINDS = ("alsa", "jack", "simulated")
_ALSA_SEQUENCER = Path("/dev/snd/seq")


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
        from routerd.ports.alsa import open_alsa

        return open_alsa()
    if kind not in (None, "jack"):
        raise PortError(f"{kind!r} is not a kind of ports; choose one of {', '.join(KINDS)}")
    from routerd.ports.jack import open_jack

    system = open_jack()
    if kind is None:
        try:
            system.inputs()
        except PortError as error:
            raise PortError(
                f"this machine offers no MIDI ports: there is no ALSA sequencer ({_ALSA_SEQUENCER}; as root,"
                " modprobe snd-seq) and no JACK server; --ports simulated runs without any"
            ) from error
    return system
