"""JACK's ports, as the engine sees them: a process of its own talks to JACK (`jack_process` says why).

Messages go to it and come from it through pipes, without a wait; a thread here hears how things stand. When
the server stands still, or that process does, it is killed, and with it goes everything that was under way;
the next one finds the server when that goes on. Every such process is a generation: ports that the one before
had opened are no longer listed, so whoever keeps them opens them anew.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import socket
import subprocess
import sys
import threading
from collections import Counter
from dataclasses import dataclass, field
from time import monotonic_ns, sleep
from typing import Any

from routerd.core.errors import PortError
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.ports.base import CONNECTED, Changed, Condition, PortInfo, Received, StalledError
from routerd.ports.jack_process import IN_HEAD, LONGEST_MESSAGE, OUT_HEAD
from routerd.ports.libjack import load_libjack
from routerd.ports.mend import Mender
from routerd.ports.patchbay import split_handle

STALL_NS = 300 * NS_PER_MS
"""A server that has begun no period for so long stands still. The longest usual period has 85 ms."""

ANSWER_NS = 1 * NS_PER_S
"""A server that has not taken a client within so long does not answer."""

START_S = 3.0
"""How long listing ports waits for the process to start."""

OPEN_S = 1.0
"""How long opening a port waits for the server's answer."""

END_S = 0.35
"""How long the process may take to send the last messages and leave the server."""

_LOOK_S = 0.05
_AGAIN_S = 0.2
_LARGEST = 65_536
_OUT_BYTES = 1 << 20
"""Of messages that the process has not taken yet."""


def open_jack() -> JackPorts:
    """Return the ports of JACK; raises PortError when RtMidi was built without it."""
    load_libjack()
    return JackPorts()


class JackPorts:
    """The ports of JACK. `strange` counts what arrived and was no MIDI message."""

    kind = "jack"

    def __init__(self) -> None:
        self._changed: Changed = lambda: None
        self._process: _Process | None = None
        self._thread: threading.Thread | None = None
        self._closing = threading.Event()
        self._generation = 0
        self._ended: Condition | None = None
        """Why the process before this one has ended."""
        self._numbers = 0
        self._strange_before = 0

    @property
    def strange(self) -> int:
        """Return how often something arrived that was no MIDI message, and went no further."""
        process = self._process
        return self._strange_before + (0 if process is None else process.strange())

    def watch(self, changed: Changed) -> None:
        """Begin to look for a server; threads here inherit the scheduling of the caller."""
        self._changed = changed
        if self._thread is None:
            self._process = self._start()
            self._thread = threading.Thread(target=self._run, name="jack", daemon=True)
            self._thread.start()

    def inputs(self) -> list[PortInfo]:
        """List what can be read from, by name; raises PortError when there is no server."""
        return self._server().list("sources")

    def outputs(self) -> list[PortInfo]:
        """List what can be written to, by name; raises PortError when there is no server."""
        return self._server().list("destinations")

    def open_input(self, info: PortInfo, received: Received) -> JackInput:
        """Connect; `received` is called on a thread that is scheduled like the first caller of `watch`."""
        process = self._server()
        self._numbers += 1
        port = JackInput(info, process, self._numbers, received)
        process.inputs[port.number] = port
        try:
            process.open("in", port.number, info)
        except PortError:
            process.inputs.pop(port.number, None)
            raise
        return port

    def open_output(self, info: PortInfo) -> JackOutput:
        """Connect; raises PortError when the port has gone."""
        process = self._server()
        self._numbers += 1
        process.open("out", self._numbers, info)
        return JackOutput(info, process, self._numbers)

    def close(self) -> None:
        """Send what is under way, leave the server, and end the process; harmless when called twice."""
        self._closing.set()
        process = self._process
        if process is not None:
            process.end()

    def _server(self) -> _Process:
        if self._thread is None:
            self.watch(self._changed)
        process = self._process
        if process is None:
            raise PortError("the process that talks to JACK is not there")
        if process.generation == 1:  # later ones are announced
            process.wait_until_it_knows(START_S)
        if process.there and process.ended is None:
            return process
        if process.waits():
            raise StalledError("the JACK server does not answer")
        ended = process.ended or (None if process.knows else self._ended)
        if ended is not None and ended.kind == "stalled":
            raise StalledError(ended.why)
        name = os.environ.get("JACK_DEFAULT_SERVER", "default")
        raise PortError(
            f"no JACK server named {name!r} answers; start one as the same user, or choose other --ports"
        )

    # A thread of its own

    def _run(self) -> None:
        process = self._process
        while process is not None and not self._closing.is_set():
            process.watch(self._changed)
            self._strange_before += process.strange()
            self._ended = process.ended
            if not self._closing.is_set():
                self._process = process = self._start()
                self._changed()

    def _start(self) -> _Process:
        self._generation += 1
        while True:
            try:
                return _Process(self._generation)
            except OSError:  # no descriptor, process or memory to be had just now
                sleep(_AGAIN_S)


