"""Who watches whom: the engine its server process, and systemd the engine.

The server is started, and started again when it dies or hangs. The clock does not notice.

What a service reports to systemd: that it is ready, how it is, and that it is alive. The protocol is that of
sd_notify(3): lines of NAME=VALUE in one datagram to the Unix socket named by NOTIFY_SOCKET; the watchdog's is
that of sd_watchdog_enabled(3). Nothing here blocks and nothing here raises: a service manager that is absent,
slow or gone must not disturb the clock. The watchdog is fed only while ticks are fresh. A loop that still
turns proves nothing when the thread that keeps time is stuck.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import struct
from collections.abc import Callable, MutableMapping
from pathlib import Path
from time import monotonic
from typing import Protocol

from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.engine.process import Begun, Server
from routerd.engine.server_link import ServerLink
from routerd.link.messages import Hello, Ping

PING_EVERY_S = 0.4742
"""The step of all that the event loop does regularly (`in_step`). Half a second is 24 ticks of 120 BPM, so
that what is done then would meet a tick each time, or none; this comes to all places between ticks, whatever
the tempo."""

SILENT_S = 1.0
"""A server that is silent for so long, does no work and wants to do none is killed."""

BUSY_SILENT_S = 10.0
"""One that works is killed when it has used so much of the processor without an answer: it goes round in
circles. Time on the clock would say nothing where the machine is slow, or busy with something else."""

FIRST_ANSWER_S = 20.0
"""As `SILENT_S`, until it serves the API: it loads what that needs and reads the folder."""

FIRST_BUSY_S = 180.0
"""As `BUSY_SILENT_S`, until it serves the API: a slow machine would else kill it at every start, for ever."""

REST_S = 1.0
"""A server has work while it has used the processor within so long, or waits for it or for the disk."""

STOP_S = 4.0
"""How long a stop lets the server write the show's last report, which on a slow card takes a while."""

STOP_IDLE_S = 0.3
"""As `STOP_S`, for a server that does nothing."""

PAUSE_S = (0.0, 0.25, 0.5, *[1.0] * 7, 5.0)
"""Before the first, second, ... restart in a row; the last one stays."""

LOGGED = 5
LOGGED_AGAIN = 60
"""After so many ends in a row it is logged that the server does not come up, and then only now and then."""

STEADY_S = 10.0
"""A server that has lived so long starts the row of pauses again."""


MEET_S = 1.0
"""How long an engine that has taken over waits for the server of the one before."""

_UCRED = struct.Struct("=iII")

_WAITING = ("R", "D")
"""Running or runnable, or waiting for the disk, see proc(5)."""

_STOPPED = ("T", "t")


class Say(Protocol):
    """Who writes a line of the log."""

    def __call__(self, text: str, level: str = "warning", /) -> None:
        """Write it."""


