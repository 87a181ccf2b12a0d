"""What is known of one series of ticks, of one port or of one song on all ports, and its figures.

Definitions. Lateness is the instant of sending minus the instant on the grid. Interval deviation is
"the deviation between intended and actual intervals of two events" (J. Wright, System-Level MIDI
Performance Testing, ICMC 2001), here of two consecutive ticks on one port. A missed tick counts in the
lateness as what it cost: the time from when it was due until its port's next tick went out, so that a
stall cannot hide behind the ticks that it kept from being measured (the correction for coordinated
omission of HdrHistogram's README). A stall is a tick over 6 ms later against the grid than the one before.
Ticks given up are one, too, as long as the first of them cost; a single one that is lost, which costs an
interval alone, is none.

A report on the last minute works all of its ticks out once more, which takes longer the more ports have the
clock and the faster they tick. Whoever asks every few seconds wants figures at once: `Minute` adds up slices.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from fractions import Fraction

from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.server.report.figures import Deviation, Drift, Figures, Grade, Lateness, Verdict
from routerd.server.report.statistics import Distribution, LineFit, common_slope, count_needed
from routerd.server.report.verdict import STEADY, heard_ns, judge

P50, P90, P99, P99_9 = Fraction(50), Fraction(90), Fraction(99), Fraction("99.9")

STALL_NS = 6_000_000
"""A displaced note is heard from here on at short intervals (Friberg & Sundberg 1995)."""

_STRATA = 10_000
"""A longer gap is recorded in this many steps, so that no gap takes long."""


SLICE_NS = 10 * NS_PER_S
SLICES = 6
"""Full ones beside the one that is being filled: figures are of the last 60 to 70 s."""

_NOT_JUDGED = Verdict(Grade.UNKNOWN, (), "", ())


class Series:
    """Counts, distributions and the line of lateness over time. All times in nanoseconds."""

    def __init__(self, started_ns: int) -> None:
        self.ticks = 0
        self.missed = 0
        self.doubled = 0
        self.not_recorded = 0
        self.port_closed = 0
        self.stalls = 0
        self.longest_stall_ns = 0
        self.lateness = Distribution()
        self.deviation = Distribution()
        self.started_ns = started_ns
        self.lines: dict[str, LineFit] = {}
        """Lateness over due time, by port, without the ticks that jumped or were caught up."""
        self.shortest_interval_ns = 0
        self.worst_due_ns: int | None = None

    def add_tick(self, lateness_ns: int) -> None:
        """Count a tick that was sent."""
        self.ticks += 1
        self.lateness.record(lateness_ns)

    def add_point(self, port: str, due_ns: int, lateness_ns: int) -> None:
        """Let a tick of `port` count for the drift."""
        line = self.lines.get(port)
        if line is None:
            line = self.lines[port] = LineFit(self.started_ns)
        line.add(due_ns, lateness_ns)

    def add_interval(
        self, intended_ns: int, deviation_ns: int, later_by_ns: int, due_ns: int, *, in_stall: bool = False
    ) -> None:
        """Count the interval that ended with the tick due at `due_ns`.

        `later_by_ns` is how much later against the grid that tick was than the one before it; `in_stall`: it
        ended a stall that has been counted.
        """
        size = abs(deviation_ns)
        if size > self.deviation.largest_ns or not self.deviation.count:
            self.worst_due_ns = due_ns
        self.deviation.record(size)
        if not 0 < self.shortest_interval_ns <= intended_ns:
            self.shortest_interval_ns = intended_ns
        if later_by_ns > STALL_NS and not in_stall:
            self._add_stall(later_by_ns)

    def add_missed(self, count: int, first_cost_ns: int, last_cost_ns: int, interval_ns: int) -> bool:
        """Count `count` ticks that were never sent; their costs fall evenly from first to last.

        Returns whether they were a stall, and counts that.
        """
        self.missed += count
        stalled = first_cost_ns > interval_ns + STALL_NS
        if stalled:
            self._add_stall(first_cost_ns)
        strata = min(count, _STRATA)
        for number in range(strata):
            first, after = number * count // strata, (number + 1) * count // strata
            cost = first_cost_ns - (first_cost_ns - last_cost_ns) * first // max(1, count - 1)
            self.lateness.record(cost, after - first)
        return stalled

    def _add_stall(self, span_ns: int) -> None:
        self.stalls += 1
        self.longest_stall_ns = max(self.longest_stall_ns, span_ns)

    def merge(self, other: Series) -> None:
        """Add all that `other` knows."""
        if other.deviation.count and (
            not self.deviation.count or other.deviation.largest_ns > self.deviation.largest_ns
        ):
            self.worst_due_ns = other.worst_due_ns
        self.ticks += other.ticks
        self.missed += other.missed
        self.doubled += other.doubled
        self.not_recorded += other.not_recorded
        self.port_closed += other.port_closed
        self.stalls += other.stalls
        self.longest_stall_ns = max(self.longest_stall_ns, other.longest_stall_ns)
        self.lateness.merge(other.lateness)
        self.deviation.merge(other.deviation)
        for port, line in other.lines.items():
            self.lines.setdefault(port, LineFit(self.started_ns)).merge(line)
        if other.shortest_interval_ns:
            own = self.shortest_interval_ns or other.shortest_interval_ns
            self.shortest_interval_ns = min(own, other.shortest_interval_ns)

    def copy(self) -> Series:
        """Return a series that can be added to without changing this one."""
        twin = Series(self.started_ns)
        twin.merge(self)
        return twin


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
        return Series(self._started_ns)


def figures_of(series: Series) -> Figures:
    """Return the figures of a series with its verdict, without advice."""
    late, deviation, worst_ns = series.lateness, series.deviation, series.worst_due_ns
    figures = Figures(
        ticks=series.ticks,
        missed=series.missed,
        doubled=series.doubled,
        not_recorded=series.not_recorded,
        port_closed=series.port_closed,
        stalls=series.stalls,
        longest_stall_us=_us(series.longest_stall_ns),
        lateness_us=Lateness(
            p50=percentile_us(late, P50),
            p99=percentile_us(late, P99),
            p99_9=percentile_us(late, P99_9),
            max=_us(late.largest_ns) if late.count else None,
            min=_us(late.least_ns) if late.count else None,
        ),
        interval_deviation_us=Deviation(
            p50=percentile_us(deviation, P50),
            p99=percentile_us(deviation, P99),
            p99_9=percentile_us(deviation, P99_9),
            max=_us(deviation.largest_ns) if deviation.count else None,
        ),
        worst_at_s=None if worst_ns is None else round((worst_ns - series.started_ns) / NS_PER_S, 3),
        drift=_drift(series),
        heard_us=_us(heard_ns(series.shortest_interval_ns)),
        verdict=_NOT_JUDGED,
    )
    return replace(figures, verdict=judge(figures))


def percentile_us(distribution: Distribution, percentile: Fraction) -> float | None:
    """Return a percentile, or None where there are too few values for it to mean anything."""
    if distribution.count < count_needed(percentile):
        return None
    return _us(distribution.percentile_ns(percentile))


def _drift(series: Series) -> Drift | None:
    slope = common_slope(series.lines.values())
    if slope is None:
        return None
    accumulated_us = slope.ppm * slope.span_ns / 1e9  # 1 ppm of 1 s is 1 µs
    return Drift(
        ppm=round(slope.ppm, 4),
        uncertainty_ppm=round(slope.uncertainty_ppm, 4),
        accumulated_us=round(accumulated_us, 1),
        found=abs(slope.ppm) > slope.uncertainty_ppm and abs(accumulated_us) > STEADY.us,
    )


def _us(value_ns: int) -> float:
    return value_ns / NS_PER_US
