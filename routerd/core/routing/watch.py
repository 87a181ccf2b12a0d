"""What an input tells about its cable: Active Sensing that stops.

Active Sensing (M1 p. 32): whoever has sent it once sends something at least every 300 ms; after more than
330 ms of silence the cable counts as lost, and what is held is released. It is never routed. A device that
wants it gets it every SENSING_EVERY_NS.
"""

from __future__ import annotations

SENSING_LOST_NS = 330_000_000
SENSING_EVERY_NS = 270_000_000

SENSING_LOST = "sensing-lost"
