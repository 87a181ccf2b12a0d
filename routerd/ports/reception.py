"""What a thread has read and not passed on yet, in memory that a copy of the process has as well.

A process that is killed takes along what it had read and not come to its first line with. So the kernel puts
what is read straight into memory that outlives the process: in whatever instant that is killed, a message is
still unread, or lies here, or has been passed on. The copy that goes on (see `base.Copyable`) passes on what
is left, and nothing twice: before each message its arrival is noted here, by which whoever takes the message
knows it, too. So only the last of those noted is in doubt, and whether it was taken can be looked up.

How much was read is noted nowhere, as a process may be killed before it could. Memory is cleared to zeros
behind what was read, and what is read has to tell by itself where it ends.
"""

from __future__ import annotations

import mmap
from collections.abc import Container

MOST_MESSAGES = 1 << 14
"""Of what is read at once."""

_BEGIN = 8 * MOST_MESSAGES


class Reception:
    """The memory of one thread that reads. `buffer` is where it reads to, all zeros before."""

    def __init__(self, size: int) -> None:
        self._memory = mmap.mmap(-1, _BEGIN + size)
        self._arrivals = memoryview(self._memory)[:_BEGIN].cast("q")
        self._noted = 0
        self.buffer = memoryview(self._memory)[_BEGIN:]

    def taken(self, length: int) -> bytes:
        """Return what has just been read into `buffer`."""
        return self._memory[_BEGIN : _BEGIN + length]

    def note(self, at_ns: int) -> None:
        """Note when the next message came, before it is passed on: one store, done or not done."""
        self._arrivals[self._noted] = at_ns
        self._noted += 1

    def clear(self, length: int) -> None:
        """Forget what was read: all of it has been passed on."""
        self.buffer[:length] = bytes(length)
        self._forget()

    def left(self, known: Container[int]) -> tuple[bytes, int]:
        """Return all that lies here, and how many messages of it have been passed on, in a copy that goes on.

        `known`: when the messages came that have been taken, in ns. What lies here stays until `clear`.
        """
        noted = self._arrivals.tolist()
        begun = noted.index(0)
        in_doubt = begun > 0 and noted[begun - 1] not in known
        self._noted = begun
        self._forget()
        return bytes(self.buffer), begun - in_doubt

    def _forget(self) -> None:
        self._arrivals[: self._noted] = memoryview(bytes(8 * self._noted)).cast("q")
        self._noted = 0
