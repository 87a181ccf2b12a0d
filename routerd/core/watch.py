"""What an input tells about its cable: Active Sensing that stops, and messages that come back in a circle.

Active Sensing (M1 p. 32): whoever has sent it once sends something at least every 300 ms; after more than
330 ms of silence the cable counts as lost, and what is held is released. It is never routed. A device that
wants it gets it every SENSING_EVERY_NS.

A loop through outside devices (one that echoes what it gets, routed back to it) repeats messages faster than
anybody plays: the same bytes more than LOOP_LIMIT times within LOOP_WINDOW_NS. Then nothing but releases is
let in from that input until a whole window has passed without. Both figures are a house choice; a loop over
two DIN wires turns a note about 500 times a second, a roll of equal strokes seldom 20.
"""

from __future__ import annotations

from routerd.core.lanes import is_release
from routerd.core.messages import ACTIVE_SENSING, TICK

SENSING_LOST_NS = 330_000_000
SENSING_EVERY_NS = 270_000_000
LOOP_WINDOW_NS = 500_000_000
LOOP_LIMIT = 64

MOST_COUNTED = 4096
"""Different messages that are counted in a window; a loop repeats few, and a flood shall fill no memory."""

LONGEST_KEPT = 64
"""Bytes of a message that are kept for counting; of longer ones only their hash is."""

LOOP = "loop"
LOOP_ENDED = "loop-ended"
SENSING_LOST = "sensing-lost"


class Watch:
    """Watches one input. `hear` for every message, `look` every tick or so."""

    __slots__ = (
        "_counts",
        "_most",
        "_senses",
        "_told",
        "_window_ns",
        "count",
        "heard_ns",
        "is_loop",
        "recent",
        "room",
    )

    def __init__(self) -> None:
        self.recent: list[bytes | int] = [b""] * LOOP_LIMIT
        """The first `count` of them have not been counted yet."""
        self.count = 0
        self.room = LOOP_LIMIT
        """So many may wait to be counted: until then nothing can have come more than LOOP_LIMIT times."""
        self.heard_ns = 0
        self.is_loop = False
        self._counts: dict[bytes | int, int] = {}
        self._most = 0
        self._window_ns = 0
        self._senses = False
        self._told = False

    def hear(self, data: bytes, now_ns: int) -> bool:
        """Take note of a message; False when it is to be kept out."""
        self.heard_ns = now_ns
        if data[0] >= TICK:
            self._senses = self._senses or data[0] == ACTIVE_SENSING
            return True
        key = data if len(data) < LONGEST_KEPT else hash(data)
        if self.count < self.room:
            self.recent[self.count] = key
            self.count += 1
        elif self._count(key) > LOOP_LIMIT and now_ns - self._window_ns < 2 * LOOP_WINDOW_NS:
            self.is_loop = True
        return not self.is_loop or is_release(data)

    def _count(self, last: bytes | int) -> int:
        """Count what has waited for it, and `last`; return how often that has come."""
        counts = self._counts
        count = 0
        for key in (*self.recent[: self.count], last):
            count = counts.get(key, 0) + 1
            if count > 1 or len(counts) < MOST_COUNTED:
                counts[key] = count
                if count > self._most:  # noqa: PLR1730 - max is one call more
                    self._most = count
        self.count = 0
        self.room = LOOP_LIMIT - self._most
        return count

    def look(self, now_ns: int) -> str | None:
        """Return what has happened since, if anything."""
        if self._senses and now_ns - self.heard_ns > SENSING_LOST_NS:
            self._senses = False
            return SENSING_LOST
        if self.is_loop and not self._told:
            self._told = True
            return LOOP
        if now_ns - self._window_ns < LOOP_WINDOW_NS:
            return None
        still = self._most > LOOP_LIMIT
        self._counts.clear()
        self._most = self.count = 0
        self.room = LOOP_LIMIT
        self._window_ns = now_ns
        if self.is_loop and not still:
            self.is_loop = self._told = False
            return LOOP_ENDED
        return None
