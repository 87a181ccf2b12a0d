"""Server-sent events: one stream of what happens, for any number of readers.

Each reader has a queue of its own, and a reader that does not keep up is cut off and counted: it
comes back by itself and is given what it missed, as far back as the ring reaches (HTML standard,
section 9.2: `Last-Event-ID`).
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Callable
from typing import Any

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
