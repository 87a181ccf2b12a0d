"""One daemon a state folder: a lock that the kernel releases with the process, and who holds it.

Two daemons on one folder would write over each other's state, and play one rig twice.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
from collections.abc import Callable
from pathlib import Path

from routerd import storage
from routerd.core.errors import PeerError
from routerd.errand import in_time

FILE = "lock"
PATIENCE_S = 3.0


class StateFolderError(PeerError):
    """The state folder belongs to another daemon."""


class StateLock:
    """Held from `StateLock(folder)` to the end of the process; raises StateFolderError, and OSError where the
    folder cannot be made or written, so that nothing can be locked."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        self._handle = os.open(folder / FILE, flags, 0o600)
        try:
            if not stat.S_ISREG(os.fstat(self._handle).st_mode):
                raise storage.NotRegularError(folder / FILE)
            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise StateFolderError(
                    f"the state folder {folder} belongs to a routerd that runs already "
                    f"({self._holder()}); stop that one, or give this one another --state-dir"
                ) from None
            with contextlib.suppress(OSError):  # a full disk: the lock holds all the same
                os.ftruncate(self._handle, 0)
                os.pwrite(self._handle, b"%d\n" % os.getpid(), 0)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let another daemon have the folder."""
        os.close(self._handle)

    def _holder(self) -> str:
        text = os.pread(self._handle, 20, 0).strip()
        return f"process {int(text)}" if text.isdigit() else "its process is not known"


def hold_folder(folder: Path, say: Callable[[str], None]) -> StateLock | None:
    """Return the lock on a state folder, or say why there is none; raises StateFolderError."""
    try:
        return in_time(lambda: StateLock(folder), PATIENCE_S)
    except OSError as error:
        say(f"{error.filename or folder}: {error.strerror}; a second routerd here would not be noticed")
    return None
