"""The spare on simulated ports: it takes over when the engine dies or hangs, and only then."""

from __future__ import annotations

import itertools
import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from routerd.core.midi.messages import TICK_BYTES
from routerd.engine.guard import RobustMutex
from routerd.engine.journal import Shared
from routerd.ports.far_end import FarEnd
from tests.bench.takeover import RIG, SONG, another, dump
from tests.service import Service, free_port, unexpected, until, write_rig

PERIOD_NS = 60_000_000_000 // 24 // 120


def spare_of(engine: int, not_among: tuple[str, ...] = ()) -> int:
    """Return the process of the spare, once it follows: the child of the engine that is nothing else."""
    others = [word.encode() for word in ("server", *not_among)]

    def found() -> int:
        for task in Path(f"/proc/{engine}/task").iterdir():
            for pid in (task / "children").read_text().split():
                if not any(word in Path(f"/proc/{pid}/cmdline").read_bytes() for word in others):
                    return int(pid)
        return 0

    def stays() -> int:
        pid = found()
        time.sleep(
            0.8
        )  # it gets memory of its own first, and may yet be made anew for ports that have opened
        return pid if pid == found() else 0

    return int(until(stays, what="there is a spare"))


class Stage:
    """A service with a spare, and what reaches its devices."""

    def __init__(self, service: Service, far_end: FarEnd) -> None:
        self.service = service
        self.far_end = far_end
        self.heard: list[tuple[int, str, bytes]] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._hear)
        self._thread.start()

    def _hear(self) -> None:
        while not self._ended.is_set():
            arrival = self.far_end.receive(0.1)
            if arrival is not None:
                self.heard.append((arrival.arrival_ns, arrival.device, arrival.data))

    def end(self) -> None:
        self._ended.set()
        self._thread.join()

    def played(self, device: str) -> list[bytes]:
        """Return the notes that have reached a device."""
        return [data for _, name, data in self.heard if name == device and data[0] & 0xE0 == 0x80]

    def ticks(self) -> list[int]:
        """Return when ticks have reached a device without a slow wire."""
        return [at_ns for at_ns, name, data in self.heard if name == "host" and data == TICK_BYTES]

    def gaps(self) -> list[float]:
        """Return the time between those, in periods."""
        return [(after - before) / PERIOD_NS for before, after in itertools.pairwise(self.ticks())]

    def lost(self) -> int:
        """Return how many of them have not come: by how much the grid has moved, however late some were."""
        known = len(self.ticks())
        until(lambda: len(self.ticks()) >= known + 24, what="ticks go on")
        offsets = [at_ns - number * PERIOD_NS for number, at_ns in enumerate(self.ticks())]
        return round((min(offsets[-24:]) - min(offsets[:24])) / PERIOD_NS)


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    song = SONG % ("one", 120, " ".join(f"{byte:02X}" for byte in dump(0)), 1)
    folder, udp = write_rig(tmp_path / "rig", RIG, {"one": song}, ["one"]), free_port(socket.SOCK_DGRAM)
    options = ("--ports", "simulated", "--far-end", str(udp), "--spare")
    with Service(folder, tmp_path / "state", *options) as service:
        service.wait_until_open()
        with FarEnd(("127.0.0.1", udp)) as far_end:
            far_end.listen()
            stage = Stage(service, far_end)
            try:
                yield stage
            finally:
                stage.end()


def test_notes_and_ticks_go_on_when_the_engine_is_killed_twice(stage: Stage) -> None:
    stage.service.ask("POST", "/v1/start")
    engine = stage.service.engine()
    for key in (60, 64):
        spare = spare_of(engine)
        stage.far_end.play("keys", bytes((0x90, key, 70)))
        until(lambda key=key: bytes((0x90, key, 70)) in stage.played("pad"))  # type: ignore[misc]
        stage.far_end.play("keys", bytes((0x80, key, 64)))
        time.sleep(0.0001 * (key % 3))  # unread, read or half done
        os.kill(engine, signal.SIGKILL)
        assert another(stage.service, engine) == spare
        engine = spare
    until(lambda: len(stage.played("pad")) == 4)
    assert [data[0] for data in stage.played("pad")] == [0x90, 0x80, 0x90, 0x80]
    assert stage.service.status()["transport"] == "running"
    assert stage.lost() == 0
    assert [data for _, name, data in stage.heard if name == "host" and data[0] in (0xFA, 0xFB, 0xFC)] == [
        b"\xfa"
    ]
    status, took_s = stage.service.stop()
    assert (status, took_s < 5) == (0, True)


def test_an_engine_that_stands_still_is_killed_and_taken_over(stage: Stage) -> None:
    engine = stage.service.engine()
    spare = spare_of(engine)
    os.kill(engine, signal.SIGSTOP)
    assert another(stage.service, engine) == spare
    assert not Path(f"/proc/{engine}").exists()
    assert max(stage.gaps()) < 8


def test_a_spare_that_dies_is_replaced_and_nothing_else_happens(stage: Stage) -> None:
    engine = stage.service.engine()
    spare = spare_of(engine)
    os.kill(spare, signal.SIGKILL)
    until(lambda: not Path(f"/proc/{spare}").exists())
    assert spare_of(engine) != spare
    assert stage.service.engine() == engine


def test_without_a_spare_another_engine_goes_on_from_crash_memory(stage: Stage) -> None:
    engine = stage.service.engine()
    spare = spare_of(engine)
    os.kill(spare, signal.SIGSTOP)
    os.kill(spare, signal.SIGKILL)
    os.kill(engine, signal.SIGKILL)
    assert another(stage.service, engine) != spare
    assert "an engine has died here; going on" in stage.service.log


def test_whoever_kills_the_main_process_ends_the_service(stage: Stage) -> None:
    engine = stage.service.engine()
    spare = spare_of(engine)
    stage.service.process.kill()
    until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in (engine, spare)))


def test_the_lock_is_free_when_its_holder_dies_and_not_before() -> None:
    mutex = RobustMutex(Shared())
    mutex.make()
    held, wait = os.pipe(), os.pipe()
    pid = os.fork()
    if pid == 0:
        os.write(held[1], b"x" if mutex.hold(time.monotonic_ns() + 1_000_000_000) else b"-")
        os.read(wait[0], 1)
        os._exit(0)
    assert os.read(held[0], 1) == b"x"
    assert not mutex.hold(time.monotonic_ns() + 10_000_000)
    os.kill(pid, signal.SIGKILL)
    assert mutex.hold(time.monotonic_ns() + 5_000_000_000)
    os.waitpid(pid, 0)
    for descriptor in (*held, *wait):
        os.close(descriptor)


def test_a_takeover_that_is_asked_for_is_no_problem(stage: Stage) -> None:
    engine = stage.service.engine()
    until(lambda: stage.service.status()["engine"]["spare"]["state"] == "ready")
    spare = stage.service.ask("POST", "/v1/takeover")["engine"]["spare"]
    assert (spare["takeovers"], spare["why_none"]) == (0, None)
    assert another(stage.service, engine) == spare["pid"]
    after = until(lambda: (s := stage.service.status()) and s["engine"]["spare"]["takeovers"] and s)
    assert after["engine"]["spare"]["last_takeover_why"] == "a takeover was asked for"
    assert [line for line in unexpected(after) if "spare" in line] == []
    assert stage.lost() == 0
