"""What survives the engine process: its last tick, and where the show stood. A mapped file in main memory.

Written by plain stores into shared memory, so that it costs the clock nothing, waits for no disk, is complete
when the process is killed at any instant, and is gone after a reboot, when the grid means nothing any more.
Two slots are written in turn, each with a number and a checksum: a slot that was being written when the
process died does not count. A record that has no room in them gets two larger ones at the end of the file,
which count from one store into the head on. A lock that the kernel releases with the process keeps a second
engine out.
"""

from __future__ import annotations

import errno
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
"""At first: a set list of 2 000 songs fits."""

MOST_BYTES = 64 * 1024 * 1024
"""Of the whole file. The 10 000 songs that the API takes as an order are a hundredth of it."""

_MARK = b"routerd2"
_MARK_AT, _TICK_AT, _TRIES_AT, _WHERE_AT = 0, 8, 16, 24
_PAGE = mmap.ALLOCATIONGRANULARITY
_SIZE = _PAGE + 2 * SLOT_BYTES
_NUMBER = struct.Struct("<q")
_SLOT = struct.Struct("<qII")
_SHARED = Path("/dev/shm")  # noqa: S108 - opened without following links, and only if it is ours


def default_path(state_dir: Path) -> Path:
    """Return where the memory of a state folder is: below systemd's RuntimeDirectory=, else in /dev/shm."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given) / "memory"
    return _SHARED / f"routerd-{os.geteuid()}-{zlib.crc32(os.fsencode(state_dir)):08x}"


class CrashMemory:
    """Open with `CrashMemory(path)`; raises OSError where none can be had, or another engine has it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
        self._handle = os.open(path, flags, 0o600)
        try:
            facts = os.fstat(self._handle)
            if not stat.S_ISREG(facts.st_mode) or facts.st_uid != os.geteuid() or facts.st_nlink != 1:
                raise PermissionError(1, "it is not this user's own file", str(path))
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if not _SIZE <= facts.st_size <= MOST_BYTES:
                os.ftruncate(self._handle, 0)
            # a store into a page that is not there would be a signal
            self._size = max(_SIZE, facts.st_size if facts.st_size <= MOST_BYTES else 0)
            os.posix_fallocate(self._handle, 0, self._size)
            self._head = mmap.mmap(self._handle, _PAGE)
            known = self._head[_MARK_AT : _MARK_AT + len(_MARK)] == _MARK
            if not known:
                self._head[:] = bytes(_PAGE)
            self._slots = self._map_slots()
        except BaseException:
            os.close(self._handle)
            raise
        self._turn = 0
        self.last_tick = -1
        """The last tick that went out before, -1 for none."""
        self.tries = 0
        """How often in a row an engine has gone on from here and died young."""
        self._left: Any = None
        if known:
            (self.last_tick,) = _NUMBER.unpack_from(self._head, _TICK_AT)
            (self.tries,) = _NUMBER.unpack_from(self._head, _TRIES_AT)
            self._left = self._newest()
        else:
            self._slots[:] = bytes(len(self._slots))
            self._head[_MARK_AT : _MARK_AT + len(_MARK)] = _MARK
        self.mark: Callable[[int], None] = partial(_NUMBER.pack_into, self._head, _TICK_AT)
        """Note the number of a tick that has gone out."""

    def left(self) -> Any:
        """Return what was kept last before this process, or None."""
        return self._left

    def note_tries(self, tries: int) -> None:
        """Note how often in a row an engine has gone on from here."""
        _NUMBER.pack_into(self._head, _TRIES_AT, tries)

    def keep(self, record: Any) -> str:
        """Keep a record of JSON values; return why it could not be, "" if it could.

        One for which there is no room is not kept, nor the one before, which is not true any more.
        """
        data = json.dumps(record, separators=(",", ":")).encode()
        why = ""
        if len(data) > self._slot_bytes - _SLOT.size:
            try:
                self._move_to_larger_slots(data)
            except OSError as error:
                data, why = b"null", f"{len(data)} bytes of it have no room ({error.strerror})"
            else:
                return ""
        self._write(self._slots, data)
        return why

    def forget(self) -> None:
        """End in an orderly way: nothing is left to go on from."""
        self.path.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of it, as death would; nothing can be noted any more."""
        self._head.close()
        self._slots.close()
        os.close(self._handle)

    @property
    def _slot_bytes(self) -> int:
        return len(self._slots) // 2

    def _map_slots(self) -> mmap.mmap:
        """Return the slots that the head names, or the first ones where it names none that can be."""
        (where,) = _NUMBER.unpack_from(self._head, _WHERE_AT)
        at, length = (where >> 32) * _PAGE, (where & 0xFFFFFFFF) * _PAGE
        if not (at >= _PAGE and 2 * SLOT_BYTES <= length <= self._size - at):
            at, length = _PAGE, 2 * SLOT_BYTES
        return mmap.mmap(self._handle, length, offset=at)

    def _move_to_larger_slots(self, data: bytes) -> None:
        """Write a record into slots at the end of the file, then have them count. Raises OSError."""
        length = 4 * self._slot_bytes
        while length // 2 - _SLOT.size < len(data):
            length *= 2
        at = self._size
        if at + length > MOST_BYTES:
            raise OSError(errno.EFBIG, "it would be too large")
        os.posix_fallocate(self._handle, at, length)
        slots = mmap.mmap(self._handle, length, offset=at)
        self._size += length
        self._write(slots, data)
        _NUMBER.pack_into(self._head, _WHERE_AT, at // _PAGE << 32 | length // _PAGE)
        self._slots.close()
        self._slots = slots

    def _write(self, slots: mmap.mmap, data: bytes) -> None:
        self._turn += 1
        at = self._turn % 2 * (len(slots) // 2)
        _SLOT.pack_into(slots, at, -1, 0, 0)
        slots[at + _SLOT.size : at + _SLOT.size + len(data)] = data
        _SLOT.pack_into(slots, at, self._turn, len(data), _checksum(self._turn, data))

    def _newest(self) -> Any:
        """Return what the newer of the slots that are whole holds."""
        found: list[tuple[int, bytes]] = []
        for at in (0, self._slot_bytes):
            turn, length, checksum = _SLOT.unpack_from(self._slots, at)
            data = self._slots[at + _SLOT.size : at + _SLOT.size + length]
            whole = length <= self._slot_bytes - _SLOT.size and checksum == _checksum(turn, data)
            if 0 < turn < 1 << 62 and whole:
                found.append((turn, data))
        if not found:
            return None
        self._turn, data = max(found)
        try:
            return json.loads(data)
        except (ValueError, RecursionError):
            return None


def _checksum(turn: int, data: bytes) -> int:
    return zlib.crc32(data, zlib.crc32(_NUMBER.pack(turn)))


def open_crash_memory(state_dir: Path, say: Callable[[str], None]) -> CrashMemory | None:
    """Return the memory of a state folder, or say why there is none."""
    path = default_path(state_dir)
    try:
        return CrashMemory(path)
    except BlockingIOError:
        say(f"another engine runs with the state folder {state_dir}: should this one die, it starts afresh")
    except OSError as error:
        say(f"{path}: {error.strerror}; should this engine die, the next one cannot go on where it was")
    return None
