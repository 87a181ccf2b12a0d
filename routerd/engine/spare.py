"""The spare: a second engine that knows all that the first one knows, and goes on when that one dies.

It is a copy of the engine, made by fork(2) while the show is at rest, in the gap behind a tick. So it begins
in the very state of the engine, with every song compiled and every port open: a descriptor is shared by both,
and lives as long as one of them does. Nobody sees a port come or go, what is queued stays queued, and what
nobody has read yet is read by whoever is on. From then on the spare takes what the engine writes into its
journal, which is all that its show is given, and sends nothing (`core.show.replica`).

Who is on holds a lock in the shared memory, with its clock thread: a robust mutex of the C library. The
kernel frees it in the moment in which that thread dies, whatever of, long before the memory of the process is
gone; the spare waits there. An engine that lives and sends no tick is killed first (`HangJudge`). Then the
lock says when it is gone. So there are never two that send.

At a takeover, the spare does what was done and not yet taken, sends what was not sent (`Replica.unsent`), and
is the engine: the same worker, on the same grid. What the engine was doing when it died is done again only as
far as it had begun to send, or where it is the passing of time or a release: anything else may be what it
died of. Then a thread begins with all that is slow (`resume`): the server, ports, the next spare.

What a spare cannot be told (a new rig, a port that was opened) makes another one: `Engine._keep_spare`.

More lines than most: both ends of one agreement.
"""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import signal
import warnings
from collections import deque
from collections.abc import Callable, Container
from enum import IntEnum
from time import monotonic_ns, sleep
from typing import NoReturn

from routerd.core.midi.messages import is_release
from routerd.core.output.wire import Sink, Wire
from routerd.core.show.replica import (
    LoseOutput,
    OpenOutput,
    Replica,
    Step,
    digest,
    unpack,
)
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.engine.guard import (
    ASKED,
    ENDING,
    FORK_NS,
    HANGS,
    ON,
    REPORTED,
    SILENT_NS,
    SPARE,
    STANDING,
    TAKEN,
    TAKEOVERS,
    TOOK_OVER_NS,
    WHY,
    Guard,
)
from routerd.engine.hang import HANG_NS, HANG_UNHURRIED_NS, HangJudge
from routerd.engine.journal import (
    AT,
    DONE,
    SLOTS,
    WRITTEN,
    Entry,
    Kind,
    OverrunError,
    Reader,
    Writer,
)
from routerd.engine.realtime import CLOCK_PRIORITY, Facts, lock_memory, permitted_priority
from routerd.engine.worker import Worker
from routerd.link.messages import SpareState
from routerd.ports.base import Copyable, PortSystem


class Standing(IntEnum):
    """How a spare stands."""

    NONE = 0
    COMING = 1
    READY = 2
    DIFFERS = 3
    """Its state was not that of the engine."""
    LOST = 4
    """It has been overtaken, or told what it cannot know."""


class Why(IntEnum):
    """Why a spare took over."""

    DEATH = 0
    HANG = 1
    ASKED = 2


_STORIES = {
    Why.DEATH: "the engine has died",
    Why.HANG: "the engine sent no tick any more and was killed",
    Why.ASKED: "a takeover was asked for",
}

MOST_DOUBLED = 5
"""The margin is doubled with each hang, so often at most: it may be the machine that stands still."""

WAIT_PRIORITY, FOLLOW_PRIORITY = CLOCK_PRIORITY + 1, 59
"""It waits above every thread of the engine, to be woken at once, and does what it has to do below."""

NEED_NS = 3 * NS_PER_MS
"""What a fork needs of a gap."""

PIECE_BYTES = 64 * 1024
"""So much memory at a time is populated: 16 pages, some 10 µs."""

_LAST_S = 20.0
_MADV_POPULATE_WRITE = 23
PAGEMAP_BYTES, PRESENT = 8, 0x80
"""An entry of /proc/self/pagemap, and the bit of its last byte for a page that has memory."""
_PR_SET_PDEATHSIG = 1


