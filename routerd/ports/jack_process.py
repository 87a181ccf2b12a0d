"""The process that talks to JACK, so that nothing JACK does can hold up the engine.

    python -m routerd.ports.jack_process CONTROL OUT IN OUTLIVES    (the engine starts it, see `jack`)

RtMidi holds the interpreter while it opens a port, and libjack waits for the server meanwhile: 8 s were
measured while a program on the same server stood still, and for ever while the server did. In the engine
that would be 8 s without a tick. This process may wait: it can be killed at any time, and with it goes what
lies in RtMidi's buffers, so that nothing stale is ever sent by a server that stood still and goes on.

No Python is called by libjack but RtMidi's input callback, on the thread of that port's own JACK client:
ports and connections are polled, and the end of the server ends this process by a function of the C library.
Objects of RtMidi are never freed, as freeing one while its callback waits for the interpreter would last for
ever; their ports are connected, disconnected and used again.

On CONTROL, a socket, each packet is one message (see `core.model.codec`): a `Request` of the engine's, or a
`Report` to it. OUT and IN are pipes with messages, each behind a head: OUT_HEAD, IN_HEAD.
All three are descriptors. OUTLIVES is 1 where another process may take over from the engine, with the other
ends of all three, else 0.
"""

from __future__ import annotations

import ctypes
import os
import resource
import select
import signal
import socket
import struct
import sys
import threading
from dataclasses import dataclass
from time import monotonic_ns, sleep
from typing import Any, Literal, cast

from routerd.core.model.codec import decode, encode
from routerd.ports import libjack
from routerd.ports.base import CLIENT_NAME, SETTLE_S, StalledError
from routerd.ports.jack_ends import Ends
from routerd.ports.libjack import Server


@dataclass(frozen=True, slots=True)
class OpenPort:
    """Open a port to `other`, a port of JACK, and call ours `name`; answered by `Opened`."""

    direction: Literal["in", "out"]
    number: int
    other: str
    name: str


@dataclass(frozen=True, slots=True)
class ClosePort:
    """Close a port."""

    number: int


@dataclass(frozen=True, slots=True)
class Leave:
    """Send what is on its way, leave the server, and end."""


@dataclass(frozen=True, slots=True)
class ListAgain:
    """Report all ports, whether or not they have changed: whoever asks is new."""


Request = OpenPort | ClosePort | ListAgain | Leave
"""What the engine asks for."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A port is open, or why it is not; `stalled`: because it, or the server, stands still."""

    number: int
    error: str = ""
    stalled: bool = False


@dataclass(frozen=True, slots=True)
class ServerSought:
    """A server is asked to take a client; `there` is False when there is none, and it is asked again soon."""

    there: bool = True


@dataclass(frozen=True, slots=True)
class PortNames:
    """Ports of others, NAMES_A_PACKET at most: before a `Standing`, if they have changed."""

    kind: Literal["sources", "destinations"]
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """Every REPORT_S: how things stand."""

    moved_ns: int
    """When the server last began a period, in ns of CLOCK_MONOTONIC."""
    listed: bool
    """Whether all its ports have just been listed."""
    disconnected: tuple[int, ...]
    """Which open ports have lost their connection."""
    stopped: tuple[tuple[int, str], ...]
    """At which the program at the other end is stopped, and its name."""


Report = Opened | ServerSought | PortNames | Standing
"""What the engine hears."""


def read_request(data: bytes) -> Request:
    """Return what the engine asks for; raises ValueError."""
    return decode(cast("type[Request]", Request), data)


def read_report(data: bytes) -> Report:
    """Return what the process reports; raises ValueError."""
    return decode(cast("type[Report]", Report), data)


OUT_HEAD = struct.Struct("=II")
"""Number of the port, length of the message."""

IN_HEAD = struct.Struct("=IIq")
"""Number of the port, from 1, length of the message or piece, its arrival in ns of CLOCK_MONOTONIC."""

REPORT_S = 0.05
NAMES_A_PACKET = 32
"""JACK limits the name of a port to 320 bytes, of which JSON makes six each at most: less than LARGEST."""

LOOK_FOR_SERVER_S = 0.5
SWITCH_INTERVAL_S = 0.0005
"""How long a thread here may keep the interpreter once another wants it."""

_PR_SET_PDEATHSIG = 1
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
LARGEST = 65_536
"""Bytes of a packet on CONTROL, or that are read from a pipe at once: all that a pipe holds (pipe(7))."""

_MOST_AT_ONCE = select.PIPE_BUF - IN_HEAD.size
"""Bytes of a message that go to IN with one head, as a whole or not at all; what is longer goes in pieces."""


