"""The parent of engine, spare and server: the main process of a service with a spare. It does nothing else.

It hands on the signals of those who manage the service to the engine that is on, and ends with it, by its
exit status. When an engine dies and its spare takes over, the parent adopts that one, as a subreaper
(prctl(2)), and goes on waiting. When there was no spare to take over, it starts another engine, which goes on
from crash memory (`engine.recovery`). An engine does not outlive its parent: whoever kills the main process
means the service.
"""

from __future__ import annotations

import ctypes
import os
import signal
from collections.abc import Callable
from time import monotonic, sleep

from routerd.engine.guard import ON, SPARE, Guard
from routerd.engine.process import ENDING

_PR_SET_PDEATHSIG, _PR_SET_CHILD_SUBREAPER = 1, 36

TAKEOVER_S = 0.5
"""How long a spare may take to be on; it takes less than a tick."""

YOUNG_S = 2.0
MOST_YOUNG = 5
"""After so many engines in a row that died so young, the service ends, and its manager starts it again."""


def guard_service(start: Callable[[Guard | None], int]) -> int:
    """Have `start` run in a child, and return what the engine that is on at last returns. `start` returns in
    the child. Where no guard can be had, it runs here, without one.
    """
    try:
        guard = Guard()
    except (OSError, AttributeError):  # a C library without robust locks
        return start(None)
    ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    passed_on = {*ENDING, signal.SIGHUP}
    signal.pthread_sigmask(signal.SIG_BLOCK, {*passed_on, signal.SIGCHLD})
    deaths = 0
    while True:
        began_s = monotonic()
        engine = os.fork()
        if engine == 0:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {*passed_on, signal.SIGCHLD})
            return _be_engine(guard, start)
        guard.in_parent()
        status = _wait(guard, engine, passed_on)
        code = os.waitstatus_to_exitcode(status)
        if code >= 0:
            return code
        deaths = 0 if monotonic() - began_s > YOUNG_S else deaths + 1
        if deaths >= MOST_YOUNG:
            return 128 - code
        guard.close()
        guard = Guard()


def _be_engine(guard: Guard, start: Callable[[Guard | None], int]) -> int:
    guard.in_child()
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    os.setpgid(0, 0)  # what a terminal sends is handed on
    if "WATCHDOG_PID" in os.environ:
        os.environ["WATCHDOG_PID"] = str(os.getpid())
    return start(guard)


def _wait(guard: Guard, engine: int, passed_on: set[signal.Signals]) -> int:
    """Wait until the last of the engines has gone; return its wait status."""
    while True:
        number = signal.sigwait({*passed_on, signal.SIGCHLD})
        if number != signal.SIGCHLD:
            os.kill(engine, number)
            continue
        while True:
            try:
                pid, status = os.waitpid(-1, os.WNOHANG)
            except ChildProcessError:
                break
            if pid == 0:
                break
            if pid != engine:
                continue
            if os.WIFEXITED(status):
                return status
            engine = _successor(guard, engine)
            if engine == 0:
                return status


def _successor(guard: Guard, engine: int) -> int:
    """Return the process that is on now that the engine has died, 0 for none."""
    spare = guard.words[SPARE]
    until_s = monotonic() + TAKEOVER_S
    while monotonic() < until_s:
        if guard.words[ON] not in (0, engine):
            return guard.words[ON]
        if not spare or not _lives(spare):
            break
        sleep(0.002)
    if spare and _lives(spare):
        os.kill(spare, signal.SIGKILL)
    return 0


def _lives(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat", encoding="ascii", errors="replace") as stat:  # noqa: PTH123
            return stat.read().rpartition(")")[2].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False
