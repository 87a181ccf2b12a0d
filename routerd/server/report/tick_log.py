"""The collector: follows the ticks of every port and keeps what a report needs.

Memory does not grow with the length of a show: one Series per port and per song that was played.
Records of one port come in the order of sending. Events may come a little before or after the records
that they explain, so gaps wait a while before they are explained.

Ports with a rate of their own count their own ticks. What the engine says of ticks is in numbers of the
grid, so their gaps are explained by time alone, and their silence is measured by their own interval.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from routerd.core.model import events
from routerd.core.units import NS_PER_S
from routerd.link.frames import OWN_RATE, TickRecord
from routerd.server.report.curves import Course, Marks, Timeline
from routerd.server.report.figures import Conditions, Counts, Report, Traffic
from routerd.server.report.gaps import Absence, Gap, Spans, explain
from routerd.server.report.series import SLICE_NS, STALL_NS, Minute, Series
from routerd.server.report.summary import Collected, summarize
from routerd.server.report.traffic import NO_TRAFFIC

NO_SONG = 65535

_GAPS_WAITING = 64
"""Gaps of one port that wait for an explanation; the oldest is settled when another comes."""

_ABSENCES_KEPT = 64
_DROPS_KEPT = 64
_DROP_TOLD_NS = 2 * NS_PER_S
"""By then the engine has reported that it had to drop records."""

UNSURE_NS = 3 * NS_PER_S // 2
"""So long after a tick was handed over its port may be found to have carried nothing since."""

_NOTHING = Spans()

_SILENT_TICKS = 24
"""A port that is this far behind the others, a quarter note, has fallen silent."""


@dataclass(slots=True)
class _Port:
    """One output: where its ticks are, and when it was closed."""

    name: str
    series: Series
    course: Course
    minute: Minute
    stretch: Series
    """Its newest ticks, of one song and one slice of the minute, that all other series do not know yet."""
    stretch_of: tuple[int, int] = (NO_SONG, 0)
    """The number of that song, and that of the slice."""
    last: TickRecord | None = None
    interval_ns: int = 0
    """Between its last two ticks, as intended."""
    owes_ticks: bool = False
    held: deque[TickRecord] = field(default_factory=deque)
    """Ticks that may yet turn out to have gone nowhere."""
    gaps: deque[Gap] = field(default_factory=deque)
    absences: deque[Absence] = field(default_factory=lambda: deque(maxlen=_ABSENCES_KEPT))


class TickLog:
    """Collects tick records and events, and reports on them. Not for use by several threads at once."""

    def __init__(self, started_ns: int) -> None:
        """`started_ns` is the instant that the report counts its time from."""
        self._started_ns = started_ns
        self._outputs: list[str] = []
        self._songs: list[str] = []
        self._ports: dict[str, _Port] = {}
        self._by_output: dict[int, _Port] = {}
        self._by_song: dict[str | None, Series] = {}
        self._skipped = Spans()
        self._dropped = Spans()
        self._dropped_ns: deque[int] = deque(maxlen=_DROPS_KEPT)
        self._newest: TickRecord | None = None
        self._marks = Marks()

    def name(self, outputs: list[str], songs: list[str]) -> None:
        """Give the numbers in records that come from now on their names.

        What was counted stays under the name it was counted under.
        """
        if (outputs, songs) != (self._outputs, self._songs):
            self._follow_all()
        if outputs != self._outputs:
            self._outputs = list(outputs)
            self._by_output.clear()
            for port in self._ports.values():
                port.owes_ticks = False
        if songs != self._songs:
            self._settle_waiting()  # what waits was played under the old numbers
            self._songs = list(songs)

    def add(self, records: list[TickRecord]) -> None:
        """Take a batch of records."""
        for record in records:
            port = self._by_output.get(record.output)
            if port is None:
                port = self._by_output[record.output] = self._port(record.output)
            if not port.absences or not port.absences[-1].hides(record.sent_ns):
                port.held.append(record)
        for port in self._by_output.values():
            if port.held:
                self._follow_until(port, port.held[-1].sent_ns - UNSURE_NS)

    def event(self, event: events.AnyEvent) -> None:
        """Take an event; kinds that say nothing about ticks are ignored."""
        if isinstance(event, events.TicksMissed):
            self._skipped.add(event.from_tick, event.to_tick)
        elif isinstance(event, events.RecordsDropped):
            self._dropped.add(event.from_tick, event.to_tick)
            self._dropped_ns.append(event.at_ns)
        elif isinstance(event, events.PortClosed | events.PortOpened):
            if event.output is not None:
                self._note_absence(self._port(event.output), event)
        elif isinstance(event, events.Song):
            self._marks.add(event.at_ns, event.title)
        elif isinstance(event, events.Loaded):  # a new rig may take the clock away from a device
            self._follow_all()
            for port in self._ports.values():
                port.owes_ticks = False

    def report(self, now_ns: int, conditions: Conditions, traffic: Traffic = NO_TRAFFIC) -> Report:
        """Return the report on the ticks so far, and on traffic, which is collected elsewhere."""
        self._follow_all()
        self._settle_waiting()
        ports = {name: port.series for name, port in self._ports.items() if port.last is not None}
        songs = dict(self._by_song)
        for port in self._ports.values():
            gap_now = self._silence(port)
            if gap_now is None:
                continue
            # on copies, for this report only: the port may yet come back and explain itself
            song = self._song_name(gap_now.after.song)
            ports[port.name] = port.series.copy()
            songs[song] = songs[song].copy()
            self._settle(port, gap_now, ports[port.name], songs[song])
        ends = [port.last.sent_ns for port in self._ports.values() if port.last is not None]
        last_ns = self._newest.sent_ns if self._newest else max(ends, default=None)
        curves = tuple(self._ports[name].course.curves(name, series) for name, series in ports.items())
        marks = self._marks.since(self._started_ns)
        collected = Collected(self._started_ns, last_ns, ports, songs, marks, curves)
        return summarize(collected, now_ns, conditions, traffic)

    def current(self, now_ns: int) -> Iterator[tuple[str, tuple[Counts, Series | None]]]:
        """Yield every port that has ticked, with its counts since the start and its series of the last minute
        (None where it has none).

        Takes a millisecond a port, whatever the tempo and the length of the show; between two, records may
        come in. What is missing counts once the events that may explain it have come.
        """
        for name, port in list(self._ports.items()):
            self._follow_until(port, now_ns - UNSURE_NS)
            self._add_up(port)
            while port.gaps and port.gaps[0].after.sent_ns < now_ns - _DROP_TOLD_NS:
                self._settle_oldest(port)
            if port.last is None:
                continue
            series, minute = port.series, port.minute.added_up(now_ns)
            counts = Counts(series.ticks, series.missed, series.doubled, series.stalls)
            if (silence := self._silence(port)) is not None:
                now = Series(self._started_ns)
                self._settle(port, silence, now, minute)
                counts = replace(counts, missed=series.missed + now.missed)
            yield name, (counts, minute if minute.ticks or minute.missed else None)

    def _follow_until(self, port: _Port, until_ns: int) -> None:
        """Follow what is older than this, and so has surely been sent."""
        held = port.held
        while held and held[0].sent_ns < until_ns:
            self._follow(port, held.popleft())

    def _follow_all(self) -> None:
        for port in self._ports.values():
            while port.held:
                self._follow(port, port.held.popleft())
            self._add_up(port)

    def _add_up(self, port: _Port) -> None:
        """Let all series that a port's newest ticks belong to know of them."""
        if port.stretch.ticks or port.stretch.doubled:
            song, number = port.stretch_of
            for series in (port.series, self._song(song), port.minute.slice_at(number * SLICE_NS)):
                series.merge(port.stretch)
            port.stretch = Series(self._started_ns)

    def _note_absence(self, port: _Port, event: events.PortClosed | events.PortOpened) -> None:
        """Take that a port is closed, in truth since before that was noticed, or opened."""
        absences, at_ns = port.absences, event.at_ns
        is_open = not absences or absences[-1].opened_ns is not None
        if isinstance(event, events.PortOpened):
            if not is_open and at_ns > absences[-1].closed_ns:
                absences[-1].opened_ns = at_ns
        elif is_open:
            closed_ns = event.since_ns
            self._follow_until(port, closed_ns)
            absences.append(Absence(closed_ns, noticed_ns=at_ns))
            while port.held and absences[-1].hides(port.held[0].sent_ns):
                port.held.popleft()

    def _follow(self, port: _Port, record: TickRecord) -> None:
        last = port.last
        own = bool(record.output & OWN_RATE)
        if last is not None and (last.output & OWN_RATE) != (record.output & OWN_RATE):
            last = None  # other numbers
        stretch_of = record.song, record.sent_ns // SLICE_NS
        if stretch_of != port.stretch_of:
            self._add_up(port)
            port.stretch_of = stretch_of
        stretch = port.stretch
        if last is not None and record.tick <= last.tick and record.due_ns <= last.due_ns:
            stretch.doubled += 1
            return
        if port.absences:
            port.absences[-1].is_over(record.sent_ns)
        port.last = record
        port.owes_ticks = True
        if not own and (self._newest is None or record.due_ns > self._newest.due_ns):
            self._newest = record
        lateness_ns = record.sent_ns - record.due_ns
        stretch.add_tick(lateness_ns)
        if last is None or record.tick <= last.tick or record.due_ns <= last.due_ns:
            port.course.add(record.due_ns, lateness_ns, 0, 0)
            return  # the first tick, or a grid that began anew: no interval to judge
        later_ns = lateness_ns - (last.sent_ns - last.due_ns)
        intended_ns = port.interval_ns = (record.due_ns - last.due_ns) // (record.tick - last.tick)
        port.course.add(record.due_ns, lateness_ns, record.tick - last.tick - 1, intended_ns)
        if abs(later_ns) <= min(STALL_NS, intended_ns // 2):
            stretch.add_point(port.name, record.due_ns, lateness_ns)
        if record.tick == last.tick + 1:
            stretch.add_interval(intended_ns, later_ns, later_ns, record.due_ns)
            return
        if len(port.gaps) == _GAPS_WAITING:
            self._settle_oldest(port)
        port.gaps.append(Gap(last, record))

    def _settle_waiting(self) -> None:
        for port in self._ports.values():
            while port.gaps:
                self._settle_oldest(port)

    def _settle_oldest(self, port: _Port) -> None:
        gap = port.gaps.popleft()
        minute = port.minute.slice_at(gap.after.sent_ns)
        self._settle(port, gap, port.series, self._song(gap.after.song), minute)

    def _settle(self, port: _Port, gap: Gap, *rows: Series) -> None:
        """Count what became of the ticks of `gap` in every one of `rows`."""
        skipped, dropped = self._skipped, self._dropped
        if gap.before.output & OWN_RATE:
            until_ns = gap.after.sent_ns + _DROP_TOLD_NS
            skipped, dropped = _NOTHING, Spans()
            if any(gap.before.sent_ns <= at_ns <= until_ns for at_ns in self._dropped_ns):
                dropped.add(*gap.ticks)
        outcome = explain(gap, port.absences, skipped, dropped)
        before, after = gap
        for series in rows:
            series.not_recorded += outcome.not_recorded
            series.port_closed += outcome.port_closed
            stalled = False
            for first, last in outcome.missed:
                # the device waited until its next tick; where that has no record, until it was due
                ended_ns = after.sent_ns if last + 1 == after.tick else gap.due_ns(last + 1)
                costs = ended_ns - gap.due_ns(first), ended_ns - gap.due_ns(last)
                stalled |= series.add_missed(last - first + 1, *costs, gap.interval_ns)
            if not outcome.not_recorded and not outcome.port_closed:
                later_ns = (after.sent_ns - after.due_ns) - (before.sent_ns - before.due_ns)
                deviation_ns = after.sent_ns - before.sent_ns - gap.interval_ns
                due_ns = after.due_ns
                series.add_interval(gap.interval_ns, deviation_ns, later_ns, due_ns, in_stall=stalled)

    def _silence(self, port: _Port) -> Gap | None:
        """Return the gap from the last tick of a port that fell silent to the newest tick of any port."""
        last, newest = port.last, self._newest
        if last is None or newest is None or not port.owes_ticks or newest.due_ns <= last.due_ns:
            return None
        if last.output & OWN_RATE:
            missing = (newest.due_ns - last.due_ns) // port.interval_ns if port.interval_ns else 0
            newest = newest._replace(tick=last.tick + missing, output=last.output)
        return Gap(last, newest) if newest.tick - last.tick > _SILENT_TICKS else None

    def _port(self, output: int) -> _Port:
        output &= ~OWN_RATE
        name = self._outputs[output] if output < len(self._outputs) else f"output {output}"
        port = self._ports.get(name)
        if port is None:
            started_ns = self._started_ns
            whole, stretch, course = Series(started_ns), Series(started_ns), Course(Timeline(started_ns))
            port = self._ports[name] = _Port(name, whole, course, Minute(started_ns), stretch)
        return port

    def _song_name(self, number: int) -> str | None:
        if number == NO_SONG:
            return None
        return self._songs[number] if number < len(self._songs) else f"song {number}"

    def _song(self, number: int) -> Series:
        name = self._song_name(number)
        series = self._by_song.get(name)
        if series is None:
            series = self._by_song[name] = Series(self._started_ns)
        return series
