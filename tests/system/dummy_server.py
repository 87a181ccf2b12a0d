"""A JACK server with the dummy driver: real ports on a machine without a sound card."""

from __future__ import annotations

import contextlib
import functools
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

PERIOD_FRAMES = 512
"""10.7 ms at 48 kHz."""


_PLACES_BYTES, _PLACE_BYTES = 4096, 264


class DummyServer:
    """A jackd of our own, under a name of its own, that can be ended and started again."""

    def __init__(
        self, folder: Path, period_frames: int = PERIOD_FRAMES, options: tuple[str, ...] = ()
    ) -> None:
        """`options` are further ones of jackd, such as "-S"."""
        self.name = f"routerd-test-{os.getpid()}"
        self.environment = {"JACK_DEFAULT_SERVER": self.name, "JACK_NO_AUDIO_RESERVATION": "1"}
        self._period_frames = period_frames
        self._options = options
        self._log = folder / "jackd.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it answers."""
        _forget_dead_servers()
        _free_places()
        # A client that is late for a period makes JACK lose a message or deliver it twice; it was seen on a
        # busy machine with periods of 128 frames, with real-time scheduling too. Longer periods prevent it.
        options = ["-R", "-P", "70"] if _may_be_realtime() else ["-r"]
        driver = ["-d", "dummy", "-r", "48000", "-p", str(self._period_frames)]
        # A test run that is killed must not leave its server behind: eight of them, and no other starts.
        dies_with_us = ["setpriv", "--pdeathsig", "TERM"] if shutil.which("setpriv") else []
        command = [*dies_with_us, "jackd", *options, *self._options, "-n", self.name, *driver]
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                command, env=os.environ | self.environment, stdout=log, stderr=subprocess.STDOUT
            )
        until_s = time.monotonic() + 10
        wait = ["jack_wait", "-s", self.name, "-w", "-t", "1"]
        while subprocess.run(
            wait, env=os.environ | self.environment, capture_output=True, check=False, timeout=30
        ).returncode:
            if self._process.poll() is not None or time.monotonic() > until_s:
                pytest.fail(f"jackd did not start: {self._log.read_text(errors='replace')}")

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End it, if it runs, and wait until it has gone."""
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(how)
            process.send_signal(signal.SIGCONT)  # a test may have stopped it
            process.wait(10)

    def signal(self, which: signal.Signals) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(which)

    def late_clients(self) -> int:
        """Return how often the server has reported a client that was late for a period."""
        return self._log.read_text(errors="replace").count("was not finished")

    def connected(self, port: str) -> str:
        """Return the one port that is connected to this one."""
        (found,) = self.connections(port)
        return found

    def connections(self, port: str) -> list[str]:
        """Return the ports that are connected to this one."""
        return [line.strip() for line in self._ask("jack_lsp", "-c", port).splitlines()[1:]]

    def disconnect(self, output: str, from_input: str) -> None:
        """Take a cable away."""
        self._ask("jack_disconnect", output, from_input)

    def connect(self, output: str, to_input: str) -> None:
        """Lay a cable."""
        self._ask("jack_connect", output, to_input)

    def _ask(self, *command: str) -> str:
        environment = os.environ | self.environment
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
        return done.stdout


@functools.cache
def _forget_dead_servers() -> None:
    """Remove what killed servers have left; touched only where no server runs, and once in a process: from
    then on libjack, loaded here by some tests, has the registry mapped.

    JACK counts them as running while their process numbers exist, be it as another's; eight of them and no
    server starts any more.
    """
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            name, rest = stat.read_text().split("(", 1)[1].rsplit(")", 1)
            if name == "jackd" and rest.split()[0] != "Z":
                return
    for pattern in ("jack-*", "jack_*", "sem.jack*"):
        for left in Path("/dev/shm").glob(pattern):
            with contextlib.suppress(OSError):
                shutil.rmtree(left) if left.is_dir() else left.unlink()


def _free_places() -> None:
    """Free the places of servers that were killed in JACK's registry: there are eight, and JACK frees none.

    A place holds a process number, four bytes, and "jack-user:name:" of its server. Seen with jackd 1.9.21.
    """
    with contextlib.suppress(OSError), Path("/dev/shm/jack-shm-registry").open("r+b") as registry:
        for place in re.finditer(rb"(?s)(.{4})jack-\d+:[\w-]+:", registry.read(_PLACES_BYTES)):
            if not _is_jackd(int.from_bytes(place[1], sys.byteorder)):
                registry.seek(place.start())
                registry.write(bytes(_PLACE_BYTES))


def _is_jackd(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/comm").read_text(encoding="utf-8").strip() in ("jackd", "jackdbus")
    except OSError:
        return False


def _may_be_realtime() -> bool:
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    except PermissionError:
        return False
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    return True