class JackProcess:
    """The process: its threads and what they share."""

    def __init__(self, control: socket.socket, out: int, into: int) -> None:
        self._control = control
        self._out = out
        self._into = into
        self._into_lock = threading.Lock()
        self._list_again = True
        self._server: Server
        self._ends: Ends

    def run(self) -> None:
        """Talk to JACK until asked to end, or until the engine or the server has gone."""
        library = libjack.load_libjack()
        self._server = Server(library, self._find(library))
        self._ends = Ends(self._server, self._came_in)
        for body in (self._report, self._send):
            threading.Thread(target=body, daemon=True).start()
        while message := self._control.recv(LARGEST):
            request = read_request(message)
            if isinstance(request, OpenPort):
                self._reply(self._open(request))
            elif isinstance(request, ClosePort):
                self._ends.close(request.number)
            elif isinstance(request, ListAgain):
                self._list_again = True
            else:
                self._end()
        os._exit(0)  # the engine has gone

    def _open(self, wanted: OpenPort) -> Opened:
        open_one = self._ends.open_out if wanted.direction == "out" else self._ends.open_in
        try:
            return Opened(wanted.number, open_one(wanted.number, wanted.other, wanted.name))
        except StalledError as why:
            return Opened(wanted.number, str(why), stalled=True)

    def _find(self, library: Any) -> int:
        while True:
            self._reply(ServerSought())
            client = library.jack_client_open(CLIENT_NAME.encode(), libjack.NO_START_SERVER, None)
            if client:
                return int(client)
            self._reply(ServerSought(there=False))
            sleep(LOOK_FOR_SERVER_S)

    def _end(self) -> None:
        """Leave so that the server need not find out: what is sent last is on its way for two periods."""
        sleep(2 * SETTLE_S)  # for what is still in the pipe, and for its two periods
        for number in list(self._ends.by_number):
            self._ends.close(number)
        self._server.library.jack_client_close(self._server.client)
        os._exit(0)

    def _reply(self, report: Report) -> None:
        try:
            self._control.send(encode(report, Report))
        except OSError:
            os._exit(0)  # the engine has gone

    # On threads of their own

    def _report(self) -> None:
        server, ends = self._server, self._ends
        before: tuple[list[str], list[str]] = ([], [])
        period, moved_ns = server.period(), monotonic_ns()
        while True:
            if period != (now := server.period()):
                period, moved_ns = now, monotonic_ns()
            # Before the ports: a connection that went with its port must not look like one that was removed.
            disconnected, stopped = tuple(ends.disconnected()), tuple(ends.stopped().items())
            lists = server.ports(libjack.IS_OUTPUT), server.ports(libjack.IS_INPUT)
            again, self._list_again = self._list_again, False
            if listed := again or lists != before:
                self._list("sources", lists[0])
                self._list("destinations", lists[1])
            self._reply(Standing(moved_ns, listed, disconnected, stopped))
            before = lists
            sleep(REPORT_S)

    def _list(self, kind: Literal["sources", "destinations"], names: list[str]) -> None:
        for start in range(0, len(names), NAMES_A_PACKET):
            self._reply(PortNames(kind, tuple(names[start : start + NAMES_A_PACKET])))

    def _send(self) -> None:
        left = b""
        while data := os.read(self._out, LARGEST):
            data = left + data
            place = 0
            while len(data) - place >= OUT_HEAD.size:
                number, length = OUT_HEAD.unpack_from(data, place)
                if len(data) - place - OUT_HEAD.size < length:
                    break
                place += OUT_HEAD.size
                self._ends.take_out(number, data[place : place + length])
                place += length
            left = data[place:]

    def _came_in(self, number: int, data: bytes) -> None:
        at_ns = monotonic_ns()
        with self._into_lock:
            for place in range(0, len(data), _MOST_AT_ONCE):
                piece = data[place : place + _MOST_AT_ONCE]
                packet = IN_HEAD.pack(number, len(piece), at_ns) + piece
                while not self._write_in(packet):
                    if place == 0:  # more than the engine can take; it has reported that the port floods
                        return
                    sleep(0.0005)

    def _write_in(self, packet: bytes) -> bool:
        """Write to IN, which takes all of it or nothing; return whether it has."""
        try:
            os.write(self._into, packet)
        except BlockingIOError:
            return False
        except OSError:
            os._exit(0)  # the engine has gone
        return True


def main() -> None:
    """Be the process."""
    *descriptors, outlives = (int(argument) for argument in sys.argv[1:])
    if not outlives:  # an engine without a spare; else the end of CONTROL is the end
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGPWR):
        signal.signal(number, signal.SIG_IGN)  # the engine ends it, once the last note has been sent
    if os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY:
        ctypes.CDLL(None).mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT)
    control, out, into = descriptors
    os.set_blocking(into, False)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    JackProcess(socket.socket(fileno=control), out, into).run()


if __name__ == "__main__":
    main()