_GONE = Condition("disconnected", "the JACK server has gone")


class _Pipe:
    """A pipe that is closed when nobody can write any more: else bytes could go into another file."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def __del__(self) -> None:
        os.close(self.descriptor)


@dataclass(slots=True)
class _Opening:
    answered: threading.Event = field(default_factory=threading.Event)
    error: str = ""


class _Process:
    """One process that talks to JACK, from its start to its end."""

    def __init__(self, generation: int) -> None:
        """Start it; raises OSError."""
        self.generation = generation
        self.knows = False
        """Whether it has found out if there is a server."""
        self.there = False
        """Whether it is a client of a server."""
        self.ended: Condition | None = None
        """How its ports stand once it is of no more use."""
        self._asked_ns = 0
        """Since when it waits for a server's answer; 0 when it does not."""
        self.inputs: dict[int, JackInput] = {}
        self.parted: frozenset[int] = frozenset()
        self.stopped: dict[int, str] = {}
        self._lists: dict[str, list[str]] = {"sources": [], "destinations": []}
        self._departures: Counter[str] = Counter()
        self._openings: dict[int, _Opening] = {}
        self._moved_ns = self._heard_ns = monotonic_ns()
        with contextlib.ExitStack() as made:
            ours, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            made.callback(its.close)
            self._control = ours
            self._control.settimeout(_LOOK_S)
            read_out, write_out = os.pipe()
            made.callback(os.close, read_out)
            self.out = _Pipe(write_out)
            os.set_blocking(write_out, False)
            with contextlib.suppress(OSError):
                fcntl.fcntl(write_out, fcntl.F_SETPIPE_SZ, _OUT_BYTES)
            read_in, write_in = os.pipe()
            made.callback(os.close, write_in)
            self._into = read_in
            descriptors = (its.fileno(), read_out, write_in)
            self._popen = subprocess.Popen(  # noqa: S603 - this very program
                [sys.executable, "-m", "routerd.ports.jack_process", *map(str, descriptors)],
                pass_fds=descriptors,
                stdin=subprocess.DEVNULL,
            )
        threading.Thread(target=self._hear, name="jack inputs", daemon=True).start()

    def wait_until_it_knows(self, limit_s: float) -> None:
        """Wait until it is known whether there is a server that answers."""
        until_ns = monotonic_ns() + round(limit_s * NS_PER_S)
        while not (self.knows or self.ended or self.waits()) and monotonic_ns() < until_ns:
            sleep(0.005)

    def waits(self) -> bool:
        """Return whether a server that is there does not answer."""
        return 0 < self._asked_ns < monotonic_ns() - ANSWER_NS

    def strange(self) -> int:
        """Return how often something arrived that was no MIDI message."""
        return sum(port.mender.strange for port in list(self.inputs.values()))

    def list(self, direction: str) -> list[PortInfo]:
        """Return the ports of that direction, by name."""
        # A port that left and came back is another port, though it has the same name.
        return [
            PortInfo(name, f"{self.generation}.{self._departures[name]} {name}")
            for name in sorted(self._lists[direction])
        ]

    def open(self, direction: str, number: int, info: PortInfo) -> None:
        """Have a port opened; raises PortError."""
        if info not in self.list("sources" if direction == "in" else "destinations"):
            raise PortError(f"port {info.name!r} has gone")
        opening = self._openings[number] = _Opening()
        self._say({"open": direction, "port": number, "name": split_handle(info.handle)})
        if not opening.answered.wait(OPEN_S):
            self._say({"close": number})
            raise StalledError("the JACK server does not answer; a program that hangs may hold it up")
        if opening.error:
            raise PortError(opening.error)

    def close(self, number: int) -> None:
        """Have a port closed."""
        self.inputs.pop(number, None)
        self._say({"close": number})

    def condition(self, number: int) -> Condition:
        """Return how a port stands."""
        if self.ended is not None:
            return self.ended
        if (program := self.stopped.get(number)) is not None:
            return Condition("stalled", f"the program {program!r} is stopped")
        if number in self.parted:
            return Condition("disconnected", "another program has disconnected it")
        return CONNECTED

    def end(self) -> None:
        """Have it end by itself; kill it if that takes too long."""
        self._say({"end": True})
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._popen.wait(END_S)
        self._kill(_GONE)

    def spoil(self) -> None:
        """A message has gone out in part: nothing more may follow it, so this process has to go."""
        self.ended = Condition("stalled", "the process that talks to JACK takes no data")

    def _say(self, what: dict[str, Any]) -> None:
        with contextlib.suppress(OSError):
            self._control.send(json.dumps(what).encode(), socket.MSG_DONTWAIT)

    def _kill(self, ended: Condition) -> None:
        self.ended = self.ended or ended
        self._popen.kill()
        self._popen.wait()
        for opening in list(self._openings.values()):
            opening.error = opening.error or self.ended.why
            opening.answered.set()

    # The thread that hears how things stand

    def watch(self, changed: Changed) -> None:
        """Hear what it says until it ends or stands still; call `changed` when things have changed."""
        while self.ended is None:
            try:
                packet = self._control.recv(_LARGEST)
            except TimeoutError:
                packet = None
            except OSError:
                packet = b""
            if packet == b"":
                self.ended = _GONE
            elif packet is not None and self._take(json.loads(packet)):
                changed()
            elif why := self._stall():
                self.ended = Condition("stalled", why)
        self._kill(self.ended)
        self._control.close()
        changed()

    def _take(self, said: dict[str, Any]) -> bool:
        """Take what it has said; return whether something has changed."""
        self._heard_ns = monotonic_ns()
        if "port" in said:
            opening = self._openings.pop(said["port"])
            opening.error = said["error"]
            opening.answered.set()
            return True  # nobody may be waiting for it any more
        if "server" in said:
            asked = said["server"] == "asked"
            self._asked_ns = self._heard_ns if asked else 0
            news = not asked and not self.knows
            self.knows = self.knows or not asked
            return news
        return self._take_report(said)

    def _take_report(self, said: dict[str, Any]) -> bool:
        self._asked_ns = 0
        self._moved_ns = said["moved_ns"]
        before = (self.there, self.parted, self.stopped)
        self.there = self.knows = True
        self.parted = frozenset(said["parted"])
        self.stopped = {int(number): name for number, name in said["stopped"].items()}
        listed = "sources" in said
        if listed:
            lists = {key: said[key] for key in self._lists}
            left = {name for key, names in self._lists.items() for name in names if name not in lists[key]}
            self._departures.update(left)
            self._lists = lists
        return listed or before != (self.there, self.parted, self.stopped)

    def _stall(self) -> str:
        """Return why it is given up, "" while it is not."""
        now_ns = monotonic_ns()
        if not self.there:
            return ""  # it may wait for a server as long as it likes
        if now_ns - self._heard_ns > STALL_NS:
            return "the process that talks to JACK stands still, or the server does"
        if now_ns - self._moved_ns > STALL_NS:
            return "the JACK server stands still"
        return ""

    # The thread that hears messages

    def _hear(self) -> None:
        left = b""
        size = IN_HEAD.size
        inputs = self.inputs
        with contextlib.suppress(OSError):
            while data := os.read(self._into, _LARGEST):
                data = left + data if left else data
                place, end = 0, len(data)
                while end - place >= size:
                    number, length, at_ns = IN_HEAD.unpack_from(data, place)
                    if end - place - size < length:
                        break
                    place += size + length
                    port = inputs.get(number)
                    if port is not None:
                        port.take(data[place - length : place], at_ns)
                left = data[place:]
        os.close(self._into)


