"""An output on ALSA: a port of ours, named after its device, that sends to one destination.

A message goes there alone, at once: whoever else listens to our port can neither hold it up nor get a
copy, and what is not taken is kept here, for this destination, or not at all.

Whether the program behind it still reads what it is sent is judged by `Backlog`. The kernel keeps what a
program has not read yet in the program's input, some 200 messages, and reports how many of them wait. A
program that reads has few or none waiting most of the time. One that stands still reads nothing: whatever
is sent to it adds up. What is in there already cannot be taken back, so a program that stands still must be
noticed before it is much. Only reading makes the number smaller, so it is proof that the program is alive;
anything else, over a while, is proof that it is not. Time counts only as far as somebody has looked: while
the whole machine stood still, nobody could read.
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import threading
from collections import deque
from time import monotonic_ns

from routerd.core.errors import PortError
from routerd.core.midi.messages import TICK_BYTES
from routerd.core.units import NS_PER_MS
from routerd.ports.alsa_sequencer import AlsaSequencer, address_of
from routerd.ports.base import Condition, PortInfo, StalledError
from routerd.ports.sequencer import EVENT, SOURCE, EventEncoder, SequencerClient

UNLIMITED = math.inf
"""The room of the kernel's own clients."""

MOST_HELD_BACK = 1000
"""So many messages wait in a burst for a program to read the first of them."""

_STALLED = "the program that receives does not read what it is sent"
_CLOSED = -1


