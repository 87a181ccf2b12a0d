"""One process that talks to JACK, as the engine has it: it is started, heard, and killed when it hangs.

Its own module (`jack_process`) describes what goes over the pipes and the socket.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import signal
import socket
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Container
from dataclasses import dataclass, field
from time import monotonic_ns, sleep
from typing import Literal

from routerd.core.errors import PortError
from routerd.core.model.codec import encode
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.ports.base import CONNECTED, Changed, Condition, PortInfo, StalledError, split_handle
from routerd.ports.jack_ends import LONGEST_MESSAGE, is_stopped
from routerd.ports.jack_process import (
    IN_HEAD,
    LARGEST,
    OUT_HEAD,
    ClosePort,
    Leave,
    ListAgain,
    Opened,
    OpenPort,
    Report,
    Request,
    ServerSought,
    Standing,
    read_report,
)
from routerd.ports.reception import Reception

STALL_NS = 300 * NS_PER_MS
LEAST_STALL_NS = 150 * NS_PER_MS
"""A server that has begun no period for so long stands still: a quarter note, within these bounds, so that no
more than that is ever late. The longest usual period has 85 ms."""

OPENING_STALL_NS = 800 * NS_PER_MS
"""A process that is opening a port may be silent for so long: RtMidi holds its interpreter meanwhile."""

ANSWER_NS = 1 * NS_PER_S
"""A server that has not taken a client within so long does not answer."""

OPEN_S = 1.0
"""How long opening a port waits for the server's answer."""

END_S = 0.35
"""How long the process may take to send the last messages and leave the server."""

_LOOK_S = 0.05
_OUT_BYTES = 1 << 20
"""Of messages that the process has not taken yet."""

Heard = Callable[[bytes, int], None]
"""Called with a message, whole or not, and its arrival in ns of CLOCK_MONOTONIC."""

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
    stalled: bool = False