class JackInput:
    """A connected input."""

    def __init__(self, info: PortInfo, process: _Process, number: int, received: Received) -> None:
        self.info = info
        self.number = number
        self.mender = Mender()
        self.faults = 0
        self._process = process
        self._received = received

    def condition(self) -> Condition:
        """Return how it stands."""
        return self._process.condition(self.number)

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""
        self._process.close(self.number)

    def take(self, data: bytes, at_ns: int) -> None:
        """Take what has arrived, on the thread that hears messages."""
        try:
            for whole in self.mender.take(data):
                self._received(whole, at_ns)
        except Exception:  # noqa: BLE001 - the next message is heard all the same
            self.faults += 1


class JackOutput:
    """A connected output; `send` raises PortError once it is closed or the server has gone."""

    takes_pieces = False

    def __init__(self, info: PortInfo, process: _Process, number: int) -> None:
        self.info = info
        self._process = process
        self._number = number
        self._out = process.out
        self._closed = False

    def condition(self) -> Condition:
        """Return how it stands."""
        return self._process.condition(self._number)

    def send(self, data: bytes) -> None:
        """Hand over one whole message; never waits; raises PortError."""
        process = self._process
        if self._closed:
            raise PortError(f"port {self.info.name!r} is closed")
        if process.ended is not None:
            raise PortError(process.ended.why)
        if len(data) > LONGEST_MESSAGE:
            raise PortError(f"{self.info.name!r}: a message of {len(data)} bytes is too long for JACK")
        packet = OUT_HEAD.pack(self._number, len(data)) + data
        try:
            written = os.write(self._out.descriptor, packet)
        except BlockingIOError:
            written = 0
        except OSError as error:
            raise PortError("the JACK server has gone") from error
        if written != len(packet):
            if written:
                process.spoil()
            raise PortError(f"{self.info.name!r}: JACK takes no data, or more was sent than it can take")

    def close(self) -> None:
        """Close at once, see `OutputPort`; harmless when called twice."""
        if not self._closed:
            self._closed = True
            self._process.close(self._number)
