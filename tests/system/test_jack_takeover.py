"""The engine dies on JACK, and its spare goes on: its ports stay connected, ticks and notes go on."""

from __future__ import annotations

import contextlib
import itertools
import os
import queue
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from dummy_server import DummyServer
from far_program import FarProgram
from test_jack_daemon import PERIOD_NS, RIG, SONGS, TICK_NS

from routerd.core.midi.messages import CONTINUE, START, STOP, TICK, note_off, note_on
from tests.bench.takeover import another
from tests.engine.test_spare import spare_of
from tests.service import Service, until, write_rig

pytestmark = pytest.mark.system

LISTEN_S = 2.0
"""How long after the last death is listened: ticks never cease."""


@pytest.fixture
def box(jack_server: DummyServer) -> Iterator[FarProgram]:
    with FarProgram("jack", "Box") as program:
        yield program


@pytest.fixture
def service(box: FarProgram, tmp_path: Path) -> Iterator[Service]:
    folder = write_rig(tmp_path / "rig", RIG, SONGS, ["one", "two"])
    with Service(folder, tmp_path / "state", "--ports", "jack", "--spare") as service:
        service.wait_until_up()
        until(lambda: [p["state"] for p in service.status()["ports"]].count("open") == 2)
        yield service


def test_ticks_and_notes_go_on_over_the_same_connections(service: Service, box: FarProgram) -> None:
    service.ask("POST", "/v1/start")
    engine = service.engine()
    for key in (60, 62):
        spare = spare_of(engine, not_among=("jack_process",))
        box.send(note_on(0, key, 90))
        os.kill(engine, signal.SIGKILL)
        box.send(note_off(0, key, 40))
        assert another(service, engine) == spare
        engine = spare
    until(lambda: [p["state"] for p in service.status()["ports"]].count("open") == 2)
    heard: list[tuple[bytes, int]] = []
    until_s = time.monotonic() + LISTEN_S
    with contextlib.suppress(queue.Empty):
        while time.monotonic() < until_s:
            heard.append(box.receive_stamped(1.0))
    assert "port closed" not in service.log
    assert [data for data, _ in heard if data[0] in (START, CONTINUE, STOP)] == [bytes((START,))]
    ticks = [at_ns for data, at_ns in heard if data[0] == TICK]
    off_ns = [at_ns - number * TICK_NS for number, at_ns in enumerate(ticks)]
    assert round((min(off_ns[-24:]) - min(off_ns[:24])) / TICK_NS) == 0, (
        "no tick is lost, however late some were"
    )
    gaps = [after - before for before, after in itertools.pairwise(ticks)]
    print(f"the longest gap is longer than a tick by {(max(gaps) - TICK_NS) / PERIOD_NS:.2f} periods")
    notes = [data for data, _ in heard if data[0] & 0xE0 == 0x80]
    # what was being handled in the very moment of a death may be lost, but is never struck twice nor left on
    assert [data[0] & 0xF0 for data in notes] in ([0x90, 0x80] * 2, [0x90, 0x80], [])
