"""The service as shipped, installed by the commands of INSTALL.md, on a booted systemd.

What needs the network is replaced (see REPLACED): what pip would put into /opt/routerd is shown to it where
the tests have it. A drop-in lets the service see that, as it hides home folders and /tmp.
"""

from __future__ import annotations

import json
import os
import pwd
import queue
import re
import signal
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon import Client, Daemon, write_rig
from far_program import FarProgram
from listener import Aseqdump
from usb import wait_for

pytestmark = [
    pytest.mark.system,
    pytest.mark.usefixtures("guest_only"),
]

ROOT = Path(__file__).resolve().parents[3]
NAME = "routerd.service"
API = Client("127.0.0.1:8473")
RESTART_LIMIT_S = 150.0
"""Long, because an emulated processor takes some fifteen times as long; what it took is printed."""
TICK_S = 60 / (24 * 121.5)

SCRIPT = """\
#!/opt/routerd/bin/python
import sys
from routerd.cli import main
sys.exit(main())
"""
DROP_IN = """\
[Service]
ProtectHome=tmpfs
# The unit's own 30 s are for a real processor.
TimeoutStartSec=200s
"""


def install_what_pip_would() -> None:
    """Put the package and what it needs into the virtual environment, without a download."""
    version = f"python{sys.version_info.major}.{sys.version_info.minor}"
    paths = Path("/opt/routerd/lib") / version / "site-packages" / "from-the-tests.pth"
    paths.write_text(f"{sysconfig.get_path('purelib')}\n{ROOT}\n")
    program = Path("/opt/routerd/bin/routerd")
    program.write_text(SCRIPT)
    program.chmod(0o755)


REPLACED = {
    "apt-get install": lambda _: None,  # there is a Python already
    "python3 -m venv": lambda words: run([sys.executable, "-m", "venv", "--without-pip", *words[3:]]),
    "/opt/routerd/bin/pip install": lambda _: install_what_pip_would(),
}


def run(words: list[str]) -> str:
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}\n{journal()[-3000:]}"
    return done.stdout.strip()


def commands() -> list[str]:
    """Return the commands of INSTALL.md's section Install."""
    text = (ROOT / "systemd" / "INSTALL.md").read_text()
    section = text.split("\n## Install\n")[1].split("\n## ")[0]
    return [line.strip() for line in section.splitlines() if line.startswith("    ")]


def shown(name: str) -> str:
    return run(["systemctl", "show", "-P", name, NAME])


