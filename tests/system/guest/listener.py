"""aseqdump (alsa-utils) as the ear of the tests: what arrives at another program's port, and when."""

from __future__ import annotations

import subprocess
import threading
import time
from typing import Self


class Aseqdump:
    """aseqdump with a port of its own that others connect to. Each message is one line of its text."""

    def __init__(self) -> None:
        self.lines: list[tuple[float, str]] = []
        self._process = subprocess.Popen(["stdbuf", "-oL", "aseqdump"], stdout=subprocess.PIPE, text=True)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            words = line.split(maxsplit=1)
            if len(words) == 2 and ":" in words[0]:  # a message begins with its sender's address
                self.lines.append((time.monotonic(), " ".join(words[1].split())))

    def texts(self) -> list[str]:
        """Return what has arrived so far."""
        return [text for _, text in list(self.lines)]

    def clocks(self) -> list[float]:
        """Return when each timing clock arrived here, in seconds."""
        return [at for at, text in list(self.lines) if text == "Clock"]

    def end(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait()
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()
