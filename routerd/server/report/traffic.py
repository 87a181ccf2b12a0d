"""How busy wires, routes and processes were, from the totals that the engine reports once a second.

Utilisation is of a DIN wire only: the share of a second that its bytes take at 320 µs each (M1 p. 1, the
MIDI 1.0 Detailed Specification 4.2.1). USB and virtual ports have no limit worth naming; theirs is null.
Routing time is from the arrival of a message until the last port had taken what became of it, and only of
messages that went straight through: what waited for a tick or a busy wire is counted elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from routerd.core.model.rig import WireKind
from routerd.core.units import DIN_BYTE_NS, NS_PER_S, NS_PER_US
from routerd.link.messages import Traffic as TrafficTotals
from routerd.server.report.curves import Timeline
from routerd.server.report.figures import (
    InputTotals,
    Load,
    ProcessLoad,
    RateStep,
    Routing,
    RoutingTimes,
    SongLoad,
    Traffic,
    WireTotals,
    WireTraffic,
)
from routerd.server.report.series import P50, P90, P99, P99_9, percentile_us
from routerd.server.report.statistics import Distribution

_SHORTEST_NS = NS_PER_S // 10
"""Totals that come closer together, after a server was slow, are taken with the next."""


@dataclass(slots=True)
class _Wire:
    """One output: totals, and bytes a second over time."""

    rates: Timeline
    messages: int = 0
    bytes: int = 0
    thinned: int = 0
    most_waiting: int = 0


@dataclass(slots=True)
class _Load:
    """The share of one processor that a process took, in thousandths."""

    timeline: Timeline
    total_ns: int = 0
    over_ns: int = 0
    largest: int = 0

    def add(self, at_ns: int, cpu_ns: int, span_ns: int) -> None:
        share = cpu_ns * 1000 // span_ns
        self.timeline.add(at_ns, share)
        self.total_ns += cpu_ns
        self.over_ns += span_ns
        self.largest = max(self.largest, share)

    def figures(self) -> ProcessLoad:
        mean = self.total_ns / self.over_ns if self.over_ns else 0.0
        return ProcessLoad(mean_percent=round(mean * 100, 1), max_percent=self.largest / 10)


@dataclass(slots=True)
class _Song:
    seconds: float = 0.0
    messages_in: int = 0
    messages_out: int = 0
    engine: int = 0
    """Most of a processor in thousandths."""


@dataclass(slots=True)
class _Totals:
    """The totals of the last second, by name."""

    at_ns: int
    outputs: Mapping[str, tuple[int, int, int]]
    inputs: Mapping[str, int]
    cpu_ns: int
    server_cpu_ns: int


@dataclass(slots=True)
class TrafficLog:
    """Collects totals; memory does not grow with time."""

    started_ns: int
    wires: Mapping[str, WireKind] = field(default_factory=dict)
    """What carries each device's bytes; set it when a rig is loaded."""
    _outputs: dict[str, _Wire] = field(default_factory=dict)
    _inputs: dict[str, int] = field(default_factory=dict)
    _songs: dict[str | None, _Song] = field(default_factory=dict)
    _took: Distribution = field(default_factory=Distribution)
    _engine: _Load | None = None
    _server: _Load | None = None
    _last: _Totals | None = None

    def take(self, totals: TrafficTotals, song: str | None, server_cpu_ns: int) -> None:
        """Take a `traffic` message while `song` is on; `server_cpu_ns` is this process's processor time."""
        last = self._last
        now = _Totals(
            totals.at_ns,
            {one.wire: (one.messages, one.bytes, one.thinned) for one in totals.outputs},
            dict(totals.inputs),
            totals.cpu_ns,
            server_cpu_ns,
        )
        for took_ns, count in totals.took:
            self._took.record(took_ns, count)
        for name, _, _, waiting, _ in totals.outputs:
            wire = self._wire(name)
            wire.most_waiting = max(wire.most_waiting, waiting)
        if last is None:
            self._last = now
        elif now.at_ns - last.at_ns >= _SHORTEST_NS:
            self._compare(last, now, self._songs.setdefault(song, _Song()))
            self._last = now

    def _compare(self, last: _Totals, now: _Totals, song: _Song) -> None:
        span_ns = now.at_ns - last.at_ns
        for name, (messages, size, thinned) in now.outputs.items():
            wire = self._wire(name)
            messages_before, size_before, thinned_before = last.outputs.get(name, (0, 0, 0))
            if messages < messages_before:  # the device was changed and counts anew
                messages_before = size_before = thinned_before = 0
            wire.messages += messages - messages_before
            wire.bytes += size - size_before
            wire.thinned += thinned - thinned_before
            wire.rates.add(now.at_ns, (size - size_before) * NS_PER_S // span_ns)
            song.messages_out += messages - messages_before
        for name, messages in now.inputs.items():
            before = last.inputs.get(name, 0)
            more = messages - before if messages >= before else messages
            self._inputs[name] = self._inputs.get(name, 0) + more
            song.messages_in += more
        if self._engine is None or self._server is None:
            self._engine, self._server = _Load(Timeline(self.started_ns)), _Load(Timeline(self.started_ns))
        cpu_ns = max(0, now.cpu_ns - last.cpu_ns)
        self._engine.add(now.at_ns, cpu_ns, span_ns)
        self._server.add(now.at_ns, max(0, now.server_cpu_ns - last.server_cpu_ns), span_ns)
        song.seconds += span_ns / NS_PER_S
        song.engine = max(song.engine, cpu_ns * 1000 // span_ns)

    def totals(self) -> tuple[tuple[WireTotals, ...], tuple[InputTotals, ...]]:
        """Return no more than the totals of outputs and inputs."""
        wires = (
            WireTotals(name, wire.messages, wire.bytes, wire.thinned) for name, wire in self._outputs.items()
        )
        return tuple(wires), self._input_figures()

    def _input_figures(self) -> tuple[InputTotals, ...]:
        return tuple(InputTotals(name, count) for name, count in self._inputs.items())

    def figures(self) -> Traffic:
        """Return the parts of a report that are about traffic."""
        idle = ProcessLoad(mean_percent=0.0, max_percent=0.0)
        return Traffic(
            wires=tuple(self._wire_figures(name, wire) for name, wire in self._outputs.items()),
            inputs=self._input_figures(),
            routing=self._routing_figures(),
            load=Load(
                engine=self._engine.figures() if self._engine else idle,
                server=self._server.figures() if self._server else idle,
                songs=tuple(
                    SongLoad(
                        song=name,
                        seconds=round(song.seconds, 1),
                        messages_in=song.messages_in,
                        messages_out=song.messages_out,
                        engine_max_percent=song.engine / 10,
                    )
                    for name, song in self._songs.items()
                ),
            ),
        )

    def _wire(self, name: str) -> _Wire:
        wire = self._outputs.get(name)
        if wire is None:
            wire = self._outputs[name] = _Wire(Timeline(self.started_ns))
        return wire

    def _wire_figures(self, name: str, wire: _Wire) -> WireTraffic:
        kind = self.wires.get(name)
        buckets = list(wire.rates)
        largest = max((bucket.largest for bucket in buckets), default=0)
        seconds = sum(bucket.values for bucket in buckets)
        mean = sum(bucket.mean * bucket.values for bucket in buckets) / seconds if seconds else 0.0
        return WireTraffic(
            port=name,
            wire=kind,
            messages=wire.messages,
            bytes=wire.bytes,
            thinned=wire.thinned,
            mean_bytes_per_s=round(mean, 1),
            max_bytes_per_s=largest,
            mean_percent=_utilisation(kind, mean),
            max_percent=_utilisation(kind, largest),
            most_waiting=wire.most_waiting,
            bucket_s=wire.rates.width_ns / NS_PER_S,
            rates=tuple(
                RateStep(at_s=bucket.from_ns / NS_PER_S, mean=round(bucket.mean, 1), max=bucket.largest)
                for bucket in buckets
            ),
        )

    def _routing_figures(self) -> Routing:
        took = self._took
        return Routing(
            messages=took.count,
            us=RoutingTimes(
                p50=percentile_us(took, P50),
                p90=percentile_us(took, P90),
                p99=percentile_us(took, P99),
                p99_9=percentile_us(took, P99_9),
                max=took.largest_ns / NS_PER_US if took.count else None,
            ),
        )


def _utilisation(kind: WireKind | None, bytes_per_s: float) -> float | None:
    if kind is not WireKind.DIN:
        return None
    return round(bytes_per_s * DIN_BYTE_NS / NS_PER_S * 100, 1)


NO_TRAFFIC = TrafficLog(0).figures()
"""Of a time in which nothing but ticks was counted."""
