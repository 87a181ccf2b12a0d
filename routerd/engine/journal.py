"""What an engine tells its spare, in memory that both have: what its show is given, and how far it has come.

One writes, the engine's thread that holds its show; one reads, the spare. Nothing here waits, locks or calls
the operating system: each entry is a store into a slot, and then into the number of entries. Entries are
numbered from 1, and lie in a ring of SLOTS; what has no room in its slot lies in a ring of bytes beside it.
The engine never waits for the spare: a spare that has been overtaken sees that from the numbers, and is of no
use any more.

- message: number of the input, bytes, when it arrived;
- advance: the time that was let pass;
- request: a `core.show.replica.Request`, pickled;
- digest: what `core.show.replica.digest` said of the show at rest;
- ports: what a copy of the port system has to know;
- break: what follows is not told this way (a new rig), and the spare is of no use from here on.

Each is written before it is done. `DONE` says which have been done, with all that they led to in the ports'
hands. Meanwhile `AT` says how far sending is: 2 × the messages that ports have taken, plus 1 while the next
is being handed over.

A message that has to wait for its turn is noted beside that, in a ring of WAITING slots, by the thread that
has received it: so the death of the engine does not take along what it had read and not yet begun with. A
slot is not cleared; what the journal has as well has been taken.

Plain stores are enough. The spare takes no entry before it is done, which is microseconds after it was
written; and when the engine has died, the kernel stands between its last store and whoever learns of it.
"""

from __future__ import annotations

import itertools
import mmap
import struct
from enum import IntEnum
from typing import NamedTuple

from routerd.core.errors import PeerError

SLOTS = 1 << 14
_SLOT_BYTES = 32
_SLOT = struct.Struct("<qHBB20s")
_INLINE = 20
_LONG = struct.Struct("<qI")
LONG_BYTES = 1 << 20
"""Of messages and requests that are longer than a slot; one that has no room here is a break."""

HEAD_BYTES = mmap.PAGESIZE
_LONG_AT = HEAD_BYTES + SLOTS * _SLOT_BYTES
_LONG_MARK = 0xFF

WAITING = 1 << 8
_WAITING_AT = _LONG_AT + LONG_BYTES

SIZE = _WAITING_AT + WAITING * _SLOT_BYTES


class Kind(IntEnum):
    """What an entry is."""

    MESSAGE = 1
    ADVANCE = 2
    REQUEST = 3
    DIGEST = 4
    BREAK = 5
    PORTS = 6


class Entry(NamedTuple):
    """One entry.

    `number` is that of the input; for what was done within the sending of something else, how far in the sink
    that was.
    """

    kind: int
    number: int
    at_ns: int
    data: bytes


class OverrunError(PeerError):
    """The engine has written over what its spare had not read yet."""


# Words of the head, each with one writer. The first four are the journal's.
WRITTEN, DONE, AT, LONG = 0, 1, 2, 3

MUTEX_AT = 512
"""Where in the head the lock lies that the clock thread of the engine that is on holds."""


class Shared:
    """Memory that this process and those that are forked from it have together. Its words are 64 bits."""

    def __init__(self) -> None:
        self.memory = mmap.mmap(-1, SIZE)
        self.words = memoryview(self.memory)[:MUTEX_AT].cast("q")


