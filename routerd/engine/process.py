"""The process among others: what each signal does to it, and how it stays the only one on its state folder.

No signal that a person or a system sends may leave a note sounding:

    TERM, INT, QUIT, PWR, XCPU   an orderly end: the rig silenced, Stop sent, ports closed
    HUP                          the rig folder is read again; with the terminal gone, an orderly end
    KILL, STOP, those of a crash cannot be caught or had better not be: the next engine puts the devices right
    all others                   nothing, Ctrl-Z included: an engine that stands still releases no note

A HUP that was ignored at the start (nohup) stays ignored. What is ignored here is so in the server process
from its first moment on, because it inherits that.

A suspended machine (a lid closed, a battery that ran out) sends no signal, so `SuspensionWatch` notices it by
the clocks: CLOCK_MONOTONIC stands still meanwhile and CLOCK_BOOTTIME does not (clock_gettime(2)), so the grid
needs nothing: its next tick comes where it would have come, without a burst. But the devices have heard
nothing for that long, and a person should know why.

One daemon a state folder: `StateLock` is a lock that the kernel releases with the process, and names who
holds it. Two daemons on one folder would write over each other's state, and play one rig twice.

Loading the engine takes about as long as the server takes to bring the rig, and there is more than one
processor. So this module, which needs little, is loaded first, and `begin` starts the server before the rest.

More than 350 lines: all that has to be there before the engine is loaded is loaded at once.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from signal import Signals
from time import CLOCK_BOOTTIME, clock_gettime_ns, monotonic_ns
from typing import TYPE_CHECKING

from routerd import storage
from routerd.core.errors import PeerError
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.engine.crash_memory import default_path
from routerd.errand import in_time

if TYPE_CHECKING:
    import asyncio

    from routerd.printing import Log

ENDING = (Signals.SIGTERM, Signals.SIGINT, Signals.SIGQUIT, Signals.SIGPWR, Signals.SIGXCPU)

_CRASHES = {
    Signals.SIGABRT,
    Signals.SIGSEGV,
    Signals.SIGBUS,
    Signals.SIGFPE,
    Signals.SIGILL,
    Signals.SIGTRAP,
    Signals.SIGSYS,
}
_LEFT_ALONE = {Signals.SIGKILL, Signals.SIGSTOP, Signals.SIGCONT, Signals.SIGCHLD, *_CRASHES}
IGNORED = frozenset(signal.valid_signals()) - {*ENDING, Signals.SIGHUP, *_LEFT_ALONE}

LAST_CHECK_S = 0.2
"""A terminal that goes may still be there for a moment."""


class SignalKeeper:
    """Made at the very start, before ports are opened; `attach` once the event loop runs."""

    def __init__(self) -> None:
        for number in IGNORED:
            signal.signal(number, signal.SIG_IGN)
        self._had_terminal = has_terminal()
        self._heeds_hangup = signal.getsignal(Signals.SIGHUP) is not signal.SIG_IGN
        self._hung_up = False
        if self._heeds_hangup:
            signal.signal(Signals.SIGHUP, self._note_hangup)

    def attach(
        self, loop: asyncio.AbstractEventLoop, end: Callable[[str], None], reload: Callable[[], None]
    ) -> None:
        """Have `end(why)` and `reload()` called on the loop from now on, for what came before too."""

        def hung_up(*, checked: bool = False) -> None:
            if self._had_terminal and not has_terminal():
                end("the terminal has gone")
            elif self._had_terminal and not checked:
                loop.call_later(LAST_CHECK_S, partial(hung_up, checked=True))
            else:
                reload()

        for number in ENDING:
            loop.add_signal_handler(number, end, number.name)
        if self._heeds_hangup:
            loop.add_signal_handler(Signals.SIGHUP, hung_up)
            if self._hung_up:
                hung_up()

    def _note_hangup(self, _number: int, _frame: object) -> None:
        self._hung_up = True


def ignore_all() -> None:
    """Ignore what can be ignored: the end is on its way, and nothing sounds any more."""
    for number in (*ENDING, Signals.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    signal.set_wakeup_fd(
        -1
    )  # the loop closes its end before it takes its handlers back, and signals still come


def has_terminal() -> bool:
    """Return whether this process has a controlling terminal, see tty_nr in proc(5)."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        stat = Path("/proc/self/stat").read_text(encoding="ascii", errors="replace")
        return int(stat.rpartition(")")[2].split()[4]) != 0
    return False


