"""Work on files that may never answer: on a thread that nobody has to wait for.

A disk or network folder that hangs keeps its reader in the kernel, where nothing but the end of the process
reaches it. So such work has a thread of its own, which is given up when it has used no processor for some
seconds: a long piece of work is no reason, a slow machine neither.
"""

from __future__ import annotations

import contextlib
import errno
import threading
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import Any, Generic, TypeVar

LIMIT_S = 6.0
"""A disk that has to start turning takes some seconds."""

_LOOK_S = 0.25

T = TypeVar("T")


class StuckError(TimeoutError):
    """A disk or network folder does not answer."""

    def __init__(self, seconds: float) -> None:
        words = f"the disk or network folder has not answered for {seconds:.0f} s"
        super().__init__(errno.ETIMEDOUT, words)


class Errand(Generic[T]):
    """Runs `work` at once, on a daemon thread, and calls `ended` there when it is over."""

    def __init__(self, work: Callable[[], T], ended: Callable[[], object]) -> None:
        self._work = work
        self._ended = ended
        self._result: list[T] = []
        self._error: BaseException | None = None
        self._used = ""
        self._moved_s = monotonic()
        self._thread = threading.Thread(target=self._run, name="files", daemon=True)
        self._thread.start()

    @property
    def under_way(self) -> bool:
        """Whether it is not over yet."""
        return self._thread.is_alive()

    def outcome(self) -> T:
        """Return what the work has returned, or raise what it has raised, once it is over."""
        if self._error is not None:
            raise self._error
        return self._result[0]

    def stands_still_s(self) -> float:
        """Return for how long it has used no processor, when it was last checked."""
        used = ""
        with contextlib.suppress(OSError):  # it has just ended
            used = _processor_used(Path(f"/proc/self/task/{self._thread.native_id}"))
        if used != self._used:
            self._used, self._moved_s = used, monotonic()
        return monotonic() - self._moved_s

    def _run(self) -> None:
        try:
            self._result.append(self._work())
        except BaseException as error:  # noqa: BLE001 - raised again where the outcome is asked for
            self._error = error
        self._ended()


def _processor_used(task: Path) -> str:
    """Return what changes while a thread uses a processor or waits for one, see proc(5); raises OSError."""
    fields = (task / "stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
    if fields[0] == "R":
        return str(monotonic())
    with contextlib.suppress(FileNotFoundError):  # not every kernel has it
        return (task / "schedstat").read_text(encoding="ascii")
    return " ".join(fields[7:13])  # page faults, and time in user and kernel mode


def in_time(work: Callable[[], T], limit_s: float = LIMIT_S) -> T:
    """Return what `work` returns; raises what it raises, and StuckError when it stands still so long."""
    over = threading.Event()
    errand = Errand(work, over.set)
    while not over.wait(_LOOK_S):
        if (still_s := errand.stands_still_s()) > limit_s:
            raise StuckError(still_s)
    return errand.outcome()


class Disk:
    """Such work for an event loop, on one folder or several of one file system.

    Nothing that a command needs is held meanwhile: once a folder is known to hang, whoever wants something of
    it is refused at once, until it answers again.
    """

    def __init__(self, limit_s: float = LIMIT_S) -> None:
        self._limit_s = limit_s
        self._stuck: Errand[Any] | None = None

    async def do(self, work: Callable[[], T]) -> T:
        """Return what `work` returns, called on a thread; raises what it raises, and StuckError."""
        import asyncio  # only whoever has an event loop has loaded it

        if self._stuck is not None and self._stuck.under_way:
            raise StuckError(self._stuck.stands_still_s())
        loop = asyncio.get_running_loop()
        over = asyncio.Event()

        def ended() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has been closed meanwhile
                loop.call_soon_threadsafe(over.set)

        errand = Errand(work, ended)
        while not over.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(over.wait(), _LOOK_S)
            if not over.is_set() and (still_s := errand.stands_still_s()) > self._limit_s:
                self._stuck = errand
                raise StuckError(still_s)
        return errand.outcome()
