"""The status against what somebody hears who listens to the ports: the whole service on simulated ports."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from routerd.core.midi.messages import START, TICK
from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port, until, write_rig

# they go on from one another's song and rig
pytestmark = pytest.mark.random_order(disabled=True)

RIG = """
name: Watched
devices:
  plain: {output: Plain*, clock: true, transport: true}
  seven: {output: Seven*, clock: true, transport: true, timing: {starts: bar, sequence: 7}}
  half: {output: Half*, clock: true, timing: {rate: 1/2}}
  pulsed: {output: Pulsed*, timing: {pulse: {note: 36, channel: 10}}}
  keys: {input: Keys*, output: Keys*}
"""
RAMP = """
title: Ramp
tempo: 120
click: {device: keys}
tempo-map: [{bar: 2, tempo: 240, over: 4}]
sections: [{name: verse}, {name: chorus}]
"""
STEADY = "title: Steady\ntempo: 120\nchange: bar\n"


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, FarEnd]]:
    place = tmp_path_factory.mktemp("status")
    folder = write_rig(place / "rig", RIG, {"ramp": RAMP, "steady": STEADY}, ["ramp", "steady"])
    port = free_port(socket.SOCK_DGRAM)
    with Service(folder, place / "state", "--ports", "simulated", "--far-end", str(port)) as service:
        service.wait_until_open()
        with FarEnd(("127.0.0.1", port)) as far_end:
            yield service, far_end


def clocks(status: Any) -> dict[str, Any]:
    return {one["device"]: one for one in status["device_clocks"]}


def test_the_tempo_in_the_middle_of_a_ramp_is_the_one_that_sounds(stage: tuple[Service, FarEnd]) -> None:
    """From 120 to 240 BPM in 4 bars of 4/4, some 5 s: the status said 120, or the tempo of a beat ago."""
    service, far_end = stage
    far_end.listen()
    service.ask("POST", "/v1/song", {"song": "Ramp"})
    service.ask("POST", "/v1/start")
    far = []
    until_s = time.monotonic() + 5
    while time.monotonic() < until_s:
        asked_ns = time.monotonic_ns()
        tempo = service.status()["tempo"]
        far.append((asked_ns, tempo["bpm"]))
        time.sleep(0.1)
    ticks = []
    while (arrival := far_end.receive(0.05)) is not None:
        if arrival.device == "plain" and arrival.data == bytes((TICK,)):
            ticks.append(arrival.arrival_ns)
        if len(ticks) > 1 and ticks[-1] > far[-1][0]:
            break
    compared = []
    for asked_ns, bpm in far:
        around = [at_ns for at_ns in ticks if abs(at_ns - asked_ns) < 150_000_000]
        if len(around) > 3:  # the mean of some ticks before and after: one may be late
            heard = 60e9 / 24 * (len(around) - 1) / (around[-1] - around[0])
            compared.append(abs(bpm / heard - 1))
    assert len(compared) > 10
    assert sorted(compared)[len(compared) // 2] < 0.003
    assert max(bpm for _, bpm in far) > 140
    service.ask("POST", "/v1/stop")


def test_device_clocks_are_complete_and_of_this_moment(stage: tuple[Service, FarEnd]) -> None:
    service, far_end = stage
    service.ask("POST", "/v1/stop")
    service.ask("POST", "/v1/song", {"song": "Steady"})
    stopped = clocks(service.status())
    assert list(stopped) == ["plain", "seven", "half", "pulsed"]
    assert [stopped[name]["running"] for name in stopped] == [False, False, None, None]
    assert [stopped[name]["rate"] for name in stopped] == [1, 1, 0.5, None]
    far_end.listen()
    service.ask("POST", "/v1/start")
    heard: set[str] = set()

    def both_started() -> bool:
        arrival = far_end.receive(0.2)
        if arrival is not None and arrival.data == bytes((START,)):
            heard.add(arrival.device)
        return heard == {"plain", "seven"}

    until(both_started, what="both have been started")
    running = until(lambda: (c := clocks(service.status())) and c["seven"]["running"] and c)
    assert running["seven"]["waits_for"] is None
    assert running["plain"]["running"] is True
    asked = clocks(service.ask("POST", "/v1/retrigger", {"device": "seven"}))
    assert asked["seven"]["waits_for"] == "bar"
    until(lambda: clocks(service.status())["seven"]["waits_for"] is None, what="it has been restarted")
    service.ask("POST", "/v1/stop")


PLACE = (
    "set_list",
    "song",
    "next_song",
    "section",
    "armed",
    "muted",
    "soloed",
    "click",
    "clock_source",
    "meter",
)


@pytest.mark.parametrize(
    ("path", "body", "made"),
    [
        ("song", {"song": "Ramp"}, lambda s: s["song"]["title"] == "Ramp"),
        ("next", None, lambda s: s["song"]["title"] == "Steady"),
        ("previous", None, lambda s: s["song"]["title"] == "Ramp"),
        ("section", {"section": "chorus"}, lambda s: s["section"]["name"] == "chorus"),
        ("tempo", {"bpm": 133.25}, lambda s: (s["tempo"]["bpm"], s["tempo"]["set_by"]) == (133.25, "hand")),
        ("half", None, lambda s: s["tempo"]["bpm"] == 66.625),
        ("nudge", {"by": 1}, lambda s: s["tempo"]["bpm"] == 67.625),
        ("mute", {"device": "plain", "on": True}, lambda s: s["muted"] == ["device plain"]),
        ("mute", {"device": "plain", "on": False}, lambda s: s["muted"] == []),
        ("click", {"on": True}, lambda s: s["click"]["alone"] is True),
        ("click", {"on": False}, lambda s: s["click"]["alone"] is False),
        ("song", {"song": "Steady", "when": "next-press"}, lambda s: s["armed"]["when"] == "next-press"),
        ("cancel", None, lambda s: s["armed"] is None),
        ("start", None, lambda s: s["transport"] in ("starting", "running")),
        ("stop", None, lambda s: s["transport"] == "stopped"),
        ("reload", None, lambda s: len(s["ports"]) == 6),
    ],
)  # fmt: skip
def test_an_answer_shows_what_the_command_has_made(
    stage: tuple[Service, FarEnd], path: str, body: Any, made: Any
) -> None:
    service, _ = stage
    answer = service.ask("POST", f"/v1/{path}", body)
    assert made(answer)
    later = service.status()
    assert {key: later[key] for key in PLACE} == {key: answer[key] for key in PLACE}


def test_a_reload_answers_with_the_ports_of_the_new_rig(stage: tuple[Service, FarEnd]) -> None:
    service, _ = stage
    rig = Path(service._command[4]) / "rig.yaml"
    rig.write_text(RIG + "  another: {output: Another*}\n")
    answer = service.ask("POST", "/v1/reload")
    (found,) = [port for port in answer["ports"] if port["device"] == "another"]
    assert found["state"] in ("opening", "open")
    until(lambda: all(port["state"] == "open" for port in service.status()["ports"]))