class AlsaOutput:
    """A port of ours, connected to one destination, to which alone it sends."""

    takes_pieces = True

    def __init__(self, sequencer: AlsaSequencer, info: PortInfo, name: str) -> None:
        """Make the port and connect it; raises PortError when the destination has gone."""
        self.info = info
        self._sequencer = sequencer
        self._destination = address_of(info)
        try:
            self._source = sequencer.sender.create_port(name, SOURCE)
        except OSError as error:
            raise PortError(f"ALSA does not make another port: {error.strerror}") from error
        try:
            sequencer.connect(self._source, self._destination)
        except PortError:
            with contextlib.suppress(OSError):
                sequencer.sender.delete_port(self._source)
            raise
        self._descriptor = sequencer.sender.descriptor
        self._encode = EventEncoder(self._source, self._destination).encode
        self._tick = self._encode(TICK_BYTES)
        self._room = sequencer.room_of(self._destination[0])
        self._room.cells = 0  # it may be another program's now: ask
        self._sent = 0
        self._backlog = Backlog(monotonic_ns())
        self._held_back: deque[bytes] = deque()
        self._order = threading.Lock()
        self._is_closed = False

    def send(self, data: bytes) -> None:
        """Hand over one whole message, or a piece of a SysEx; never blocks; raises PortError."""
        if data is TICK_BYTES:
            event = self._tick
            self._backlog.unread_ticks += 1
            if self._backlog.unread_ticks > MOST_TICKS:
                self._stop_unless_ticks_are_read()
        else:
            event = self._encode(data)
        if self._held_back or not self._write(event):
            self._hold_back(event)

    def _write(self, event: bytes) -> bool:
        """Deliver an event; False when the program has no room for it; raises PortError."""
        cells = -(-len(event) // EVENT.size)
        room = self._room
        if cells > room.cells and not self._has_room(cells):
            return False
        try:
            os.write(self._descriptor, event)
        except BlockingIOError:  # somebody else has filled it
            if room.cells < UNLIMITED:
                room.cells = 0
                return False
            # A port of the kernel's that passes on (Midi Through) has done so, but one of those who listen
            # there has no room left: that is between the two.
        except OSError as error:
            why = "has been closed" if self._is_closed else "has gone" if error.errno == errno.ENOENT else ""
            if not why:
                why = f"takes no messages: {error.strerror}"
            raise PortError(f"{self.info.name!r} {why}") from error
        room.cells -= cells
        self._sent += 1
        return True

    def _has_room(self, cells: int) -> bool:
        """Ask the kernel. What does not fit must not be tried: the program would lose all it has not read."""
        try:
            size, free = self._sequencer.sender.pool(self._destination[0])
        except OSError:
            return True  # it has gone, as the sequencer is about to say
        self._room.cells = free if size else UNLIMITED
        return cells <= self._room.cells or cells >= size > 0

    def _hold_back(self, event: bytes) -> None:
        """Keep what comes too fast for the program to read until there is room for it."""
        with self._order:
            self._held_back.append(event)
            self._deliver_held_back()
        if len(self._held_back) > MOST_HELD_BACK:
            self._backlog.give_up(self._waiting(self._sequencer.sender), self._sent)
            raise StalledError(_STALLED, self._backlog.read_ns)

    def _deliver_held_back(self) -> None:
        while self._held_back and self._write(self._held_back[0]):
            self._held_back.popleft()  # only now, so that whoever sends meanwhile does not overtake it

    def _stop_unless_ticks_are_read(self) -> None:
        """Raise StalledError if none of the last ticks has been read. Asking takes as long as a message."""
        waiting = self._waiting(self._sequencer.sender)
        if self._backlog.is_given_up(waiting, self._sent, monotonic_ns()):
            raise StalledError(_STALLED, self._backlog.read_ns)

    def condition(self) -> Condition:
        """Return how it stands: connected, disconnected by another program, or not read by its own."""
        connection = self._sequencer.condition(self._source, self._destination)
        if connection.kind != "connected":
            return connection
        if self._held_back:
            with self._order, contextlib.suppress(PortError):
                self._deliver_held_back()
        waiting = self._waiting(self._sequencer.manager)
        if self._backlog.judge(waiting, self._sent, monotonic_ns()):
            return Condition("stalled", _STALLED, self._backlog.read_ns)
        return connection

    def _waiting(self, client: SequencerClient) -> int:
        """Return how much the program has not read yet, in cells; a short message takes one."""
        try:
            size, free = client.pool(self._destination[0])
        except OSError:
            return 0  # it has gone
        return size - free

    def close(self) -> None:
        """Close at once, see `OutputPort`; harmless when called twice."""
        if self._is_closed:
            return
        self._is_closed = True
        self._descriptor = _CLOSED
        # Disconnected before it is removed: it may wait for a device, as the sender must never do.
        self._sequencer.disconnect(self._source, self._destination)
        with contextlib.suppress(OSError):
            self._sequencer.sender.delete_port(self._source)


STALLED_NS = 300 * NS_PER_MS
"""A program that has read nothing for so long, though something waited, stands still."""

MOST_NS = 100 * NS_PER_MS
"""One look counts for no more than this, however long ago the last one was."""

MOST_TICKS = 16
"""After so many ticks without proof that the program reads, whoever sends them looks by itself."""

CONFIRM_NS = 50 * NS_PER_MS
"""A program that has read none of them has so long to read one. Up to 24 ticks may come in a burst, when the
engine itself stood still; at 400 BPM eight come in this time, which makes a quarter note (24, M1 p. 30)."""


class Backlog:
    """Judges one program. `judge` may be called by one thread while another one sends."""

    __slots__ = ("_judged_ns", "_sent", "_suspected", "read_ns", "unread_ns", "unread_ticks", "waiting")

    def __init__(self, now_ns: int) -> None:
        self.waiting = 0
        """How many messages waited when it was last looked at."""
        self.unread_ticks = 0
        """Ticks sent since the program was last known to read; the sender counts them."""
        self.unread_ns = 0
        self.read_ns = now_ns
        """When it was last seen to have read everything or something."""
        self._sent = 0
        self._judged_ns = 0
        self._suspected: tuple[int, int] | None = None
        """How much had been read when first more than MOST_TICKS waited, and when that was."""

    @property
    def is_stalled(self) -> bool:
        """Whether the program stood still when it was last looked at."""
        return self.unread_ns >= STALLED_NS

    def judge(self, waiting: int, sent: int, now_ns: int) -> bool:
        """Return whether the program stands still.

        `waiting` is how many messages wait in its input, `sent` how many have been sent to it in all so far;
        to be asked for in this order, so that one that is sent meanwhile is not taken for one that was read.
        """
        sent_since = sent - self._sent
        has_read = waiting == 0 or waiting < self.waiting + sent_since
        if has_read:
            self.unread_ns = self.unread_ticks = 0
            self.read_ns = now_ns
        elif self.waiting:  # something waited all the time from the last look to this
            self.unread_ns += min(now_ns - self._judged_ns, MOST_NS)
        self.waiting, self._sent, self._judged_ns = waiting, sent, now_ns
        return self.is_stalled

    def is_given_up(self, waiting: int, sent: int, now_ns: int) -> bool:
        """Return whether the program stands still, asked by the sender before a tick beyond MOST_TICKS.

        The same as `judge`, but sure within few ticks whatever the tempo, and whoever else looks or does not.
        """
        gone = sent - waiting  # grows by what is read, and by nothing else
        if waiting < MOST_TICKS or (self._suspected is not None and gone > self._suspected[0]):
            self._suspected = None
            self.unread_ticks = waiting
            return False
        if self._suspected is None:
            self._suspected = gone, now_ns
        if now_ns - self._suspected[1] < CONFIRM_NS:
            return False
        self.give_up(waiting, sent)
        return True

    def give_up(self, waiting: int, sent: int) -> None:
        """Take the program as standing still until it reads: it takes no more, or has not read its ticks."""
        self.waiting, self._sent = waiting, sent
        self.unread_ns = STALLED_NS