class Writer:
    """The engine's end. Every method but `waits` is called by the thread that holds the show."""

    __slots__ = ("_memory", "_pack", "_turn", "_written", "words")

    def __init__(self, shared: Shared) -> None:
        """Go on behind what has been written so far."""
        self.words = shared.words
        self._memory = shared.memory
        self._pack = _SLOT.pack_into
        self._written = self.words[WRITTEN]
        self._turn = itertools.count()

    def waits(self, number: int, data: bytes, at_ns: int) -> None:
        """Note that a message of an input has come and has to wait; called by any thread.

        Not noted is what is longer than a slot: nothing sounds on for want of it.
        """
        if len(data) <= _INLINE:
            at = _WAITING_AT + (next(self._turn) & (WAITING - 1)) * _SLOT_BYTES  # no two threads get the same
            self._pack(self._memory, at, at_ns, number, Kind.MESSAGE, len(data), data)

    def message(self, number: int, data: bytes, at_ns: int) -> None:
        """A message of an input is about to be taken."""
        written, words = self._written, self.words
        if len(data) > _INLINE:
            words[AT] = 0
            self._write_long(Kind.MESSAGE, number, data, at_ns)
            return
        at = HEAD_BYTES + (written & (SLOTS - 1)) * _SLOT_BYTES
        self._pack(self._memory, at, at_ns, number, 1, len(data), data)
        words[AT] = 0
        self._written = words[WRITTEN] = written + 1

    def advance(self, now_ns: int) -> None:
        """Time is about to pass, and nothing else is being done."""
        written, words = self._written, self.words
        at = HEAD_BYTES + (written & (SLOTS - 1)) * _SLOT_BYTES
        self._pack(self._memory, at, now_ns, 0, 2, 0, b"")
        words[AT] = 0
        self._written = words[WRITTEN] = written + 1

    def advance_within(self, place: int, now_ns: int) -> None:
        """Time is about to pass while the sink is being sent, and stands at that place."""
        self._write(Kind.ADVANCE, min(place, 0xFFFF), b"", now_ns)

    def request(self, packed: bytes | None, now_ns: int, *, within: bool = False) -> None:
        """A request is about to be carried out; `within`: while the sink is being sent."""
        if not within:
            self.words[AT] = 0
        if packed is None:
            self.break_off()
        elif len(packed) > _INLINE:
            self._write_long(Kind.REQUEST, 0, packed, now_ns)
        else:
            self._write(Kind.REQUEST, 0, packed, now_ns)

    def digest(self, digest: int, now_ns: int) -> None:
        """The show is at rest, and in that state."""
        self._write(Kind.DIGEST, 0, digest.to_bytes(8, "little"), now_ns)
        self.done()

    def ports(self, told: bytes) -> None:
        """A copy of the port system has to know this."""
        self._write_long(Kind.PORTS, 0, told, 0)

    def break_off(self) -> None:
        """What follows cannot be understood by a spare that was made before."""
        self._write(Kind.BREAK, 0, b"", 0)

    def done(self) -> None:
        """All that was written has been done, and what it led to is with the ports."""
        self.words[DONE] = self._written

    def _write(self, kind: int, number: int, data: bytes, at_ns: int, length: int = -1) -> None:
        at = HEAD_BYTES + (self._written & (SLOTS - 1)) * _SLOT_BYTES
        self._pack(self._memory, at, at_ns, number & 0xFFFF, kind, len(data) if length < 0 else length, data)
        self._written += 1
        self.words[WRITTEN] = self._written

    def _write_long(self, kind: int, number: int, data: bytes, at_ns: int) -> None:
        begin = self.words[LONG]
        if begin % LONG_BYTES + len(data) > LONG_BYTES:
            begin += LONG_BYTES - begin % LONG_BYTES
        if len(data) > LONG_BYTES:
            self.break_off()
            return
        self.words[LONG] = begin + len(data)
        at = _LONG_AT + begin % LONG_BYTES
        self._memory[at : at + len(data)] = data
        self._write(kind, number, _LONG.pack(begin, len(data)), at_ns, _LONG_MARK)


class Reader:
    """The spare's end: takes entries in order."""

    __slots__ = ("_memory", "taken", "words")

    def __init__(self, shared: Shared) -> None:
        """Begin behind what has been written so far."""
        self._memory = shared.memory
        self.words = shared.words
        self.taken: int = self.words[WRITTEN]
        """The number of the last entry that was taken."""

    def waiting(self, since_ns: int) -> list[Entry]:
        """Return the messages that have come since then and had to wait, taken or not, as they came."""
        found = []
        for slot in range(WAITING):
            at = _WAITING_AT + slot * _SLOT_BYTES
            at_ns, number, kind, length, data = _SLOT.unpack_from(self._memory, at)
            if kind == Kind.MESSAGE and at_ns >= since_ns:
                found.append(Entry(kind, number, at_ns, data[:length]))
        return sorted(found, key=lambda entry: entry.at_ns)

    def breaks_off(self) -> bool:
        """Return whether a break is among what has been written and not taken."""
        ahead = range(self.taken, min(self.words[WRITTEN], self.taken + SLOTS))
        places = (HEAD_BYTES + (number & (SLOTS - 1)) * _SLOT_BYTES for number in ahead)
        return any(_SLOT.unpack_from(self._memory, place)[2] == Kind.BREAK for place in places)

    def take(self) -> Entry:
        """Return the next entry, which must have been written; raises OverrunError."""
        words = self.words
        at = HEAD_BYTES + (self.taken & (SLOTS - 1)) * _SLOT_BYTES
        at_ns, number, kind, length, data = _SLOT.unpack_from(self._memory, at)
        overrun = False
        if length == _LONG_MARK:
            begin, size = _LONG.unpack_from(data)
            at = _LONG_AT + begin % LONG_BYTES
            data = self._memory[at : at + size]
            overrun = words[LONG] - begin > LONG_BYTES
        else:
            data = data[:length]
        # Read first, then looked whether it has been overwritten meanwhile.
        if overrun or words[WRITTEN] - self.taken >= SLOTS:
            raise OverrunError
        self.taken += 1
        return Entry(kind, number, at_ns, data)