class Supervisor:
    """Owns the server process. `link` is the connection to the server that runs now."""

    def __init__(
        self,
        begun: Begun,
        make_link: Callable[[Callable[[], None], Callable[[], None]], ServerLink],
        greet: Callable[[], Hello],
        say: Say,
        *,
        adopts: bool = False,
    ) -> None:
        """`begun` may have started the first server already. With `adopts` this is the engine that the server
        of one that has died finds at the meeting.
        """
        self._begun = begun
        self._meeting = begun.meeting
        self._adopts = adopts
        self._make_link = make_link
        self._greet = greet
        self._say = say
        self._process: Server | None = None
        self._answered_s = 0.0
        self._young = True
        self._end: socket.socket | None = None
        self.link: ServerLink | None = None
        self.restarts = 0
        self.stopping = False
        """Whether the service is on its way out, so that a server that ends is not started again."""

    async def run(self) -> None:
        """Keep a server running until `stop`."""
        in_a_row = 0
        refused = ""
        while True:
            began_s = monotonic()
            try:
                ending = _ending(await self._run_once())
            except OSError as error:  # no descriptor, no process or no memory to be had just now
                words = f"the server cannot be started ({error.strerror}); trying on, and so does the clock"
                if words != refused:
                    self._say(words, "error")
                refused = words
                await asyncio.sleep(PAUSE_S[-1])
                continue
            if self.stopping:
                return
            refused = ""
            in_a_row = 0 if monotonic() - began_s > STEADY_S else in_a_row + 1
            self.restarts += 1
            if in_a_row < LOGGED:
                self._say(f"the server has ended ({ending}); starting it again, the clock goes on")
            elif (in_a_row - LOGGED) % LOGGED_AGAIN == 0:
                self._say(
                    f"the server does not come up, so there is no API: it ended {in_a_row} times in a row "
                    f"({ending}); the clock goes on; its own last lines say why",
                    "error",
                )
            await asyncio.sleep(PAUSE_S[min(in_a_row, len(PAUSE_S) - 1)])

    def become_copy(self) -> None:
        """Be a copy in a forked process, to which the server does not belong: it is to see its link end."""
        if self._end is not None and (descriptor := self._end.fileno()) >= 0:
            os.close(descriptor)

    async def stop(self) -> None:
        """End the server: it goes by itself when the link closes, and is killed when it does not."""
        self.stopping = True
        process = self._process
        if process is None or process.returncode is not None:
            return
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        try:
            await asyncio.wait_for(self._until_ended(process), STOP_S)
        except TimeoutError:
            self._kill()

    async def _until_ended(self, process: Server) -> None:
        """Wait for its end; kill it once it neither works nor waits for the disk."""
        ending = asyncio.create_task(process.wait())
        work, worked_s = 0.0, monotonic()
        while not ending.done():
            await asyncio.wait([ending], timeout=PING_EVERY_S / 10)
            before, (work, state) = work, self._work()
            if work != before or state in _WAITING:
                worked_s = monotonic()
            if state in _STOPPED or monotonic() - worked_s > STOP_IDLE_S:
                self._kill()

    async def _run_once(self) -> int:
        if self._adopts and self._meeting is not None:
            self._adopts = False
            with contextlib.suppress(OSError, TimeoutError):
                ours = await asyncio.wait_for(_meet(self._meeting), MEET_S)
                with ours:
                    return await self._attend(Server(_pid_of_peer(ours), ours), young=False)
        server, self._begun.server = self._begun.server or self._begun.start_server(), None
        with server.link:
            return await self._attend(server, young=True)

    async def _attend(self, process: Server, *, young: bool) -> int:
        """Talk to a server until it ends; return how."""
        self._end = ours = process.link
        ours.setblocking(False)
        self._process = process
        self._answered_s = monotonic()
        self._young = young
        self.link = self._make_link(self._ponged, self._serves)
        serving = asyncio.create_task(self.link.serve(ours, self._greet))
        serving.add_done_callback(self._link_ended)
        watching = asyncio.create_task(self._watch(self.link))
        try:
            return await process.wait()
        finally:
            for task in (watching, serving):
                task.cancel()
            await asyncio.gather(watching, serving, return_exceptions=True)
            self.link = None

    def _link_ended(self, serving: asyncio.Task[None]) -> None:
        """A server that nobody listens to any more is of no use: another one comes."""
        if not serving.cancelled() and (error := serving.exception()) is not None:
            self._say(f"the link to the server has failed ({error!r}): killing the server")
            self._kill()

    async def _watch(self, link: ServerLink) -> None:
        number = 0
        work, worked_s = self._work()[0], monotonic()  # one that has been adopted has worked before
        answered_s, work_then = self._answered_s, work
        while True:
            await in_step(PING_EVERY_S)
            number += 1
            link.send(Ping(number))
            now_s = monotonic()
            before, (work, state) = work, self._work()
            if work != before or state in _WAITING:
                worked_s = now_s
            if answered_s != self._answered_s:
                answered_s, work_then = self._answered_s, work
            silent_s = now_s - answered_s
            if state in _STOPPED:
                hangs = silent_s > SILENT_S
            elif now_s - worked_s < REST_S:
                hangs = work - work_then > (FIRST_BUSY_S if self._young else BUSY_SILENT_S)
            else:
                hangs = silent_s > (FIRST_ANSWER_S if self._young else SILENT_S)
            if hangs:
                self._say(f"the server has been silent for {silent_s:.0f} s: killing it")
                self._kill()
                return

    def _work(self) -> tuple[float, str]:
        """Return the processor time that the server has used, in s, and the state it is in.

        A server without processor time on a busy machine does not hang: starting another one would
        make that worse. A server that is stopped or asleep waits for nothing.
        """
        if self._process is None:
            return 0.0, ""
        try:
            fields = (
                Path(f"/proc/{self._process.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
            )
            used = int(fields[11]) + int(fields[12])  # utime and stime, see proc(5)
            return used / os.sysconf("SC_CLK_TCK"), fields[0]
        except (OSError, ValueError, IndexError):
            return 0.0, ""

    def _ponged(self) -> None:
        self._answered_s = monotonic()

    def _serves(self) -> None:
        self._young = False

    def _kill(self) -> None:
        if self._process is not None and self._process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()


async def in_step(every_s: float) -> None:
    """Return at the next whole multiple of `every_s` of the loop's clock.

    So all that is done regularly shares its wake-ups, which cost more than most of what is done.
    """
    await asyncio.sleep(every_s - asyncio.get_running_loop().time() % every_s)


async def _meet(meeting: socket.socket) -> socket.socket:
    """Return the connection of a server of this user."""
    while True:
        end, _ = await asyncio.get_running_loop().sock_accept(meeting)
        if _credentials(end)[1] == os.geteuid():
            return end
        end.close()


def _pid_of_peer(end: socket.socket) -> int:
    return _credentials(end)[0]


def _credentials(end: socket.socket) -> tuple[int, int, int]:
    """Return process, user and group at the other end, see unix(7)."""
    pid, user, group = _UCRED.unpack(end.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _UCRED.size))
    return pid, user, group


