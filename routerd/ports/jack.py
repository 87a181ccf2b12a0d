"""JACK's ports, as the engine sees them: a process of its own talks to JACK (`jack_process` says why).

Messages go to it and come from it through pipes, without a wait; a thread here hears how things stand. When
the server stands still, or that process does, it is killed, and with it goes everything that was under way;
the next one finds the server when that goes on. Every such process is a generation: ports that the one before
had opened are no longer listed, so whoever keeps them opens them anew.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Container, Iterable
from time import sleep
from weakref import WeakSet

from routerd.core.errors import PortError
from routerd.core.model.rig import Device
from routerd.ports.base import Changed, Condition, PortInfo, Received, StalledError
from routerd.ports.jack_link import LEAST_STALL_NS, STALL_NS, Heard, JackLink
from routerd.ports.libjack import load_libjack
from routerd.ports.sysex_assembly import SysexAssembly

START_S = 3.0
"""How long listing ports waits for the process to start."""

_AGAIN_S = 0.2


def open_jack() -> JackPorts:
    """Return the ports of JACK; raises PortError when RtMidi was built without it."""
    load_libjack()
    return JackPorts()


class JackPorts:
    """The ports of JACK. `malformed` counts what arrived and was not a MIDI message."""

    kind = "jack"

    def __init__(self) -> None:
        self._changed: Changed = lambda: None
        self._link: JackLink | None = None
        self._thread: threading.Thread | None = None
        self._closing = threading.Event()
        self._generation = 0
        self._ended: Condition | None = None
        """Why the process before this one has ended."""
        self._numbers = 0
        self.tell_copy: Callable[[bytes], None] | None = None
        self.malformed = 0
        self.faults = 0
        self._assemblies: WeakSet[SysexAssembly] = WeakSet()

    def provide(self, devices: Iterable[Device]) -> None:
        """Do nothing: these ports are there."""

    def watch(self, changed: Changed) -> None:
        """Begin to look for a server; threads here inherit the scheduling of the caller."""
        self._changed = changed
        if self._thread is None:
            self._link = self._start()
            self._thread = threading.Thread(target=self._run, name="jack", daemon=True)
            self._thread.start()

    def inputs(self) -> list[PortInfo]:
        """List what can be read from, by name; raises PortError when there is no server."""
        return self._server().list("sources")

    def outputs(self) -> list[PortInfo]:
        """List what can be written to, by name; raises PortError when there is no server."""
        return self._server().list("destinations")

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> JackInput:
        """Connect; `received` is called on a thread that is scheduled like the first caller of `watch`."""
        link = self._server()
        self._numbers += 1
        port = JackInput(
            info, link, self._numbers, self._assembled(received)
        )  # heard from its first message on
        try:
            link.open("in", self._numbers, info, name)
        except PortError:
            port.close()
            raise
        return port

    def _assembled(self, received: Received) -> Heard:
        """Return what takes what JACK hands over, and passes whole messages on."""
        assembly = SysexAssembly()
        self._assemblies.add(assembly)

        def take(data: bytes, at_ns: int) -> None:
            before = assembly.malformed
            try:
                for whole in assembly.take(data):
                    received(whole, at_ns)
            except Exception:  # noqa: BLE001 - the next message is heard all the same
                self.faults += 1
            self.malformed += assembly.malformed - before

        return take

    def open_output(self, info: PortInfo, name: str = "") -> JackOutput:
        """Connect; raises PortError when the port has gone."""
        link = self._server()
        self._numbers += 1
        link.open("out", self._numbers, info, name)
        return JackOutput(info, link, self._numbers)

    def allow_late(self, quarter_ns: int) -> None:
        """Have no more sent late than a quarter note of that length, when the server stands still."""
        link = self._link
        if link is not None:
            link.stall_ns = min(STALL_NS, max(LEAST_STALL_NS, quarter_ns))

    def close(self) -> None:
        """Send what is under way, leave the server, and end the process; harmless when called twice."""
        self._closing.set()
        link = self._link
        if link is not None:
            link.end()

    def _server(self) -> JackLink:
        if self._thread is None:
            self.watch(self._changed)
        link = self._link
        if link is None:
            raise PortError("the process that talks to JACK is not there")
        if link.generation == 1:  # later ones are announced
            link.wait_until_it_knows(START_S)
        if link.there and link.ended is None:
            return link
        if link.waits():
            raise StalledError("the JACK server does not answer")
        ended = link.ended or (None if link.knows else self._ended)
        if ended is not None and ended.kind == "stalled":
            raise StalledError(ended.why)
        name = os.environ.get("JACK_DEFAULT_SERVER", "default")
        raise PortError(
            f"no JACK server named {name!r} answers; start one as the same user, or choose other --ports"
        )

    # A copy in a forked process, which has the other ends of the same pipes

    def hear(self, told: bytes) -> None:
        """Do nothing: nothing is told."""

    def go_on(self, known: Container[int]) -> None:
        """Hear the process from here on."""
        self._thread = None
        for assembly in self._assemblies:
            assembly.open.clear()  # of when the copy was made
        if self._link is not None:
            self._link.go_on(known)
            self._thread = threading.Thread(target=self._run, name="jack", daemon=True)
            self._thread.start()

    # A thread of its own

    def _run(self) -> None:
        link = self._link
        while link is not None and not self._closing.is_set():
            link.watch(self._changed)
            self._ended = link.ended
            if not self._closing.is_set():
                self._link = link = self._start()
                self._changed()

    def _start(self) -> JackLink:
        self._generation += 1
        while True:
            try:
                return JackLink(self._generation, outlives=self.tell_copy is not None)
            except OSError:  # no descriptor, process or memory to be had just now
                sleep(_AGAIN_S)


class JackInput:
    """A connected input."""

    def __init__(self, info: PortInfo, link: JackLink, number: int, take: Heard) -> None:
        self.info = info
        self._link = link
        self._number = number
        link.inputs[number] = take

    def condition(self) -> Condition:
        """Return how it stands."""
        return self._link.condition(self._number)

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""
        if self._link.inputs.pop(self._number, None) is not None:
            self._link.close(self._number)


class JackOutput:
    """A connected output; `send` raises PortError once it is closed or the server has gone."""

    takes_pieces = False

    def __init__(self, info: PortInfo, link: JackLink, number: int) -> None:
        self.info = info
        self._link = link
        self._number = number
        self._closed = False

    def condition(self) -> Condition:
        """Return how it stands."""
        return self._link.condition(self._number)

    def send(self, data: bytes) -> None:
        """Hand over one whole message; never waits; raises PortError."""
        if self._closed:
            raise PortError(f"port {self.info.name!r} is closed")
        self._link.send(self._number, data)

    def close(self) -> None:
        """Close at once, see `OutputPort`; harmless when called twice."""
        if not self._closed:
            self._closed = True
            self._link.close(self._number)
