"""What a page plots, in bounded memory: figures over time and over observation times, distributions.

Over time: buckets of even width. When more than MOST_BUCKETS would be needed, neighbours are joined and the
width doubles. Extremes and sums are exact at any width, so a single late tick in twelve hours still shows.

Over observation times. The time error of a tick is its lateness, x. For an observation time of n ticks
(ITU-T G.810 (08/96) appendix II; definitions from memory, values checked against published sets):

MTIE(n)   the largest peak-to-peak x within any n + 1 consecutive ticks. A pure rate offset y gives y × n.
TDEV(m)   the root of the mean of (mean of m x, minus twice that of the next m, plus that of the next m)²
          over 6, at every position (NIST SP 1065, time deviation: τ / √3 × modified Allan deviation).

Memory does not grow with the number of ticks, and nothing is approximated: windows of 2 to the power k
ticks are built from two of half the size, sums are whole numbers. All positions count, also overlapping ones.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from math import ceil, log10, sqrt
from operator import mul
from typing import NamedTuple

from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.server.report.figures import Bin, Curves, LatenessStep, SongMark, StabilityPoint
from routerd.server.report.series import Series
from routerd.server.report.statistics import Distribution

MOST_BUCKETS = 240

MOST_DOUBLINGS = 13
"""Windows of up to 8192 ticks: 170 s at 120 BPM."""

SPANS = tuple(1 << k for k in range(12))
"""Averaging times of TDEV in ticks: 1 to 2048, which takes 6144 ticks, 128 s at 120 BPM."""

BINS_PER_DECADE = 10

_TOGETHER = 64
"""So many time errors wait until they are worked out, which takes less than one by one."""

LONGEST_BRIDGED = 24
"""A gap of up to a quarter note holds the time error of the tick before it; a longer one begins anew."""

_MARKS_KEPT = 500


class Bucket(NamedTuple):
    """What fell into the width from `from_ns` on (ns since the start)."""

    from_ns: int
    values: int
    least: int
    mean: float
    largest: int


class Timeline:
    """Collects whole numbers by when they were seen."""

    def __init__(self, started_ns: int) -> None:
        self._started_ns = started_ns
        self.width_ns = NS_PER_S
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


class Point(NamedTuple):
    """A figure in nanoseconds over an observation time in ticks."""

    ticks: int
    ns: float


class Stability:
    """Collects one port's time errors in the order of its ticks, and works several out together."""

    def __init__(self, doublings: int = MOST_DOUBLINGS, spans: Sequence[int] = SPANS) -> None:
        """`doublings`: windows of 2 to 2**`doublings` ticks for MTIE; `spans`: averaging times for TDEV."""
        self._waiting: list[int] = []
        self._last_ns = 0
        self._widest = [-1] * (doublings + 1)
        self._spans = tuple(spans)
        self._squares = [0] * len(self._spans)
        self._positions = [0] * len(self._spans)
        self.restart()

    def add(self, error_ns: int) -> None:
        """Take the time error of the next tick."""
        self._last_ns = error_ns
        self._waiting.append(error_ns)
        if len(self._waiting) == _TOGETHER:
            self._work_out()

    def hold(self, ticks: int) -> None:
        """Take `ticks` that have no time error of their own: each holds that of the tick before it."""
        for _ in range(ticks):
            self.add(self._last_ns)

    def restart(self) -> None:
        """Begin anew after a gap that cannot be bridged; what was found stays."""
        if self._waiting:
            self._work_out()
        self._count = 0
        self._peaks: tuple[list[int], list[int]] = [], []
        """Places and errors of the ticks since which none was as late, within the longest window."""
        self._troughs: tuple[list[int], list[int]] = [], []
        """The same of those since which none was as early."""
        self._sums = array("q", [0])
        """What all errors come to before each tick, of the newest ones."""

    def mtie(self) -> list[Point]:
        """Return MTIE for observation times of 1, 3, 7, … ticks, as far as there was a whole window."""
        self._work_out()
        return [Point((1 << k) - 1, widest) for k, widest in enumerate(self._widest) if k and widest >= 0]

    def tdev(self) -> list[Point]:
        """Return TDEV for every averaging time of which there was at least one position."""
        self._work_out()
        return [
            Point(span, sqrt(squares / (6 * span * span * positions)))
            for span, squares, positions in zip(self._spans, self._squares, self._positions, strict=True)
            if positions
        ]

    def _work_out(self) -> None:
        longest = 1 << len(self._widest) - 1
        for places, errors in (self._peaks, self._troughs):
            gone = bisect_left(places, self._count + 1 - longest)
            del places[:gone], errors[:gone]
        for error_ns in self._waiting:
            self._add_extremes(error_ns, longest)
        self._add_sums()
        self._waiting.clear()

    def _add_extremes(self, error_ns: int, longest: int) -> None:
        """Look at the windows that end here, as far as one of them may be wider than those before."""
        place, widest = self._count, self._widest
        self._count = count = place + 1
        (highs_at, highs), (lows_at, lows) = self._peaks, self._troughs
        # 1. Here is the newest peak and the newest trough, and one of the two for more than this tick.
        while highs and highs[-1] <= error_ns:
            del highs_at[-1], highs[-1]
        while lows and lows[-1] >= error_ns:
            del lows_at[-1], lows[-1]
        high_for = place - highs_at[-1] if highs else count
        low_for = place - lows_at[-1] if lows else count
        highs_at.append(place)
        highs.append(error_ns)
        lows_at.append(place)
        lows.append(error_ns)
        # 2. Windows in which it is neither are no wider than those that ended a tick earlier.
        others_at, others, reach = (
            (lows_at, lows, high_for) if high_for > low_for else (highs_at, highs, low_for)
        )
        level, size = 1, 2
        while size <= reach and size <= longest:
            width = abs(error_ns - others[bisect_left(others_at, count - size)])
            widest[level] = max(widest[level], width)
            level += 1
            size *= 2
        # 3. But the first whole window of a size has none before it.
        if count & place == 0 and 1 < count <= longest:
            level = place.bit_length()
            widest[level] = max(widest[level], highs[0] - lows[0])

    def _add_sums(self) -> None:
        """Let every stretch of three averages that ends here count, by differences of running sums."""
        sums = self._sums
        del sums[: max(0, len(sums) - 3 * max(self._spans))]
        known = len(sums)
        sums.extend(accumulate(self._waiting, initial=sums.pop()))
        for number, span in enumerate(self._spans):
            begin, end = max(known, 3 * span), len(sums)
            if begin >= end:
                break
            ends = [sums[begin - shift : end - shift] for shift in (0, span, 2 * span, 3 * span)]
            differences = [
                now - 3 * (later - earlier) - first for now, later, earlier, first in zip(*ends, strict=True)
            ]
            self._squares[number] += sum(map(mul, differences, differences))
            self._positions[number] += end - begin


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

    def curves(self, port: str, series: Series) -> Curves:
        """Return the curves of the port whose figures are in `series`."""
        tick_s = self._intended_ns / self._intervals / NS_PER_S if self._intervals else 0.0
        return Curves(
            port=port,
            bucket_s=self.timeline.width_ns / NS_PER_S,
            lateness=tuple(
                LatenessStep(
                    at_s=bucket.from_ns / NS_PER_S,
                    ticks=bucket.values,
                    min_us=_us(bucket.least),
                    mean_us=_us(bucket.mean),
                    max_us=_us(bucket.largest),
                )
                for bucket in self.timeline
            ),
            lateness_bins=bins(series.lateness),
            deviation_bins=bins(series.deviation),
            mtie=tuple(_point(point, tick_s) for point in self.stability.mtie()),
            tdev=tuple(_point(point, tick_s) for point in self.stability.tdev()),
        )


class Marks:
    """The newest few hundred instants that a page marks, such as song changes."""

    def __init__(self) -> None:
        self._marks: deque[tuple[int, str]] = deque(maxlen=_MARKS_KEPT)

    def add(self, at_ns: int, words: str) -> None:
        """Mark an instant."""
        self._marks.append((at_ns, words))

    def since(self, started_ns: int) -> tuple[SongMark, ...]:
        """Return the marks, counted from the start."""
        return tuple(
            SongMark(at_s=round(max(0, at_ns - started_ns) / NS_PER_S, 3), words=words)
            for at_ns, words in self._marks
        )


def bins(distribution: Distribution) -> tuple[Bin, ...]:
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
    found = [Bin(0.0, early)] if early else []
    found += [
        Bin(round(10 ** (number / BINS_PER_DECADE), 4), count) for number, count in sorted(counts.items())
    ]
    return tuple(found)


def _point(point: Point, tick_s: float) -> StabilityPoint:
    return StabilityPoint(point.ticks, s=round(point.ticks * tick_s, 6), us=round(_us(point.ns), 4))


def _us(value_ns: float) -> float:
    return round(value_ns / NS_PER_US, 3)
