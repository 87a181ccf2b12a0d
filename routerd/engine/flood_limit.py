"""Slows down an input that floods, so that it cannot take a processor away from the clock.

A broken device or program can bring more messages than can be routed. All threads here are under SCHED_FIFO,
and when they together keep a processor busy, the kernel takes it from all of them for 50 ms in every second
(sched(7), sched_rt_runtime_us): also from the clock. So the thread of an input that brings more than BURST
messages within BURST_NS sleeps for the rest of that time, and the operating system drops what its own buffer
does not hold. A DIN wire carries at most 3 125 messages a second (M1 p. 1), the limit is eight times that; it
is a house choice.
"""

from __future__ import annotations

from collections.abc import Callable
from time import sleep

from routerd.core.units import NS_PER_MS, NS_PER_S

BURST = 500
BURST_NS = 20 * NS_PER_MS
_CALM_NS = NS_PER_S // 5
"""An input whose bursts take longer than this floods no more, and is told again when it does."""


class Brake:
    """One for each input, used by its thread: count up with every message, `look` when BURST is reached.

    `told` is called once when a flood begins.
    """

    __slots__ = ("_floods", "_since_ns", "_sleep", "_told", "count")

    def __init__(self, told: Callable[[], None], sleep_s: Callable[[float], None] = sleep) -> None:
        self.count = 0
        self._told = told
        self._sleep = sleep_s
        self._since_ns = 0
        self._floods = False

    def floods(self, now_ns: int) -> bool:
        """Return whether a flood was held back within the last second; any thread may ask."""
        return self._floods and now_ns - self._since_ns < NS_PER_S

    def look(self, now_ns: int) -> None:
        """Sleep if BURST messages have come too fast."""
        took_ns = now_ns - self._since_ns
        self.count = 0
        self._since_ns = max(now_ns, self._since_ns + BURST_NS)
        if took_ns >= _CALM_NS:
            self._floods = False
        if took_ns < BURST_NS:
            if not self._floods:
                self._floods = True
                self._told()
            self._sleep((BURST_NS - took_ns) / NS_PER_S)
