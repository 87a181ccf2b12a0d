"""The one small interface to ports, whatever offers them, and what others see our ends called.

A port system lists, opens and watches ports. All calls come from one thread (the engine's
port thread), except `OutputPort.send`, which the real-time worker calls, and the callbacks:
`Received` may be called from any thread that the port system owns, and so may `Changed`.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from routerd.core.errors import PortError
from routerd.core.model.rig import Device

Received = Callable[[bytes, int], None]
"""Called with one whole message and its arrival time in ns of CLOCK_MONOTONIC."""

Changed = Callable[[], None]
"""Called when ports may have come or gone."""


SETTLE_S = 0.05
"""How long what was handed over last may be under way, and is lost if the port is closed meanwhile: two JACK
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

    `serial` and `usb_path` are those of the USB device it belongs to, "" where none is known.
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
    """What offers ports: ALSA, JACK, or the simulation.

    Where it says "raises PortError", a system that stands still raises StalledError, and soon: no call may
    wait for what does not answer.
    """

    kind: str
    """"alsa", "jack" or "simulated"."""

    @property
    def malformed(self) -> int:
        """How often something arrived that was not a MIDI message, and went no further."""

    def inputs(self) -> list[PortInfo]:
        """List what can be read from; raises PortError when the system is not there."""

    def outputs(self) -> list[PortInfo]:
        """List what can be written to; raises PortError when the system is not there."""

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> InputPort:
        """Open; raises PortError when the port has gone. `name` is what others see our end called, where
        the system allows it."""

    def open_output(self, info: PortInfo, name: str = "") -> OutputPort:
        """Open, in the same way."""

    def provide(self, devices: Iterable[Device]) -> None:
        """Take the rig's devices: the simulation makes ports for them, other systems have their own."""

    def allow_late(self, quarter_ns: int) -> None:
        """Have no more sent late than a quarter note of that length when the system stands still."""

    def watch(self, changed: Changed) -> None:
        """Call `changed` from now on whenever ports may have come or gone."""

    def close(self) -> None:
        """Close everything that was opened."""


@runtime_checkable
class Copyable(Protocol):
    """A port system whose copy in a forked process can go on when the process with the original has ended.

    The two have the same descriptors, and what nobody has read is there for the copy to read.
    """

    tell_copy: Callable[[bytes], None] | None
    """Set by the owner of the original: called with what a copy has to know of (`hear`)."""

    def hear(self, told: bytes) -> None:
        """Take what the original has told."""

    def go_on(self, known: Container[int]) -> None:
        """Be the only one from now on: every port that was open is.

        What the original had received and not passed on comes first (see `reception`); `known`: when the
        messages came that have been taken, in ns.
        """


CLIENT_NAME = "routerd"
"""What all our clients' names begin with; ports of such clients are not listed."""

OWN_PORT = "midi"
"""The name of the one port that each of RtMidi's clients on JACK has."""


def split_handle(handle: str) -> str:
    """Return the identifier in a handle: what follows the first blank."""
    return handle.split(" ", 1)[1]
