"""Two daemons: a second one follows the first over real ALSA ports.

The kernel's own "Midi Through" is the cable between them, another of its ports takes what the follower sends,
and one aseqdump hears both. The processor may be emulated: ticks are counted, and nobody judges
milliseconds. On JACK, outside the guest, the same pair has to be exact.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from subprocess import PIPE

import pytest
from daemon import RIG, Daemon
from listener import Aseqdump
from usb import wait_for

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

CABLE, EAR = "14:0", "14:1"
"""The client of snd-seq-dummy has a number of its own in every kernel (SNDRV_SEQ_CLIENT_DUMMY)."""

LEADER_RIG = RIG + '  line: {output: "Midi Through*Port-0*", wire: virtual, clock: true, transport: true}\n'
FOLLOWER_RIG = """\
name: Follows
devices:
  line: {input: "Midi Through*Port-0*"}
  ear: {output: "Midi Through*Port-1*", wire: virtual, clock: true, transport: true}
"""
SLOW_BPM, FASTER_BPM = 40, 46
"""Ticks are 62 and 54 ms apart: what an emulated processor, fifteen times slower than a real one, does in
between takes a real one 4 ms. At 120 BPM a machine that does other work too brings ticks a whole one late."""

PLAYED_S = 8.0

PULSE = """
import os, select, sys, time
os.sched_setaffinity(0, {int(sys.argv[1])})
os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(90))
print("beats", flush=True)
longest = 0.0
before = time.monotonic()
while not select.select([sys.stdin], [], [], 0.01)[0]:
    now = time.monotonic()
    longest = max(longest, now - before)
    before = now
print(longest)
"""
STANDSTILL_S = 0.1
"""Nearly two ticks. After four the follower takes the source for silent and holds its tempo: what it counts
then is its own."""

ATTEMPTS = 2


def write_follower(folder: Path) -> Path:
    (folder / "songs").mkdir(parents=True)
    (folder / "rig.yaml").write_text(FOLLOWER_RIG)
    (folder / "songs" / "one.yaml").write_text("title: One\ntempo: 100\nclock-source: line\n")
    return folder


@pytest.fixture
def leader(daemon: Daemon) -> Iterator[Daemon]:
    """The tests' daemon, its clock on the cable too."""
    with daemon.rig(LEADER_RIG):
        try:
            daemon.song("Remap")
            daemon.wait_for_port("line")
            yield daemon
        finally:
            daemon.song("Remap")  # in its own tempo again


@pytest.fixture
def follower(leader: Daemon, tmp_path: Path) -> Iterator[Daemon]:
    running = Daemon(tmp_path, port=8474, write=write_follower)
    yield running
    print(running.log())
    running.end()


def ticks(heard: list[tuple[float, str, str]], source: str) -> list[float]:
    """Return when the ticks of a port came from the Start to the Stop that went over it, in seconds."""
    mine = [(at, text) for at, port, text in heard if port == source]
    texts = [text for _, text in mine]
    begin = texts.index("Start")
    return [at for at, text in mine[begin : texts.index("Stop", begin)] if text == "Clock"]


class Pulse:
    """Tells whether the machine stood still: on each processor a program above all others sleeps, and looks
    how long it slept. A standstill that it sees is none of routerd's making."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self._programs = [
            subprocess.Popen([sys.executable, "-I", "-S", "-c", PULSE, str(n)], stdin=PIPE, stdout=PIPE)
            for n in os.sched_getaffinity(0)
        ]
        for program in self._programs:
            assert program.stdout is not None
            assert program.stdout.readline() == b"beats\n"

    def end(self) -> None:
        """Stop looking; `longest_s` is then known."""
        found = [program.communicate()[0] for program in self._programs]
        self.longest_s = max(float(seconds) for seconds in found)


def near(follower: Daemon, bpm: float) -> bool:
    return abs(follower.status()["tempo"]["bpm"] - bpm) < bpm / 20


def play(leader: Daemon, follower: Daemon, dump: Aseqdump) -> tuple[list[float], list[float]]:
    """Start, play, go faster, play, stop; return when the ticks of both came."""
    before = len(dump.heard())

    def has_come(text: str) -> bool:
        return (EAR, text) in [one[1:] for one in dump.heard()[before:]]

    leader.song("Remap")
    leader.post("/v1/tempo", {"bpm": SLOW_BPM})
    wait_for("the leader's tempo at the follower", lambda: near(follower, SLOW_BPM), every_s=0.5)
    leader.post("/v1/start")
    wait_for("Start at the far end", lambda: has_come("Start"))
    time.sleep(PLAYED_S)
    leader.post("/v1/tempo", {"bpm": FASTER_BPM})
    wait_for("the new tempo at the follower", lambda: near(follower, FASTER_BPM), every_s=0.5)
    time.sleep(PLAYED_S)
    leader.post("/v1/stop")
    wait_for("Stop at the far end", lambda: has_come("Stop"))
    heard = dump.heard()[before:]
    return ticks(heard, CABLE), ticks(heard, EAR)


@pytest.mark.timeout(400)
def test_a_second_daemon_follows_the_first_over_alsa(leader: Daemon, follower: Daemon) -> None:
    for device, direction in (("line", "input"), ("ear", "output")):
        follower.wait_for_port(device, direction)
    with Aseqdump(CABLE, EAR) as dump:
        wait_for("ticks of both", lambda: {port for _, port, _ in dump.heard()} >= {CABLE, EAR})
        for _ in range(ATTEMPTS):
            pulse = Pulse()
            led, followed = play(leader, follower, dump)
            pulse.end()
            print(f"{len(led)} ticks led, {len(followed)} followed, {follower.status()['following']}")
            print(f"the machine stood still for {pulse.longest_s * 1000:.0f} ms at most")
            assert len(led) > 2 * PLAYED_S * 24 * SLOW_BPM / 60
            if pulse.longest_s < STANDSTILL_S:
                break
    if pulse.longest_s >= STANDSTILL_S and abs(len(led) - len(followed)) > 2:
        pytest.skip(f"the machine stood still for {pulse.longest_s:.2f} s in each of {ATTEMPTS} attempts")
    assert abs(len(led) - len(followed)) <= 2
