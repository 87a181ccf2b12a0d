"""The daemon on ALSA: ports by name pattern, remapping, and the clock at another program's port."""

from __future__ import annotations

import time

import pytest
from daemon import Daemon
from far_program import FarProgram
from listener import Aseqdump
from usb import wait_for

pytestmark = pytest.mark.system

FAR_S = 20.0


@pytest.mark.timeout(300)
def test_ports_are_opened_by_name_pattern_when_they_come(daemon: Daemon, watcher: Aseqdump) -> None:
    assert daemon.status()["engine"]["ports"] == "alsa"
    assert daemon.port("keys", "input")["state"] == "missing"
    with FarProgram("alsa", "Far Keys") as program:
        daemon.wait_for_port("keys", "input")
        assert daemon.port("keys", "input")["port"] == program.output_name
    daemon.wait_for_port("keys", "input", "missing")
    assert daemon.port("watcher", "output")["port"].startswith("aseqdump")


def test_what_another_program_plays_comes_out_remapped(
    daemon: Daemon, keys: FarProgram, box: FarProgram
) -> None:
    daemon.song("Remap")
    for played, heard in [
        ("903c7f", "944864"),  # up an octave, to channel 5, at most velocity 100
        ("b04a33", "b44a33"),
        ("e00040", "e40040"),  # bend at its middle (M1 p. 19)
        ("e07f7f", "e47f7f"),
        ("f07d0102f7", "f07d0102f7"),
        ("803c20", "844820"),
    ]:
        keys.send(bytes.fromhex(played))
        assert box.receive(FAR_S).hex() == heard
    for outside in (
        "902f40",
        "904940",
        "c005",
        "d040",
    ):  # below and above the range, and kinds not let through
        keys.send(bytes.fromhex(outside))
    keys.send(bytes.fromhex("903040"))
    assert box.receive(FAR_S).hex() == "943c40"
    keys.send(bytes.fromhex("903000"))  # a release written as a press with velocity 0 (M1 p. 10)
    assert box.receive(FAR_S).hex() == "843c40"


def test_a_release_follows_its_press_across_a_song_change(
    daemon: Daemon, keys: FarProgram, box: FarProgram
) -> None:
    daemon.song("Remap")
    keys.send(bytes.fromhex("904040"))
    assert box.receive(FAR_S).hex() == "944c40"
    daemon.song("Through")
    keys.send(bytes.fromhex("804007"))
    assert box.receive(FAR_S).hex() == "844c07"
    daemon.song("Remap")


def test_between_start_and_stop_every_tick_is_a_clock(daemon: Daemon, watcher: Aseqdump) -> None:
    daemon.song("Remap")
    before = len(watcher.texts())
    daemon.post("/v1/start")
    wait_for("Start", lambda: "Start" in watcher.texts()[before:])
    time.sleep(5)
    daemon.post("/v1/stop")
    wait_for("Stop", lambda: "Stop" in watcher.texts()[before:])
    texts = watcher.texts()[before:]
    heard = texts[texts.index("Start") + 1 : len(texts) - 1 - texts[::-1].index("Stop")]
    assert set(heard) == {"Clock"}
    position = daemon.status()["position"]
    assert daemon.status()["transport"] == "stopped"
    ticks = ((position["bar"] - 1) * 4 + position["beat"] - 1) * 24 + position["tick"]
    # Song position counts clocks (M1 p. 27: position 4, Continue and 3 clocks are the 27th clock).
    assert len(heard) == ticks
