"""A soundcheck, LEDs and learn mode with other programs at the ports: words and counts, no milliseconds."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from dummy_server import DummyServer
from far_program import FarProgram

from routerd.core.midi.messages import controller, note_off, note_on
from routerd.server.soundcheck.facts import REQUEST
from tests.service import Service, until, write_rig

pytestmark = pytest.mark.system

RIG = """
name: Loop bench
devices:
  box: {input: "Box out*", output: "Box in*", clock: true}
  looped: {output: "Cable in*", wire: virtual, clock: true, loopback: loop-in}
  loop-in: {input: "Cable out*"}
controls:
  - {from: box, cc: 80, channel: 16, do: next}
leds:
  - {to: box, note: 10, channel: 16, shows: running}
  - {to: box, note: 11, channel: 16, shows: song, song: 2}
  - {to: box, note: 12, channel: 16, shows: armed}
"""
REPLY = bytes.fromhex("F0 7E 10 06 02 7D 42 00 00 20 00 01 00 00 F7")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    songs = {name: f"title: {name.title()}\ntempo: 240\n" for name in ("one", "two")}
    return write_rig(tmp_path / "rig", RIG, songs, list(songs))


class Box:
    """The program at the box's ports: it says who it is when asked, and remembers what it hears."""

    def __init__(self, program: FarProgram) -> None:
        self.program = program
        self.heard: list[bytes] = []
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            data = self.program.receive(3600)
            self.heard.append(data)
            if data == REQUEST:
                self.program.send(REPLY)


@pytest.fixture
def box(jack_server: DummyServer) -> Iterator[Box]:
    with FarProgram("jack", "Box") as program:
        yield Box(program)


@pytest.fixture
def service(box: Box, folder: Path, tmp_path: Path) -> Iterator[Service]:
    """The daemon; a program that sends on what it receives is the loop cable."""
    with (
        FarProgram("jack", "Cable", relays=True),
        Service(folder, tmp_path / "state", "--ports", "jack") as service,
    ):
        service.wait_until_open()
        yield service


def test_loopbacks_roll_call_leds_and_learning(service: Service, box: Box) -> None:
    plan = {"levels_down": True, "seconds": 2, "stages": ["roll-call", "loopbacks"]}
    service.ask("POST", "/v1/soundcheck", plan)
    until(lambda: not service.ask("GET", "/v1/soundcheck/state")["running"], 60)
    document = service.ask("GET", "/v1/soundcheck")
    assert document["ended"] == "complete"
    calls = {one["device"]: one for one in document["roll_call"]}
    assert calls["box"]["state"] == "answered"
    assert (calls["box"]["identity"]["family"], calls["box"]["identity"]["member"]) == (0x42, 0x1000)
    assert calls["looped"]["state"] == "not asked"
    (loop,) = document["loopbacks"]
    assert (loop["device"], loop["hears"], loop["lost"]) == ("looped", "loop-in", 0)
    assert loop["probes"] == 40
    assert loop["ticks"] > 40
    assert 0 < loop["latency_us"]["min"] <= loop["latency_us"]["p50"] <= loop["latency_us"]["max"]
    devices = {one["device"]: one for one in document["devices"]}
    assert (devices["looped"]["measured"], devices["box"]["measured"]) == ("loopback", "sending side")
    assert any(words.startswith("over the loopback ticks take") for words in devices["looped"]["why"])
    # LEDs: what has changed is told, and nothing else
    box.heard.clear()
    box.program.send(controller(15, 80, 127))
    until(lambda: note_on(15, 11, 127) in box.heard)
    service.ask("POST", "/v1/start")
    until(lambda: note_on(15, 10, 127) in box.heard)
    service.ask("POST", "/v1/stop")
    service.ask("POST", "/v1/song", {"song": 1, "when": "next-press"})
    until(lambda: note_on(15, 12, 127) in box.heard)
    lamps = [data for data in box.heard if data[0] & 0xF0 in (0x80, 0x90)]
    assert lamps == [
        note_on(15, 11, 127),
        note_on(15, 10, 127),
        note_on(15, 10, 0),
        note_on(15, 12, 127),
    ]
    # learning: the next real message becomes an entry for rig.yaml, and does nothing else
    box.program.send(controller(15, 80, 0))
    service.ask("POST", "/v1/learn", {"what": "control"})
    box.program.send(note_on(4, 61, 90))
    box.program.send(note_off(4, 61))
    learning = until(lambda: (s := service.status()["learning"]) and s["entry"] and s)
    assert learning["entry"] == "- {from: box, note: 61, channel: 5, do: next}"
    assert service.status()["armed"]["argument"] == "one"
