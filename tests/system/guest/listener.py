"""aseqdump (alsa-utils) as the ear of the tests: what arrives at another program's port, and when."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from typing import ClassVar, Self

GATHER_S = 0.05
"""Lines are taken in bunches: fetching each one by itself would cost an emulated processor more than the
daemon does. What is said about the time of a message is right to within this, and the machine's stalls."""


class Aseqdump:
    """aseqdump with a port of its own that others connect to. Each message is one line of its text."""

    _running: ClassVar[list[Aseqdump]] = []

    def __init__(self, *ports: str) -> None:
        """Listen to these ports too, each client:port in numbers."""
        self._pieces: list[tuple[float, bytes]] = []
        self._read_up_to = 0
        self._rest = b""
        self._heard: list[tuple[float, str, str]] = []
        self._texts: list[str] = []
        self._clocks: list[float] = []
        command = ["stdbuf", "-oL", "aseqdump", *(["-p", ",".join(ports)] if ports else [])]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, bufsize=0)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self._running.append(self)

    @property
    def pid(self) -> int:
        """Its process number (stdbuf becomes aseqdump)."""
        return self._process.pid

    def _read(self) -> None:
        assert self._process.stdout is not None
        while piece := os.read(self._process.stdout.fileno(), 65536):
            self._pieces.append((time.monotonic(), piece))
            time.sleep(GATHER_S)

    def heard(self) -> list[tuple[float, str, str]]:
        """Return when (in seconds), from which port and what has arrived; the next question adds to it."""
        self._take()
        return self._heard

    def texts(self) -> list[str]:
        """Return what has arrived so far; the next question adds to it."""
        self._take()
        return self._texts

    def clocks(self) -> list[float]:
        """Return when each timing clock arrived here, in seconds; the next question adds to it."""
        self._take()
        return self._clocks

    def _take(self) -> None:
        while self._read_up_to < len(self._pieces):
            at, piece = self._pieces[self._read_up_to]
            self._read_up_to += 1
            *whole, self._rest = (self._rest + piece).split(b"\n")
            for line in whole:
                words = line.decode().split()
                if words and ":" in words[0]:  # a message begins with its sender's address
                    self._texts.append(" ".join(words[1:]))
                    self._heard.append((at, words[0], self._texts[-1]))
                    if words[1:] == ["Clock"]:
                        self._clocks.append(at)

    @classmethod
    def end_all(cls) -> None:
        """Make room: a rig that asks for aseqdump gets the first one that there is."""
        while cls._running:
            cls._running[-1].end()

    def end(self) -> None:
        """End it; harmless when called twice."""
        if self not in self._running:
            return
        self._running.remove(self)
        self._process.terminate()
        self._process.wait()
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()
