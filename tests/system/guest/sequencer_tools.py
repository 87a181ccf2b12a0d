"""What another program does to connections and processes: aconnect (alsa-utils), and a stop for a while."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def aconnect(*words: str) -> str:
    """Run aconnect; return what it prints."""
    return subprocess.run(["aconnect", *words], check=True, capture_output=True, text=True).stdout


def address(client: str, port: str) -> str:
    """Return client:port in numbers, by names; the first of several."""
    listing = aconnect("-l")
    for section in re.split(r"^(?=client )", listing, flags=re.MULTILINE):
        number = re.match(rf"client (\d+): '{re.escape(client)}'", section)
        found = re.search(rf"^\s+(\d+) '{re.escape(port)}\s*'", section, re.MULTILINE)
        if number and found:
            return f"{number[1]}:{found[1]}"
    raise AssertionError(f"no {client}:{port} in\n{listing}")


@contextmanager
def standing_still(pid: int) -> Iterator[None]:
    """Have a process stand still meanwhile: each of its threads, from the first line on."""
    os.kill(pid, signal.SIGSTOP)
    while any(_state(task) != "T" for task in Path(f"/proc/{pid}/task").iterdir()):
        time.sleep(0.01)  # on another processor it may take a message yet
    try:
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


def _state(task: Path) -> str:
    """Return the state of a thread: T when it is stopped (proc(5))."""
    return (task / "stat").read_text().rpartition(") ")[2][0]
