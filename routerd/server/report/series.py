"""What is known of one series of ticks: those of one port, or those of one song on all ports.

Definitions. Lateness is the instant of sending minus the instant on the grid. Interval deviation is
"the deviation between intended and actual intervals of two events" (J. Wright, System-Level MIDI
Performance Testing, ICMC 2001), here of two consecutive ticks on one port. A missed tick counts in the
lateness as what it cost: the time from when it was due until its port's next tick went out, so that a
stall cannot hide behind the ticks that it kept from being measured (the correction for coordinated
omission of HdrHistogram's README). A stall is a tick over 6 ms later against the grid than the one before.
Ticks given up are one, too, as long as the first of them cost; a single one that is lost, which costs an
interval alone, is none.
"""

from __future__ import annotations

from collections.abc import Callable

from routerd.server.report.distribution import Distribution, Values
from routerd.server.report.stats import LineFit

STALL_NS = 6_000_000
"""A displaced note is heard from here on at short intervals (Friberg & Sundberg 1995)."""

_STRATA = 10_000
"""A longer gap is recorded in this many steps, so that no gap takes long."""


class Series:
    """Counts, distributions and the line of lateness over time. All times in nanoseconds."""

    def __init__(self, started_ns: int, make: Callable[[], Values] = Distribution) -> None:
        self.ticks = 0
        self.missed = 0
        self.doubled = 0
        self.unrecorded = 0
        self.away = 0
        self.stalls = 0
        self.longest_stall_ns = 0
        self.lateness = make()
        self.deviation = make()
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
        self.unrecorded += other.unrecorded
        self.away += other.away
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