class JackLink:
    """One process that talks to JACK, from its start to its end; ports of JACK are numbers here."""

    def __init__(self, generation: int, *, outlives: bool = False) -> None:
        """Start it; raises OSError. `outlives`: a copy of this in a forked process may go on with it."""
        self.generation = generation
        self.knows = False
        """Whether it has found out if there is a server."""
        self.there = False
        """Whether it is a client of a server."""
        self.ended: Condition | None = None
        """How its ports stand once it is of no more use."""
        self.stall_ns = STALL_NS
        self._asked_ns = 0
        """Since when it waits for a server's answer; 0 when it does not."""
        self.inputs: dict[int, Heard] = {}
        self.disconnected: frozenset[int] = frozenset()
        self.stopped: dict[int, str] = {}
        self._lists: dict[str, list[str]] = {"sources": [], "destinations": []}
        self._coming: dict[str, list[str]] = {"sources": [], "destinations": []}
        """Lists that are on their way, in several messages."""
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
            self._out = _Pipe(write_out)
            os.set_blocking(write_out, False)
            with contextlib.suppress(OSError):
                fcntl.fcntl(write_out, fcntl.F_SETPIPE_SZ, _OUT_BYTES)
            read_in, write_in = os.pipe()
            made.callback(os.close, write_in)
            self._into = read_in
            self._reception = Reception(LARGEST)
            descriptors = (its.fileno(), read_out, write_in)
            arguments = map(str, (*descriptors, int(outlives)))
            self._popen = subprocess.Popen(  # noqa: S603 - this very program
                [sys.executable, "-m", "routerd.ports.jack_process", *arguments],
                pass_fds=descriptors,
                process_group=0,  # what a terminal sends is for the engine to decide
                stdin=subprocess.DEVNULL,
            )
        self._process = os.pidfd_open(self._popen.pid)
        threading.Thread(target=self._receive, name="jack inputs", daemon=True).start()

    def go_on(self, known: Container[int]) -> None:
        """Go on in a forked process, with the thread that hears messages; `watch` is the caller's."""
        self._pass_on(*self._reception.left(known))
        self._reception.clear(LARGEST)
        self._coming = {key: [] for key in self._lists}
        self._moved_ns = self._heard_ns = monotonic_ns()
        self._request(ListAgain())
        threading.Thread(target=self._receive, name="jack inputs", daemon=True).start()

    def wait_until_it_knows(self, limit_s: float) -> None:
        """Wait until it is known whether there is a server that answers."""
        until_ns = monotonic_ns() + round(limit_s * NS_PER_S)
        while not (self.knows or self.ended or self.waits()) and monotonic_ns() < until_ns:
            sleep(0.005)

    def waits(self) -> bool:
        """Return whether a server that is there does not answer."""
        return 0 < self._asked_ns < monotonic_ns() - ANSWER_NS

    def list(self, direction: str) -> list[PortInfo]:
        """Return the ports of that direction, by name."""
        # A port that left and came back is another port, though it has the same name.
        return [
            PortInfo(name, f"{self.generation}.{self._departures[name]} {name}")
            for name in sorted(self._lists[direction])
        ]

    def open(self, direction: Literal["in", "out"], number: int, info: PortInfo, name: str) -> None:
        """Have a port opened, and ours called `name`; raises PortError."""
        if info not in self.list("sources" if direction == "in" else "destinations"):
            raise PortError(f"port {info.name!r} has gone")
        opening = self._openings[number] = _Opening()
        self._request(OpenPort(direction, number, split_handle(info.handle), name))
        if not opening.answered.wait(OPEN_S):
            self._openings.pop(number, None)
            self._request(ClosePort(number))
            raise StalledError("the JACK server does not answer; a program that hangs may hold it up")
        if opening.error:
            raise (StalledError if opening.stalled else PortError)(opening.error)

    def close(self, number: int) -> None:
        """Have a port closed."""
        self.inputs.pop(number, None)
        self._request(ClosePort(number))

    def send(self, number: int, data: bytes) -> None:
        """Have a whole message sent; never waits; raises PortError."""
        if self.ended is not None:
            raise PortError(self.ended.why)
        if len(data) > LONGEST_MESSAGE:
            raise PortError(f"a message of {len(data)} bytes is too long for JACK")
        packet = OUT_HEAD.pack(number, len(data)) + data
        try:
            written = os.write(self._out.descriptor, packet)
        except BlockingIOError:
            written = 0
        except OSError as error:
            raise PortError(_GONE.why) from error
        if written != len(packet):
            if written:  # nothing more may follow a part of a message: this process has to go
                self.ended = Condition("stalled", "the process that talks to JACK takes no data")
            raise PortError("JACK takes no data, or more was sent than it can take")

    def condition(self, number: int) -> Condition:
        """Return how a port stands."""
        if self.ended is not None:
            return self.ended
        if (program := self.stopped.get(number)) is not None:
            return Condition("stalled", f"the program {program!r} is stopped")
        if number in self.disconnected:
            return Condition("disconnected", "another program has disconnected it")
        return CONNECTED

    def end(self) -> None:
        """Have it end by itself; kill it if that takes too long."""
        self._request(Leave())
        select.select([self._process], [], [], END_S)
        self._kill(_GONE)

    def _request(self, request: Request) -> None:
        with contextlib.suppress(OSError):
            self._control.send(encode(request, Request), socket.MSG_DONTWAIT)

    def _kill(self, ended: Condition) -> None:
        self.ended = self.ended or ended
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._process, signal.SIGKILL)
        select.select([self._process], [], [], 1)
        self._popen.poll()  # which buries it, where it is a child of this process
        for opening in list(self._openings.values()):
            if not opening.error:
                opening.error, opening.stalled = self.ended.why, self.ended.kind == "stalled"
            opening.answered.set()

    # The thread that hears how things stand

    def watch(self, changed: Changed) -> None:
        """Receive its reports until it ends or stands still; call `changed` when things have changed."""
        while self.ended is None:
            try:
                packet = self._control.recv(LARGEST)
            except TimeoutError:
                packet = None
            except OSError:
                packet = b""
            if packet == b"":
                self.ended = _GONE
            elif packet is not None and self._take(read_report(packet)):
                changed()
            elif why := self._stall():
                self.ended = Condition("stalled", why, since_ns=min(self._heard_ns, self._moved_ns))
        self._kill(self.ended)
        self._control.close()
        changed()

    def _take(self, report: Report) -> bool:
        """Take a message of the process; return whether something has changed."""
        self._heard_ns = monotonic_ns()
        if isinstance(report, Opened):
            opening = self._openings.pop(report.number, None)
            if opening is None:
                return True  # too late: it is closed again, and can be opened now
            opening.error, opening.stalled = report.error, report.stalled
            opening.answered.set()
            return False
        if isinstance(report, ServerSought):
            self._asked_ns = self._heard_ns if report.there else 0
            news = not report.there and not self.knows
            self.knows = self.knows or not report.there
            return news
        if isinstance(report, Standing):
            return self._take_standing(report)
        self._coming[report.kind] += report.names
        return False

    def _take_standing(self, report: Standing) -> bool:
        self._asked_ns = 0
        self._moved_ns = report.moved_ns
        before = (self.there, self.disconnected, self.stopped)
        self.there = self.knows = True
        self.disconnected = frozenset(report.disconnected)
        self.stopped = dict(report.stopped)
        if report.listed:
            lists, self._coming = self._coming, {key: [] for key in self._lists}
            left = {name for key, names in self._lists.items() for name in names if name not in lists[key]}
            self._departures.update(left)
            self._lists = lists
        return report.listed or before != (self.there, self.disconnected, self.stopped)

    def _stall(self) -> str:
        """Return why it is given up, "" while it is not."""
        now_ns = monotonic_ns()
        if not self.there:  # it may wait for a server as long as it likes, unless it does nothing at all
            stopped = now_ns - self._heard_ns > ANSWER_NS and is_stopped(self._popen.pid)
            return "the process that talks to JACK is stopped" if stopped else ""
        if now_ns - self._heard_ns > (OPENING_STALL_NS if self._openings else STALL_NS):
            return "the process that talks to JACK stands still, or the server does"
        if self._heard_ns - self._moved_ns > self.stall_ns:  # by its own word, however late that has come
            return "the JACK server stands still"
        return ""

    # The thread that hears messages

    def _receive(self) -> None:
        reception = self._reception
        buffers = (reception.buffer,)
        with contextlib.suppress(OSError):
            while length := os.readv(self._into, buffers):  # all that is there: whole packets
                self._pass_on(reception.taken(length))
                reception.clear(length)
        os.close(self._into)

    def _pass_on(self, packets: bytes, passed_on: int = 0) -> None:
        """Pass packets on, behind so many; zeros end them."""
        place, inputs = 0, self.inputs
        while place + IN_HEAD.size <= len(packets):
            number, length, at_ns = IN_HEAD.unpack_from(packets, place)
            if not number:
                return
            begin, place = place + IN_HEAD.size, place + IN_HEAD.size + length
            if passed_on > 0:
                passed_on -= 1
                continue
            self._reception.note(at_ns)
            heard = inputs.get(number)
            if heard is not None:
                heard(packets[begin:place], at_ns)
