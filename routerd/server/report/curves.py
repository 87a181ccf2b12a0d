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
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil, log10, sqrt
from typing import NamedTuple

from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.server.report.figures import Bin, Curves, LatenessStep, SongMark, StabilityPoint
from routerd.server.report.series import Series
from routerd.server.report.statistics import Values

MOST_BUCKETS = 240

MOST_DOUBLINGS = 13
"""Windows of up to 8192 ticks: 170 s at 120 BPM."""

SPANS = tuple(1 << k for k in range(12))
"""Averaging times of TDEV in ticks: 1 to 2048, which takes 6144 ticks, 128 s at 120 BPM."""

BINS_PER_DECADE = 10

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
    """Collects one port's time errors in the order of its ticks."""

    def __init__(self, doublings: int = MOST_DOUBLINGS, spans: Sequence[int] = SPANS) -> None:
        """`doublings`: windows of 2 to 2**`doublings` ticks for MTIE; `spans`: averaging times for TDEV."""
        self._rings = [(array("q", [0]) * (1 << k), array("q", [0]) * (1 << k)) for k in range(doublings)]
        self._widest = [-1] * (doublings + 1)
        self._spans = tuple(spans)
        length = 3 * max(self._spans) + 1
        self._mask = (1 << (length - 1).bit_length()) - 1
        self._sums = array("q", [0]) * (self._mask + 1)
        self._squares = [0] * len(self._spans)
        self._positions = [0] * len(self._spans)
        self._total = 0
        self._last_ns = 0
        self._count = 0

    def add(self, error_ns: int) -> None:
        """Take the time error of the next tick."""
        self._last_ns = error_ns
        self._add_extremes(error_ns)
        self._count += 1
        self._add_sums(error_ns)

    def hold(self, ticks: int) -> None:
        """Take `ticks` that have no time error of their own: each holds that of the tick before it."""
        for _ in range(ticks):
            self.add(self._last_ns)

    def restart(self) -> None:
        """Begin anew after a gap that cannot be bridged; what was found stays."""
        self._count = 0
        self._total = 0
        self._sums[0] = 0

    def mtie(self) -> list[Point]:
        """Return MTIE for observation times of 1, 3, 7, … ticks, as far as there was a whole window."""
        return [Point((1 << k) - 1, widest) for k, widest in enumerate(self._widest) if k and widest >= 0]

    def tdev(self) -> list[Point]:
        """Return TDEV for every averaging time of which there was at least one position."""
        return [
            Point(span, sqrt(squares / (6 * span * span * positions)))
            for span, squares, positions in zip(self._spans, self._squares, self._positions, strict=True)
            if positions
        ]

    def _add_extremes(self, error_ns: int) -> None:
        """Build windows that end here from the one of half the size and its like half a window ago."""
        high = low = error_ns
        count = self._count
        widest = self._widest
        for level, (highs, lows) in enumerate(self._rings):
            place = count & ((1 << level) - 1)
            earlier_high, earlier_low = highs[place], lows[place]
            highs[place], lows[place] = high, low
            if count + 1 < 2 << level:
                return
            high = max(high, earlier_high)
            low = min(low, earlier_low)
            widest[level + 1] = max(widest[level + 1], high - low)

    def _add_sums(self, error_ns: int) -> None:
        """Let every stretch of three averages that ends here count, by differences of running sums."""
        count, mask, sums = self._count, self._mask, self._sums
        total = self._total = self._total + error_ns
        sums[count & mask] = total
        for number, span in enumerate(self._spans):
            begin = count - 3 * span
            if begin < 0:
                return
            later, earlier = sums[(count - span) & mask], sums[(begin + span) & mask]
            second_difference = total - 3 * (later - earlier) - sums[begin & mask]
            self._squares[number] += second_difference * second_difference
            self._positions[number] += 1


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


def bins(distribution: Values) -> tuple[Bin, ...]:
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
