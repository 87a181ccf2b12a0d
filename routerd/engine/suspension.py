"""Notices that the machine has been suspended: a lid closed, a battery that ran out.

CLOCK_MONOTONIC stands still meanwhile and CLOCK_BOOTTIME does not (clock_gettime(2)), so the grid needs
nothing: its next tick comes where it would have come, without a burst. But the devices have heard nothing for
that long, and a person should be told why.
"""

from __future__ import annotations

from time import CLOCK_BOOTTIME, clock_gettime_ns, monotonic_ns

from routerd.core.units import NS_PER_MS, NS_PER_S

SHORTEST_NS = NS_PER_S
"""Less is not told: no machine is suspended and resumed within a second."""

_LONGEST_LOOK_NS = 100 * NS_PER_MS
"""Two clocks are read one after the other; a reading that was held up for longer says nothing."""


class SuspensionWatch:
    """`look` now and then; `count` and `slept_ns` are what has been noticed so far."""

    def __init__(self, monotonic_at_ns: int, boottime_ns: int) -> None:
        self.count = 0
        self.slept_ns = 0
        self._apart_ns = boottime_ns - monotonic_at_ns

    def look(self, before_ns: int, boottime_ns: int, after_ns: int) -> int:
        """Return how long the machine has been suspended since the last look, 0 if it has not been.

        `before_ns` and `after_ns` are CLOCK_MONOTONIC before and after `boottime_ns` was read.
        """
        if after_ns - before_ns > _LONGEST_LOOK_NS:
            return 0
        apart_ns = boottime_ns - before_ns
        slept_ns, self._apart_ns = apart_ns - self._apart_ns, apart_ns
        if slept_ns < SHORTEST_NS:
            return 0
        self.count += 1
        self.slept_ns += slept_ns
        return slept_ns


def watch_suspension() -> SuspensionWatch:
    """Return a watch that begins now."""
    return SuspensionWatch(monotonic_ns(), clock_gettime_ns(CLOCK_BOOTTIME))


def slept_since(watch: SuspensionWatch) -> int:
    """Return what `look` returns for this moment."""
    return watch.look(monotonic_ns(), clock_gettime_ns(CLOCK_BOOTTIME), monotonic_ns())
