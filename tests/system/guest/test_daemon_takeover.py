"""The engine dies on ALSA, and its spare goes on with the same clients of the sequencer.

Nothing here depends on time: an emulated processor stands still now and then, so a spare may take over once
more than it was asked to. How punctual ticks are after a death is measured on simulated ports and on JACK.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from daemon import Daemon
from far_program import FarProgram
from usb import wait_for

pytestmark = pytest.mark.system

RIG = """\
name: Takeover
devices:
  keys: {input: Spare Keys out*}
  box: {output: Spare Box in*, wire: virtual, clock: true, transport: true}
"""
SONG = """\
title: One
tempo: 120
routes:
  - {from: keys, to: box, pass: [notes, cc, sysex]}
"""
SILENT_S = 60.0


def write_rig(folder: Path) -> Path:
    (folder / "songs").mkdir(parents=True)
    (folder / "rig.yaml").write_text(RIG)
    (folder / "songs" / "one.yaml").write_text(SONG)
    return folder


def heard(box: FarProgram, wanted: bytes) -> list[bytes]:
    """Return what the program hears up to a message."""
    seen = [b""]
    until_s = time.monotonic() + SILENT_S
    while seen[-1] != wanted:
        assert time.monotonic() < until_s, f"{wanted.hex()} has not come"
        seen.append(box.receive(SILENT_S))
    return [data for data in seen[1:] if data != b"\xf8"]


def clients() -> list[str]:
    """Return the sequencer's lines of our clients and who is connected to them, without process numbers."""
    listed = subprocess.run(["aconnect", "-l"], capture_output=True, text=True, check=True).stdout
    return [line.split("[")[0].split(",")[0] for line in listed.splitlines()]


@pytest.mark.timeout(900)
def test_a_note_ends_and_others_come_over_the_same_clients(tmp_path: Path) -> None:
    with FarProgram("alsa", "Spare Keys") as keys, FarProgram("alsa", "Spare Box") as box:
        try:
            daemon = Daemon(tmp_path, 8490, write_rig, "--spare")
        except AssertionError as error:
            raise AssertionError((tmp_path / "log").read_text()) from error
        try:
            daemon.wait_for_port("keys", "input", limit_s=240)
            daemon.wait_for_port("box", "output", limit_s=240)
            daemon.post("/v1/start")
            heard(box, b"\xfa")
            for key, how in ((60, signal.SIGKILL), (62, signal.SIGKILL), (64, signal.SIGSTOP)):
                engine = with_a_spare(daemon)
                before = clients()
                keys.send(bytes((0x90, key, 80)))
                assert heard(box, bytes((0x90, key, 80))) == [bytes((0x90, key, 80))]
                os.kill(engine, how)
                # it lies in the input of a client whose process is dead, or stands still and is killed
                keys.send(bytes((0x80, key, 64)))
                assert heard(box, bytes((0x80, key, 64))) == [bytes((0x80, key, 64))]
                wait_for("another engine", lambda engine=engine: pid_of(daemon) not in (0, engine), 240, 0.5)
                dump = b"\xf0\x7d" + bytes(n % 128 for n in range(300)) + b"\xf7"
                keys.send(dump)
                keys.send(bytes((0xB0, 7, key)))
                pieces = b"".join(heard(box, bytes((0xB0, 7, key))))
                assert pieces == dump + bytes((0xB0, 7, key))
                assert clients() == before, "a client or a connection has come or gone"
            log = daemon.log_file.read_text()
            assert log.count("the spare has taken over") >= 3
            assert "port closed" not in log
            assert "an engine has died here" not in log, "another engine came from crash memory"
        finally:
            print(daemon.log_file.read_text())
            daemon.process.terminate()
            daemon.process.wait(60)


def pid_of(daemon: Daemon) -> int:
    """Return the process of the engine that is on, 0 while nobody answers."""
    return int((daemon.answers() or {"engine": {"pid": 0}})["engine"]["pid"])


def with_a_spare(daemon: Daemon) -> int:
    """Wait until the engine that is on has a spare; return its process."""

    def engine() -> int:
        found = (daemon.answers() or {"engine": {"spare": {"state": ""}}})["engine"]
        return int(found["pid"]) if found["spare"]["state"] == "ready" else 0

    return wait_for("a spare", engine, 240, 0.5)
