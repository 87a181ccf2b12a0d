"""The service as a process, and its API asked as curl would: for tests of the whole."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import resource
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

from routerd.engine.crash_memory import default_path
from routerd.engine.realtime import PORT_PRIORITY

START_S = 30.0
"""Generous: the machine may be busy with other tests."""


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    """Return a port of 127.0.0.1 that is free now."""
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(condition: Callable[[], Any], limit_s: float = START_S, what: str = "") -> Any:
    """Return what the condition gives once it holds; fails after `limit_s`."""
    end_s = time.monotonic() + limit_s
    while True:
        with contextlib.suppress(OSError):
            if result := condition():
                return result
        assert time.monotonic() < end_s, f"not within {limit_s} s: {what or condition}"
        time.sleep(0.02)


@contextlib.contextmanager
def as_port_thread() -> Iterator[None]:
    """Have threads and processes that are started here inherit what those of the daemon's ports have."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PORT_PRIORITY))
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


_EXPECTED = ("real-time scheduling is not permitted", "started again (restart", "the engine died")


def unexpected(status: Any) -> list[str]:
    """Return the status's problems but those of this machine, and of processes that a test has killed."""
    return [line for line in status["problems"] if not any(words in line for words in _EXPECTED)]


def own_package(place: Path) -> Path:
    """Copy the package, so that a test can break it; return the folder to run it from."""
    shutil.copytree(Path(__file__).parents[1] / "routerd", place / "routerd")
    return place


def write_rig(folder: Path, rig: str, songs: dict[str, str], order: list[str]) -> Path:
    """Write a rig folder: rig.yaml, songs by identifier, and one set of that order, where there is one."""
    (folder / "songs").mkdir(parents=True)
    (folder / "rig.yaml").write_text(rig)
    for name, text in songs.items():
        (folder / "songs" / f"{name}.yaml").write_text(text)
    if order:
        (folder / "sets").mkdir()
        (folder / "sets" / "set.yaml").write_text(f"name: Set\norder: [{', '.join(order)}]\n")
    return folder


class Service:
    """`routerd run FOLDER` with options; ended by SIGTERM when left."""

    def __init__(
        self,
        folder: Path,
        state_dir: Path,
        *options: str,
        http: int = 0,
        stderr: int | None = None,
        cwd: Path | None = None,
        shell: str = "",
        log: Path | None = None,
    ) -> None:
        """`stderr` is a descriptor that takes the log instead of a file; the package is in `cwd`; `shell`
        is what a shell should do with descriptors."""
        self.folder = folder
        self._state_dir = state_dir
        self._cwd = cwd
        self.http = http or free_port()
        self.headers: dict[str, str] = {}
        self.log_file = log or state_dir.parent / f"{state_dir.name}.log"
        self._log = self.log_file.open("a")
        self._stderr = self._log if stderr is None else stderr
        self._command = [sys.executable, "-m", "routerd.cli", "run", str(folder)]
        self._command += ["--state-dir", str(state_dir), "--listen", f"127.0.0.1:{self.http}", *options]
        if shell:
            self._command = ["/bin/sh", "-c", f'exec "$@" {shell}', "sh", *self._command]
        self.process = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(self._command, stderr=self._stderr, stdin=subprocess.DEVNULL, cwd=self._cwd)

    @property
    def log(self) -> str:
        """What it has said so far."""
        return self.log_file.read_text()

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        """Return the JSON answer; raises urllib's HTTPError (an OSError) for problems."""
        data = None if body is None else json.dumps(body).encode()
        url = f"http://127.0.0.1:{self.http}{path}"
        request = urllib.request.Request(url, data=data, method=method, headers=self.headers)
        with urllib.request.urlopen(request, timeout=10) as answer:
            return json.loads(answer.read())

    def status(self) -> Any:
        """GET /v1/status."""
        return self.ask("GET", "/v1/status")

    def wait_until_up(self) -> Any:
        """Wait for the API and a loaded rig; return the status."""

        def up() -> Any:
            assert self.process.poll() is None, self.log
            return self.status()

        return until(up, what="the service is up")

    def wait_until_open(self) -> Any:
        """Wait until every port of the rig is open; return the status."""
        self.wait_until_up()
        return until(
            lambda: (s := self.status()) and all(p["state"] == "open" for p in s["ports"]) and s,
            what="every port is open",
        )

    def engine(self) -> int:
        """Return the process that is on."""
        return int(until(self.status, what="the API answers")["engine"]["pid"])

    def family(self) -> list[int]:
        """Return all processes of the service, the main one first."""
        found = [self.process.pid]
        for pid in found:
            with contextlib.suppress(OSError):
                for task in Path(f"/proc/{pid}/task").iterdir():
                    found += map(int, (task / "children").read_text().split())
        return found

    def kill_server(self, number: int = signal.SIGKILL) -> int:
        """Send the server a signal; return the pid that it had."""
        pid = int(self.status()["server"]["pid"])
        os.kill(pid, number)
        return pid

    def starve_server(self) -> int:
        """Let the server have no more memory; return the pid that it had."""
        pid = int(self.status()["server"]["pid"])
        resource.prlimit(pid, resource.RLIMIT_AS, (1, resource.RLIM_INFINITY))
        return pid

    def until_server_dies(self, pid: int, limit_s: float = 60.0) -> None:
        """Ask for what takes memory until the server of that pid has gone."""
        end_s = time.monotonic() + limit_s
        while Path(f"/proc/{pid}").exists():
            assert time.monotonic() < end_s, f"a server without memory still lives after {limit_s} s"
            for path in ("/openapi.json", "/v1/report"):
                with contextlib.suppress(OSError, http.client.HTTPException, ValueError):
                    self.ask("GET", path)

    def stop(self, number: int = signal.SIGTERM) -> tuple[int, float]:
        """Ask it to end; return exit status and seconds that it took."""
        began_s = time.monotonic()
        self.process.send_signal(number)
        return self.process.wait(15), time.monotonic() - began_s

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        default_path(self._state_dir.absolute()).unlink(missing_ok=True)  # what one that was killed leaves
        self._log.close()


RESTART_S = 0.05
"""RestartSec= of the unit."""


class Restarted(Service):
    """A small stand-in for the service manager: what has died is started again RESTART_S later. There is no
    spare, which would leave it nothing to do."""

    def __init__(self, folder: Path, state_dir: Path, *options: str, **more: Any) -> None:
        super().__init__(folder, state_dir, "--no-spare", *options, **more)

    def __enter__(self) -> Self:
        self._leaving = False
        self._manager = threading.Thread(target=self._manage, daemon=True)
        self._manager.start()
        return self

    def __exit__(self, *why: object) -> None:
        self._leaving = True
        self.process.terminate()
        self._manager.join(20)
        super().__exit__(*why)

    def _manage(self) -> None:
        while True:
            self.process.wait()
            if self._leaving:
                return
            time.sleep(RESTART_S)
            self.process = self._start()

    def kill_engine(self) -> int:
        """Kill the engine; return the pid that it had."""
        pid = self.process.pid
        os.kill(pid, signal.SIGKILL)
        return pid

    def status_of_another(self, pid: int) -> Any:
        """Wait for an engine that is not this one; return its status once its ports are open."""

        def up() -> Any:
            status = self.status()
            opened = status["ports"] and all(port["state"] == "open" for port in status["ports"])
            return status if status["engine"]["pid"] != pid and opened else None

        return until(up, what="another engine is up")
