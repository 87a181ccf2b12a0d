"""What an input tells about its cable: Active Sensing that stops.

Active Sensing (M1 p. 32): whoever has sent it once sends something at least every 300 ms; after more than
330 ms of silence the cable counts as lost, and what is held is released. It is never routed. A device that
wants it gets it every SENSING_EVERY_NS.
"""

from __future__ import annotations

SENSING_LOST_NS = 330_000_000
SENSING_EVERY_NS = 270_000_000

SENSING_LOST = "sensing-lost"


class Watch:
    """Watches one input: whoever brings a message notes its time in `heard_ns`; `look` every tick or so."""

    __slots__ = ("heard_ns", "senses")

    def __init__(self) -> None:
        self.heard_ns = 0
        self.senses = False
        """Whether its device has sent Active Sensing."""

    def look(self, now_ns: int) -> bool:
        """Tell whether the cable counts as lost since; told once."""
        if self.senses and now_ns - self.heard_ns > SENSING_LOST_NS:
            self.senses = False
            return True
        return False
