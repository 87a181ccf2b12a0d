"""Makes the report's plain values from what was collected."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any, NamedTuple

from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.server.report.advice import advise
from routerd.server.report.distribution import Values
from routerd.server.report.series import Series
from routerd.server.report.stats import common_slope, count_needed
from routerd.server.report.thresholds import ALL, STEADY, heard_ns
from routerd.server.report.verdict import Finding, Grade, Row, judge, shared

SCHEMA_VERSION = 1

PERCENTILES = {"p50": Fraction(50), "p99": Fraction(99), "p99_9": Fraction("99.9")}

_SILENT_NS = 2 * NS_PER_S

JUDGED = (
    "Jitter is judged on p99.9 of |interval deviation|, delay on p50 of lateness, wander on p99.9 minus "
    "p50 of lateness, stalls, missed and doubled ticks on every one. The limits are what listeners and "
    "players notice in notes, not limits of clock ticks: we know of no published one, and many sequencers "
    "smooth what they follow. The rows of all ports and of songs count every port's ticks."
)
_LIMITS = (
    "Measured on the sending side: the cable, the buffer of the interface and the device itself "
    "are not in it.",
    "Lateness and drift are against this computer's own clock; whether that runs true cannot be seen "
    "from here.",
    "Percentiles are rounded up by at most 1 % or 64 ns; least and largest are exact. The uncertainty of "
    "drift (about 95 %) takes the errors of ticks as independent.",
)
_SIMULATED = (
    "The ports were simulated: this says how well this computer keeps time, and nothing about real ports."
)


class Collected(NamedTuple):
    """What a report is made from; `last_ns` is when the last tick was sent, None before the first."""

    started_ns: int
    last_ns: int | None
    ports: Mapping[str, Series]
    songs: Mapping[str | None, Series]


def build(collected: Collected, now_ns: int, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return the whole report; `facts` as TickLog.report takes them."""
    started_ns, last_ns, ports, songs = collected
    whole = Series(started_ns)
    for series in ports.values():
        whole.merge(series)
    realtime = facts.get("realtime")
    kind = facts.get("ports")
    port_rows = [{"port": name, **_row(series)} for name, series in ports.items()]
    song_rows = [{"song": name, **_row(series)} for name, series in songs.items()]
    overall = _row(whole)
    rows = _judge_all(overall, port_rows, song_rows, realtime)
    return {
        "schema": SCHEMA_VERSION,
        "duration_s": round((now_ns - started_ns) / NS_PER_S, 3),
        "ports_kind": kind,
        "realtime": realtime,
        "silent_s": _silent_s(now_ns, last_ns),
        **rows,
        "thresholds": [{"us": t.ns / NS_PER_US, "meaning": t.meaning, "source": t.source} for t in ALL],
        "judged_on": JUDGED,
        "limits": [*_LIMITS, *([_SIMULATED] if kind == "simulated" else [])],
    }


def _judge_all(
    overall: Row, ports: list[Row], songs: list[Row], realtime: Mapping[str, Any] | None
) -> dict[str, Any]:
    """Add a verdict to every row; the worst row decides the overall one, or pooling would hide it."""
    advice: list[str] = []
    seen: list[str] = []
    for row in ports:
        others = [other for other in ports if other is not row]
        grade, found, words = judge(row)
        own = [
            advise(f.kind, None if shared(f.kind, row, others) else row["port"], realtime)
            for f in _to_advise(found)
        ]
        row["verdict"] = _verdict(grade, found, words, own)
        advice += own
        seen += [finding.kind for finding in found]
    for row in songs:
        grade, found, words = judge(row)
        # where a port shows it too its advice has been given, and knows better whom it concerns
        own = [advise(f.kind, None, realtime) for f in _to_advise(found) if f.kind not in seen]
        row["verdict"] = _verdict(grade, found, words, own)
        advice += own
    grade, found, words = judge(overall)
    worst = max([grade, *(Grade[row["verdict"]["grade"].upper()] for row in ports + songs)])
    if worst > Grade.STEADY:
        words += f"; {worst.word} on {_where(ports, worst, 'port')}, in {_where(songs, worst, 'song')}"
    overall["verdict"] = _verdict(worst, found, words, list(dict.fromkeys(advice)))
    return {"overall": overall, "ports": ports, "songs": songs}


def _to_advise(found: list[Finding]) -> list[Finding]:
    """Leave out stalls where ticks were given up in them: the advice on those says more."""
    kinds = {finding.kind for finding in found}
    return [finding for finding in found if finding.kind != "stall" or "missed" not in kinds]


def _where(rows: list[Row], grade: Grade, noun: str) -> str:
    names = [row[noun] or "no song" for row in rows if row["verdict"]["grade"] == grade.word]
    if not names:
        return f"no single {noun}"
    return f"every {noun}" if len(names) == len(rows) > 1 else ", ".join(names)


def _verdict(grade: Grade, found: list[Finding], words: str, advice: list[str]) -> dict[str, Any]:
    return {
        "grade": grade.word,
        "findings": [finding.kind for finding in found],
        "words": words,
        "advice": advice,
    }


def minute_row(series: Series) -> Row:
    """Return the figures of a series with its verdict, as of a port of a report."""
    row = _row(series)
    grade, found, words = judge(row)
    return {**row, "verdict": _verdict(grade, found, words, [])}


def _row(series: Series) -> Row:
    lateness, deviation = series.lateness, series.deviation
    worst_ns = series.worst_due_ns
    return {
        "ticks": series.ticks,
        "missed": series.missed,
        "doubled": series.doubled,
        "unrecorded": series.unrecorded,
        "away": series.away,
        "stalls": series.stalls,
        "longest_stall_us": _us(series.longest_stall_ns),
        "lateness_us": {
            **_percentiles(lateness),
            "max": _us(lateness.largest_ns) if lateness.count else None,
            "min": _us(lateness.least_ns) if lateness.count else None,
        },
        "interval_deviation_us": {
            **_percentiles(deviation),
            "max": _us(deviation.largest_ns) if deviation.count else None,
        },
        "worst_at_s": None if worst_ns is None else round((worst_ns - series.started_ns) / NS_PER_S, 3),
        "drift": _drift(series),
        "heard_us": _us(heard_ns(series.shortest_interval_ns)),
    }


def _percentiles(distribution: Values) -> dict[str, float | None]:
    """Return each percentile, or None where there are too few values for it to mean anything."""
    return {
        name: _us(distribution.percentile_ns(percentile))
        if distribution.count >= count_needed(percentile)
        else None
        for name, percentile in PERCENTILES.items()
    }


def _drift(series: Series) -> dict[str, Any] | None:
    slope = common_slope(series.lines.values())
    if slope is None:
        return None
    accumulated_us = slope.ppm * slope.span_ns / 1e9  # 1 ppm of 1 s is 1 µs
    found = abs(slope.ppm) > slope.uncertainty_ppm and abs(accumulated_us) > STEADY.ns / NS_PER_US
    return {
        "ppm": round(slope.ppm, 4),
        "uncertainty_ppm": round(slope.uncertainty_ppm, 4),
        "accumulated_us": round(accumulated_us, 1),
        "found": found,
    }


def _silent_s(now_ns: int, last_ns: int | None) -> float | None:
    if last_ns is None or now_ns - last_ns < _SILENT_NS:
        return None
    return round((now_ns - last_ns) / NS_PER_S, 1)


def _us(value_ns: int) -> float:
    return value_ns / NS_PER_US
