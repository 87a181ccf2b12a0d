"""All that is measured of a running show: since it began, over the last minute, and over a soundcheck.

What the engine tells comes in here once and goes to every log that wants it.
"""

from __future__ import annotations

from collections.abc import Callable
from time import process_time_ns

from routerd.core.model.plain import Plain
from routerd.core.model.rig import Rig, WireKind
from routerd.link.messages import TickRecord
from routerd.server.report.collect import TickLog
from routerd.server.report.recent import Recent
from routerd.server.report.rows import minute_row
from routerd.server.report.traffic import TrafficLog


class Span:
    """One stretch of time that is reported on."""

    def __init__(self, started_ns: int, wires: dict[str, WireKind]) -> None:
        self.ticks = TickLog(started_ns)
        self.traffic = TrafficLog(started_ns, wires)

    def report(self, now_ns: int, facts: Plain) -> Plain:
        """Return the report, see REPORT_SCHEMA."""
        return {**self.ticks.report(now_ns, facts), **self.traffic.report()}


class Measurements:
    """Not for use by several threads at once."""

    def __init__(self, started_ns: int) -> None:
        """`started_ns` is when the show, as far as it is reported on, began."""
        self._wires: dict[str, WireKind] = {}
        self._names: tuple[list[str], list[str]] = ([], [])
        self._song: str | None = None
        self.whole = Span(started_ns, self._wires)
        self.recent = Recent(started_ns)
        self._spans: list[Span] = [self.whole]

    def begin_span(self, now_ns: int) -> Span:
        """Measure from now on for a report of its own, until `end_span`."""
        span = Span(now_ns, self._wires)
        span.ticks.name(*self._names)
        self._spans.append(span)
        return span

    def end_span(self, span: Span) -> None:
        """Measure no more for that report; harmless when called twice."""
        if span in self._spans:
            self._spans.remove(span)

    # What the engine tells

    def rig(self, rig: Rig) -> None:
        """Learn what carries each device's bytes."""
        self._wires.clear()
        self._wires.update({device.name: device.wire for device in rig.devices})

    def name(self, outputs: list[str], songs: list[str]) -> None:
        """Give the numbers in records that come from now on their names."""
        if (outputs, songs) == self._names:
            return
        self._names = (list(outputs), list(songs))
        self.recent.name(outputs, songs)
        for span in self._spans:
            span.ticks.name(outputs, songs)

    def song(self, title: str | None) -> None:
        """Learn which song is on."""
        self._song = title

    def add(self, records: list[TickRecord]) -> None:
        """Take tick records."""
        self.recent.add(records)
        for span in self._spans:
            span.ticks.add(records)

    def event(self, event: Plain) -> None:
        """Take an event."""
        self.recent.event(event)
        for span in self._spans:
            span.ticks.event(event)

    def traffic(self, body: Plain) -> None:
        """Take the totals of a second."""
        cpu_ns = process_time_ns()
        self.recent.traffic(body, self._song, cpu_ns)
        for span in self._spans:
            span.traffic.take(body, self._song, cpu_ns)

    # Reports

    def report(self, now_ns: int, facts: Plain) -> Plain:
        """Return the report on the whole show so far."""
        return self.whole.report(now_ns, facts)

    def figures(self, now_ns: int) -> Plain:
        """Return what whoever asks every few seconds is told: totals, and the last minute in brief.

        `counts` and `minute` are by port, `minute` as rows of a report; `wires` and `inputs` are totals;
        `traffic` is of the last minute. Takes milliseconds, see routerd.server.report.minute.
        """
        counts, minutes = self.whole.ticks.figures(now_ns)
        return {
            "counts": {name: one._asdict() for name, one in counts.items()},
            "minute": {name: minute_row(series) for name, series in minutes.items()},
            **self.whole.traffic.totals(),
            "traffic": self.recent.traffic_report(now_ns, self._wires),
        }

    def last_minute(self, now_ns: int, facts: Plain) -> Plain:
        """Return the report on the last minute; takes tenths of a second where many ports have the clock."""
        return self.recent.report(now_ns, facts, self._wires)

    def frozen_minute(self) -> Callable[[int, Plain], Plain]:
        """Return `last_minute` for what is known now, to be called on another thread."""
        recent, wires = self.recent.copy(), dict(self._wires)
        return lambda now_ns, facts: recent.report(now_ns, facts, wires)