class Spares:
    """Makes spares, one at a time, in the engine that is on; and is one, in the process that is made."""

    def __init__(
        self,
        guard: Guard,
        worker: Worker,
        facts: Facts,
        *,
        system: PortSystem,
        retreat: Callable[[], None],
        resume: Callable[[Container[int]], None],
    ) -> None:
        """`retreat` is called in a new spare: let go of what only the engine may have; `resume` in one that
        has taken over, in the gap behind its first tick, with when the messages came that have been taken.
        """
        self._guard = guard
        self.words = guard.words
        self._worker = worker
        self._facts = facts
        self._retreat = retreat
        self._resume = resume
        self._pid = 0
        self._engine = 0
        self.wanted = True
        """Whether there is to be one."""
        self.made = 0
        self.failed = ""
        """Why none can be had."""
        self._system: Copyable | None = None
        if isinstance(system, Copyable):
            self._system = system
            system.tell_copy = lambda told: worker.call(lambda _: self._tell(told))
        else:
            self.failed = f"with {system.kind.upper()} ports there is none yet"

    def end_with_parent(self) -> None:
        """Have this engine end with the parent of all."""
        end_with_parent(self._engine)

    def story(self) -> str:
        """Return why the last takeover was."""
        why = Why(self.words[WHY])
        late_ms = self.words[SILENT_NS] / NS_PER_MS
        return _STORIES[why] + (f" ({late_ms:.1f} ms late)" if why is Why.HANG else "")

    @property
    def possible(self) -> bool:
        """Whether one can be made."""
        return self._system is not None and not self.failed

    def _tell(self, told: bytes) -> None:
        if self._worker.journal is not None:
            self._worker.journal.ports(told)

    # In the engine

    def hold(self) -> None:
        """Be the one that is on: called first of all by the clock thread."""
        if self._guard.mutex.hold(monotonic_ns() + 5 * NS_PER_S):
            self.words[ON] = os.getpid()
        else:
            self.failed = "the lock that tells of a death is held by another process"

    def standing(self) -> Standing:
        """Return how the spare stands, NONE when it has died."""
        if self._pid == 0:
            return Standing.NONE
        with contextlib.suppress(ChildProcessError):
            pid, _ = os.waitpid(self._pid, os.WNOHANG)
            if pid == 0:
                return Standing(self.words[STANDING])
        self._pid = 0
        return Standing.NONE

    def state(self) -> SpareState:
        """Return all of that for people."""
        words, standing = self.words, self.standing()
        ready = standing is Standing.READY
        taken = words[TAKEOVERS] > 0
        return SpareState(
            state="off" if not self.wanted else "none" if self.failed else "ready" if ready else "coming",
            pid=self._pid or None,
            behind=max(0, words[DONE] - words[TAKEN]) if ready else 0,
            why_none=self.failed if self.wanted else "",
            takeovers=words[TAKEOVERS],
            took_over_ns=words[TOOK_OVER_NS] if taken else None,
            took_over_why=self.story() if taken else "",
            asked_for=taken and words[WHY] == Why.ASKED,
        )

    def note_reported(self, tick: int) -> None:
        """The records of all ticks up to that one are with the server."""
        self.words[REPORTED] = tick

    def ask(self) -> None:
        """Have the spare take over."""
        self.words[ASKED] = 1

    def make(self) -> bool:
        """Make a spare in place of the one there is; called by the clock thread with the show at rest.

        Returns whether there was time for it in this gap.
        """
        worker = self._worker
        if self._system is None:
            return True
        if worker.show.next_deadline_ns() - monotonic_ns() < NEED_NS or self._guard.shared.words[ENDING]:
            return False
        self.end()
        worker.keep_journal(Writer(self._guard.shared))
        self.words[STANDING], self._engine = Standing.COMING, os.getpid()
        began_ns = monotonic_ns()
        try:
            with warnings.catch_warnings(action="ignore"):  # of threads, which a copy does not need
                pid = os.fork()
        except OSError as error:
            self.failed = f"no process for it can be had ({error.strerror})"
            self.words[STANDING] = Standing.NONE
            worker.keep_journal(None)
            return True
        if pid == 0:
            self._live(self._system)
        self.words[FORK_NS] = monotonic_ns() - began_ns
        self._pid = self.words[SPARE] = pid
        self.made += 1
        self.failed = ""
        return True

    def dismiss(self) -> None:
        """Do without one from now on; called by the clock thread with the show at rest."""
        self.end()
        self._worker.keep_journal(None)

    def end(self) -> None:
        """End the spare there is."""
        pid, self._pid = self._pid, 0
        self.words[SPARE] = 0
        self.words[STANDING] = Standing.NONE
        if pid:
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)

    def check(self, now_ns: int) -> None:
        """Have the spare compare its state; called by the clock thread with the show at rest."""
        if self._worker.journal is not None:
            self._worker.journal.digest(digest(self._worker.show), now_ns)

    # In the spare

    def _live(self, system: Copyable) -> NoReturn:
        try:
            system.tell_copy = None
            spare = _Spare(self._guard, self._worker, self._engine, system)
            self._retreat()
            spare.settle_down(self._facts)
            margin_ns = HANG_NS if self._facts.scheduling == "fifo" else HANG_UNHURRIED_NS
            why = spare.follow(margin_ns << min(self.words[HANGS], MOST_DOUBLED))
            self._pid = 0
            known = spare.take_over(why)
            worker = self._worker
            system.tell_copy = lambda told: worker.call(lambda _: self._tell(told))
            self._worker.call(lambda _: self._resume(known))
            self._worker.run()
            sleep(_LAST_S)  # the loop ends the process, when all is closed
        finally:
            os._exit(3)


