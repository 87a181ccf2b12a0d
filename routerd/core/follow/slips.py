"""Slips: how far the count of a source's ticks can be trusted.

A doubled tick now and then, and a missing one, are common; a wrong tempo makes the same of them again and
again. Counts are in ticks of the source.
"""

from __future__ import annotations

from collections import deque

DOUBT_LIMIT = 12
"""Doubled and missing ticks add 2, good ones take 1 away; beyond this the tempo is wrong."""

SLIP_LIMITS = ((64, 6), (256, 11))
"""Missing ticks less doubled ones, of the last so many arrivals: chance makes as many of the one as of the
other (of 1 % each 256 arrivals have 2.3 rms, and a limit is passed once in 15 hours at 120 BPM, simulated), a
wrong tempo makes always the same. Beyond one of the limits the tempo is wrong too, and with it what was
judged: the count is that of the arrivals again."""


CALM_TICKS = 16
"""At a wrong tempo doubled or missing ticks follow each other faster than this."""


class Slips:
    """Takes what was judged with `take`, and good ticks with `good`."""

    def __init__(self) -> None:
        self._doubt = 0
        self._judged: deque[tuple[int, int]] = deque()
        """Which arrivals were judged doubled (-1) or behind so many missing ones."""

    def calm_at(self, heard: int) -> bool:
        """Return whether arrival number `heard` and those just before it were good."""
        return not self._judged or self._judged[-1][0] < heard - CALM_TICKS

    def clear(self) -> None:
        """Trust a new estimate."""
        self._doubt = 0
        self._judged.clear()

    def good(self) -> None:
        """Take a tick that came as expected."""
        if self._doubt:
            self._doubt -= 1

    def between(self, after: int, until: int) -> int:
        """Return missing ticks less doubled ones of the arrivals with numbers above `after` up to `until`."""
        return sum(ticks for heard, ticks in self._judged if after < heard <= until)

    def take(self, ticks: int, heard: int) -> int | None:
        """Take that arrival number `heard` was behind so many missing ticks, or doubled (-1).

        Return None while the count is trusted, otherwise by how many ticks it is too far.
        """
        self._doubt += 2
        judged = self._judged
        judged.append((heard, ticks))
        while judged[0][0] < heard - SLIP_LIMITS[-1][0]:
            judged.popleft()
        net = [sum(t for at, t in judged if at >= heard - span) for span, _ in SLIP_LIMITS]
        beyond = [slip for slip, (_, limit) in zip(net, SLIP_LIMITS, strict=True) if abs(slip) > limit]
        if self._doubt <= DOUBT_LIMIT and not beyond:
            return None
        return beyond[-1] if beyond else net[0]