def _ending(code: int) -> str:
    if code >= 0:
        return f"exit status {code}"
    with contextlib.suppress(ValueError):
        return signal.Signals(-code).name
    return f"signal {-code}"


class Notifier:
    """Speaks to the service manager; does nothing when there is none."""

    def __init__(self, address: str = "", watchdog_ns: int = 0) -> None:
        """`address` is a socket path, or an abstract name behind an @; `watchdog_ns` 0 means no watchdog."""
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog_ns = watchdog_ns if address else 0
        """Time without a sign of life after which the manager acts, in ns; 0 when it does not watch."""
        self._socket: socket.socket | None = None
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.setblocking(False)

    @classmethod
    def from_environment(cls, environ: MutableMapping[str, str], pid: int | None = None) -> Notifier:
        """Read what the manager has set and take it out, so that no child speaks in our name.

        Any address but a Unix socket's (newer managers may name others) counts as no manager. A
        watchdog meant for another process (WATCHDOG_PID) or unreadable is no watchdog.
        """
        address = environ.pop("NOTIFY_SOCKET", "")
        period_us = environ.pop("WATCHDOG_USEC", "")
        owner = environ.pop("WATCHDOG_PID", "")
        ours = owner in ("", str(os.getpid() if pid is None else pid))
        watched = ours and period_us.isascii() and period_us.isdigit()
        if not address.startswith(("/", "@")) or len(address) < 2:
            address = ""
        return cls(address, int(period_us) * NS_PER_US if watched else 0)

    @property
    def feed_every_s(self) -> float | None:
        """How often to call `feed`, in seconds: a quarter of the watchdog's time; None without one.

        The manual recommends half; a quarter leaves room for three chances on a busy machine.
        """
        return self.watchdog_ns / 4 / NS_PER_S if self.watchdog_ns else None

    def ready(self, status: str) -> bool:
        """Say that the service does its work from now on; `status` is one line for people."""
        return self._send("READY=1", status)

    def status(self, status: str) -> bool:
        """Say in one line how the service is."""
        return self._send("", status)

    def stopping(self) -> bool:
        """Say that the service is on its way out."""
        return self._send("STOPPING=1")

    def feed(self, last_tick_ns: int, now_ns: int) -> bool:
        """Feed the watchdog if the last tick is younger than half the watchdog's time.

        Returns whether it was fed. Both times are ns of one clock. With half, a clock that has
        stopped is found out between one and one and a half times the watchdog's time after its
        last tick.
        """
        if not self.watchdog_ns or now_ns - last_tick_ns >= self.watchdog_ns // 2:
            return False
        return self._send("WATCHDOG=1")

    def close(self) -> None:
        """Let go of the socket; harmless when called twice."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, state: str, status: str = "") -> bool:
        """Send one datagram; False when there is no manager or it does not take it now."""
        if self._socket is None:
            return False
        lines = [state] if state else []
        if status:
            lines.append("STATUS=" + " ".join(status.split()))
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return False
        return True