class _Spare:
    """The process of a spare, from the fork to the moment in which it is on."""

    def __init__(self, guard: Guard, worker: Worker, engine: int, system: Copyable) -> None:
        signal.set_wakeup_fd(-1)  # the engine's loop is not to learn of our signals
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
            signal.signal(number, signal.SIG_IGN)
        self._guard = guard
        self._words = guard.words
        self._worker = worker
        self._system = system
        self._show = worker.show
        self._reader = Reader(guard.shared)
        self._taken: deque[int] = deque(maxlen=SLOTS)
        """When the messages came that the engine has begun with, those of the last second at least."""
        self._since_ns = monotonic_ns()
        self._ports: set[Wire] = set(worker.ports)
        self._replica = Replica(worker.show, self._ports)
        self._engine_pid = engine
        self._engine = os.pidfd_open(engine)
        self._realtime = False
        worker.become_copy()

    def settle_down(self, facts: Facts) -> None:
        """Get memory of its own, without haste; then be quick."""
        if facts.priority:
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
        if facts.memory_locked:
            lock_memory()
        populate()
        self._realtime = facts.priority > 0
        self._words[TAKEN] = self._reader.taken
        self._words[STANDING] = Standing.READY

    def follow(self, hang_ns: int) -> Why:
        """Take what the engine does, until it does no more; return why."""
        mutex, words = self._guard.mutex, self._words
        clock, judge = self._show.transport.clock, HangJudge(hang_ns)
        while True:
            self._take_done()
            due_ns = clock.next_due_ns
            wake_ns = judge.next_look_ns(monotonic_ns(), due_ns)
            if words[ASKED]:
                self._kill_engine()
                return self._ended(Why.ASKED)
            self._set_priority(WAIT_PRIORITY)
            if mutex.hold(wake_ns):
                return self._ended(Why.DEATH)
            late_ns = monotonic_ns() - wake_ns
            self._set_priority(FOLLOW_PRIORITY)
            if not self._guard.has_parent() or words[ENDING]:
                os._exit(0)
            now_ns, has_moved = monotonic_ns(), words[DONE] != self._reader.taken
            if judge.look(
                now_ns, due_ns, woken_late_ns=late_ns, has_moved=has_moved, is_busy=self._engine_is_busy
            ):
                if self._reader.breaks_off():
                    self._give_up(Standing.LOST)  # it takes a new rig, and that takes its time
                words[SILENT_NS] = now_ns - due_ns
                self._kill_engine()
                return self._ended(Why.HANG)

    def _set_priority(self, priority: int) -> None:
        if self._realtime:
            with contextlib.suppress(OSError):
                os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(permitted_priority(priority)))

    def _engine_is_busy(self) -> bool:
        """Return whether a thread of the engine runs or wants to (proc(5)); True where nobody knows."""
        try:
            with os.scandir(f"/proc/{self._engine_pid}/task") as threads:
                return any(_state_of(f"{thread.path}/stat") == "R" for thread in threads)
        except OSError:
            return True

    def _kill_engine(self) -> None:
        """Kill the engine, and wait until its clock thread has gone: until then it may still send."""
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._engine, signal.SIGKILL)
        while not self._guard.mutex.hold(monotonic_ns() + NS_PER_S):
            pass

    def _ended(self, why: Why) -> Why:
        """Take over only from an engine that died without wanting to, and of a service that goes on."""
        if self._words[ENDING] or not self._guard.has_parent():
            os._exit(0)
        if self._words[STANDING] != Standing.READY:
            os._exit(2)  # the parent starts another engine
        with contextlib.suppress(ProcessLookupError):  # if only its clock thread has ended, others may send
            signal.pidfd_send_signal(self._engine, signal.SIGKILL)
        return why

    def _take_done(self) -> None:
        words, reader = self._words, self._reader
        while reader.taken < words[DONE]:
            self._apply(self._next())
            self._worker.sent += self._replica.settle()
            words[TAKEN] = reader.taken

    def _next(self) -> Entry:
        try:
            entry = self._reader.take()
        except OverrunError:
            self._give_up(Standing.LOST)
        if entry.kind == Kind.MESSAGE:
            self._taken.append(entry.at_ns)
        return entry

    def _give_up(self, standing: Standing) -> NoReturn:
        self._words[STANDING] = standing
        os._exit(2)

    def _apply(self, entry: Entry) -> None:
        replica, worker = self._replica, self._worker
        match entry.kind:
            case Kind.MESSAGE:
                worker.received += 1
                replica.receive(entry.number, entry.data, entry.at_ns)
            case Kind.ADVANCE:
                replica.advance(entry.at_ns)
            case Kind.REQUEST:
                self._note_port(entry)
                replica.perform(entry.data, entry.at_ns)
            case Kind.DIGEST:
                if int.from_bytes(entry.data, "little") != digest(self._show):
                    self._give_up(Standing.DIFFERS)
            case Kind.PORTS:
                self._system.hear(entry.data)
            case _:
                self._give_up(Standing.LOST)

    def _note_port(self, entry: Entry) -> None:
        """Know which ports are open there; one that was opened after the fork is not open here."""
        request, worker = unpack(entry.data, self._show.compiled), self._worker
        if isinstance(request, OpenOutput):
            self._ports.add(request.wire)
        elif isinstance(request, LoseOutput):
            self._ports.discard(request.wire)
            if (port := worker.ports.pop(request.wire, None)) is not None:
                worker.lost.append((request.wire, port, request.why))

    # Taking over

    def take_over(self, why: Why) -> set[int]:
        """Be the engine: do what it has left, and send it. Return when messages came that have been taken."""
        words, worker = self._words, self._worker
        self._set_priority(CLOCK_PRIORITY)
        began_ns = monotonic_ns()
        self._take_done()
        at_ns, rest = self._unfinished()
        words[DONE], words[AT] = words[WRITTEN], 0
        words[ON] = os.getpid()
        words[SPARE], words[STANDING] = 0, Standing.NONE
        words[TOOK_OVER_NS], words[WHY], words[ASKED] = began_ns, why, 0
        words[TAKEOVERS] += 1
        words[HANGS] += why is Why.HANG
        worker.take_over(rest, at_ns, words[REPORTED] + 1)
        known = self._take_what_waited()
        now_ns = monotonic_ns()
        for wire in self._show.compiled.wires:
            if wire.connected and wire not in worker.ports:
                worker.perform(LoseOutput(wire, (), "it was opened too late for the spare"), now_ns)
        return known

    def _take_what_waited(self) -> set[int]:
        """Have what the engine had received, and not begun with, taken after all; return when all came."""
        taken = self._taken
        full = len(taken) == taken.maxlen
        since_ns = max(monotonic_ns() - NS_PER_S, self._since_ns, taken[0] + 1 if full else 0)
        known = set(taken)
        for entry in self._reader.waiting(since_ns):
            if entry.at_ns not in known:
                self._worker.take_late(entry.number, entry.data, entry.at_ns)
                known.add(entry.at_ns)
        return known

    def _unfinished(self) -> tuple[int, Sink]:
        """Do what the engine was doing when it died; return what has to be sent of it, and when."""
        words, reader, sink = self._words, self._reader, self._show.effects.sink
        step = Step(words[AT] // 2, sending=bool(words[AT] % 2))
        at_ns = 0
        first = True
        while reader.taken < words[WRITTEN]:
            entry = self._next()
            if first and words[AT] == 0 and not _is_safe(entry):
                break
            at_ns = max(at_ns, entry.at_ns if entry.kind == Kind.ADVANCE else 0)
            end = len(sink)
            self._apply(entry)
            if not first and entry.kind == Kind.ADVANCE:  # as the worker lets a tick pass
                sink[entry.number :] = sink[end:] + sink[entry.number : end]
            first = False
        return at_ns, self._replica.unsent(step)


def _is_safe(entry: Entry) -> bool:
    """Return whether something that had led to nothing yet is done again: what must not be lost is."""
    if entry.kind == Kind.MESSAGE:
        return len(entry.data) == 3 and is_release(entry.data)
    return entry.kind in (Kind.ADVANCE, Kind.DIGEST)


def _state_of(stat: str) -> str:
    with open(stat, encoding="ascii", errors="replace") as file:  # noqa: PTH123
        return file.read().rpartition(")")[2].split()[0]


def end_with_parent(engine: int) -> None:
    """Have this process killed with its parent, once that is not the engine that has made it any more."""
    while os.getppid() == engine:
        sleep(0.001)
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)


