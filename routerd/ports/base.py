"""The one small interface to ports, whatever offers them.

A port system lists, opens and watches ports. All calls come from one thread (the engine's
port thread), except `OutputPort.send`, which the real-time worker calls, and the callbacks:
`Received` may be called from any thread that the port system owns, and so may `Changed`.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

from routerd.core.errors import PortError
from routerd.core.model.rig import ANY_USB, Usb

Received = Callable[[bytes, int], None]
"""Called with one whole message and its arrival time in ns of CLOCK_MONOTONIC."""

Changed = Callable[[], None]
"""Called when ports may have come or gone."""

_NUMBER = re.compile(r"\d+")

SETTLE_S = 0.05
"""How long what was handed over last may be under way, and is lost if the port is parted meanwhile: two JACK
periods of 1024 frames."""


class StalledError(PortError):
    """The port system, or the port, stands still: it neither works nor refuses.

    `since_ns`: from when on nothing got through, where that is known (see `Condition`).
    """

    def __init__(self, text: str, since_ns: int | None = None) -> None:
        super().__init__(text)
        self.since_ns = since_ns


@dataclass(frozen=True, slots=True)
class Condition:
    """Whether an open port's bytes get through just now; `why` is a line for people when they do not.

    "disconnected": both ports are there, but another program has taken the connection between them away.
    "stalled": what is handed over is not taken on, as the server or the receiving program stands still.
    """

    kind: Literal["connected", "disconnected", "stalled"]
    why: str = ""
    since_ns: int | None = None
    """From when on nothing got through, where that is better known than from the moment of asking."""


CONNECTED = Condition("connected")


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port as the operating system lists it. `handle` is what the port system opens it by.

    `serial` and `usb_path` are those of the USB device it belongs to, "" where there is none or none is told.
    """

    name: str
    handle: str
    serial: str = ""
    usb_path: str = ""


class InputPort(Protocol):
    """An open input."""

    info: PortInfo

    def condition(self) -> Condition:
        """Return how it stands. Asked ten times a second: never blocks, never holds the interpreter."""

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""


class OutputPort(Protocol):
    """An open output."""

    info: PortInfo
    takes_pieces: bool
    """True when a SysEx message may be handed over in pieces, real-time bytes between them."""

    def send(self, data: bytes) -> None:
        """Hand over one whole message, or a piece of a SysEx; never blocks; raises PortError."""

    def condition(self) -> Condition:
        """Return how it stands. Asked ten times a second: never blocks, never holds the interpreter."""

    def close(self) -> None:
        """Close at once: what was sent less than SETTLE_S ago may be lost. Harmless when called twice."""


class PortSystem(Protocol):
    """What offers ports: ALSA or JACK through RtMidi, or the simulation.

    Where it says "raises PortError", a system that stands still raises StalledError, and soon: no call may
    wait for what does not answer.
    """

    kind: str
    """"alsa", "jack" or "simulated"."""

    @property
    def strange(self) -> int:
        """How often something arrived that was no MIDI message, and went no further."""

    def inputs(self) -> list[PortInfo]:
        """List what can be read from; raises PortError when the system is not there."""

    def outputs(self) -> list[PortInfo]:
        """List what can be written to; raises PortError when the system is not there."""

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> InputPort:
        """Open; raises PortError when the port has gone. `name` is what others see our end called, where
        the system allows it."""

    def open_output(self, info: PortInfo, name: str = "") -> OutputPort:
        """Open, in the same way."""

    def watch(self, changed: Changed) -> None:
        """Call `changed` from now on whenever ports may have come or gone."""

    def close(self) -> None:
        """Close everything that was opened."""


def match_port(pattern: str, ports: list[PortInfo], usb: Usb = ANY_USB) -> PortInfo | None:
    """Return the port that matches best, see `matching`."""
    return next(iter(matching(pattern, ports, usb)), None)


def matching(pattern: str, ports: Iterable[PortInfo], usb: Usb = ANY_USB) -> list[PortInfo]:
    """Return the ports whose names match the shell pattern, upper and lower case alike, the best first.

    Only ports of the USB device that `usb` tells are looked at. An exact name wins over a pattern, so that
    a name with brackets in it still finds its port. A name of which wildcards stand for less is better, so
    that `Box A*` finds "Box A" beside "Box A spare"; among equals the first is.
    """
    ranked = [(rank, port) for port in ports if (rank := match_rank(pattern, port, usb)) is not None]
    ranked.sort(key=lambda one: one[0])
    exact = [port for rank, port in ranked if rank == 0]
    return exact or [port for _, port in ranked]


def match_rank(pattern: str, port: PortInfo, usb: Usb = ANY_USB) -> int | None:
    """Return how well a port matches, the less the better; None for not at all."""
    if usb.serial not in ("", port.serial) or usb.path not in ("", port.usb_path):
        return None
    name, wanted = port.name.casefold(), pattern.casefold()
    if name == wanted:
        return 0
    # a number counts for one character: how many digits it has says nothing
    return len(_NUMBER.sub("0", name)) if fnmatch.fnmatchcase(name, wanted) else None
