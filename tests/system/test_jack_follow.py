"""One daemon leads, a second follows it through real JACK ports; a program beside them hears what goes over.

JACK hands messages over once a period, so arrivals scatter evenly over a period: 256 frames at 48 kHz are
5.3 ms, 1.5 ms rms. That is more than any cable does, and what the follower has to calm. (With 512 frames,
half a tick at 120 BPM, it passed as well, twice by hand.)
"""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dummy_server import DummyServer
from far_program import FarProgram

from routerd.core.midi.messages import START, STOP, TICK
from tests.service import Service, until, write_rig

pytestmark = pytest.mark.system

PERIOD_FRAMES = 256
PLAYS = 3
"""So often it is tried on a machine that keeps JACK from its work."""


LEADER = (
    "name: Leads\ndevices:\n  cable: {output: 'Cable in*', wire: virtual, clock: true, transport: true}\n"
)
FOLLOWER = (
    "name: Follows\ndevices:\n  cable: {input: 'Cable out*'}\n"
    "  ear: {output: 'Ear in*', wire: virtual, clock: true, transport: true}\n"
)


@pytest.fixture
def pair(
    jack_server: DummyServer, tmp_path: Path
) -> Iterator[tuple[Service, Service, FarProgram, FarProgram]]:
    leads = write_rig(tmp_path / "leads", LEADER, {"one": "title: One\ntempo: 120\n"}, [])
    song = "title: One\ntempo: 100\nclock-source: cable\n"
    follows = write_rig(tmp_path / "follows", FOLLOWER, {"one": song}, [])
    with (
        FarProgram("jack", "Cable") as cable,
        FarProgram("jack", "Ear") as ear,
        Service(leads, tmp_path / "state-1", "--ports", "jack") as leader,
        Service(follows, tmp_path / "state-2", "--ports", "jack") as follower,
    ):
        leader.wait_until_open()
        follower.wait_until_open()
        # Straight from one to the other: a program between them would add up to two periods of its own.
        jack_server.connect(*(jack_server.connected(f"Cable {end}:port") for end in ("in", "out")))
        yield leader, follower, cable, ear


def take(program: FarProgram) -> list[tuple[bytes, int]]:
    heard = []
    try:
        while True:
            heard.append(program.receive_stamped(0))
    except queue.Empty:
        return heard


def rms_ms(numbers: list[int], times: list[int]) -> float:
    """Return how far the times are from the straight line that fits them best."""
    x, y = np.array(numbers, dtype=float), np.array(times, dtype=float) - times[0]
    return float(np.std(y - np.polyval(np.polyfit(x, y, 1), x))) / 1e6


def locked(follower: Service) -> Any:
    return until(lambda: (s := follower.status())["following"]["state"] == "locked" and s, 20)


def near(follower: Service, bpm: float) -> Any:
    try:
        return until(lambda: abs((s := follower.status())["tempo"]["bpm"] - bpm) < bpm / 200 and s, 20)
    except AssertionError as error:
        raise AssertionError(f"{bpm}: {follower.status()}") from error


def disturbed(arrivals: list[tuple[bytes, int]]) -> float:
    """Return which share of ticks the cable got as no cable brings them: two at once, one left out, or late.

    JACK does that on a machine too busy for it. It works in periods, so that whatever it brings is a whole
    number of them apart: here three to six, as ticks are 18.9 to 27.6 ms apart.
    """
    times = [at_ns for data, at_ns in arrivals if data[0] == TICK]
    periods = np.diff(times) / (PERIOD_FRAMES / 48_000 * 1e9)
    return float(np.mean((periods < 2.5) | (periods > 6.5) | (abs(periods - np.round(periods)) > 0.3)))


@pytest.mark.timeout(240)
def test_a_second_daemon_follows_the_first(
    pair: tuple[Service, Service, FarProgram, FarProgram],
) -> None:
    for plays_left in reversed(range(PLAYS)):
        arrivals: list[tuple[bytes, int]] = []
        try:
            follow_through_changes(pair, arrivals)
        except AssertionError:
            arrivals += take(pair[2])
            if (share := disturbed(arrivals)) <= 0.002:
                if not plays_left:
                    raise
                print("played again: JACK may have lost a message that is no tick")
                pair[0].ask("POST", "/v1/stop")
                continue
            print(f"too busy a machine for JACK: {share:.1%} of ticks came late, doubled or not at all")
            if not plays_left:
                pytest.skip(f"too busy a machine for JACK, {PLAYS} times: {share:.1%} of ticks came late")
            pair[0].ask("POST", "/v1/stop")
        else:
            break


def follow_through_changes(
    pair: tuple[Service, Service, FarProgram, FarProgram], arrivals: list[tuple[bytes, int]]
) -> None:
    leader, follower, cable, ear = pair
    leader.ask("POST", "/v1/tempo", {"bpm": 120})
    locked(follower)
    near(follower, 120)
    time.sleep(3)
    arrivals += take(cable)
    take(ear)
    leader.ask("POST", "/v1/start")
    until(lambda: follower.status()["transport"] == "running")
    grid: dict[int, int] = {}
    for _ in range(40):
        tempo = follower.status()["tempo"]
        grid[tempo["anchor_tick"]] = tempo["anchor_ns"]
        time.sleep(0.25)
    for bpm in (132, 90.5):
        leader.ask("POST", "/v1/tempo", {"bpm": bpm})
        near(follower, bpm)
        time.sleep(3)
    leader.ask("POST", "/v1/stop")
    until(lambda: follower.status()["transport"] == "stopped")
    time.sleep(0.5)
    sent, heard = take(cable), take(ear)
    arrivals += sent
    print(f"{disturbed(arrivals):.2%} of the ticks disturbed by JACK itself")
    led, followed = ticks_of_song(sent), ticks_of_song(heard)
    # every tick from Start to Stop was regenerated, none lost, none doubled: the long-run average is exact
    print(f"{len(led)} ticks led, {len(followed)} followed; {follower.status()['following']}")
    positions = [service.status()["position"] for service in (leader, follower)]
    places = [(p["bar"] * 4 + p["beat"]) * 24 + p["tick"] for p in positions]
    print(places)
    assert abs(places[0] - places[1]) <= 1
    assert abs(len(led) - len(followed)) <= 1
    steady = led[24:400]
    received_ms = rms_ms(list(range(len(steady))), steady)
    regenerated_ms = rms_ms(list(grid), list(grid.values()))
    follow = follower.status()["following"]
    print(
        f"received {received_ms:.2f} ms rms, the follower says {follow['jitter_us'] / 1000:.2f} ms; ", end=""
    )
    print(f"regenerated {regenerated_ms:.2f} ms rms; {follow}")
    assert regenerated_ms < 0.8 * received_ms


def ticks_of_song(heard: list[tuple[bytes, int]]) -> list[int]:
    """Return when the ticks between Start and Stop came."""
    kinds = [data[0] for data, _ in heard]
    assert kinds.count(START) == 1
    begin = kinds.index(START)
    end = kinds.index(STOP, begin)
    return [at_ns for data, at_ns in heard[begin:end] if data[0] == TICK]
