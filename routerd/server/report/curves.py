"""What a page plots of one port, as plain JSON values: lateness over time, distributions, MTIE and TDEV."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import ceil, log10
from typing import Any

from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.server.report.distribution import Values
from routerd.server.report.series import Series
from routerd.server.report.stability import Point, Stability
from routerd.server.report.timeline import Timeline

BINS_PER_DECADE = 10

LONGEST_BRIDGED = 24
"""A gap of up to a quarter note holds the time error of the tick before it; a longer one begins anew."""

_MARKS_KEPT = 500


@dataclass(slots=True)
class Course:
    """How one port went, over time and over observation times."""

    timeline: Timeline
    stability: Stability = field(default_factory=Stability)
    _intended_ns: int = 0
    _intervals: int = 0

    def add(self, due_ns: int, lateness_ns: int, skipped: int, intended_ns: int) -> None:
        """Take a tick. `skipped` ticks have no record before it; `intended_ns` is the interval to the one
        before, or 0 where the grid began anew."""
        self.timeline.add(due_ns, lateness_ns)
        if not intended_ns or skipped > LONGEST_BRIDGED:
            self.stability.restart()
        else:
            self._intended_ns += intended_ns
            self._intervals += 1
            if skipped:
                self.stability.hold(skipped)
        self.stability.add(lateness_ns)

    def plain(self, series: Series) -> dict[str, Any]:
        """Return the curves of a port whose figures are in `series`."""
        tick_s = self._intended_ns / self._intervals / NS_PER_S if self._intervals else 0.0
        return {
            "bucket_s": self.timeline.width_ns / NS_PER_S,
            "lateness": [
                {
                    "at_s": bucket.from_ns / NS_PER_S,
                    "ticks": bucket.values,
                    "min_us": _us(bucket.least),
                    "mean_us": _us(bucket.mean),
                    "max_us": _us(bucket.largest),
                }
                for bucket in self.timeline
            ],
            "lateness_bins": bins(series.lateness),
            "deviation_bins": bins(series.deviation),
            "mtie": [_point(point, tick_s) for point in self.stability.mtie()],
            "tdev": [_point(point, tick_s) for point in self.stability.tdev()],
        }


class Marks:
    """The newest few hundred instants that a page marks, such as song changes."""

    def __init__(self) -> None:
        self._marks: deque[tuple[int, str]] = deque(maxlen=_MARKS_KEPT)

    def add(self, at_ns: int, words: str) -> None:
        """Mark an instant."""
        self._marks.append((at_ns, words))

    def plain(self, started_ns: int) -> list[dict[str, Any]]:
        """Return the marks as JSON values."""
        return [
            {"at_s": round(max(0, at_ns - started_ns) / NS_PER_S, 3), "words": words}
            for at_ns, words in self._marks
        ]


def bins(distribution: Values) -> list[dict[str, Any]]:
    """Return how many values lie up to each limit and over the one before, ten limits to the decade.

    Limits are in µs from 0.1; what is early or exact lies below 0.
    """
    counts: dict[int, int] = {}
    early = 0
    for value_ns, count in distribution.cells():
        if value_ns <= 0:
            early += count
        else:
            number = max(-BINS_PER_DECADE, ceil(round(log10(value_ns / NS_PER_US) * BINS_PER_DECADE, 9)))
            counts[number] = counts.get(number, 0) + count
    found = [{"to_us": 0.0, "count": early}] if early else []
    return found + [
        {"to_us": round(10 ** (number / BINS_PER_DECADE), 4), "count": count}
        for number, count in sorted(counts.items())
    ]


def _point(point: Point, tick_s: float) -> dict[str, Any]:
    return {"ticks": point.ticks, "s": round(point.ticks * tick_s, 6), "us": round(_us(point.ns), 4)}


def _us(value_ns: float) -> float:
    return round(value_ns / NS_PER_US, 3)
