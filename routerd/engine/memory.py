"""What survives the engine process: its last tick, and where the show stood. A mapped file in main memory.

Written by plain stores into shared memory, so that it costs the clock nothing, waits for no disk, is complete
when the process is killed at any instant, and is gone after a reboot, when the grid means nothing any more.
Two slots are written in turn, each with a number and a checksum: a slot that was being written when the
process died does not count. A lock that the kernel releases with the process keeps a second engine out.
"""

from __future__ import annotations

import fcntl
import json
import mmap
import os
import stat
import struct
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

SLOT_BYTES = 128 * 1024
"""A running order of 2 000 songs fits."""

_MARK = b"routerd1"
_MARK_AT, _TICK_AT, _TRIES_AT, _SLOTS_AT = 0, 8, 16, 4096
_SIZE = _SLOTS_AT + 2 * SLOT_BYTES
_NUMBER = struct.Struct("<q")
_SLOT = struct.Struct("<qII")
_SHARED = Path("/dev/shm")  # noqa: S108 - opened without following links, and only if it is ours


def default_path(state_dir: Path) -> Path:
    """Return where the memory of a state folder is: below systemd's RuntimeDirectory=, else in /dev/shm."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given) / "memory"
    return _SHARED / f"routerd-{os.geteuid()}-{zlib.crc32(os.fsencode(state_dir)):08x}"


class Memory:
    """Open with `Memory(path)`; raises OSError where there is none to be had, or another engine has it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        handle = os.open(path, flags, 0o600)
        try:
            facts = os.fstat(handle)
            if not stat.S_ISREG(facts.st_mode) or facts.st_uid != os.geteuid() or facts.st_nlink != 1:
                raise PermissionError(1, "it is not this user's own file", str(path))
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if facts.st_size != _SIZE:
                os.ftruncate(handle, 0)
            os.posix_fallocate(handle, 0, _SIZE)  # a store into a page that is not there would be a signal
            self._map = mmap.mmap(handle, _SIZE)
        except BaseException:
            os.close(handle)
            raise
        self._handle = handle
        self._turn = 0
        self.last_tick = -1
        """The last tick that went out before, -1 for none."""
        self.tries = 0
        """How often in a row an engine has gone on from here and died young."""
        self._left: Any = None
        if self._map[_MARK_AT : _MARK_AT + len(_MARK)] == _MARK:
            (self.last_tick,) = _NUMBER.unpack_from(self._map, _TICK_AT)
            (self.tries,) = _NUMBER.unpack_from(self._map, _TRIES_AT)
            self._left = self._newest()
        else:
            self._map[:] = bytes(_SIZE)
            self._map[_MARK_AT : _MARK_AT + len(_MARK)] = _MARK
        self.mark: Callable[[int], None] = partial(_NUMBER.pack_into, self._map, _TICK_AT)
        """Note the number of a tick that has gone out."""

    def left(self) -> Any:
        """Return what was kept last before this process, or None."""
        return self._left

    def note_tries(self, tries: int) -> None:
        """Note how often in a row an engine has gone on from here."""
        _NUMBER.pack_into(self._map, _TRIES_AT, tries)

    def keep(self, record: Any) -> None:
        """Keep a record of JSON values; one that is too large is not kept, nor the one before."""
        data = json.dumps(record, separators=(",", ":")).encode()
        if len(data) > SLOT_BYTES - _SLOT.size:
            data = b"null"
        self._turn += 1
        at = _SLOTS_AT + self._turn % 2 * SLOT_BYTES
        _SLOT.pack_into(self._map, at, -1, 0, 0)
        self._map[at + _SLOT.size : at + _SLOT.size + len(data)] = data
        _SLOT.pack_into(self._map, at, self._turn, len(data), _checksum(self._turn, data))

    def forget(self) -> None:
        """End in an orderly way: nothing is left to go on from."""
        self.path.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of it, as death would; nothing can be noted any more."""
        self._map.close()
        os.close(self._handle)

    def _newest(self) -> Any:
        """Return what the newer of the slots that are whole holds."""
        found: list[tuple[int, bytes]] = []
        for at in (_SLOTS_AT, _SLOTS_AT + SLOT_BYTES):
            turn, length, checksum = _SLOT.unpack_from(self._map, at)
            data = self._map[at + _SLOT.size : at + _SLOT.size + length]
            if turn > 0 and length <= SLOT_BYTES - _SLOT.size and checksum == _checksum(turn, data):
                found.append((turn, data))
        if not found:
            return None
        self._turn, data = max(found)
        try:
            return json.loads(data)
        except ValueError:
            return None


def _checksum(turn: int, data: bytes) -> int:
    return zlib.crc32(data, zlib.crc32(_NUMBER.pack(turn)))


def open_memory(state_dir: Path, say: Callable[[str], None]) -> Memory | None:
    """Return the memory of a state folder, or say why there is none."""
    path = default_path(state_dir)
    try:
        return Memory(path)
    except BlockingIOError:
        say(f"another engine runs with the state folder {state_dir}: should this one die, it starts afresh")
    except OSError as error:
        say(f"{path}: {error.strerror}; should this engine die, the next one cannot go on where it was")
    return None
