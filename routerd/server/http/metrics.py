"""The figures of the last minute, and totals, as OpenMetrics for whoever scrapes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from time import monotonic_ns

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from routerd.core.units import NS_PER_S
from routerd.server.health import lines_of
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
from routerd.server.view import View

__all__ = ["CONTENT_TYPE_LATEST", "Metrics", "metrics_text"]

FRESH_NS = NS_PER_S
"""How long a text is good for: many may ask, it is made once."""

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


class _Figures(Collector):
    """Totals of the whole show, and figures of the last minute, as `Measurements.figures` returns them."""

    def __init__(
        self, figures: CurrentFigures, counters: dict[str, int], problems: Mapping[str, int]
    ) -> None:
        self._figures = figures
        self._counters = counters
        self._problems = problems

    def collect(self) -> Iterator[Metric]:
        """Yield every family."""
        yield from self._totals()
        yield from self._last_minute()

    def _totals(self) -> Iterator[Metric]:
        for name, words, of in _COUNTED:
            family = CounterMetricFamily(
                f"routerd_{name}", f"{words}, since the server began.", labels=["port"]
            )
            for port, counts in self._figures.counts.items():
                family.add_metric([port], of(counts))
            yield family
        for key, total in _SENT:
            family = CounterMetricFamily(
                f"routerd_output_{key}", f"{key.capitalize()} on a port's way out.", labels=["port"]
            )
            for wire in self._figures.wires:
                family.add_metric([wire.port], total(wire))
            yield family
        came = CounterMetricFamily("routerd_input_messages", "Messages from a device.", labels=["port"])
        for row in self._figures.inputs:
            came.add_metric([row.port], row.messages)
        yield came
        engine = CounterMetricFamily(
            "routerd_engine_events", "The engine's own counters, as in the status.", labels=["counter"]
        )
        for name, value in self._counters.items():
            engine.add_metric([name], value)
        yield engine
        problems = GaugeMetricFamily("routerd_problems", "Lines of /v1/health, by kind.", labels=["kind"])
        for kind, count in self._problems.items():
            problems.add_metric([kind], count)
        yield problems

    def _last_minute(self) -> Iterator[Metric]:
        rows, traffic = self._figures.minute, self._figures.traffic
        late = _gauge("tick_lateness_seconds", "Lateness of ticks", "port", "percentile")
        deviation = _gauge("tick_interval_deviation_seconds", "|Interval deviation|", "port", "percentile")
        grade = _gauge("port_grade", "1 for the grade that a port has", "port", "grade")
        for port, row in rows.items():
            _add_times(late, row.lateness_us, port)
            _add_times(deviation, row.interval_deviation_us, port)
            for one in Grade:
                grade.add_metric([port, one], float(row.verdict.grade is one))
        yield from (late, deviation, grade)
        wire = _gauge("wire_utilisation_ratio", "Share of a DIN wire in its busiest second", "port")
        for busy in traffic.wires:
            if busy.max_percent is not None:
                wire.add_metric([busy.port], busy.max_percent / 100)
        yield wire
        routing = _gauge(
            "routing_seconds", "From a message's arrival until the last port had it", "percentile"
        )
        _add_times(routing, traffic.routing.us)
        yield routing
        load = _gauge("process_load_ratio", "Mean share of one processor", "process")
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


def _gauge(name: str, words: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"routerd_{name}", f"{words}, over the last minute.", labels=labels)


def metrics_text(figures: CurrentFigures, counters: dict[str, int], problems: Mapping[str, int]) -> bytes:
    """Return the OpenMetrics text of `Measurements.figures`, of the engine's counters, and of what is wrong.

    `problems` counts that by its kind.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(figures, counters, problems))
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


class Metrics:
    """The text of this moment, from a view and its measurements."""

    def __init__(self, view: View, measurements: Measurements) -> None:
        self._view = view
        self._measurements = measurements
        self._made_ns = -FRESH_NS
        self._text = b""

    def text(self) -> bytes:
        """Return the OpenMetrics text, at most FRESH_NS old; takes milliseconds."""
        now_ns = monotonic_ns()
        if now_ns - self._made_ns > FRESH_NS:
            problems = Counter(line.kind for line in lines_of(self._view, now_ns))
            figures = self._measurements.figures(now_ns)
            self._text = metrics_text(figures, self._view.counters, problems)
            self._made_ns = now_ns
        return self._text
