"""What became of the ticks that have no record: port closed, missed or not recorded.

A port that is closed owes no ticks. What the engine says it skipped is missed on every
open port. Records that the engine dropped leave ticks not recorded: they may well have been sent. All
else is missed. Where the instants of missing ticks are needed they are spread evenly over the gap,
which is exact unless the tempo changed within it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from routerd.link.frames import TickRecord

Span = tuple[int, int]
"""A run of ticks: the first and the last."""

_SPANS_KEPT = 512


class Spans:
    """Runs of ticks as the engine reported them: the newest few hundred, neighbours joined."""

    def __init__(self) -> None:
        self._spans: deque[Span] = deque(maxlen=_SPANS_KEPT)

    def add(self, first: int, last: int) -> None:
        """Add a run; nothing when it is empty."""
        if last < first:
            return
        if self._spans and self._spans[-1][0] <= first <= self._spans[-1][1] + 1:
            first, previous_last = self._spans.pop()
            last = max(last, previous_last)
        self._spans.append((first, last))

    def __iter__(self) -> Iterator[Span]:
        return iter(self._spans)


@dataclass(slots=True)
class Absence:
    """A time during which a port was closed; `opened_ns` is None while it still is.

    It was noticed only at `noticed_ns`: until then ticks were handed over that went nowhere.
    """

    closed_ns: int
    opened_ns: int | None = None
    noticed_ns: int = 0

    def is_over(self, sent_ns: int) -> None:
        """Take that a tick went out, perhaps after the port was opened and nobody noticed."""
        if self.opened_ns is None and sent_ns > self.noticed_ns:
            self.opened_ns = sent_ns

    def hides(self, sent_ns: int) -> bool:
        """Return whether a tick that was handed over then went nowhere."""
        return self.closed_ns <= sent_ns <= self.noticed_ns


class Gap(NamedTuple):
    """The ticks between two records of one port that follow each other."""

    before: TickRecord
    after: TickRecord

    @property
    def ticks(self) -> Span:
        """The ticks without a record."""
        return self.before.tick + 1, self.after.tick - 1

    def due_ns(self, tick: int) -> int:
        """Return when `tick` was due."""
        steps = self.after.tick - self.before.tick
        return (
            self.before.due_ns + (tick - self.before.tick) * (self.after.due_ns - self.before.due_ns) // steps
        )

    @property
    def interval_ns(self) -> int:
        """The intended interval of two ticks."""
        return self.due_ns(self.before.tick + 1) - self.before.due_ns


class Outcome(NamedTuple):
    """The ticks of a gap by what became of them; runs in rising order."""

    missed: list[Span]
    not_recorded: int
    port_closed: int


def explain(gap: Gap, absences: Iterable[Absence], skipped: Spans, dropped: Spans) -> Outcome:
    """Return what became of every tick of `gap`.

    `skipped` is what the engine said it could not send, `dropped` whose records it threw away.
    """
    left = [gap.ticks]
    left, closed = _cut(left, _closed_spans(gap, absences))
    left, missed = _cut(left, skipped)
    left, not_recorded = _cut(left, dropped)
    return Outcome(sorted(missed + left), _size(not_recorded), _size(closed))


def _closed_spans(gap: Gap, absences: Iterable[Absence]) -> Iterator[Span]:
    # One tick of grace at either end: a port is seen to close and open some time around a tick.
    step = max(1, gap.interval_ns)
    start, origin = gap.before.due_ns, gap.before.tick
    for absence in absences:
        first = origin - (-(absence.closed_ns - step - start) // step)
        last = gap.after.tick
        if absence.opened_ns is not None:
            last = origin + (absence.opened_ns + step - start) // step
        yield first, last


def _cut(spans: list[Span], cuts: Iterable[Span]) -> tuple[list[Span], list[Span]]:
    """Return what is left of `spans` outside `cuts`, and what was cut out."""
    removed: list[Span] = []
    for low, high in cuts:
        left: list[Span] = []
        for first, last in spans:
            if high < first or low > last:
                left.append((first, last))
                continue
            removed.append((max(first, low), min(last, high)))
            if first < low:
                left.append((first, low - 1))
            if last > high:
                left.append((high + 1, last))
        spans = left
    return spans, removed


def _size(spans: Iterable[Span]) -> int:
    return sum(last - first + 1 for first, last in spans)
