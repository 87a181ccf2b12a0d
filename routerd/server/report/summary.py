"""From what was collected of ticks to the figures of a report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from routerd.core.units import NS_PER_S
from routerd.server.report.figures import (
    SCHEMA_VERSION,
    Conditions,
    Curves,
    PortFigures,
    Report,
    SongFigures,
    SongMark,
    Traffic,
)
from routerd.server.report.series import Series, figures_of
from routerd.server.report.verdict import THRESHOLDS, judge_all

_SILENT_NS = 2 * NS_PER_S

JUDGED = (
    "Jitter is judged on p99.9 of |interval deviation|, delay on p50 of lateness, wander on p99.9 minus "
    "p50 of lateness; stalls, missed and doubled ticks on every one. The limits are what listeners and "
    "players notice in notes, not limits of clock ticks: we know of no published one, and many sequencers "
    "smooth what they follow. The rows of all ports and of songs count every port's ticks."
)
_LIMITS = (
    "Measured on the sending side: the cable, the buffer of the interface and the device itself "
    "are not included.",
    "Lateness and drift are against this computer's own clock; whether that runs true cannot be seen "
    "from here.",
    "Percentiles are rounded up by at most 1 % or 64 ns; least and largest are exact. The uncertainty of "
    "drift (about 95 %) takes the errors of ticks as independent.",
)
_SIMULATED = (
    "The ports were simulated: this shows how well this computer keeps time, and nothing about real ports."
)
RESTARTED = "This report begins with the last start of the server"
_RESTARTED = (
    f"{RESTARTED}, which was start {{}} of this show; what earlier ones have measured is in the "
    "show's record (`routerd report SHOW`)."
)


class Collected(NamedTuple):
    """What a report is made from; `last_ns` is when the last tick was sent, None before the first."""

    started_ns: int
    last_ns: int | None
    ports: Mapping[str, Series]
    songs: Mapping[str | None, Series]
    song_changes: tuple[SongMark, ...]
    curves: tuple[Curves, ...]


def summarize(collected: Collected, now_ns: int, conditions: Conditions, traffic: Traffic) -> Report:
    """Return the whole report."""
    started_ns = collected.started_ns
    whole = Series(started_ns)
    for series in collected.ports.values():
        whole.merge(series)
    overall, ports, songs = judge_all(
        figures_of(whole),
        [PortFigures(port=name, **vars(figures_of(one))) for name, one in collected.ports.items()],
        [SongFigures(song=name, **vars(figures_of(one))) for name, one in collected.songs.items()],
        conditions.realtime,
    )
    return Report(
        schema=SCHEMA_VERSION,
        duration_s=round((now_ns - started_ns) / NS_PER_S, 3),
        ports_kind=conditions.ports_kind,
        realtime=conditions.realtime,
        silent_s=_silent_s(now_ns, collected.last_ns),
        overall=overall,
        ports=ports,
        songs=songs,
        thresholds=THRESHOLDS,
        judged_on=JUDGED,
        limits=tuple(_limits(conditions)),
        song_changes=collected.song_changes,
        curves=collected.curves,
        wires=traffic.wires,
        inputs=traffic.inputs,
        routing=traffic.routing,
        load=traffic.load,
    )


def _limits(conditions: Conditions) -> Iterator[str]:
    yield from _LIMITS
    if conditions.ports_kind == "simulated":
        yield _SIMULATED
    if conditions.starts > 1:
        yield _RESTARTED.format(conditions.starts)


def _silent_s(now_ns: int, last_ns: int | None) -> float | None:
    if last_ns is None or now_ns - last_ns < _SILENT_NS:
        return None
    return round((now_ns - last_ns) / NS_PER_S, 1)