SHORTEST_NS = NS_PER_S
"""Less is not reported: no machine is suspended and resumed within a second."""

_LONGEST_READ_NS = 100 * NS_PER_MS
"""Two clocks are read one after the other; a reading that was held up for longer says nothing."""


class SuspensionWatch:
    """`check` now and then; `count` and `slept_ns` are what has been noticed so far."""

    def __init__(self, monotonic_at_ns: int, boottime_ns: int) -> None:
        self.count = 0
        self.slept_ns = 0
        self._apart_ns = boottime_ns - monotonic_at_ns

    def check(self, before_ns: int, boottime_ns: int, after_ns: int) -> int:
        """Return how long the machine has been suspended since the last check, 0 if it has not been.

        `before_ns` and `after_ns` are CLOCK_MONOTONIC before and after `boottime_ns` was read.
        """
        if after_ns - before_ns > _LONGEST_READ_NS:
            return 0
        apart_ns = boottime_ns - before_ns
        slept_ns, self._apart_ns = apart_ns - self._apart_ns, apart_ns
        if slept_ns < SHORTEST_NS:
            return 0
        self.count += 1
        self.slept_ns += slept_ns
        return slept_ns


def watch_suspension() -> SuspensionWatch:
    """Return a watch that begins now."""
    return SuspensionWatch(monotonic_ns(), clock_gettime_ns(CLOCK_BOOTTIME))


def slept_since(watch: SuspensionWatch) -> int:
    """Return what `check` returns for this moment."""
    return watch.check(monotonic_ns(), clock_gettime_ns(CLOCK_BOOTTIME), monotonic_ns())


LOCK_FILE = "lock"
LOCK_PATIENCE_S = 3.0


class StateFolderError(PeerError):
    """The state folder belongs to another daemon."""


class StateLock:
    """Held from `StateLock(folder)` to the end of the process; raises StateFolderError, and OSError where the
    folder cannot be made or written, so that nothing can be locked."""

    def __init__(self, folder: Path, holder: int) -> None:
        """`holder` is the process that whoever wants the folder has to end."""
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        self._handle = os.open(folder / LOCK_FILE, flags, 0o600)
        try:
            if not stat.S_ISREG(os.fstat(self._handle).st_mode):
                raise storage.NotRegularError(folder / LOCK_FILE)
            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise StateFolderError(
                    f"the state folder {folder} belongs to a routerd that runs already "
                    f"({self._holder()}); stop that one, or give this one another --state-dir"
                ) from None
            with contextlib.suppress(OSError):  # a full disk: the lock holds all the same
                os.ftruncate(self._handle, 0)
                os.pwrite(self._handle, b"%d\n" % holder, 0)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let another daemon have the folder."""
        os.close(self._handle)

    def _holder(self) -> str:
        text = os.pread(self._handle, 20, 0).strip()
        return f"process {int(text)}" if text.isdigit() else "its process is not known"


def hold_folder(folder: Path, holder: int, say: Callable[[str], None]) -> StateLock | None:
    """Return the lock on the state folder of a service whose main process is `holder`, or say why there is
    none; raises StateFolderError.
    """
    try:
        return in_time(lambda: StateLock(folder, holder), LOCK_PATIENCE_S)
    except OSError as error:
        say(f"{error.filename or folder}: {error.strerror}; a second routerd here would not be noticed")
    return None


@dataclass(frozen=True, slots=True)
class Options:
    """What `routerd run` was asked. `ports` is "alsa", "jack", "simulated" or None for what is there."""

    folder: Path
    state_dir: Path
    set_name: str | None = None
    ports: str | None = None
    access: tuple[str, ...] = ("--listen", "127.0.0.1:8473")
    """Arguments for the server: where it serves, and who may ask."""
    far_end_port: int = 0
    record: bool = False
    """Whether every message in and out is kept in the show log."""
    spare: bool | None = None
    """Whether there is to be a spare where one can be had; None: as the rig says."""
    lifeline: int | None = None
    """A descriptor whose other end is with whoever started this service, which ends when that closes."""

    def server_arguments(self) -> list[str]:
        """Return what the server's command line says."""
        arguments = ["--folder", str(self.folder), "--state-dir", str(self.state_dir)]
        if self.set_name is not None:
            arguments += ["--set", self.set_name]
        if self.record:
            arguments.append("--record")
        return [*arguments, *self.access]


