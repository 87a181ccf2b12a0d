"""Faults of the machine: each returns its row for `faults`. `test_machine_faults` tests what must hold.

What was seen is what the log has said meanwhile, warnings and errors, and how often.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack

from tests.bench.fault_rows import ROUNDS, Row, Watched, beside, watched
from tests.machine import Pipe, connections, disk, few_descriptors, hogs
from tests.service import Service, unexpected, until

STALL_S = 1.5
TOUCH_EVERY_S = 0.04
_FLOOD = """
import sys
from routerd.ports.far_end import FarEnd
with FarEnd(("127.0.0.1", int(sys.argv[1]))) as far_end:
    while True:
        for byte in (0xF4, 0xF8, 0xFD, 0x40):
            far_end.play("pads", bytes((byte,)))
"""


@contextlib.contextmanager
def touched(service: Service) -> Iterator[None]:
    """Mute a device and unmute it, all the while: a line of the log and a change of state each."""
    ended = threading.Event()

    def touch() -> None:
        on = False
        while not ended.wait(TOUCH_EVERY_S):
            on = not on
            service.ask("POST", "/v1/mute", {"device": "drum-synth", "on": on})

    with ThreadPoolExecutor(1) as hand:
        touching = hand.submit(touch)
        try:
            yield
        finally:
            ended.set()
        touching.result()


def _said(log: str) -> str:
    """Return which warnings and errors a log has, and how often."""
    lines = [json.loads(line) for line in log.splitlines() if line.startswith("{")]
    seen = Counter(line["event"] for line in lines if line["level"] in ("warning", "error"))
    return "; ".join(f"{text!r} {times} ×" for text, times in seen.items()) or "nothing is said"


def _row(
    stage: Watched, name: str, fault: Callable[[], AbstractContextManager[object]], *, touching: bool = False
) -> Row:
    """Put a fault over every other stretch and return its row; the foot switch is pressed in one more."""
    begun = len(stage.service.log)
    with touched(stage.service) if touching else contextlib.nullcontext(), ExitStack() as stack:
        lateness = beside(stage, lambda: stack.enter_context(fault()), stack.close)
    said = _said(stage.service.log[begun:])
    with fault():
        press_s = stage.press()
    until(lambda: not unexpected(stage.service.status()), what="nothing is left of it in the status")
    return Row(
        name, f"{ROUNDS} times: {said}", f"press to patch meanwhile {press_s * 1e3:.0f} ms; {lateness.text()}"
    )


def processors_busy() -> Row:
    """A program of ordinary priority on every processor."""
    with watched() as stage:
        return _row(stage, "every processor busy", hogs)


def disk_full() -> Row:
    """No room in the state folder."""
    with watched() as stage:
        state = stage.folder.parent / "state"
        return _row(stage, "disk full", lambda: disk(state, full=True), touching=True)


def disk_read_only() -> Row:
    """The state folder cannot be written."""
    with watched() as stage:
        state = stage.folder.parent / "state"
        return _row(stage, "disk read-only", lambda: disk(state, full=False), touching=True)


def log_blocked() -> Row:
    """Nobody reads the log, and its pipe is full."""
    pipe = Pipe()

    @contextlib.contextmanager
    def unread() -> Iterator[None]:
        pipe.reading.clear()
        try:
            yield
        finally:
            pipe.reading.set()

    try:
        with watched(stderr=pipe.theirs) as stage:
            row = _row(stage, "nobody reads the log", unread, touching=True)
    finally:
        pipe.close()
        os.close(pipe.theirs)
    dropped = sum(int(count) for count in re.findall(r"\((\d+) log lines were dropped here\)", pipe.text))
    return row._replace(seen=f"{len(pipe.lines())} lines were read in the end, {dropped} dropped")


def no_descriptors() -> Row:
    """More connections than the server may have descriptors."""

    @contextlib.contextmanager
    def taken() -> Iterator[None]:
        server = int(stage.service.status()["server"]["pid"])
        with few_descriptors(server, 3), connections(stage.service.http, 12):
            yield

    with watched() as stage:
        return _row(stage, "no descriptors left for the API", taken)


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
        return _row(stage, "a port floods", flooding)


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
