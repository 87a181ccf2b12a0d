"""Ways to make life hard for a running service, and to stop doing so: processors, disk, descriptors, log."""

from __future__ import annotations

import contextlib
import fcntl
import os
import resource
import select
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

STATE_BYTES = 64 * 1024
"""What a full disk is made of; a page or two are in use before it is full."""


class Pipe:
    """A small pipe for a log; `reading` may be taken away and given back."""

    def __init__(self) -> None:
        self._end, self.theirs = os.pipe()
        fcntl.fcntl(self._end, fcntl.F_SETPIPE_SZ, 4096)
        self._broken = False
        self.reading = threading.Event()
        self.reading.set()
        self.text = ""
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._broken:
            self.reading.wait()
            if select.select([self._end], [], [], 0.05)[0]:
                self.text += os.read(self._end, 4096).decode(errors="replace")
        os.close(self._end)

    def lines(self) -> list[str]:
        return self.text.splitlines()

    def close(self) -> None:
        """Break it: from now on whoever writes is told that nobody reads."""
        self._broken = True
        self._thread.join(10)


@contextlib.contextmanager
def hogs() -> Iterator[None]:
    """Keep every processor busy with programs of ordinary priority."""
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)]
    try:
        yield
    finally:
        for one in busy:
            one.kill()
            one.wait()


def can_mount() -> bool:
    """Return whether this process may mount a file system."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        return False
    command = "mount -t tmpfs none /mnt"
    asked = ["unshare", "--mount", "sh", "-c", command]
    return subprocess.run(asked, capture_output=True, check=False).returncode == 0


@contextlib.contextmanager
def disk(folder: Path, *, full: bool) -> Iterator[None]:
    """Put a disk that is full, or one that is read-only, over a folder; the folder is back afterwards."""
    how = f"size={STATE_BYTES}" if full else f"ro,size={STATE_BYTES}"
    subprocess.run(["mount", "-t", "tmpfs", "-o", how, "tmpfs", str(folder)], check=True)
    try:
        if full:
            fill(folder)
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(folder: Path) -> None:
    """Write until there is no room left."""
    with contextlib.suppress(OSError), (folder / "filler").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def descriptors(pid: int) -> int:
    """Return how many descriptors a process has open."""
    return sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir())


@contextlib.contextmanager
def few_descriptors(pid: int, spare: int) -> Iterator[None]:
    """Let a process have `spare` more descriptors than it has now."""
    # the limit is on the highest number, and numbers are given from the lowest free one up
    limits = resource.prlimit(pid, resource.RLIMIT_NOFILE)
    resource.prlimit(pid, resource.RLIMIT_NOFILE, (descriptors(pid) + spare, limits[1]))
    try:
        yield
    finally:
        resource.prlimit(pid, resource.RLIMIT_NOFILE, limits)


@contextlib.contextmanager
def connections(port: int, count: int) -> Iterator[None]:
    """Hold so many connections to 127.0.0.1:`port` open, saying nothing."""
    with contextlib.ExitStack() as stack:
        for _ in range(count):
            one = stack.enter_context(socket.socket())
            one.settimeout(2)
            one.connect(("127.0.0.1", port))
        yield


def memory_is_locked(pid: int) -> bool:
    """Return whether every page that a process may write to is locked (VmFlags lo, see proc(5))."""
    writable = False
    for line in Path(f"/proc/{pid}/smaps").read_text(encoding="ascii", errors="replace").splitlines():
        words = line.split()
        if words and "-" in words[0] and len(words) > 4:
            writable = words[1].startswith("rw")
        elif words and words[0] == "VmFlags:" and writable and "lo" not in words:
            return False
    return True
