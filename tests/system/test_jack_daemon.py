"""The whole service on JACK's dummy driver: another process plays into it and hears what comes out."""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from dummy_server import DummyServer
from far_program import FarProgram

from routerd.core.midi.messages import (
    CONTINUE,
    SONG_POSITION,
    START,
    STOP,
    TICK,
    controller,
    note_off,
    note_on,
)
from tests.service import Service, until, write_rig

pytestmark = pytest.mark.system

RIG = """
name: Test bench
devices:
  box-keys: {input: "Box out*"}
  box-synth: {output: "Box in*", wire: virtual, clock: true, transport: true}
  absent: {output: "Nobody*"}
controls:
  - {from: box-keys, cc: 80, channel: 16, do: next}
"""
SONGS = {
    "one": "title: One\ntempo: 240\nroutes: [{from: box-keys, to: box-synth, channel: 5, transpose: 12}]\n"
    "patches: [{device: box-synth, channel: 5, bank: {msb: 1, lsb: 2}, program: 10}]\n",
    "two": "title: Two\ntempo: 300\nroutes: [{from: box-keys, to: box-synth, channel: 6}]\n",
}
TICK_NS = 60e9 / 24 / 240
PERIOD_NS = 512 / 48_000 * 1e9
"""JACK hands messages over once a period of the dummy driver."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_rig(tmp_path / "rig", RIG, SONGS, ["one", "two"])


@pytest.fixture
def box(jack_server: DummyServer) -> Iterator[FarProgram]:
    with FarProgram("jack", "Box") as program:
        yield program


@pytest.fixture
def service(box: FarProgram, folder: Path, tmp_path: Path) -> Iterator[Service]:
    with Service(folder, tmp_path / "state", "--ports", "jack") as service:
        service.wait_until_up()
        until(lambda: [p["state"] for p in service.status()["ports"]].count("open") == 2)
        yield service


def hear(box: FarProgram, wanted: int, ticks: bool = False) -> list[bytes]:
    """Return the next messages, without ticks unless asked for."""
    heard: list[bytes] = []
    while len(heard) < wanted:
        data = box.receive()
        if ticks or data[0] != TICK:
            heard.append(data)
    return heard


def drain(box: FarProgram) -> list[tuple[bytes, int]]:
    """Return everything heard so far, with its time."""
    heard = []
    try:
        while True:
            heard.append(box.receive_stamped(0))
    except queue.Empty:
        return heard


def test_patches_then_notes_remapped(service: Service, box: FarProgram) -> None:
    # Bank select MSB, LSB, then at once the program change (M1 pp. 13–14); program 10 is 9 on the wire
    assert hear(box, 3) == [bytes((0xB4, 0, 1)), bytes((0xB4, 32, 2)), bytes((0xC4, 9))]
    box.send(note_on(0, 60, 90))
    box.send(note_off(0, 60, 40))
    assert hear(box, 2) == [note_on(4, 72, 90), note_off(4, 72, 40)]


def test_a_foot_switch_changes_song_and_a_held_note_ends_where_it_began(
    service: Service, box: FarProgram
) -> None:
    hear(box, 3)
    box.send(note_on(0, 60, 90))
    assert hear(box, 1) == [note_on(4, 72, 90)]
    box.send(controller(15, 80, 127))
    box.send(controller(15, 80, 0))
    until(lambda: service.status()["song"]["title"] == "Two")
    box.send(note_on(0, 62, 90))
    box.send(note_off(0, 60))
    box.send(note_off(0, 62))
    assert hear(box, 3) == [note_on(5, 62, 90), note_off(4, 72), note_off(5, 62)]


def test_twenty_four_ticks_a_quarter_note(service: Service, box: FarProgram) -> None:
    drain(box)
    time.sleep(3)
    stamps = [at_ns for data, at_ns in drain(box) if data[0] == TICK]
    # M1 p. 30: 24 to the quarter note; over many ticks the average is the tempo, less one period of JACK
    average_ns = (stamps[-1] - stamps[0]) / (len(stamps) - 1)
    assert abs(average_ns - TICK_NS) * (len(stamps) - 1) < 3 * PERIOD_NS
    assert len(stamps) > 200


def test_start_stop_continue(service: Service, box: FarProgram) -> None:
    hear(box, 3)
    service.ask("POST", "/v1/start")
    service.ask("POST", "/v1/start")  # redundant: ignored (M1 pp. 31–32)
    until(lambda: service.status()["transport"] == "running")
    service.ask("POST", "/v1/stop")
    service.ask("POST", "/v1/continue", {"bar": 3})
    assert [data[0] for data in hear(box, 4)] == [START, STOP, SONG_POSITION, CONTINUE]


def test_the_server_is_killed_and_ticks_keep_their_grid(service: Service, box: FarProgram) -> None:
    tempo = service.status()["tempo"]
    time.sleep(0.5)
    drain(box)
    before = service.kill_server()
    box.send(note_on(0, 64, 80))  # routing goes on without a server
    time.sleep(1)
    after = until(lambda: (s := service.status()) and s["server"]["pid"] != before and s, 10)
    assert after["song"]["title"] == "One"
    assert after["server"]["restarts"] == 1
    heard = drain(box)
    assert note_on(4, 76, 80) in [data for data, _ in heard]
    stamps = [at_ns for data, at_ns in heard if data[0] == TICK]
    numbers = [round((at_ns - tempo["anchor_ns"]) / TICK_NS - 0.5) for at_ns in stamps]
    # none lost, none doubled: as many as the grid has between the first and the last heard
    assert abs((numbers[-1] - numbers[0]) - (len(stamps) - 1)) <= 1
    assert (after["tempo"]["anchor_ns"], after["tempo"]["anchor_tick"]) == (
        tempo["anchor_ns"],
        tempo["anchor_tick"],
    )


def test_sigterm_silences_the_rig_sends_stop_and_exits_0(service: Service, box: FarProgram) -> None:
    hear(box, 3)
    service.ask("POST", "/v1/start")
    until(lambda: service.status()["transport"] == "running")
    box.send(note_on(0, 60, 90))
    until(lambda: note_on(4, 72, 90) in [data for data, _ in drain(box)], 5)
    status, took_s = service.stop()
    assert status == 0
    heard: list[bytes] = []
    until(lambda: heard.extend(data for data, _ in drain(box)) or bytes((STOP,)) in heard, 5)
    time.sleep(0.1)
    heard += [data for data, _ in drain(box)]
    assert note_off(4, 72) in heard
    print(f"ended in {took_s:.3f} s")
    assert took_s < 5  # well under a second on a quiet machine; this one may be busy


def test_a_device_that_leaves_the_rig_hears_its_releases(
    service: Service, box: FarProgram, folder: Path
) -> None:
    hear(box, 3)
    for note in (60, 64, 67):
        box.send(note_on(0, note, 90))
    hear(box, 3)
    (folder / "rig.yaml").write_text(RIG.replace("Box in*", "Somebody else*"))
    service.ask("POST", "/v1/reload")
    until(lambda: [p["state"] for p in service.status()["ports"]].count("open") == 1)
    assert sorted(hear(box, 3)) == [note_off(4, note + 12) for note in (60, 64, 67)]
    drain(box)
    time.sleep(0.3)
    assert drain(box) == [], "the box has been disconnected"


def test_a_missing_port_is_said_and_opened_when_it_comes(
    jack_server: DummyServer, folder: Path, tmp_path: Path
) -> None:
    with Service(folder, tmp_path / "state", "--ports", "jack") as service:
        status = service.wait_until_up()
        until(lambda: {p["state"] for p in service.status()["ports"]} == {"missing"})
        assert status["transport"] == "stopped"
        with FarProgram("jack", "Box") as box:
            until(lambda: [p["state"] for p in service.status()["ports"]].count("open") == 2, 10)
            # the device gets its patch as soon as it is there
            assert hear(box, 3)[-1] == bytes((0xC4, 9))


def test_a_second_service_on_the_same_address_says_so_and_leaves_the_first_alone(
    service: Service, box: FarProgram, folder: Path, tmp_path: Path
) -> None:
    with Service(folder, tmp_path / "other", "--ports", "jack", http=service.http) as second:
        until(lambda: str(service.http) in second.log)
        assert second.process.poll() is None, "it keeps time without an API"
    drain(box)
    time.sleep(0.5)
    assert len([data for data, _ in drain(box) if data[0] == TICK]) > 20
