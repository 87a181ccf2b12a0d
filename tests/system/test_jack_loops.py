"""A program on JACK that sends back what it gets: the loop is cut, reported and found to have ended."""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from dummy_server import DummyServer
from far_program import FarProgram

from routerd.core.midi.messages import note_off, note_on
from tests.service import Service, until, write_rig

pytestmark = pytest.mark.system

RIG = """
name: Echo bench
devices:
  echo: {input: "Echo out*", output: "Echo in*", wire: virtual, local-control: false}
  player: {input: "Player out*"}
  quiet: {input: "Quiet out*", output: "Quiet in*", wire: virtual, local-control: false}
"""
SONGS = {
    "one": "title: One\ntempo: 120\n"
    "routes: [{from: player, to: echo}, {from: echo, to: echo}, {from: quiet, to: quiet}]\n",
}
PRESS, RELEASE = note_on(0, 60, 90), note_off(0, 60, 64)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_rig(tmp_path / "rig", RIG, SONGS, ["one"])


@pytest.fixture
def programs(jack_server: DummyServer) -> Iterator[tuple[FarProgram, FarProgram, FarProgram]]:
    with (
        FarProgram("jack", "Echo", relays=True) as echo,
        FarProgram("jack", "Player") as player,
        FarProgram("jack", "Quiet") as quiet,
    ):
        yield echo, player, quiet


@pytest.fixture
def service(
    programs: tuple[FarProgram, FarProgram, FarProgram], folder: Path, tmp_path: Path
) -> Iterator[Service]:
    with Service(folder, tmp_path / "state", "--ports", "jack") as service:
        service.wait_until_open()
        yield service


def heard_within(program: FarProgram, seconds: float) -> list[tuple[bytes, int]]:
    """Return what it hears from now on for so long, with times in ns."""
    heard = []
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) > 0:
        try:
            heard.append(program.receive_stamped(left_s))
        except queue.Empty:
            break
    return heard


def test_a_loop_on_jack(service: Service, programs: tuple[FarProgram, FarProgram, FarProgram]) -> None:
    """Two periods of the server lie between a message and its echo, so it goes round every 20 to 30 ms."""
    echo, player, _ = programs
    heard_within(echo, 0.3)  # that its keys are apart from its sounds
    player.send(PRESS)
    heard = heard_within(echo, 2.5)
    presses = [at_ns for data, at_ns in heard if data == PRESS]
    assert presses
    assert max(presses) - min(presses) < 1_000_000_000  # half a second, and as much for a busy machine
    status = until(lambda: (s := service.status()) and any("loop" in line for line in s["problems"]) and s)
    assert any(line.startswith("echo: ") for line in status["problems"] if "loop" in line)
    until(lambda: service.status()["engine"]["counters"]["messages_dropped"] > 0)
    player.send(RELEASE)
    until(lambda: any(data == RELEASE for data, _ in heard_within(echo, 0.2)))
    played = [note_on(0, 40 + n, 100) for n in range(20)]
    for data in played:  # with the loop kept open each press sounds once
        player.send(data)
        time.sleep(0.05)
    heard = heard_within(echo, 1.0)
    assert [data for data, _ in heard if data in played] == played


def test_full_pressure_held_on_jack_passes_whole(
    service: Service, programs: tuple[FarProgram, FarProgram, FarProgram]
) -> None:
    """D0 7F every 5 ms to a device that is routed back to itself and echoes nothing, and notes meanwhile."""
    _, _, quiet = programs
    heard_within(quiet, 0.3)
    notes = [note_on(0, 48 + n, 100) for n in range(12)]
    for n in range(300):
        quiet.send(b"\xd0\x7f")
        if n % 25 == 12:
            quiet.send(notes[n // 25])
        time.sleep(0.005)
    heard = [data for data, _ in heard_within(quiet, 1.0)]
    assert heard.count(b"\xd0\x7f") == 300
    assert [data for data in heard if data in notes] == notes
    assert not [line for line in service.status()["problems"] if line.startswith("quiet")]