def journal() -> str:
    command = ["journalctl", "-b", "-u", NAME, "--no-pager", "-o", "cat"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def told_since(said: int) -> list[dict[str, Any]]:
    """Return what the daemon has logged after the first `said` characters of the journal."""
    return [json.loads(line) for line in journal()[said:].splitlines() if line.startswith("{")]


def engine_pid() -> int:
    """Return the engine that is on, which is a child of the main process."""
    return int(API.status()["engine"]["pid"])


@pytest.fixture(scope="module")
def service(guest_only: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    Daemon.end_all()
    Aseqdump.end_all()
    rig = write_rig(tmp_path_factory.mktemp("unit") / "rig")
    drop_in = Path("/etc/systemd/system/routerd.service.d/tests.conf")
    drop_in.parent.mkdir(parents=True)
    visible = {str(ROOT), sys.prefix, sys.base_prefix} - {"/usr"}
    drop_in.write_text(DROP_IN + "".join(f"BindReadOnlyPaths={path}\n" for path in sorted(visible)))
    try:
        for command in commands():
            words = command.replace("YOUR_RIG_FOLDER", str(rig)).split()
            replaced = [act for start, act in REPLACED.items() if command.startswith(start)]
            if replaced:
                replaced[0](words)
            else:
                run(words)
        yield
    finally:
        run(["systemctl", "disable", "--now", NAME])


@pytest.fixture(scope="module")
def ear(service: None) -> Iterator[Aseqdump]:
    with Aseqdump() as dump:
        API.wait_for_port("watcher", limit_s=RESTART_LIMIT_S)
        wait_for("the first clock", dump.clocks)
        yield dump


@pytest.fixture(autouse=True)
def unit_journal(request: pytest.FixtureRequest) -> Iterator[None]:
    """Show with a test what the journal got meanwhile."""
    before = len(journal())
    yield
    print(journal()[before:])


def where() -> dict[str, Any]:
    """Return what must outlive a restart."""
    status = API.status()
    return {
        "song": status["song"]["title"],
        "section": status["section"]["name"],
        "tempo": status["tempo"]["bpm"],
        "order": [song["song"] for song in API.ask("GET", "/v1/set-list")["order"]],
    }


def back(what: str, old: int) -> float:
    """Wait until the API of another process answers; return how long that took, in seconds."""
    begun = time.monotonic()

    def is_back() -> bool:
        status = API.answers()
        return status is not None and status[what]["pid"] != old

    wait_for(f"another {what}", is_back, RESTART_LIMIT_S, every_s=0.5)
    return time.monotonic() - begun


@pytest.mark.timeout(400)
def test_it_is_ready_when_ports_are_open_and_ticks_flow(service: None) -> None:
    # `systemctl enable --now` has returned, and nothing has been waited for since
    assert shown("ActiveState") == "active"
    # which of the rig's devices are here depends on the tests before this one
    assert re.fullmatch(r"Guest rig: ticking, \d+ of \d+ ports open", shown("StatusText"))
    with Aseqdump() as dump:
        wait_for("clocks", lambda: len(dump.clocks()) > 24)
    assert shown("User") == "routerd"
    wait_for("the API", API.answers, RESTART_LIMIT_S, every_s=0.5)
    status = API.status()
    assert status["engine"]["ports"] == "alsa"
    assert status["song"]["title"] == "Remap"


def test_real_time_is_granted_to_the_service_user(service: None) -> None:
    pid = engine_pid()
    assert Path(f"/proc/{pid}").stat().st_uid == pwd.getpwnam("routerd").pw_uid != 0
    threads = [int(task.name) for task in Path(f"/proc/{pid}/task").iterdir()]
    fifo = sorted(
        os.sched_getparam(thread).sched_priority
        for thread in threads
        if os.sched_getscheduler(thread) == os.SCHED_FIFO
    )
    assert fifo[-1] == 70
    assert 69 in fifo
    status = Path(f"/proc/{pid}/status").read_text()
    locked_kb = int(re.findall(r"VmLck:\s+(\d+) kB", status)[0])
    print(f"{len(fifo)} of {len(threads)} threads under SCHED_FIFO, {locked_kb} kB locked")
    assert locked_kb > 10_000
    engine = API.status()["engine"]
    assert (engine["scheduling"], engine["priority"], engine["memory_locked"]) == ("fifo", 70, True)


@pytest.fixture(scope="module")
def standing(service: None) -> dict[str, Any]:
    """Have the show somewhere that is nobody's default."""
    API.ask("PUT", "/v1/set-list", {"order": ["bulk", "remap", "through"]})
    API.post("/v1/song", {"song": "Remap"})
    API.post("/v1/section", {"section": "high"})
    API.post("/v1/tempo", {"bpm": "243/2"})
    standing = {"song": "Remap", "section": "high", "tempo": 121.5, "order": ["bulk", "remap", "through"]}
    wait_for("the new standing", lambda: where() == standing, every_s=0.5)
    time.sleep(3)  # until the state is on the disk
    return standing


@pytest.mark.timeout(300)
def test_a_killed_server_is_started_again_and_the_clock_does_not_notice(
    standing: dict[str, Any], ear: Aseqdump
) -> None:
    status = API.status()
    said = len(journal())
    before = ear.clocks()[-1]
    os.kill(status["server"]["pid"], signal.SIGKILL)
    took_s = back("server", status["server"]["pid"])
    print(f"the API answers again {took_s:.1f} s after SIGKILL of the server (emulated processor)")
    assert engine_pid() == status["engine"]["pid"]
    assert where() == standing
    clocks = [at for at in ear.clocks() if at >= before]
    # An emulated machine may stand still itself; what is given up for that is told once there is a server.
    stalls = [line for line in told_since(said) if line["event"].startswith("ticks were given up")]
    given_up = sum(line["count"] for line in stalls)
    print(f"{len(clocks)} clocks in {clocks[-1] - clocks[0]:.2f} s, {given_up} given up in stalls")
    assert given_up < len(clocks) / 10
    assert (len(clocks) - 1 + given_up) * TICK_S == pytest.approx(clocks[-1] - clocks[0], abs=0.25)
    assert "the server has ended (SIGKILL); starting it again, the clock goes on" in journal()


@pytest.mark.timeout(300)
def test_a_killed_engine_is_followed_by_its_spare(standing: dict[str, Any]) -> None:
    wait_for("a spare", lambda: API.status()["engine"]["spare"]["state"] == "ready", RESTART_LIMIT_S)
    old, main, before = engine_pid(), shown("MainPID"), journal().count("the spare has taken over")
    os.kill(old, signal.SIGKILL)
    took_s = back("engine", old)
    print(f"the API answers again {took_s:.1f} s after SIGKILL of the engine (emulated processor)")
    assert where() == standing
    assert shown("MainPID") == main
    wait_for("the journal's word", lambda: journal().count("the spare has taken over") > before)


@pytest.mark.timeout(300)
def test_a_killed_service_is_started_again_where_it_was(standing: dict[str, Any]) -> None:
    old = engine_pid()
    os.kill(int(shown("MainPID")), signal.SIGKILL)
    took_s = back("engine", old)
    print(f"the API answers again {took_s:.1f} s after SIGKILL of the main process (emulated processor)")
    assert where() == standing


@pytest.mark.timeout(300)
def test_a_frozen_service_is_caught_by_the_watchdog(standing: dict[str, Any]) -> None:
    wait_for("a spare", lambda: API.status()["engine"]["spare"]["state"] == "ready", RESTART_LIMIT_S)
    status = API.status()["engine"]
    before = journal().count("Watchdog timeout")
    for pid in (status["spare"]["pid"], status["pid"]):
        os.kill(pid, signal.SIGSTOP)
    took_s = back("engine", status["pid"])
    print(f"the API answers again {took_s:.1f} s after SIGSTOP of engine and spare (emulated processor)")
    assert where() == standing
    wait_for("the journal's word", lambda: journal().count("Watchdog timeout") == before + 1)


def test_the_journal_tells_what_happened(standing: dict[str, Any]) -> None:
    lines = told_since(0)
    told = {line["event"] for line in lines}
    assert {"API is up", "rig folder loaded", "song", "section", "tempo", "port opened"} <= told
    assert all({"component", "level", "timestamp"} <= line.keys() for line in lines)
    assert "Traceback" not in journal()
    command = ["journalctl", "-b", "-u", NAME, "--no-pager", "-o", "json"]
    entries = [json.loads(line) for line in run(command).splitlines()]
    texts = [(one["MESSAGE"], one["PRIORITY"]) for one in entries if isinstance(one["MESSAGE"], str)]
    ours = [(json.loads(text), priority) for text, priority in texts if text.startswith("{")]
    assert {line["component"] for line, _ in ours} == {"engine", "server"}
    priorities = {"info": "6", "warning": "4", "error": "3"}  # syslog(3)
    assert [line for line, priority in ours if priority != priorities[line["level"]]] == []
    warned = run(["journalctl", "-b", "-u", NAME, "--no-pager", "-o", "cat", "-p", "warning"])
    assert "the server has ended (SIGKILL); starting it again, the clock goes on" in warned
    assert "API is up" not in warned


def hear(program: FarProgram, wanted: bytes) -> None:
    """Wait until that message has come; a device that comes after a restart is silenced first."""
    got = []
    try:
        while not got or got[-1] != wanted:
            got.append(program.receive(20))
    except queue.Empty:
        pytest.fail(f"{wanted.hex()} has not come, but {[message.hex() for message in got]}")


@pytest.mark.timeout(200)
def test_stop_is_clean_and_silent(standing: dict[str, Any], ear: Aseqdump) -> None:
    with FarProgram("alsa", "Far Keys") as keys, FarProgram("alsa", "Far Box") as box:
        for device, direction in (("keys", "input"), ("box", "output"), ("watcher", "output")):
            API.wait_for_port(device, direction)
        API.post("/v1/start")
        wait_for("Start", lambda: "Start" in ear.texts())
        keys.send(bytes((0x90, 60, 100)))
        hear(box, bytes((0x94, 72, 100)))
        said = len(journal())
        begun = time.monotonic()
        run(["systemctl", "stop", NAME])
        print(f"stopped in {time.monotonic() - begun:.1f} s (emulated processor)")
        hear(box, bytes((0x84, 72, 64)))  # what was held is released
    after_stop = ear.texts()
    after_stop = after_stop[len(after_stop) - after_stop[::-1].index("Stop") :]
    assert sum("controller 123" in text for text in after_stop) == 16, "all notes off on every channel"
    clocks = len(ear.clocks())
    time.sleep(1)
    assert len(ear.clocks()) == clocks
    assert (shown("ActiveState"), shown("Result"), shown("ExecMainStatus")) == ("inactive", "success", "0")
    assert not re.search("Traceback|error|SIGKILL", journal()[said:], re.IGNORECASE)
