"""What happens, for whoever wants to know: streams that listeners subscribe to.

Events go to the log and to everybody who listens (HTTP clients, the show's record, a soundcheck); tick
records, totals of traffic and whole messages go only to listeners. The engine sends whole messages only while
somebody listens to them.

HTTP clients read events as server-sent events from an `EventHub`. Each has a queue of its own, and one that
does not keep up is cut off and counted: it comes back by itself and is given what it missed, as far back as
the ring reaches (HTML standard, section 9.2: `Last-Event-ID`).
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Callable
from typing import Any, Generic, TypeVar

from routerd.core.model.codec import JsonObject
from routerd.link.frames import Tap, TickRecord
from routerd.link.messages import Traffic
from routerd.server.log import EventLog

T = TypeVar("T")


class Stream(Generic[T]):
    """Hands values to its listeners, in the order in which they came.

    `on_demand` is called with True when the first has come, with False when the last has gone.
    """

    def __init__(self, on_demand: Callable[[bool], None] = lambda _: None) -> None:
        self._on_demand = on_demand
        self._listeners: list[Callable[[T], object]] = []

    def subscribe(self, listener: Callable[[T], object]) -> None:
        """Call `listener` with every value from now on."""
        self._listeners.append(listener)
        if len(self._listeners) == 1:
            self._on_demand(True)

    def unsubscribe(self, listener: Callable[[T], object]) -> None:
        """Call it no more; raises ValueError when it is not subscribed."""
        self._listeners.remove(listener)
        if not self._listeners:
            self._on_demand(False)

    def emit(self, value: T) -> None:
        """Call every listener; one may subscribe or leave meanwhile."""
        for listener in tuple(self._listeners):
            listener(value)


class Feed:
    """The streams. `events` are {"kind", "at_ns", ...}; `want_messages` switches whole messages on or off."""

    def __init__(self, want_messages: Callable[[bool], None]) -> None:
        self.events: Stream[JsonObject] = Stream()
        self.ticks: Stream[list[TickRecord]] = Stream()
        self.traffic: Stream[Traffic] = Stream()
        self.messages: Stream[list[Tap]] = Stream(want_messages)
        self._log = EventLog()

    def emit(self, event: JsonObject) -> None:
        """Log an event and hand it to everybody who listens."""
        self._log.take(event)
        self.events.emit(event)


RING_EVENTS = 200
QUEUE_EVENTS = 256
"""More than the ring, so that a reader who has just been given all of it is not at once behind."""

MOST_READERS = 64

HEARTBEAT_S = 15.0

Sent = tuple[int, bytes]


class Reader:
    """One client. `cut` is called when it does not keep up."""

    def __init__(self, cut: Callable[[], None]) -> None:
        self.cut = cut
        self.queue: asyncio.Queue[bytes | None] = asyncio.Queue(QUEUE_EVENTS + 2)


class EventHub:
    """Numbers events and hands them to every reader; `epoch` tells this run's numbers from another's."""

    def __init__(self, epoch: str) -> None:
        self._epoch = epoch
        self._number = 0
        self._ring: deque[Sent] = deque(maxlen=RING_EVENTS)
        self._readers: set[Reader] = set()
        self.dropped_readers = 0

    @property
    def readers(self) -> int:
        """How many are reading now."""
        return len(self._readers)

    def publish(self, event: dict[str, Any]) -> None:
        """Hand an event ({"kind", ...}) to everybody."""
        self._number += 1
        frame = _frame(f"{self._epoch}-{self._number}", event)
        self._ring.append((self._number, frame))
        for reader in list(self._readers):
            if reader.queue.qsize() >= QUEUE_EVENTS:
                self.dropped_readers += 1
                self.leave(reader)
                reader.cut()
            else:
                reader.queue.put_nowait(frame)

    def join(self, cut: Callable[[], None], last_id: str | None) -> Reader:
        """Return a new reader; with the id of the last event it has seen, what it missed comes first."""
        reader = Reader(cut)
        if last_id is not None:
            epoch, _, number = last_id.rpartition("-")
            same_run = epoch == self._epoch and number.isascii() and number.isdecimal() and len(number) < 20
            seen = int(number) if same_run else 0
            missed = [sent for sent in self._ring if sent[0] > seen]
            lost = self._number - min(seen, self._number) - len(missed)
            if lost > 0 or not same_run:
                what = {"kind": "gap", "lost": lost if same_run else None}
                reader.queue.put_nowait(_frame(None, what))
            for _, frame in missed:
                reader.queue.put_nowait(frame)
        self._readers.add(reader)
        return reader

    def leave(self, reader: Reader) -> None:
        """Take a reader off; harmless when it has left already."""
        self._readers.discard(reader)

    def close(self) -> None:
        """Let every reader's stream end."""
        for reader in list(self._readers):
            self.leave(reader)
            reader.queue.put_nowait(None)


def _frame(identity: str | None, event: dict[str, Any]) -> bytes:
    head = "" if identity is None else f"id: {identity}\n"
    return f"{head}event: {event['kind']}\ndata: {json.dumps(event)}\n\n".encode()
