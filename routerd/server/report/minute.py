"""What is known of the last minute without looking at every tick again: slices that are added up.

A report on the last minute works all of its ticks out once more, which takes longer the more ports have the
clock and the faster they tick. Whoever asks every few seconds wants figures at once; they come from here.
"""

from __future__ import annotations

from collections import deque

from routerd.core.units import NS_PER_S
from routerd.server.report.distribution import SparseDistribution
from routerd.server.report.series import Series

SLICE_NS = 10 * NS_PER_S
SLICES = 6
"""Full ones beside the one that is being filled: figures are of the last 60 to 70 s."""


class Minute:
    """One port's ticks of the last minute."""

    def __init__(self, started_ns: int) -> None:
        self._started_ns = started_ns
        self._slices: deque[tuple[int, Series]] = deque()
        self._full: tuple[list[int], Series] = ([], self._new())
        """The numbers of full slices, and their sum."""

    def slice_at(self, at_ns: int) -> Series:
        """Return the series that takes what was at `at_ns`; what is older than the newest goes there too."""
        number = at_ns // SLICE_NS
        if not self._slices or self._slices[-1][0] < number:
            while self._slices and self._slices[0][0] < number - SLICES:
                self._slices.popleft()
            self._slices.append((number, self._new()))
        return self._slices[-1][1]

    def added_up(self, now_ns: int) -> Series:
        """Return a series of its own with what lies in the last minute."""
        oldest = now_ns // SLICE_NS - SLICES
        slices = [one for one in self._slices if one[0] >= oldest]
        whole = self._new()
        if slices:
            full = slices[:-1]
            numbers = [number for number, _ in full]
            if numbers != self._full[0]:  # nothing is added to full ones any more
                self._full = numbers, self._sum(full)
            whole.merge(self._full[1])
            whole.merge(slices[-1][1])
        return whole

    def _sum(self, slices: list[tuple[int, Series]]) -> Series:
        total = self._new()
        for _, series in slices:
            total.merge(series)
        return total

    def _new(self) -> Series:
        return Series(self._started_ns, SparseDistribution)
