"""A figure over the length of a show, in bounded memory: buckets of even width that grow with it.

When more than MOST_BUCKETS would be needed, neighbours are joined and the width doubles. Extremes and
sums are exact at any width, so a single late tick in twelve hours still shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from routerd.core.units import NS_PER_S

MOST_BUCKETS = 240


class Bucket(NamedTuple):
    """What fell into the width from `from_ns` on (ns since the start)."""

    from_ns: int
    values: int
    least: int
    mean: float
    largest: int


class Timeline:
    """Collects whole numbers by when they were seen."""

    def __init__(self, started_ns: int, width_ns: int = NS_PER_S) -> None:
        """`width_ns` is the width of a bucket at first."""
        self._started_ns = started_ns
        self.width_ns = width_ns
        self._buckets: dict[int, list[int]] = {}

    def add(self, at_ns: int, value: int) -> None:
        """Add `value`, seen at `at_ns`; what was before the start counts as seen at the start."""
        number = max(0, at_ns - self._started_ns) // self.width_ns
        while number >= MOST_BUCKETS:
            self._widen()
            number //= 2
        bucket = self._buckets.get(number)
        if bucket is None:
            self._buckets[number] = [1, value, value, value]
            return
        bucket[0] += 1
        bucket[1] = min(bucket[1], value)
        bucket[2] += value
        bucket[3] = max(bucket[3], value)

    def __iter__(self) -> Iterator[Bucket]:
        """Yield the buckets that hold something, in order of time."""
        for number, (count, least, total, largest) in sorted(self._buckets.items()):
            yield Bucket(number * self.width_ns, count, least, total / count, largest)

    def _widen(self) -> None:
        joined: dict[int, list[int]] = {}
        for number, (count, least, total, largest) in self._buckets.items():
            bucket = joined.setdefault(number // 2, [0, least, 0, largest])
            bucket[0] += count
            bucket[1] = min(bucket[1], least)
            bucket[2] += total
            bucket[3] = max(bucket[3], largest)
        self._buckets = joined
        self.width_ns *= 2
