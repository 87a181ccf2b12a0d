"""The report as one self-contained HTML page: nothing in it asks for anything outside itself.

`python -m routerd.server.report.page` reads a report as JSON on its standard input and writes the page to its
standard output; the server has it made that way, so that plots take none of its memory or time. Texts are
plain; cells of tables are HTML already.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from html import escape

from routerd.link.messages import Realtime
from routerd.printing import clock_words, counted
from routerd.server.report import plots
from routerd.server.report.document import from_json
from routerd.server.report.figures import Figures, Report
from routerd.server.report.text import SEVERAL, named_stretches, remarks, stretch_words

SIGNS = {
    "steady": "✔",
    "pass": "✔",
    "warn": "▲",
    "fair": "●",
    "unsteady": "▲",
    "bad": "✖",
    "failed": "✖",
    "fail": "✖",
    "unknown": "?",
}
"""A shape for every grade, so that none hangs on its colour."""

_STYLE = """
:root{color-scheme:light;--ink:#111;--paper:#fff;--line:#bbb;--soft:#333}
body{font:15px/1.45 system-ui,sans-serif;color:var(--ink);background:var(--paper)}
body{margin:0 auto;padding:1rem;max-width:54rem;overflow-wrap:anywhere}
h1{font-size:1.5rem;margin:.2rem 0}
h2{font-size:1.1rem;margin:1.6rem 0 .4rem;border-bottom:2px solid var(--ink)}
p{margin:.4rem 0}ul{margin:.3rem 0;padding-left:1.3rem}
.scroll{overflow-x:auto}table{border-collapse:collapse;font-size:.8rem;width:100%}
th,td{text-align:right;padding:.2rem .35rem;border-bottom:1px solid var(--line);white-space:nowrap}
th:first-child,td:first-child{text-align:left;font-weight:400}thead th{font-weight:700}
h2.stretch{font-size:1.3rem;border-bottom-width:4px;margin-top:2.6rem}
h3{font-size:1rem;margin:0}.cards{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(18rem,100%),1fr))}
.cards{gap:.6rem}.cards>div{border:1px solid #888;padding:.5rem;break-inside:avoid}
.grade{font-weight:700;white-space:nowrap}
.bad,.failed,.fail{border:2px solid var(--ink);padding:0 .3rem}
.headline{font-size:1.15rem;border:2px solid var(--ink);padding:.5rem .7rem}
.small{font-size:.82rem;color:var(--soft)}
svg{width:100%;height:auto;display:block;max-width:46rem;background:#fff}
figure{margin:.5rem 0;break-inside:avoid}
figcaption{font-size:.85rem}p,li{orphans:3;widows:3}
@media screen and (prefers-color-scheme:dark){
:root{color-scheme:dark;--ink:#eee;--paper:#161616;--line:#555;--soft:#bbb}}
@media print{body{max-width:none;padding:0;font-size:11px}table{font-size:9px}.scroll{overflow:visible}}
@media print{h2,.headline{break-after:avoid}tr,.headline{break-inside:avoid}}
""".strip()

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def render_page(report: Report) -> str:
    """Return the page of a report."""
    return whole_page("Jitter report", report_sections(report, headline=True))


def whole_page(title: str, sections: Iterable[str]) -> str:
    """Return a page of sections under a title."""
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f'<link rel="icon" href="data:,"><title>{title}</title><style>{_STYLE}</style></head><body>',
        f"<header><h1>{title}</h1></header><main>",
        *sections,
        "</main></body></html>",
    ]
    return "\n".join(parts) + "\n"


def report_sections(report: Report, *, headline: bool) -> Iterator[str]:
    """Yield the parts of a page that are about ticks and traffic; `headline` begins with the verdict."""
    if report.earlier:
        yield f"<p>{escape(SEVERAL)}</p>"
        yield list_html(f"{name}: {stretch_words(one)}" for name, one in named_stretches(report))
    for name, one in named_stretches(report):
        if report.earlier:
            yield f'<h2 class="stretch">{escape(name.capitalize())}</h2>'
        yield from _stretch(one, headline=headline)
    yield "<h2>How it is judged</h2>"
    yield f"<p>{escape(report.judged_on)}</p>"
    yield list_html(f"{item.us / 1000:.2f} ms: {item.meaning} ({item.source})" for item in report.thresholds)
    yield "<h2>What it cannot see</h2>" + list_html(report.limits)


def _stretch(report: Report, *, headline: bool) -> Iterator[str]:
    """Yield the figures and plots of one stretch."""
    overall = report.overall
    if headline:
        words = f"{grade_html(overall.verdict.grade)}: {escape(overall.verdict.words)}."
        yield f'<p class="headline">{words}</p>'
    kind = f" ({escape(report.ports_kind)})" if report.ports_kind else ""
    yield (
        f"<p>{escape(clock_words(report.duration_s))}, {counted(overall.ticks, 'tick')} on "
        f"{counted(len(report.ports), 'port')}{kind}. {_realtime(report.realtime)}</p>"
    )
    if report.silent_s is not None:
        yield f"<p><strong>No ticks for the last {report.silent_s} s.</strong></p>"
    if overall.verdict.advice:
        yield "<h2>What to do</h2>" + list_html(overall.verdict.advice)
    if found := remarks(report):
        yield "<h2>What was found</h2>" + list_html(found)
    yield "<h2>Ticks by port and song</h2>"
    rows: list[tuple[str, Figures]] = [("all ports", overall)]
    rows += [(row.port, row) for row in report.ports]
    rows += [(f"in {row.song or '(no song)'}", row) for row in report.songs]
    yield _tick_table(rows)
    yield from _plots(report)
    yield from _traffic(report)


def _tick_table(rows: Sequence[tuple[str, Figures]]) -> str:
    head = ("", "verdict", "ticks", "p50", "p99", "p99.9", "max", "dev. p99.9", "dev. max", "missed",
            "stalls", "drift, ppm")  # fmt: skip
    body = []
    for name, row in rows:
        late, deviation, drift = row.lateness_us, row.interval_deviation_us, row.drift
        slope = f"{drift.ppm:+.2f} ± {drift.uncertainty_ppm:.2f}" if drift else "–"
        cells = [escape(name), grade_html(row.verdict.grade), str(row.ticks)]
        cells += [micro(late.p50), micro(late.p99), micro(late.p99_9), micro(late.max)]
        cells += [micro(deviation.p99_9), micro(deviation.max)]
        lost = str(row.missed) + (f" + {row.doubled} doubled" if row.doubled else "")
        cells += [lost, str(row.stalls), slope]
        body.append(cells)
    note = '<p class="small">Lateness, and dev., the size of interval deviation, in µs.</p>'
    return table_html(head, body) + note


def _plots(report: Report) -> Iterator[str]:
    if any(curve.lateness for curve in report.curves):
        yield "<h2>Lateness over time</h2>"
        caption = (
            "Band: smallest to largest in each step; dotted black: mean; dashed grey: song changes; "
            "fine grey: 1, 3 and 6 ms."
        )
        yield _figure(plots.lateness_over_time(report), caption)
        yield "<h2>Distribution of lateness</h2>"
        yield _figure(plots.distributions(report), "Black lines: percentiles over all ports.")
    if any(curve.mtie for curve in report.curves):
        yield "<h2>Stability over observation time</h2>"
        caption = (
            "MTIE (with markers): largest peak-to-peak lateness within any such time. TDEV (plain lines): "
            "how much averages over that time wander. Flat is good; a rising MTIE is drift."
        )
        yield _figure(plots.stability(report), caption)
    if any(wire.max_percent is not None and wire.rates for wire in report.wires):
        yield "<h2>Wire utilisation</h2>"
        yield _figure(plots.wire_utilisation(report), "The busiest second of each step.")


def _figure(svg: str, caption: str) -> str:
    return f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"


def _traffic(report: Report) -> Iterator[str]:
    yield "<h2>Traffic and load</h2>"
    head = ("port", "wire", "messages", "bytes", "mean B/s", "busiest B/s", "busiest %", "thinned", "waited")
    rows = [
        [
            escape(wire.port),
            escape(wire.wire or "–"),
            str(wire.messages),
            str(wire.bytes),
            f"{wire.mean_bytes_per_s:.0f}",
            f"{wire.max_bytes_per_s:.0f}",
            "–" if wire.max_percent is None else f"{wire.max_percent:.0f}",
            str(wire.thinned),
            str(wire.most_waiting),
        ]
        for wire in report.wires
    ]
    yield table_html(head, rows)
    routing, load = report.routing, report.load
    times = ", ".join(
        f"{words} {micro(value)}"
        for words, value in (
            ("p50", routing.us.p50),
            ("p99", routing.us.p99),
            ("p99.9", routing.us.p99_9),
            ("max", routing.us.max),
        )
    )
    yield (
        f"<p>{counted(routing.messages, 'message')} routed at once, from arrival to the last port in µs: "
        f"{times}. Engine {load.engine.mean_percent} % of a processor (peak {load.engine.max_percent} %), "
        f"server {load.server.mean_percent} % (peak {load.server.max_percent} %).</p>"
    )


def _realtime(realtime: Realtime | None) -> str:
    if realtime is None:
        return "Real-time scheduling: not known."
    if realtime.scheduling == "fifo":
        memory = "memory locked" if realtime.memory_locked else "memory NOT locked"
        return f"Real-time scheduling: on, priority {realtime.priority}, {memory}."
    return f"Real-time scheduling: OFF. {escape(realtime.remedy or '')}"


def grade_html(grade: str) -> str:
    """Return a grade as its sign and word."""
    return f'<span class="grade {escape(grade)}">{SIGNS.get(grade, "")} {escape(grade)}</span>'


def list_html(items: Iterable[str]) -> str:
    """Return a list of plain texts."""
    return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def table_html(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table of cells that are HTML already; on a narrow screen it scrolls by itself."""
    top = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head[1:])
    top = (f'<th scope="col">{escape(head[0])}</th>' if head[0] else "<td></td>") + top
    body = "".join(
        f'<tr><th scope="row">{first}</th>{"".join(f"<td>{cell}</td>" for cell in cells)}</tr>'
        for first, *cells in rows
    )
    table = f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    return f'<div class="scroll" tabindex="0" role="group" aria-label="Table">{table}</div>'


def micro(value_us: float | None) -> str:
    """Return µs in few characters; a dash for none."""
    if value_us is None:
        return "–"
    return f"{value_us:.1f}" if abs(value_us) < 100 else f"{value_us:.0f}"


def serve(render: Callable[[bytes], str]) -> int:
    """Turn the JSON on standard input into a page on standard output; return the exit status."""
    calm = max(5, os.getpriority(os.PRIO_PROCESS, 0))  # to go back from a calmer one is not permitted
    os.setpriority(os.PRIO_PROCESS, 0, calm)  # the show comes first
    sys.stdout.write(render(sys.stdin.buffer.read()))
    return 0


if __name__ == "__main__":
    sys.exit(serve(lambda text: render_page(from_json(Report, text))))
