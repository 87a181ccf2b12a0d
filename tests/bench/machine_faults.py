"""Faults of the machine: each returns its row for `faults`. `test_machine_faults` tests what must hold."""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack

from tests.bench.fault_rows import Row, Watched, beside, watched
from tests.machine import connections, disk, few_descriptors, hogs
from tests.service import until

STALL_S = 1.5
_PIPE_BYTES = 4096
_FLOOD = """
import sys
from routerd.ports.far_end import FarEnd
with FarEnd(("127.0.0.1", int(sys.argv[1]))) as far_end:
    while True:
        for byte in (0xF4, 0xF8, 0xFD, 0x40):
            far_end.play("pads", bytes((byte,)))
"""


def _row(stage: Watched, name: str, seen: str, fault: Callable[[], AbstractContextManager[object]]) -> Row:
    """Put a fault over every other stretch and return its row; the foot switch is pressed in the last one."""
    with ExitStack() as stack:
        lateness = beside(stage, lambda: stack.enter_context(fault()), stack.close)
    with fault():
        press_s = stage.press()
    until(lambda: not stage.service.status()["problems"], what="nothing is left of it in the status")
    return Row(name, seen, f"press to patch meanwhile {press_s * 1e3:.0f} ms; {lateness.text()}")


def processors_busy() -> Row:
    """A program of ordinary priority on every processor."""
    with watched() as stage:
        return _row(stage, "every processor busy", "nothing", hogs)


def disk_full() -> Row:
    """No room in the state folder."""
    with watched() as stage:
        seen = "said once, in log and status; written again when there is room"
        state = stage.folder.parent / "state"
        return _row(stage, "disk full", seen, lambda: disk(state, full=True))


def disk_read_only() -> Row:
    """The state folder cannot be written."""
    with watched() as stage:
        seen = "said once, in log and status; written again when it can be"
        state = stage.folder.parent / "state"
        return _row(stage, "disk read-only", seen, lambda: disk(state, full=False))


def log_blocked() -> Row:
    """Nobody reads the log, and its pipe is full."""
    reading, writing = os.pipe()
    fcntl.fcntl(reading, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)  # full before the API is up
    try:
        with watched(stderr=writing) as stage:
            return _row(stage, "nobody reads the log", "nothing; lines are dropped", contextlib.nullcontext)
    finally:
        os.close(reading)
        os.close(writing)


def no_descriptors() -> Row:
    """More connections than the desk may have descriptors."""

    @contextlib.contextmanager
    def taken() -> Iterator[None]:
        desk = int(stage.service.status()["desk"]["pid"])
        with few_descriptors(desk, 3), connections(stage.service.http, 12):
            yield

    with watched() as stage:
        seen = "said once; new requests wait until a descriptor is free"
        return _row(stage, "no descriptors left for the API", seen, taken)


def port_floods() -> Row:
    """A device sends undefined bytes, ticks and lone data bytes as fast as a program can."""

    @contextlib.contextmanager
    def flooding() -> Iterator[None]:
        with subprocess.Popen([sys.executable, "-c", _FLOOD, str(stage.udp)]) as flood:
            try:
                yield
            finally:
                flood.kill()

    with watched() as stage:
        return _row(stage, "a port floods", "said once, as an event and in the log; slowed down", flooding)


def engine_stands_still() -> Row:
    """Whatever holds the whole process: SIGSTOP and SIGCONT stand in for it."""
    with watched() as stage:
        engine = int(stage.service.status()["engine"]["pid"])
        lost = []
        for _ in range(3):
            before = stage.service.ask("GET", "/v1/report")["overall"]["missed"]
            os.kill(engine, signal.SIGSTOP)
            time.sleep(STALL_S)
            os.kill(engine, signal.SIGCONT)
            time.sleep(2)
            lost.append(stage.service.ask("GET", "/v1/report")["overall"]["missed"] - before)
        figure = f"stopped for {STALL_S:g} s three times: {lost} ticks skipped, all ports together"
        return Row(
            "the engine stands still", "late ticks are skipped and counted; the grid is the same", figure
        )