class Server:
    """The server process: a child of this one, or one that another engine has started."""

    def __init__(self, pid: int, link: socket.socket, child: subprocess.Popen[bytes] | None = None) -> None:
        """`link` is this end of the link; raises OSError when it has gone."""
        self.pid = pid
        self.link = link
        self.returncode: int | None = None
        self._child = child
        self._handle = os.pidfd_open(pid)
        self._ended: asyncio.Future[int] | None = None

    async def wait(self) -> int:
        """Return how it has ended, when it has; 1 for one that is no child: that only its parent knows."""
        import asyncio

        if self._ended is None:
            loop = asyncio.get_running_loop()
            self._ended = loop.create_future()
            loop.add_reader(self._handle, self._bury, loop, self._ended)
        return await asyncio.shield(self._ended)

    def _bury(self, loop: asyncio.AbstractEventLoop, ended: asyncio.Future[int]) -> None:
        loop.remove_reader(self._handle)
        os.close(self._handle)
        self.returncode = 1 if self._child is None else self._child.wait()
        ended.set_result(self.returncode)

    def terminate(self) -> None:
        """Ask it to end."""
        self._signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self._signal(signal.SIGKILL)

    def abandon(self) -> None:
        """End it, before any loop runs that could wait for it."""
        self.kill()
        if self._child is not None:
            self.returncode = self._child.wait()
        self.link.close()
        os.close(self._handle)

    def _signal(self, number: Signals) -> None:
        if self.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._handle, number)


@dataclass(slots=True)
class Begun:
    """What there is before the engine is loaded.

    At `meeting`, a listening socket, a server whose engine has died finds the one that goes on. `server` has
    been started already, and waits for the engine.
    """

    options: Options
    lock: StateLock | None
    warnings: list[str] = field(default_factory=list)
    meeting: socket.socket | None = None
    server: Server | None = None

    def start_server(self) -> Server:
        """Start one; raises OSError."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
        with theirs:
            where = [] if self.meeting is None else ["--meet", self.meeting.getsockname().hex()]
            what = ["--fd", str(theirs.fileno()), *where, *self.options.server_arguments()]
            child = subprocess.Popen(  # noqa: S603 - this very program
                [sys.executable, "-m", "routerd.server.main", *what],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                process_group=0,  # what a terminal sends is for the engine to decide
            )
        return Server(child.pid, ours, child)

    def give_up(self) -> None:
        """End what has been started."""
        if self.server is not None:
            self.server.abandon()


def begin(options: Options, log: Log, *, meets: bool) -> Begun:
    """Take the state folder, and start the server; `meets` where there is a parent, and a spare.

    Raises StateFolderError. Where an engine has died nothing is started yet: its successor comes first.
    """
    begun = Begun(options, None)

    def warn(text: str) -> None:
        log.say(text)
        begun.warnings.append(text)

    main_process = os.getppid() if meets else os.getpid()
    begun.lock = hold_folder(options.state_dir, main_process, warn)  # before any port is opened
    if meets:
        begun.meeting = _make_meeting()
    if not default_path(options.state_dir).exists():
        with contextlib.suppress(OSError):  # the supervisor tries again, and says why
            begun.server = begun.start_server()
    return begun


def _make_meeting() -> socket.socket:
    """Return a listening socket without a name in any folder."""
    meeting = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    meeting.setblocking(False)
    meeting.bind("")
    meeting.listen(1)
    return meeting
