"""The unit as shipped, on a booted systemd, with a probe in place of the program.

What the unit grants and refuses, and what systemd does when ticks stop while the process goes on. The user is
made by the command in INSTALL.md; a drop-in puts the probe in the program's place, and shows the service the
Python that runs the tests, nothing more. The real program under this unit is in test_daemon_unit.py.
"""

from __future__ import annotations

import json
import os
import pwd
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from usb import wait_for

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

ROOT = Path(__file__).resolve().parents[3]
SYSTEMD = ROOT / "systemd"
PROBE = Path(__file__).resolve().parent / "probe_service.py"
UNIT = "routerd.service"
NAME = "routerd-probe.service"
RESTART_LIMIT_S = 100
"""Ten times what an emulated processor takes when the machine has nothing else to do."""


def control(*words: str) -> str:
    done = subprocess.run(["systemctl", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"systemctl {' '.join(words)}: {done.stderr}\n{journal()}"
    return done.stdout.strip()


def shown(name: str) -> str:
    return control("show", "-P", name, NAME)


def journal() -> str:
    command = ["journalctl", "-b", "-u", NAME, "--no-pager", "-o", "cat"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def pid() -> int:
    return int(shown("MainPID"))


def back_with_a_new_pid(old: int) -> float:
    """Wait until the service is ready again, and return how long that took, in seconds."""

    def is_back() -> bool:
        state = dict(line.split("=") for line in control("show", "-p", "MainPID,ActiveState", NAME).split())
        return state["MainPID"] not in ("0", str(old)) and state["ActiveState"] == "active"

    begun = time.monotonic()
    # Asked seldom: each question costs the emulated processor more than the service does.
    wait_for("the restart", is_back, RESTART_LIMIT_S, every_s=1.0)
    return time.monotonic() - begun


@pytest.fixture(scope="module")
def service(guest_only: None) -> Iterator[str]:
    lines = (SYSTEMD / "INSTALL.md").read_text().splitlines()
    make_user = next(line.strip() for line in lines if line.strip().startswith("adduser "))
    subprocess.run(make_user.split(), check=True, capture_output=True)
    shutil.copy(SYSTEMD / UNIT, f"/etc/systemd/system/{NAME}")
    shown_to_it = {str(ROOT), sys.prefix, sys.base_prefix} - {"/usr"}
    drop_in = Path(f"/etc/systemd/system/{NAME}.d/probe.conf")
    drop_in.parent.mkdir()
    drop_in.write_text(
        f"[Service]\nExecStart=\nExecStart={sys.executable} {PROBE}\n"
        f"StateDirectory=\nStateDirectory=routerd-probe\nProtectHome=tmpfs\nEnvironment=PYTHONPATH={ROOT}\n"
        + "".join(f"BindReadOnlyPaths={path}\n" for path in sorted(shown_to_it))
    )
    Path("/dev/hvc0").chmod(0o666)
    control("daemon-reload")
    control("start", NAME)
    yield NAME
    control("stop", NAME)
    assert shown("ActiveState") == "inactive"


@pytest.fixture
def facts(service: str) -> dict[str, object]:
    loaded: dict[str, object] = json.loads(Path("/var/lib/routerd-probe/facts.json").read_text())
    return loaded


def test_start_returns_when_the_service_is_ready(service: str, facts: dict[str, object]) -> None:
    assert shown("ActiveState") == "active"
    assert shown("StatusText") == "probe ticks"
    assert facts["watchdog_ns"] == 4_000_000_000
    wait_for("the journal", lambda: "probe is ready" in journal())


def test_it_runs_as_its_own_user(facts: dict[str, object]) -> None:
    assert facts["uid"] == pwd.getpwnam("routerd").pw_uid != 0


def test_real_time_is_granted(service: str, facts: dict[str, object]) -> None:
    assert facts["policy"] == os.SCHED_FIFO
    status = Path(f"/proc/{pid()}/status").read_text().splitlines()
    locked_kb = next(int(line.split()[1]) for line in status if line.startswith("VmLck:"))
    assert locked_kb > 1000


def test_what_is_needed_is_allowed_and_nothing_else(facts: dict[str, object]) -> None:
    refused = facts["refused"]
    assert isinstance(refused, dict)
    needed = ("locked memory", "rtmidi", "sequencer", "listening", "writing state")
    assert {name: refused[name] for name in needed} == dict.fromkeys(needed, "")
    assert "Read-only file system" in refused["writing elsewhere"]
    # EPERM is the device list's word; without it, EACCES would come from the node's mode, which lets all in.
    assert "[Errno 1]" in refused["other devices"]


@pytest.mark.timeout(180)
def test_the_watchdog_acts_when_ticks_stop(service: str) -> None:
    old = pid()
    before = journal().count("Watchdog timeout")
    os.kill(old, signal.SIGUSR1)
    print(f"ready again {back_with_a_new_pid(old):.1f} s after the last tick (emulated processor)")
    wait_for("the journal's word", lambda: journal().count("Watchdog timeout") == before + 1)
