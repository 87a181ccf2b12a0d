"""When a silent server is killed: judged by what it does, on a slow machine too. Time is simulated."""

from __future__ import annotations

import asyncio
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

from routerd.engine import supervision as module
from routerd.engine.process import Begun, Options, Server
from routerd.engine.supervision import Supervisor

PING_S = module.PING_EVERY_S
BEGUN = Begun(Options(Path("rig"), Path("state")), None)
Doing = Callable[[float], tuple[float, str]]
"""Processor seconds used by then, and the state as proc(5) has it."""


class Watched(Supervisor):
    """A supervisor over a server that answers for `answers_s` and then never again."""

    def __init__(self, doing: Doing, *, serves: bool, answers_s: float = 30.0) -> None:
        super().__init__(BEGUN, self._no_link, dict, self._said.append)
        self.now_s = 0.0
        self.killed_s = 0.0
        self._doing = doing
        self._answers_s = answers_s
        if serves:
            self._serves()

    _said: list[str] = []  # noqa: RUF012 - nobody looks at it

    def _no_link(self, *_: object) -> Any:
        raise AssertionError("no server is started here")

    def _work(self) -> tuple[float, str]:
        return self._doing(self.now_s)

    def _kill(self) -> None:
        self.killed_s = self.now_s

    async def until_killed(self, monkeypatch: pytest.MonkeyPatch, limit_s: float = 1000.0) -> float:
        """Return how long after its last answer it was killed, 0 when not within the limit."""

        class Over(Exception):  # noqa: N818 - not an error
            pass

        async def sleep(span_s: float) -> None:
            self.now_s += span_s
            if self.now_s > limit_s:
                raise Over
            if self.now_s <= self._answers_s:
                self._ponged()

        monkeypatch.setattr(module, "monotonic", lambda: self.now_s)
        monkeypatch.setattr(module, "in_step", sleep)
        try:
            await self._watch(Silent())  # type: ignore[arg-type]
        except Over:
            return 0.0
        return self.killed_s - self._answers_s


class Silent:
    """A link into which pings vanish."""

    def send(self, message: Any) -> None:
        """Forget it."""


def idle(_: float) -> tuple[float, str]:
    return 5.0, "S"


def stopped(_: float) -> tuple[float, str]:
    return 5.0, "T"


def circling(now_s: float) -> tuple[float, str]:
    return now_s, "R"


def on_a_slow_machine(now_s: float) -> tuple[float, str]:
    """One second of the processor in fifteen."""
    return now_s // 15, "R"


@pytest.mark.parametrize(
    ("doing", "serves", "seconds"),
    [
        (idle, True, module.SILENT_S),
        (stopped, False, module.SILENT_S),
        (idle, False, module.FIRST_ANSWER_S),
        (circling, True, module.BUSY_SILENT_S),
        (circling, False, module.FIRST_BUSY_S),
        (on_a_slow_machine, True, 15 * module.BUSY_SILENT_S),
    ],
)
async def test_a_silent_server_is_killed(
    monkeypatch: pytest.MonkeyPatch, doing: Doing, serves: bool, seconds: float
) -> None:
    killed_s = await Watched(doing, serves=serves).until_killed(monkeypatch)
    assert seconds < killed_s <= seconds + 15 + 2 * PING_S


async def test_a_server_that_gets_nothing_of_the_processor_is_left_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def waiting(_: float) -> tuple[float, str]:
        return 5.0, "R"

    assert not await Watched(waiting, serves=True).until_killed(monkeypatch)


async def test_a_server_that_answers_may_work_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    assert not await Watched(circling, serves=True, answers_s=1000.0).until_killed(monkeypatch)


async def test_a_server_that_never_comes_up_is_said_plainly_and_does_not_fill_the_log(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An hour of a server that dies at once: the engine said so every second."""

    class Over(Exception):  # noqa: N818 - not an error
        pass

    said: list[str] = []
    now_s = 0.0

    async def sleep(span_s: float) -> None:
        nonlocal now_s
        now_s += span_s
        if now_s > 3600:
            raise Over

    one = Watched(lambda _: (0.0, "S"), serves=False)
    one._say = lambda text, _level="": said.append(text)

    async def dies() -> int:
        return 1

    monkeypatch.setattr(one, "_run_once", dies)
    monkeypatch.setattr(module, "monotonic", lambda: now_s)
    monkeypatch.setattr(module.asyncio, "sleep", sleep)
    with pytest.raises(Over):
        await one.run()
    assert sum("does not come up" in line for line in said) >= 1
    assert "does not come up, so there is no API: it ended 5 times in a row (exit status 1)" in said[4]
    assert len(said) < 20


LAST_WORK = """
import pathlib, signal, sys, time

def end(*_):
    until = time.process_time() + float(sys.argv[1])
    while time.process_time() < until:
        pass
    time.sleep(float(sys.argv[2]))
    pathlib.Path(sys.argv[3]).write_text("whole")
    sys.exit()

signal.signal(signal.SIGTERM, end)
print("ready", flush=True)
time.sleep(60)
"""
"""A server that uses the processor for so long, then sleeps for so long before its last file is written."""


@pytest.mark.parametrize(
    ("works_s", "sleeps_s", "stopped", "written"),
    [(0.4, 0.0, False, True), (0.0, 30.0, False, False), (30.0, 0.0, False, False), (0.4, 0.0, True, False)],
)
async def test_a_stop_waits_for_a_server_that_works_and_for_no_other(
    tmp_path: Path,
    works_s: float,
    sleeps_s: float,
    stopped: bool,
    written: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "STOP_S", 1.0 if works_s > 1 else 30.0)  # the machine may be busy
    file = tmp_path / "report"
    supervisor = Supervisor(BEGUN, lambda *_: None, dict, lambda _: None)  # type: ignore[arg-type,return-value]
    child = subprocess.Popen(  # noqa: ASYNC220 - as it is started there
        [sys.executable, "-c", LAST_WORK, str(works_s), str(sleeps_s), str(file)], stdout=subprocess.PIPE
    )
    assert child.stdout is not None
    await asyncio.to_thread(child.stdout.readline)
    if stopped:
        child.send_signal(signal.SIGSTOP)
    ours, theirs = socket.socketpair()
    with ours, theirs, child.stdout:
        supervisor._process = process = Server(child.pid, ours, child)
        began_s = monotonic()
        await supervisor.stop()
        await process.wait()
    assert file.exists() == written
    assert monotonic() - began_s < (module.STOP_S if works_s else module.STOP_IDLE_S) + 3


def test_regular_work_comes_to_all_places_between_ticks() -> None:
    """At 120 BPM half a second is 24 ticks: each of them would meet the event loop, or none."""
    assert all((Fraction(str(PING_S)) * 24 * bpm / 60).denominator >= 50 for bpm in range(20, 301))