def populate() -> None:
    """Have this process own what memory it has and may write to, so that no store has to copy a page first.

    In small pieces: meanwhile no other thread of it can have memory, or touch a page for the first time. What
    nobody has touched yet, most of a thread's stack, stays without memory (pagemap in Linux's documentation).
    """
    libc = ctypes.CDLL(None)
    with open("/proc/self/maps", encoding="ascii", errors="replace") as maps:  # noqa: PTH123
        areas = [line.split(None, 2)[:2] for line in maps]
    with open("/proc/self/pagemap", "rb", buffering=0) as pagemap:  # noqa: PTH123
        for area, rights in areas:
            if rights != "rw-p":
                continue
            begin, end = (int(text, 16) for text in area.split("-"))
            for place in range(begin, end, PIECE_BYTES):
                size = min(PIECE_BYTES, end - place)
                pagemap.seek(place // mmap.PAGESIZE * PAGEMAP_BYTES)
                entries = pagemap.read(size // mmap.PAGESIZE * PAGEMAP_BYTES)
                if any(byte & PRESENT for byte in entries[PAGEMAP_BYTES - 1 :: PAGEMAP_BYTES]):
                    libc.madvise(ctypes.c_void_p(place), ctypes.c_size_t(size), _MADV_POPULATE_WRITE)
