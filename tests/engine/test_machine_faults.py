"""The machine in trouble under a running service: ticks go on, it is said, and it mends by itself.

One service for all of them, one after the other, each on the state that the last has left. Judged by counts
and by what is said; how late ticks are meanwhile is for `python -m tests.bench.faults`.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from routerd.cli.demo import rig_folder
from routerd.core.midi.messages import TICK_BYTES, controller, note_off, note_on
from routerd.ports.far_end import FarEnd
from tests.machine import (
    Pipe,
    can_mount,
    connections,
    descriptors,
    disk,
    few_descriptors,
    hogs,
    memory_is_locked,
)
from tests.service import Service, free_port, unexpected, until

MOST_LINES = 40
"""What a fault may say, with what people do meanwhile; a flood would be hundreds."""

pytestmark = pytest.mark.random_order(disabled=True)
"""Each test goes on from what the last has left, and the last takes the log away for good."""

needs_mount = pytest.mark.skipif(
    not can_mount(), reason="a small disk cannot be mounted here: that takes root and the right to mount"
)


class Stage:
    """The service, its log, and the far end."""

    def __init__(self, service: Service, pipe: Pipe, far_end: FarEnd, state_dir: Path) -> None:
        self.service = service
        self.pipe = pipe
        self.far_end = far_end
        self.state_dir = state_dir
        self.stood_still = False

    def pid(self, process: str) -> int:
        return int(self.service.status()[process]["pid"])

    def goes_on(self, ticks: int = 30) -> None:
        """Ticks and notes pass, seen from outside."""
        while self.far_end.receive(0) is not None:
            pass
        self.far_end.play("pads", note_on(9, 38, 80))
        self.far_end.play("pads", note_off(9, 38))
        heard = 0
        note = False
        end_s = time.monotonic() + 20
        while heard < ticks or not note:
            assert time.monotonic() < end_s, f"{heard} ticks, {'a' if note else 'no'} note"
            arrival = self.far_end.receive(0.2)
            if arrival is not None:
                heard += arrival.device == "instrument-host" and arrival.data == TICK_BYTES
                note = note or arrival.data[0] & 0xF0 == 0x80

    def press(self, number: int) -> None:
        self.far_end.play("pedals", controller(15, number, 127))
        self.far_end.play("pedals", controller(15, number, 0))

    def missed(self) -> int:
        return int(self.service.ask("GET", "/v1/report")["overall"]["missed"])

    def said_since(self, before: int, words: str) -> list[str]:
        return [line for line in self.pipe.lines()[before:] if words in line]


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    place = tmp_path_factory.mktemp("machine")
    folder = Path(shutil.copytree(rig_folder(), place / "rig"))
    udp = free_port(socket.SOCK_DGRAM)
    pipe = Pipe()
    options = ("--ports", "simulated", "--far-end", str(udp))
    with Service(folder, place / "state", *options, stderr=pipe.theirs) as service:
        service.wait_until_open()
        with FarEnd(("127.0.0.1", udp)) as far_end:
            far_end.listen()
            yield Stage(service, pipe, far_end, place / "state")
    pipe.close()
    os.close(pipe.theirs)


@pytest.fixture(autouse=True)
def nothing_is_lost(stage: Stage) -> Iterator[None]:
    """No fault here may cost a tick, except the one that stops the engine itself."""
    yield
    assert stage.stood_still or stage.missed() == 0
    assert stage.service.status()["engine"]["counters"]["faults"] == 0


def test_the_show_goes_on_while_every_processor_is_busy(stage: Stage) -> None:
    with hogs():
        stage.goes_on(60)


def test_memory_that_is_short_cannot_take_any_from_the_engine(stage: Stage) -> None:
    if not stage.service.status()["engine"]["memory_locked"]:
        pytest.skip("this user may not lock memory: see Real-time scheduling in systemd/INSTALL.md")
    assert memory_is_locked(stage.pid("engine"))


@needs_mount
@pytest.mark.parametrize("full", [True, False], ids=["full", "read-only"])
def test_a_disk_that_refuses_is_reported_once_and_written_to_later(stage: Stage, full: bool) -> None:
    before = len(stage.pipe.lines())
    with disk(stage.state_dir, full=full):
        stage.press(80)  # another song: to be remembered, but there is no room
        problem = "state folder cannot be written"
        until(lambda: problem in str(stage.service.status()["problems"]), what="the problem is shown")
        stage.goes_on()
        stage.press(81)
    until(lambda: not unexpected(stage.service.status()), what="it is written again")
    song = stage.service.status()["song"]["song"]
    until(lambda: _remembered(stage.state_dir) == song, what="the song is on the disk")
    what = "a restart would forget tonight"
    until(lambda: len(stage.said_since(before, what)) == 2, what="it is said that it is over")
    first, last = stage.said_since(before, what)
    assert "no longer: " not in first
    assert "no longer: " in last
    assert len(stage.pipe.lines()) - before < MOST_LINES


def _remembered(state_dir: Path) -> Any:
    place = json.loads((state_dir / "state.json").read_text())["resume"]
    return place and place["song"]


def test_no_descriptors_left_for_the_api(stage: Stage) -> None:
    before = len(stage.pipe.lines())
    with few_descriptors(stage.pid("server"), 3):
        with connections(stage.service.http, 12):
            until(lambda: stage.said_since(before, "new connections have to wait"), what="it is said")
            stage.goes_on(60)  # longer than the loop waits before it tries again
        assert stage.service.status()["transport"]  # those that waited have gone: it answers again
    assert len(stage.said_since(before, "new connections have to wait")) == 1
    assert len(stage.pipe.lines()) - before < MOST_LINES


def test_no_descriptors_left_to_start_a_server_with(stage: Stage) -> None:
    before = len(stage.pipe.lines())
    engine, server = stage.pid("engine"), stage.pid("server")
    limits = resource.prlimit(engine, resource.RLIMIT_NOFILE)
    resource.prlimit(engine, resource.RLIMIT_NOFILE, (descriptors(engine) - 1, limits[1]))
    try:
        os.kill(server, signal.SIGKILL)
        until(lambda: stage.said_since(before, "cannot be started"), what="it is said")
        stage.goes_on()
        stage.press(80)
    finally:
        resource.prlimit(engine, resource.RLIMIT_NOFILE, limits)
    until(lambda: stage.pid("server") != server, what="a new server answers")
    assert len(stage.said_since(before, "cannot be started")) == 1


def test_a_log_that_nobody_reads_holds_nobody_up(stage: Stage) -> None:
    before = len(stage.pipe.lines())
    stage.pipe.reading.clear()
    try:
        for number in range(60):  # each is some lines: more than this pipe holds
            stage.press(80 + number % 2)
        stage.goes_on()
        server = stage.service.kill_server()  # the engine has something to say, too
        until(lambda: stage.pid("server") != server, what="a new server answers")
        stage.goes_on()
    finally:
        stage.pipe.reading.set()
    until(lambda: stage.said_since(before, "starting it again"), what="what waited is read after all")


def test_an_engine_that_stands_still_skips_and_says_what_it_missed(stage: Stage) -> None:
    """SIGSTOP stands in for whatever holds a machine for long: a host that pauses it, a debugger."""
    before, engine = len(stage.pipe.lines()), stage.pid("engine")
    missed = stage.missed()
    stage.stood_still = True
    spare = until(lambda: stage.service.status()["engine"]["spare"]["pid"], what="there is a spare")
    for pid in (spare, engine):
        os.kill(pid, signal.SIGSTOP)
    time.sleep(1.5)
    for pid in (engine, spare):
        os.kill(pid, signal.SIGCONT)
    told = until(lambda: stage.said_since(before, "ticks were given up"), what="it is said")
    assert len(told) == 1
    stage.goes_on()
    until(lambda: stage.missed() > missed, what="the report counts them")


def test_a_log_that_has_gone_is_no_reason_to_stop(stage: Stage) -> None:
    """As when journald ends: writing fails, or SIGPIPE would come. Nothing is read after it."""
    server = stage.pid("server")
    stage.pipe.close()
    for number in range(6):
        stage.press(80 + number % 2)
    stage.goes_on()
    assert stage.pid("server") == server
