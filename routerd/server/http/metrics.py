"""What is measured and how everything is, as OpenMetrics or the classic text, for whoever scrapes it.

Two parts. What holds now (ports, problems, transport, tempo) is read off the view at each scrape. Figures of
ticks and traffic cost more: they are worked out in pieces, with a turn of the event loop behind each, and
kept for FRESH_NS, so that no scrape holds up other requests, however many ports there are.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from time import monotonic_ns

from prometheus_client import CollectorRegistry
from prometheus_client import exposition as classic
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics import exposition as openmetrics
from prometheus_client.registry import Collector

from routerd import __version__
from routerd.core.model.snapshot import FollowState
from routerd.core.model.timing import State
from routerd.core.units import NS_PER_S
from routerd.server.health import lines_of
from routerd.server.http.operation import METRICS, TEXT
from routerd.server.report import Measurements
from routerd.server.report.figures import (
    Counts,
    CurrentFigures,
    Deviation,
    Grade,
    Lateness,
    RoutingTimes,
    WireTotals,
)
from routerd.server.soundcheck.figures import Soundcheck
from routerd.server.status import position_at
from routerd.server.view import View

CONTENT_TYPES = {METRICS: openmetrics.CONTENT_TYPE_LATEST, TEXT: "text/plain; version=0.0.4; charset=utf-8"}
"""The header of each form."""

FRESH_NS = 5 * NS_PER_S
"""How long figures of the last minute are good for: many may scrape, they are worked out once."""

_COUNTED: tuple[tuple[str, str, Callable[[Counts], int]], ...] = (
    ("ticks", "Ticks sent", lambda x: x.ticks),
    ("ticks_missed", "Ticks never sent though the port was open", lambda x: x.missed),
    ("ticks_doubled", "Ticks sent twice", lambda x: x.doubled),
    ("ticks_stalls", "Ticks over 6 ms later against the grid than the one before", lambda x: x.stalls),
)
_SENT: tuple[tuple[str, Callable[[WireTotals], int]], ...] = (
    ("messages", lambda x: x.messages),
    ("bytes", lambda x: x.bytes),
    ("thinned", lambda x: x.thinned),
)
_GAUGES = frozenset({"messages_queued", "most_queued_on_a_port"})
"""Of the engine's counters, those that go down again."""

SPARE_STATES = ("off", "none", "coming", "ready")


def _gauge(name: str, words: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"routerd_{name}", words, labels=labels)


def _counter(name: str, words: str, *labels: str) -> CounterMetricFamily:
    return CounterMetricFamily(f"routerd_{name}", words, labels=labels)


def _one_of(family: GaugeMetricFamily, states: Iterable[str], now: str, *labels: str) -> GaugeMetricFamily:
    """Return the family with 1 for the state that holds, 0 for all others."""
    for state in states:
        family.add_metric([*labels, state], float(state == now))
    return family


def kept_families(figures: CurrentFigures) -> Iterator[Metric]:
    """Yield what is worked out in pieces: totals by port, and figures of the last minute."""
    for name, words, of in _COUNTED:
        family = _counter(name, f"{words}, since the server began.", "port")
        for port, counts in figures.counts.items():
            family.add_metric([port], of(counts))
        yield family
    for key, total in _SENT:
        family = _counter(f"output_{key}", f"{key.capitalize()} on a port's way out.", "port")
        for wire in figures.wires:
            family.add_metric([wire.port], total(wire))
        yield family
    came = _counter("input_messages", "Messages from a device.", "port")
    for row in figures.inputs:
        came.add_metric([row.port], row.messages)
    yield came
    yield from _last_minute(figures)


def _last_minute(figures: CurrentFigures) -> Iterator[Metric]:
    over = ", over the last minute."
    rows, traffic = figures.minute, figures.traffic
    late = _gauge("tick_lateness_seconds", f"Lateness of ticks{over}", "port", "percentile")
    deviation = _gauge("tick_interval_deviation_seconds", f"|Interval deviation|{over}", "port", "percentile")
    grade = _gauge("port_grade", f"1 for the grade that a port has{over}", "port", "grade")
    for port, row in rows.items():
        _add_times(late, row.lateness_us, port)
        _add_times(deviation, row.interval_deviation_us, port)
        _one_of(grade, Grade, row.verdict.grade, port)
    yield from (late, deviation, grade)
    wire = _gauge("wire_utilisation_ratio", f"Share of a DIN wire in its busiest second{over}", "port")
    for busy in traffic.wires:
        if busy.max_percent is not None:
            wire.add_metric([busy.port], busy.max_percent / 100)
    yield wire
    routing = _gauge(
        "routing_seconds", f"From a message's arrival until the last port had it{over}", "percentile"
    )
    _add_times(routing, traffic.routing.us)
    yield routing
    load = _gauge("process_load_ratio", f"Mean share of one processor{over}", "process")
    load.add_metric(["engine"], traffic.load.engine.mean_percent / 100)
    load.add_metric(["server"], traffic.load.server.mean_percent / 100)
    yield load


def _add_times(family: GaugeMetricFamily, times: Lateness | Deviation | RoutingTimes, *labels: str) -> None:
    """Add each percentile that there is; the largest is that of 100."""
    for percentile, value_us in (
        ("50", times.p50),
        ("99", times.p99),
        ("99.9", times.p99_9),
        ("100", times.max),
    ):
        if value_us is not None:
            family.add_metric([*labels, percentile], value_us / 1e6)


