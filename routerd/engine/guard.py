"""What the processes of one service have in common: memory, a lock that tells of a death, their parent's end.

Loads little, as the parent keeps what it has loaded for as long as the service runs.
"""

from __future__ import annotations

import ctypes
import os
import select
from time import CLOCK_MONOTONIC

from routerd.core.units import NS_PER_S
from routerd.engine.journal import MUTEX_AT, Shared

ON, SPARE, STANDING, TAKEN, TAKEOVERS, TOOK_OVER_NS, WHY, ENDING, FORK_NS = range(8, 17)
ASKED, SILENT_NS, REPORTED, HANGS = range(17, 21)
"""Words of the shared memory behind the journal's: the process that is on; the spare's; how that stands; the
entries it has taken; how many takeovers there were, when the last one was, and what for; whether the service
ends; how long the show stood still for the fork; whether a person has asked for a takeover; how late the tick
was that made the spare kill the engine; the last tick whose records are with the server; how
often an engine was taken for hung."""


_OWNER_DEAD = 130


class RobustMutex:
    """A lock in shared memory that its holder's death sets free; see pthread_mutexattr_setrobust(3)."""

    def __init__(self, shared: Shared) -> None:
        """Raises OSError or AttributeError where the C library has none."""
        self._libc = ctypes.CDLL(None)
        self._clocklock = self._libc.pthread_mutex_clocklock
        self._place = ctypes.c_char.from_buffer(shared.memory, MUTEX_AT)  # which keeps the memory
        self._address = ctypes.c_void_p(ctypes.addressof(self._place))

    def make(self) -> None:
        """Make it, held by nobody; once."""
        attributes = ctypes.create_string_buffer(64)
        self._libc.pthread_mutexattr_init(attributes)
        self._libc.pthread_mutexattr_setpshared(attributes, 1)
        self._libc.pthread_mutexattr_setrobust(attributes, 1)
        self._libc.pthread_mutex_init(self._address, attributes)

    def hold(self, until_ns: int) -> bool:
        """Wait for it until that time; return whether this thread has it now, and keeps it until it dies."""
        until = (ctypes.c_long * 2)(*divmod(until_ns, NS_PER_S))
        result = self._clocklock(self._address, CLOCK_MONOTONIC, until)
        if result == _OWNER_DEAD:
            self._libc.pthread_mutex_consistent(self._address)
        return result in (0, _OWNER_DEAD)


class Guard:
    """What the processes of one service have in common: memory, the lock, and the end of their parent."""

    def __init__(self) -> None:
        self.shared = Shared()
        self.words = self.shared.words
        self.mutex = RobustMutex(self.shared)
        self.mutex.make()
        self._parent, self._ours = os.pipe2(os.O_CLOEXEC)
        """Nobody writes; who reads learns when the parent has gone."""
        self._poll: select.poll | None = None

    def in_parent(self) -> None:
        """The calling process is the parent of all others."""
        os.close(self._parent)

    def in_child(self) -> None:
        """The calling process is a child of it."""
        os.close(self._ours)
        self._poll = select.poll()
        self._poll.register(self._parent, 0)

    def close(self) -> None:
        """In the parent: let go of it, for another one."""
        os.close(self._ours)

    def has_parent(self) -> bool:
        """Return whether the parent lives."""
        return self._poll is None or not self._poll.poll(0)
