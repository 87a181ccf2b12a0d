"""What a patchbay is: the side of ALSA or JACK that lists ports and connects them.

RtMidi moves bytes through a port of our own; a patchbay connects that port to another program's or
a device's. The split is there because RtMidi holds the Python interpreter while it lists, connects
and closes, and a tick would wait for it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Protocol

from routerd.ports.base import Condition, PortInfo

CLIENT_NAME = "routerd"
"""What all our clients' names begin with; ports of such clients are not listed."""

OWN_PORT = "midi"
"""The name of the one port that each of RtMidi's clients has."""


class Writer(Protocol):
    """Writes to one connected output."""

    takes_pieces: bool

    def write(self, data: bytes) -> None:
        """Hand over one whole message, or a piece of a SysEx; never blocks; raises PortError."""


class Patchbay(Protocol):
    """Lists and connects ports. A port's identifier is what follows the first blank in its handle.

    What stands before that changes when the port leaves and comes back, so that a port which was
    away for a moment is not taken for one that is still open.
    """

    name: str
    """Ours alone among all clients; RtMidi's clients are named after it."""
    alive: bool
    """False once the system behind it has gone, with everything that was opened on it."""

    def sources(self) -> list[PortInfo]:
        """List what can be read from; raises PortError."""

    def destinations(self) -> list[PortInfo]:
        """List what can be written to; raises PortError."""

    def own(self, client_name: str) -> str:
        """Return the identifier of the port that RtMidi has opened as that client; raises PortError."""

    def connect(self, source: str, destination: str) -> None:
        """Connect two ports; raises PortError when one has gone."""

    def disconnect(self, source: str, destination: str) -> None:
        """Part two ports, if both are there."""

    def condition(self, source: str, destination: str) -> Condition:
        """Return how a connection made here stands; never blocks, never holds the interpreter."""

    def close(self) -> None:
        """Let go of the system; harmless when called twice."""


class WriterPatchbay(Patchbay, Protocol):
    """One whose outputs are RtMidi's too."""

    def writer(self, send_message: Callable[[bytes], None], destination: str) -> Writer:
        """Return what writes to a connected RtMidi output."""


def split_handle(handle: str) -> str:
    """Return the identifier in a handle."""
    return handle.split(" ", 1)[1]


def built_without(system: str, package: str, other: str) -> str:
    """Return one line on a port system that RtMidi was built without: what to install, how to build again."""
    pip = f"{sys.executable} -m pip"
    return (
        f"this python-rtmidi was built without {system}; apt-get install {package}, then build it again by"
        f" `{pip} install --force-reinstall --no-cache-dir --no-deps python-rtmidi` (pip's cache holds the"
        f" old build), or use --ports {other}"
    )