def live_families(
    view: View, record_dropped: int, soundcheck: Soundcheck | None, now_ns: int
) -> Iterator[Metric]:
    """Yield what holds at `now_ns`; `record_dropped` is what the show's record could not keep."""
    yield from _health(view, now_ns)
    yield from _processes(view, record_dropped, now_ns)
    if view.ready:
        yield from _show(view, now_ns)
    if soundcheck is not None:
        failed = _gauge("soundcheck_failed_devices", "Devices that failed in the newest soundcheck.", "name")
        failed.add_metric([soundcheck.name], len(soundcheck.failed))
        yield failed


def _health(view: View, now_ns: int) -> Iterator[Metric]:
    ports = _gauge("port_open", "1 while bytes get through a device's port.", "port", "direction")
    for port in view.ports:
        ports.add_metric([port.device, port.direction], float(port.state == "open"))
    yield ports
    problems = _gauge("problems", "Lines of /v1/health, by kind.", "kind")
    for kind, count in Counter(line.kind for line in lines_of(view, now_ns)).items():
        problems.add_metric([kind], count)
    yield problems


def _processes(view: View, record_dropped: int, now_ns: int) -> Iterator[Metric]:
    hello, spare = view.hello, view.facts.spare
    build = _gauge("build_info", "Always 1, with the version.", "version")
    build.add_metric([__version__], 1)
    uptime = _gauge("uptime_seconds", "How long a process has lived.", "process")
    uptime.add_metric(["engine"], (now_ns - hello.started_ns) / NS_PER_S)
    uptime.add_metric(["server"], (now_ns - view.started_ns) / NS_PER_S)
    restarts = _counter("server_restarts", "How often the server process was started again.")
    restarts.add_metric([], hello.server_restarts)
    takeovers = _counter("spare_takeovers", "How often the spare has taken over.")
    takeovers.add_metric([], spare.takeovers)
    dropped = _counter("record_dropped", "Lines and messages that the show's record could not keep.")
    dropped.add_metric([], record_dropped)
    engine = _counter("engine_events", "The engine's own counters, as in the status.", "counter")
    gauges = _gauge("engine_queue", "Of the engine's counters, those that go down again.", "counter")
    for name, value in view.counters.items():
        (gauges if name in _GAUGES else engine).add_metric([name], value)
    yield from (build, uptime, restarts, takeovers, dropped, engine, gauges)
    yield _one_of(_gauge("spare", "1 for the state of the spare engine.", "state"), SPARE_STATES, spare.state)


def _show(view: View, now_ns: int) -> Iterator[Metric]:
    snapshot, position = view.snapshot, position_at(view.snapshot, now_ns)
    yield _one_of(_gauge("transport", "1 for the state of transport.", "state"), State, snapshot.transport)
    tempo = _gauge("tempo_bpm", "Quarter notes a minute that sound.")
    tempo.add_metric([], float(snapshot.grid.bpm))
    bar, beat = (
        _gauge("position_bar", "Bar of the song, from 1."),
        _gauge("position_beat", "Beat of the bar."),
    )
    bar.add_metric([], position.bar)
    beat.add_metric([], position.beat)
    place = _gauge("set_position", "Place in the set list, from 1; 0 outside it.")
    place.add_metric([], 0 if snapshot.index is None else snapshot.index + 1)
    song = _gauge("song_info", "Always 1, with the song that is on.", "song")
    song.add_metric([snapshot.song or ""], 1)
    yield from (tempo, bar, beat, place, song)
    following = _gauge("following", "1 for the state in which a device is followed.", "device", "state")
    if snapshot.following is not None:
        _one_of(following, FollowState, snapshot.following.state, snapshot.following.device)
    yield following


class _Families(Collector):
    """A registry's view of families that are there already."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        """Return them."""
        return self._families


_END = b"# EOF\n"


def text_of(families: Iterable[Metric], media: str) -> bytes:
    """Return families in one of the two forms, without the end that OpenMetrics wants."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Families(list(families)))
    form = openmetrics if media == METRICS else classic
    return bytes(form.generate_latest(registry)).removesuffix(_END)


class Metrics:
    """The text of this moment, from a view and its measurements; `record_dropped` asks the show's record."""

    def __init__(
        self,
        view: View,
        measurements: Measurements,
        record_dropped: Callable[[], int],
        clock: Callable[[], int] = monotonic_ns,
    ) -> None:
        self._clock = clock
        self._view = view
        self._measurements = measurements
        self._record_dropped = record_dropped
        self._made_ns = -FRESH_NS
        self._kept: dict[str, bytes] = {}
        self._figures: CurrentFigures | None = None
        self._working = asyncio.Lock()

    async def text(self, media: str, soundcheck: Soundcheck | None) -> bytes:
        """Return the text in the form of METRICS or TEXT; its figures are at most FRESH_NS old."""
        async with self._working:
            kept = await self._kept_text(media)
        live = live_families(self._view, self._record_dropped(), soundcheck, self._clock())
        return kept + text_of(live, media) + (_END if media == METRICS else b"")

    async def _kept_text(self, media: str) -> bytes:
        now_ns = self._clock()
        if self._figures is None or now_ns - self._made_ns > FRESH_NS:
            self._figures, self._made_ns = await self._work_out(now_ns), now_ns
            self._kept.clear()
        if media not in self._kept:
            parts = []
            for family in kept_families(self._figures):
                parts.append(text_of((family,), media))
                await asyncio.sleep(0)
            self._kept[media] = b"".join(parts)
        return self._kept[media]

    async def _work_out(self, now_ns: int) -> CurrentFigures:
        pieces = self._measurements.figures(now_ns)
        while True:
            try:
                next(pieces)
            except StopIteration as end:
                figures: CurrentFigures = end.value
                return figures
            await asyncio.sleep(0)
