"""The jitter report for a terminal: plain text, 100 columns, readable without colour."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence

from routerd.link.messages import Realtime
from routerd.printing import clock_words, counted
from routerd.server.report.figures import Figures, Grade, Report
from routerd.server.report.verdict import ALLOW_REALTIME, AT_AN_INSTANT, shared_moment, worst_of

WIDTH = 100
_NAME = 22


def render_text(report: Report, *, advised: bool = False) -> str:
    """Return `report` as text that ends with a newline; `advised`: what to do stands above already."""
    stretches = report.stretches
    lines = ["JITTER REPORT"]
    if len(stretches) > 1:
        lines += [
            *_wrap(SEVERAL),
            *(f"  {name}: {stretch_words(one)}" for name, one in named_stretches(report)),
        ]
    for name, one in named_stretches(report):
        lines += [*(["", "", name.upper()] if len(stretches) > 1 else []), *_body(one, advised=advised)]
    lines += [
        *_wrap(f"How it is judged. {report.judged_on}"),
        *(
            line
            for item in report.thresholds
            for line in _wrap(
                f"{item.us / 1000:>5.2f} ms  {item.meaning} ({item.source})", indent="          "
            )
        ),
        "",
        *_list("What it cannot see", report.limits),
    ]
    return "\n".join(line.rstrip() for line in lines).rstrip() + "\n"


SEVERAL = (
    "The server was started again in this show, and each start has measured for itself. Percentiles cannot "
    "be added up, so every stretch has its own figures; what went out between two of them is in none."
)
"""Stands at the top of a report of several stretches."""


def named_stretches(report: Report) -> list[tuple[str, Report]]:
    """Return the stretches of a report with what they are called."""
    of = len(report.stretches)
    return [(f"stretch {number} of {of}", one) for number, one in enumerate(report.stretches, 1)]


def stretch_words(report: Report) -> str:
    """Return a stretch in one line."""
    overall = report.overall
    ticks, missed = counted(overall.ticks, "tick"), f", {overall.missed} missed" if overall.missed else ""
    return f"{clock_words(report.duration_s)}, {ticks}{missed}: {overall.verdict.grade}"


def _body(report: Report, *, advised: bool) -> Iterator[str]:
    """Yield the figures of one stretch."""
    advice = report.overall.verdict.advice
    remedy = (report.realtime.remedy if report.realtime else "") or ""
    rows: list[tuple[str, Figures]] = [("all ports", report.overall)]
    rows += [(row.port, row) for row in report.ports]
    songs: list[tuple[str, Figures]] = [(row.song or "(no song)", row) for row in report.songs]
    yield from _head(report, remedy if advised else " ".join(advice))
    yield ""
    if not advised:
        yield from _list("What to do", advice)
    yield from _list("What was found", remarks(report))
    yield from _table("port", rows)
    yield ""
    if songs:
        yield from _table("song", songs)
        yield ""
    yield from _counts([*rows, *songs])
    yield ""


def _head(report: Report, advised: str) -> Iterator[str]:
    overall = report.overall
    verdict = overall.verdict
    kind = f" ({report.ports_kind})" if report.ports_kind else ""
    ticks, ports = counted(overall.ticks, "tick"), counted(len(report.ports), "port")
    yield f"{clock_words(report.duration_s)}, {ticks} on {ports}{kind}"
    yield from _wrap(f"Verdict: {verdict.grade.upper()}: {verdict.words}.")
    if report.silent_s is not None:
        yield f"NO TICKS for the last {report.silent_s} s: the clock has stopped, or its records are lost."
    yield from _realtime(report.realtime, advised)


def _realtime(realtime: Realtime | None, advised: str) -> Iterator[str]:
    if realtime is None:
        yield "Real-time scheduling: not known."
    elif realtime.scheduling == "fifo":
        memory = "memory locked" if realtime.memory_locked else "memory NOT locked"
        yield f"Real-time scheduling: on, priority {realtime.priority}, {memory}."
    else:
        remedy = realtime.remedy or ALLOW_REALTIME
        how = "" if remedy in advised else f" To allow it: {remedy}."
        yield from _wrap(f"Real-time scheduling: OFF, ticks wait behind other work.{how}")


_TIMES: tuple[tuple[str, Callable[[Figures], float | None]], ...] = (
    ("p50", lambda row: row.lateness_us.p50),
    ("p99", lambda row: row.lateness_us.p99),
    ("p99.9", lambda row: row.lateness_us.p99_9),
    ("max", lambda row: row.lateness_us.max),
    ("p50", lambda row: row.interval_deviation_us.p50),
    ("p99", lambda row: row.interval_deviation_us.p99),
    ("p99.9", lambda row: row.interval_deviation_us.p99_9),
    ("max", lambda row: row.interval_deviation_us.max),
)


def _table(heading: str, rows: list[tuple[str, Figures]]) -> Iterator[str]:
    pad = " " * (_NAME + 8)
    yield f"{pad}{'lateness in µs':>28}  {'|interval deviation| in µs':>28}"
    titles = [f"{title:>7}" for title, _ in _TIMES]
    yield f"{heading:<{_NAME}}{'ticks':>8}{''.join(titles[:4])}  {''.join(titles[4:])}  verdict"
    for name, row in rows:
        cells = [f"{_micro(get(row)):>7}" for _, get in _TIMES]
        grade = row.verdict.grade
        yield f"{_short(name)}{row.ticks:>8}{''.join(cells[:4])}  {''.join(cells[4:])}  {grade}"


def _counts(rows: list[tuple[str, Figures]]) -> Iterator[str]:
    yield (
        f"{'':<{_NAME}}{'missed':>7}{'doubled':>8}{'stalls':>7}{'not recorded':>13}{'port closed':>12}"
        f"{'earliest':>10}{'drift, ppm':>21}"
    )
    for name, row in rows:
        drift = row.drift
        slope = f"{drift.ppm:+.2f} ± {drift.uncertainty_ppm:.2f}" if drift else "–"
        yield (
            f"{_short(name)}{row.missed:>7}{row.doubled:>8}{row.stalls:>7}{row.not_recorded:>13}"
            f"{row.port_closed:>12}{_micro(row.lateness_us.min):>10}{slope:>21}"
        )


def remarks(report: Report) -> list[str]:
    """Return what each port and song shows; what all ports show at the same moment is one cause."""
    rows: list[tuple[str, Figures]] = [(row.port, row) for row in report.ports]
    rows += [(row.song or "(no song)", row) for row in report.songs]
    lines = []
    shared = shared_moment(report.ports)
    if shared is not None:
        words = worst_of(report.ports).verdict.words
        lines.append(
            f"every port at the same moment, {clock_words(shared)}, so it is this computer's: {words}."
        )
    for name, row in rows:
        if row.verdict.grade is Grade.STEADY or (shared is not None and row in report.ports):
            continue
        at_s = row.worst_at_s
        is_instant = bool(AT_AN_INSTANT & set(row.verdict.findings))
        when = f"; worst at {clock_words(at_s)}" if is_instant and at_s is not None else ""
        lines.append(f"{name}: {row.verdict.words}{when}.")
    return lines


def _list(title: str, items: Sequence[str]) -> Iterator[str]:
    if not items:
        return
    yield f"{title}."
    for item in items:
        yield from textwrap.wrap(item, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    yield ""


def _wrap(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent)


def _short(name: str) -> str:
    return f"{name if len(name) < _NAME else name[: _NAME - 2] + '…':<{_NAME}}"


def _micro(value_us: float | None) -> str:
    """Return µs in at most seven characters; a second and more with its unit; a dash for none."""
    if value_us is None:
        return "–"
    if abs(value_us) >= 1_000_000:
        return f"{value_us / 1_000_000:.1f}s"
    return f"{value_us:.1f}" if abs(value_us) < 100 else f"{value_us:.0f}"
