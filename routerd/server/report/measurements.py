"""All that is measured of a running show: since it began, over the last minute, and over a soundcheck.

What the engine reports comes in here once and goes to every log that wants it. The last minute is kept as it
came, in bounded memory, and worked out when somebody asks.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable, Generator, Mapping
from itertools import starmap
from time import process_time_ns
from typing import Any

from routerd.core.model import events
from routerd.core.model.rig import Rig, WireKind
from routerd.core.units import NS_PER_S
from routerd.link.frames import TickRecord
from routerd.link.messages import Traffic as TrafficTotals
from routerd.server.report.figures import Conditions, Counts, CurrentFigures, Report, Traffic
from routerd.server.report.series import figures_of
from routerd.server.report.tick_log import TickLog
from routerd.server.report.traffic import TrafficLog

SPAN_NS = 60 * NS_PER_S

MOST_RECORDS = 250_000
"""A minute of 16 ports at 480 BPM is 184 320 records, 5 MB."""

_RECORD = struct.Struct("<qqqHH")
_Item = tuple[int, str, Any]
"""When, what ("ticks", "event", "names", "traffic"), and that."""


class Span:
    """One stretch of time that is reported on."""

    def __init__(self, started_ns: int, wires: dict[str, WireKind]) -> None:
        self.ticks = TickLog(started_ns)
        self.traffic = TrafficLog(started_ns, wires)

    def report(self, now_ns: int, conditions: Conditions) -> Report:
        """Return the report on it."""
        return self.ticks.report(now_ns, conditions, self.traffic.figures())


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

    # What the engine reports

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

    def event(self, event: events.AnyEvent) -> None:
        """Take an event."""
        self.recent.event(event)
        for span in self._spans:
            span.ticks.event(event)

    def traffic(self, totals: TrafficTotals) -> None:
        """Take the totals of a second."""
        cpu_ns = process_time_ns()
        self.recent.traffic(totals, self._song, cpu_ns)
        for span in self._spans:
            span.traffic.take(totals, self._song, cpu_ns)

    # Reports

    def report(self, now_ns: int, conditions: Conditions) -> Report:
        """Return the report on the whole show so far."""
        return self.whole.report(now_ns, conditions)

    def figures(self, now_ns: int) -> Generator[None, None, CurrentFigures]:
        """Work out figures for whoever asks every few seconds, a port or a few seconds of traffic at a time:
        a generator that returns them and lets others have their turn whenever it yields."""
        minute = {}
        current = self.whole.ticks.current(now_ns)
        counts: dict[str, Counts] = {}
        for name, (port_counts, series) in current:
            counts[name] = port_counts
            if series is not None:
                yield
                minute[name] = figures_of(series)
            yield
        traffic = yield from self.recent.traffic_figures(now_ns, self._wires)
        wires, inputs = self.whole.traffic.totals()
        return CurrentFigures(counts=counts, minute=minute, wires=wires, inputs=inputs, traffic=traffic)

    def last_minute(self, now_ns: int, conditions: Conditions) -> Report:
        """Return the report on the last minute; takes tenths of a second where many ports have the clock."""
        return self.recent.report(now_ns, conditions, self._wires)

    def frozen_minute(self) -> Callable[[int, Conditions], Report]:
        """Return `last_minute` for what is known now, to be called on another thread."""
        recent, wires = self.recent.copy(), dict(self._wires)
        return lambda now_ns, conditions: recent.report(now_ns, conditions, wires)


class Recent:
    """Holds what the engine has reported in the last minute."""

    def __init__(self, started_ns: int) -> None:
        self._started_ns = started_ns
        self._items: deque[_Item] = deque()
        self._records = 0
        self._names: tuple[list[str], list[str]] = ([], [])
        self._newest_ns = started_ns

    def add(self, records: list[TickRecord]) -> None:
        """Take tick records."""
        if not records:
            return
        self._records += len(records)
        packed = b"".join(starmap(_RECORD.pack, records))
        self._put(records[-1].sent_ns, "ticks", packed)

    def event(self, event: events.AnyEvent) -> None:
        """Take an event."""
        self._put(event.at_ns, "event", event)

    def name(self, outputs: list[str], songs: list[str]) -> None:
        """Take the names of the numbers in records from now on."""
        self._put(self._newest_ns, "names", (list(outputs), list(songs)))

    def traffic(self, totals: TrafficTotals, song: str | None, server_cpu_ns: int) -> None:
        """Take the totals of a second."""
        self._put(totals.at_ns, "traffic", (totals, song, server_cpu_ns))

    def report(self, now_ns: int, conditions: Conditions, wires: Mapping[str, WireKind]) -> Report:
        """Return the report on the last minute; may be called from another thread with a `copy`."""
        from_ns = max(self._started_ns, now_ns - SPAN_NS)
        ticks, traffic = TickLog(from_ns), TrafficLog(from_ns, wires)
        ticks.name(*self._names)
        for at_ns, kind, value in self._items:
            if kind == "names":
                ticks.name(*value)
            elif at_ns < from_ns:
                continue
            elif kind == "ticks":
                ticks.add([TickRecord(*fields) for fields in _RECORD.iter_unpack(value)])
            elif kind == "event":
                ticks.event(value)
            else:
                traffic.take(*value)
        return ticks.report(now_ns, conditions, traffic.figures())

    def traffic_figures(self, now_ns: int, wires: Mapping[str, WireKind]) -> Generator[None, None, Traffic]:
        """Return what the totals of each second come to, in pieces as `Measurements.figures`."""
        from_ns = max(self._started_ns, now_ns - SPAN_NS)
        log = TrafficLog(from_ns, dict(wires))
        for at_ns, kind, value in tuple(self._items):
            if kind == "traffic" and at_ns >= from_ns:
                log.take(*value)
                yield
        return log.figures()

    def copy(self) -> Recent:
        """Return what is known now, to be worked out elsewhere."""
        twin = Recent(self._started_ns)
        twin._items = self._items.copy()
        twin._names = self._names
        return twin

    def _put(self, at_ns: int, kind: str, value: Any) -> None:
        items = self._items
        self._newest_ns = max(self._newest_ns, at_ns)
        items.append((at_ns, kind, value))
        while items and (items[0][0] < self._newest_ns - SPAN_NS or self._records > MOST_RECORDS):
            _, kind, value = items.popleft()
            if kind == "ticks":
                self._records -= len(value) // _RECORD.size
            elif kind == "names":
                self._names = value
