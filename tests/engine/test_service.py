"""The whole service on simulated ports: server killed, hung and refused; stop; bad folders; state."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from routerd.cli.demo import rig_folder
from routerd.core.midi.messages import NOTE_OFF, NOTE_ON, STOP, TICK, controller, note_off, note_on
from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port, until


@pytest.fixture
def far_end_port() -> int:
    return free_port(socket.SOCK_DGRAM)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(rig_folder(), tmp_path / "rig"))


@pytest.fixture
def service(folder: Path, tmp_path: Path, far_end_port: int) -> Iterator[Service]:
    with Service(
        folder, tmp_path / "state", "--ports", "simulated", "--far-end", str(far_end_port)
    ) as service:
        service.wait_until_open()
        yield service


@pytest.fixture
def far_end(service: Service, far_end_port: int) -> Iterator[FarEnd]:
    with FarEnd(("127.0.0.1", far_end_port)) as far_end:
        far_end.listen()
        yield far_end


def hear(far_end: FarEnd, device: str, *wanted: bytes, limit_s: float = 30) -> list[bytes]:
    """Return what reaches the device until it has heard something that begins like each of `wanted`."""
    heard: list[bytes] = []
    missing = set(wanted)
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        arrival = far_end.receive(0.2)
        if arrival is not None and arrival.device == device:
            heard.append(arrival.data)
            missing -= {one for one in missing if arrival.data.startswith(one)}
            if not missing:
                return heard
    raise AssertionError(
        f"{[one.hex() for one in missing]} did not reach {device}; heard {[d.hex() for d in heard][-20:]}"
    )


def test_the_foot_switch_works_while_the_server_is_stopped_and_the_server_is_replaced(
    service: Service, far_end: FarEnd
) -> None:
    before = service.kill_server(signal.SIGSTOP)
    far_end.play("pedals", controller(15, 80, 127))
    hear(far_end, "modular-left", b"\xfa")  # the second song starts its sequencers on entry
    after = until(lambda: (s := service.status()) and s["server"]["pid"] != before and s, 30)
    assert after["song"]["title"] == "Nine Lamps"
    assert after["transport"] == "running"
    assert "silent" in service.log


def test_a_press_and_its_release_with_a_song_change_and_a_dead_server_between(
    service: Service, far_end: FarEnd
) -> None:
    far_end.play("keys", note_on(0, 62, 80))
    hear(far_end, "lead-synth", note_on(0, 62, 80))
    service.kill_server()
    far_end.play("pedals", controller(15, 80, 127))
    far_end.play("keys", note_off(0, 62))
    heard = hear(far_end, "lead-synth", note_off(0, 62))
    assert [data for data in heard if data[0] & 0xF0 == NOTE_ON] == []
    until(lambda: service.status()["server"]["restarts"] == 1)


def test_state_survives_a_killed_engine(folder: Path, tmp_path: Path) -> None:
    options = ("--ports", "simulated", "--no-spare")
    with Service(folder, tmp_path / "state", *options) as service:
        service.wait_until_open()
        service.ask("PUT", "/v1/set-list", {"order": ["weather-room", "nine-lamps", "copper-ferry"]})
        service.ask("POST", "/v1/song", {"song": "Weather Room"})
        service.ask("POST", "/v1/section", {"section": "chorus"})
        service.ask("POST", "/v1/tempo", {"bpm": "141.25"})
        until(lambda: _remembered(tmp_path / "state") == ("weather-room", Fraction("141.25"), "weather-room"))
        engine, server = service.status()["engine"]["pid"], service.status()["server"]["pid"]
        # no thread of it is real-time, whatever its parent is: it may compute for seconds
        threads = [int(thread.name) for thread in Path(f"/proc/{server}/task").iterdir()]
        assert {os.sched_getscheduler(thread) for thread in threads} == {os.SCHED_OTHER}
        os.kill(engine, signal.SIGKILL)
        assert service.process.wait(5) == -signal.SIGKILL
        until(
            lambda: not Path(f"/proc/{server}").exists() or "Z" in _state(server), what="the server ends too"
        )
    with Service(folder, tmp_path / "state", *options) as service:
        status = service.wait_until_open()
        assert (status["song"]["title"], status["section"]["name"]) == ("Weather Room", "chorus")
        assert status["tempo"]["bpm"] == 141.25
        assert status["transport"] == "stopped"
        order = [song["song"] for song in service.ask("GET", "/v1/set-list")["order"]]
        assert order == ["weather-room", "nine-lamps", "copper-ferry"]


def test_after_a_killed_engine_it_plays_on_and_what_was_armed_still_is(
    folder: Path, tmp_path: Path, far_end_port: int
) -> None:
    rig = folder / "rig.yaml"
    rig.write_text("after-restart: play\n" + rig.read_text())
    options = ("--ports", "simulated", "--far-end", str(far_end_port))
    armed = {"action": "song", "argument": "copper-ferry", "title": "Copper Ferry"}
    armed |= {"when": "next-press", "left": None}
    with Service(folder, tmp_path / "state", *options) as service:
        service.wait_until_open()
        service.ask("POST", "/v1/song", {"song": "Nine Lamps"})  # starts its sequencers on entry
        until(lambda: service.status()["transport"] == "running")
        service.ask("POST", "/v1/song", {"song": "Copper Ferry", "when": "next-press"})
        # what a status shows the engine has kept before
        until(lambda: (s := service.status())["armed"] == armed and s["transport"] == "running")
        os.kill(service.process.pid, signal.SIGKILL)
        assert service.process.wait(5) == -signal.SIGKILL
    with Service(folder, tmp_path / "state", *options) as service:
        status = service.wait_until_open()
        assert status["song"]["title"] == "Nine Lamps"
        assert status["armed"] == armed
        until(lambda: service.status()["transport"] == "running", 10)
        with FarEnd(("127.0.0.1", far_end_port)) as far_end:
            far_end.listen()
            far_end.play("pedals", controller(15, 80, 127))  # the press of `next`
            until(lambda: service.status()["song"]["title"] == "Copper Ferry", 10)
        assert service.status()["armed"] is None


def _remembered(state_dir: Path) -> tuple[str, Fraction, str]:
    """Return the song, tempo and first of the order that would be restored."""
    state = json.loads((state_dir / "state.json").read_text())
    return state["resume"]["song"], Fraction(state["resume"].get("bpm", 0)), state["set_list"]["order"][0]


def _state(pid: int) -> str:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]


def test_broken_files_are_reported_with_file_and_line_and_nothing_runs(folder: Path, tmp_path: Path) -> None:
    (folder / "songs" / "copper-ferry.yaml").write_text("title: Copper Ferry\ntempo: fast\n")
    with Service(folder, tmp_path / "state", "--ports", "simulated") as service:
        assert service.process.wait(30) == 1
        assert "songs/copper-ferry.yaml:2: " in service.log


def test_broken_files_do_not_keep_a_working_rig_from_starting(folder: Path, tmp_path: Path) -> None:
    options = ("--ports", "simulated")
    with Service(folder, tmp_path / "state", *options) as service:
        service.wait_until_open()
        (folder / "rig.yaml").write_text("name: [broken")
        with pytest.raises(OSError, match="422"):
            service.ask("POST", "/v1/reload")
        assert service.status()["song"]["title"] == "Copper Ferry"
    with Service(folder, tmp_path / "state", *options) as service:
        status = service.wait_until_open()
        assert status["song"]["title"] == "Copper Ferry"
        assert any("rig.yaml:1" in problem for problem in status["problems"])


def test_a_pulled_cable_is_said_and_the_device_is_put_right_when_it_is_back(
    service: Service, far_end: FarEnd
) -> None:
    far_end.play("keys", note_on(0, 62, 80))
    hear(far_end, "lead-synth", note_on(0, 62, 80))
    far_end.unplug("lead-synth")

    def state() -> str:
        (port,) = [p for p in service.status()["ports"] if p["device"] == "lead-synth"]
        return str(port["state"])

    until(lambda: state() == "missing")
    far_end.play("keys", note_off(0, 62))
    far_end.plug("lead-synth")
    until(lambda: state() == "open")
    hear(far_end, "lead-synth", bytes((TICK,)), note_off(0, 62), b"\xc0")  # what it missed, and its patch


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_silences_the_rig_sends_stop_and_exits_0(
    service: Service, far_end: FarEnd, number: signal.Signals
) -> None:
    service.ask("POST", "/v1/start")
    until(lambda: service.status()["transport"] == "running")
    far_end.play("keys", note_on(0, 62, 80))
    hear(far_end, "lead-synth", note_on(0, 62, 80))
    status, took_s = service.stop(number)
    assert status == 0
    print(f"ended in {took_s:.3f} s")
    heard: list[tuple[str, bytes]] = []
    while (arrival := far_end.receive(0.2)) is not None:
        heard.append((arrival.device, arrival.data))
    assert ("lead-synth", note_off(0, 62)) in heard
    assert ("modular-left", bytes((STOP,))) in heard
    assert not any(data[0] & 0xF0 == NOTE_OFF for device, data in heard if device == "bass-synth")


def test_malformed_bytes_are_counted_and_harm_nothing(service: Service, far_end: FarEnd) -> None:
    for strange in (b"\xf4", b"\x90\x40", b"\x40", b"\xf0\x7d", b"\xff", b"\x90\x80\x40", b"\xfd" * 300):
        far_end.play("keys", strange)
    far_end.play("keys", note_on(0, 62, 80))
    hear(far_end, "lead-synth", note_on(0, 62, 80))
    counters = until(
        lambda: (c := service.status()["engine"]["counters"]) and c.get("malformed_messages", 0) >= 6 and c,
        10,
    )
    assert counters["faults"] == 0


@pytest.mark.skipif(
    Path("/dev/snd/seq").exists(), reason="this machine has ALSA, so that it is never without ports"
)
def test_without_ports_the_remedy_is_named(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-runs-this")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    with Service(folder, tmp_path / "state") as service:
        assert service.process.wait(30) == 1
        assert "--ports simulated" in service.log


def test_the_service_manager_sees_how_many_ports_are_open(
    folder: Path, tmp_path: Path, far_end_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", manager.getsockname())

        def until_told(opened: int, count: int) -> None:
            while f"ticking, {opened} of {count} ports open" not in manager.recv(4096).decode():
                pass

        options = ("--ports", "simulated", "--far-end", str(far_end_port))
        with Service(folder, tmp_path / "state", *options) as service:
            service.wait_until_open()
            count = len(service.status()["ports"])
            until_told(count, count)
            with FarEnd(("127.0.0.1", far_end_port)) as far_end:
                far_end.unplug("bass-synth")  # which has one port
            until_told(count - 1, count)
