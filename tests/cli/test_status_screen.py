"""`routerd status`: one screen of a running service, problems first."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import signal
import subprocess
import sys
import threading

import pytest

from routerd.cli import main
from tests.service import Service, free_port, until

RIG = """
name: Small rig
devices:
  keys: {input: Stage Keys*}
  synth: {output: Lead Synth*, wire: din, clock: true, transport: true}
"""
SONGS = {
    "one": """
title: One [bold]
tempo: 121.5
duration: 4:00
checklist: [Wind the tape back, {text: Tune, who: Technician, section: chorus}]
sections: [{name: verse}, {name: chorus}]
""",
    "two": "title: Two\ntempo: 100\nduration: 3:00\n",
}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> object:
    folder = tmp_path_factory.mktemp("status") / "rig"
    (folder / "songs").mkdir(parents=True)
    (folder / "sets").mkdir()
    (folder / "rig.yaml").write_text(RIG)
    for name, text in SONGS.items():
        (folder / "songs" / f"{name}.yaml").write_text(text)
    (folder / "sets" / "tonight.yaml").write_text("name: Tonight\norder: [one, two]\nslot: 6:00\n")
    with Service(folder, folder.parent / "state", "--ports", "simulated") as service:
        service.wait_until_open()
        yield service


def shown(service: Service, capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, list[str]]:
    status = main(["status", "--listen", f"127.0.0.1:{service.http}", *options])
    return status, capsys.readouterr().out.splitlines()


def without_problems(lines: list[str]) -> list[str]:
    """Leave out what is wrong with this machine, such as no real-time scheduling."""
    return [line for line in lines if not line.startswith("! ")]


def test_where_the_show_stands(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    exit_status, lines = shown(service, capsys)
    assert exit_status == (1 if service.status()["problems"] else 0)
    assert without_problems(lines) == [
        "One [bold]   1 of 2, Tonight",
        "section  <verse>  chorus ",
        "next     Two",
        "stopped  bar 1 beat 1   4/4   121.5 BPM (the song's)",
        "clock    routerd leads",
        "time     1:00 over the slot",
        "by hand  [ ] Wind the tape back",
        "by hand  [ ] Tune (Technician) (chorus)",
        "ports    2 of 2 open",
    ]


def test_what_waits_and_what_is_muted_is_shown(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    service.ask("POST", "/v1/next", {"when": "bar 3"})
    service.ask("POST", "/v1/mute", {"device": "synth"})
    _, lines = shown(service, capsys)
    service.ask("POST", "/v1/song", {"song": 2, "when": "next-press"})
    assert "armed    song Two, waits for next-press" in shown(service, capsys)[1]
    service.ask("POST", "/v1/cancel")
    service.ask("POST", "/v1/mute", {"device": "synth", "on": False})
    assert "armed    next, waits for bar 3" in lines
    assert any(re.fullmatch(r"muted +.*synth", line) for line in lines)


def test_as_json_it_is_what_the_api_has(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    exit_status, lines = shown(service, capsys, "--json")
    status = json.loads("\n".join(lines))
    assert status["set_list"] == service.status()["set_list"]
    assert exit_status == (1 if status["problems"] else 0)


def test_it_is_kept_live_on_a_terminal_until_ctrl_c(service: Service) -> None:
    ours, theirs = pty.openpty()
    command = [
        sys.executable,
        "-m",
        "routerd.cli",
        "status",
        "--watch",
        "--listen",
        f"127.0.0.1:{service.http}",
    ]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "100", "LINES": "40"}
    seen = bytearray()

    def read() -> None:  # all the time, or it would wait for room on the terminal
        with contextlib.suppress(OSError):
            while data := os.read(ours, 65536):
                seen.extend(data)

    reading = threading.Thread(target=read, daemon=True)
    reading.start()
    command = ["env", "--default-signal=INT", *command]  # a job in the background would not heed Ctrl-C
    watching = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
    os.close(theirs)
    try:
        until(lambda: b"Tonight" in seen, what="the screen")
        service.ask("POST", "/v1/section", {"section": "chorus"})
        until(lambda: b"<chorus>" in seen, what="the section that has come")
        watching.send_signal(signal.SIGINT)
        assert watching.wait(20) in (0, 1)
    finally:
        watching.kill()
        watching.wait()
    service.ask("POST", "/v1/section", {"section": "verse"})
    reading.join(10)
    os.close(ours)


def test_where_no_service_answers_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status", "--listen", f"127.0.0.1:{free_port()}"]) == 2
    assert "no service answers at" in capsys.readouterr().err
