"""Memory, idle load, start time and loading of many songs, each beside its limit.

    python -m tests.bench.resources

The service runs on the demo's rig with simulated ports, without a spare and then with one. Beside each figure
stands what a bare interpreter takes on this machine in the same run, for scale. Bytecode is made before, as
pip does where routerd is installed: without it the start takes a third longer, and the engine 3 MB more.
"""

from __future__ import annotations

import compileall
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import routerd
from routerd.cli.demo import rig_folder
from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port, until

IDLE_S = 20.0
SONGS = 500


def resident_mb(pid: int) -> float:
    """Return the resident memory of a process, in MB (10⁶ bytes)."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


def cpu_s(pid: int) -> float:
    """Return the processor time that a process has used, in s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def bare_interpreter() -> tuple[float, float]:
    """Return start time in s and memory in MB of a Python that imports asyncio and does nothing."""
    began_s = time.monotonic()
    program = "import asyncio, sys; print(1, flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        took_s = time.monotonic() - began_s
        memory_mb = resident_mb(process.pid)
        process.kill()
    return took_s, memory_mb


def start_to_first_tick(folder: Path, state_dir: Path) -> float:
    """Return the seconds from starting the process to the first tick at a device, with a song on."""
    udp = free_port()
    began_s = time.monotonic()
    with (
        Service(folder, state_dir, "--no-spare", "--ports", "simulated", "--far-end", str(udp)),
        FarEnd(("127.0.0.1", udp)) as far_end,
    ):
        far_end.listen(20)
        while (arrival := far_end.receive(20)) is not None:
            if arrival.data == b"\xf8":
                return time.monotonic() - began_s
    raise RuntimeError("no tick within 20 s")


def many_songs(folder: Path) -> Path:
    """Make the rig folder one of SONGS songs."""
    text = (folder / "songs" / "copper-ferry.yaml").read_text()
    for i in range(SONGS):
        song = text.replace("title: Copper Ferry", f"title: Song {i}")
        (folder / "songs" / f"song-{i}.yaml").write_text(song)
    return folder


def row(what: str, figure: str, limit: str, beside: str = "") -> None:
    """Print one row."""
    print(f"{what:<44} {figure:>14} {limit:>14}   {beside}")


def idle(service: Service, status: Any) -> None:
    """Print memory and idle load."""
    engine, server = status["engine"]["pid"], status["server"]["pid"]
    _, bare_mb = bare_interpreter()
    service.ask("POST", "/v1/tempo", {"bpm": 120})
    time.sleep(3)
    used = {pid: cpu_s(pid) for pid in (engine, server)}
    began_s = time.monotonic()
    time.sleep(IDLE_S)
    span_s = time.monotonic() - began_s
    share = {pid: 100 * (cpu_s(pid) - used[pid]) / span_s for pid in used}
    engine_mb, server_mb = resident_mb(engine), resident_mb(server)
    row("engine, memory", f"{engine_mb:.0f} MB", "30 MB", f"a bare interpreter: {bare_mb:.0f} MB")
    row("server, memory", f"{server_mb:.0f} MB", "60 MB")
    row(
        "idle at 120 BPM, 6 clocked ports",
        f"{sum(share.values()):.1f} % of a core",
        "2 %",
        _both(share, engine),
    )


def _both(share: dict[int, float], engine: int) -> str:
    server_share = sum(value for pid, value in share.items() if pid != engine)
    return f"engine {share[engine]:.1f} %, server {server_share:.1f} %"


def main() -> None:
    """See the module's head."""
    row("what", "figure", "limit")
    compileall.compile_dir(Path(routerd.__file__).parent, quiet=2)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        folder = Path(shutil.copytree(rig_folder(), root / "rig"))
        bare_s, _ = bare_interpreter()
        took_s = min(start_to_first_tick(folder, root / f"start-{i}") for i in range(3))
        row(
            "start to first tick, best of 3",
            f"{took_s:.2f} s",
            "0.5 s",
            f"a bare interpreter: {bare_s:.2f} s",
        )
        with Service(folder, root / "state", "--no-spare", "--ports", "simulated") as service:
            idle(service, service.wait_until_open())
        with Service(folder, root / "spare", "--spare", "--ports", "simulated") as service:
            until(lambda: service.status()["engine"]["spare"]["state"] == "ready")
            time.sleep(3)
            engine = service.status()["engine"]
            spare_mb = resident_mb(engine["spare"]["pid"])
            row(
                "engine with a spare, memory; the spare",
                f"{resident_mb(engine['pid']):.0f}; {spare_mb:.0f} MB",
                "",
            )
        many = many_songs(folder)
        began_s = time.monotonic()
        check = [sys.executable, "-m", "routerd.cli", "check", str(many)]
        subprocess.run(check, check=True, stdout=subprocess.DEVNULL)
        row(
            f"routerd check, {SONGS + 4} songs",
            f"{time.monotonic() - began_s:.2f} s",
            "3 s",
            "process and all",
        )
        with Service(many, root / "many", "--no-spare", "--ports", "simulated") as service:
            status = service.wait_until_open()
            began_s = time.monotonic()
            service.ask("POST", "/v1/reload")
            row(f"reload, {SONGS + 4} songs", f"{time.monotonic() - began_s:.2f} s", "3 s")
            until(lambda: service.status()["engine"]["generation"] == 2)
            engine, server = (resident_mb(status[part]["pid"]) for part in ("engine", "server"))
            row(
                f"engine; both, memory, {SONGS + 4} songs",
                f"{engine:.0f}; {engine + server:.0f} MB",
                "45; 105 MB",
            )
    print(json.dumps({"python": sys.version.split()[0], "cores": os.cpu_count()}))


if __name__ == "__main__":
    main()
