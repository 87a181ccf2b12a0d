"""How what computes on the event loop keeps out of the clock's way.

Every send of the clock thread lets the interpreter go, and a thread that only computes then keeps it for a
while: beside one that compiles songs, ticks came up to 150 ms late while devices were silenced. So such work
comes in pieces, and before each of them waits until no tick is due soon and nobody carries anything through
the show.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from time import monotonic_ns

from routerd.core.units import NS_PER_MS

PIECE_NS = 1 * NS_PER_MS
"""What one song takes to be compiled, about."""

_LONGEST_YIELD_NS = 20 * NS_PER_MS
"""With deadlines so dense that there is never room, the work goes on all the same."""

_YIELD_S = 0.0005


async def give_way(is_at_work: Callable[[int], bool]) -> None:
    """Return when there is room for a piece of work, or after 20 ms; see `Worker.is_at_work`."""
    await asyncio.sleep(0)
    until_ns = monotonic_ns() + _LONGEST_YIELD_NS
    while is_at_work(PIECE_NS) and monotonic_ns() < until_ns:  # noqa: ASYNC110
        await asyncio.sleep(_YIELD_S)  # the clock thread has no time to set events
