"""The report as one self-contained HTML page: nothing in it asks for anything outside itself.

`python -m routerd.server.report.page` reads a report or a soundcheck as JSON on its standard input
and writes the page to its standard output; the server has it made that way, so that plots take none
of its memory or time.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from html import escape
from typing import Any

from routerd.server.report import plots
from routerd.server.report.markup import clock_words, grade_html, list_html, micro, table_html
from routerd.server.report.sections import soundcheck_sections

Plain = dict[str, Any]

_STYLE = """
:root{color-scheme:light}
body{font:15px/1.45 system-ui,sans-serif;color:#111;background:#fff}
body{margin:0 auto;padding:1rem;max-width:54rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.1rem;margin:1.6rem 0 .4rem;border-bottom:2px solid #111}
p{margin:.4rem 0}ul{margin:.3rem 0;padding-left:1.3rem}
.scroll{overflow-x:auto}table{border-collapse:collapse;font-size:.8rem;width:100%}
th,td{text-align:right;padding:.2rem .35rem;border-bottom:1px solid #bbb;white-space:nowrap}
th:first-child,td:first-child{text-align:left}
h3{font-size:1rem;margin:0}.cards{display:grid;grid-template-columns:repeat(auto-fill,minmax(18rem,1fr));gap:.6rem}
.cards>div{border:1px solid #888;padding:.5rem;break-inside:avoid}.grade{font-weight:700;white-space:nowrap}
.bad,.failed,.fail{border:2px solid #111;padding:0 .3rem}
.headline{font-size:1.15rem;border:2px solid #111;padding:.5rem .7rem}
.small{font-size:.82rem;color:#333}
svg{width:100%;height:auto;display:block;max-width:46rem}figure{margin:.5rem 0;break-inside:avoid}
figcaption{font-size:.85rem}
@media print{body{max-width:none;padding:0;font-size:11px}table{font-size:9px}}
@media print{h2{break-after:avoid}tr{break-inside:avoid}}
""".strip()

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def render_page(document: Plain) -> str:
    """Return the page of a report (REPORT_SCHEMA) or of a soundcheck (SOUNDCHECK_SCHEMA)."""
    soundcheck = document if document.get("kind") == "soundcheck" else None
    report: Plain = document["report"] if soundcheck is not None else document
    title = "Soundcheck" if soundcheck is not None else "Jitter report"
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f'<link rel="icon" href="data:,"><title>{title}</title><style>{_STYLE}</style></head><body>',
        f"<h1>{title}</h1>",
        *(soundcheck_sections(soundcheck) if soundcheck is not None else ()),
        *_report(report, headline=soundcheck is None),
        "</body></html>",
    ]
    return "\n".join(parts) + "\n"


def _report(report: Plain, *, headline: bool) -> Iterator[str]:
    overall = report["overall"]
    if headline:
        words = f"{grade_html(overall['verdict']['grade'])}: {escape(overall['verdict']['words'])}."
        yield f'<p class="headline">{words}</p>'
    kind = f" ({escape(report['ports_kind'])})" if report["ports_kind"] else ""
    yield (
        f"<p>{escape(clock_words(report['duration_s']))}, {overall['ticks']} ticks on "
        f"{len(report['ports'])} ports{kind}. {_realtime(report['realtime'])}</p>"
    )
    if report["silent_s"] is not None:
        yield f"<p><strong>No ticks for the last {report['silent_s']} s.</strong></p>"
    if overall["verdict"]["advice"]:
        yield "<h2>What to do</h2>" + list_html(overall["verdict"]["advice"])
    yield "<h2>Ticks by port and song</h2>"
    rows = [("all ports", overall)]
    rows += [(row["port"], row) for row in report["ports"]]
    rows += [(f"in {row['song'] or '(no song)'}", row) for row in report["songs"]]
    yield _tick_table(rows)
    yield from _plots(report)
    yield from _traffic(report)
    yield "<h2>How it is judged</h2>"
    yield f"<p>{escape(report['judged_on'])}</p>"
    yield list_html(
        f"{item['us'] / 1000:.2f} ms: {item['meaning']} ({item['source']})" for item in report["thresholds"]
    )
    yield "<h2>What it cannot see</h2>" + list_html(report["limits"])


def _tick_table(rows: Sequence[tuple[str, Plain]]) -> str:
    head = ("", "verdict", "ticks", "p50", "p99", "p99.9", "max", "dev. p99.9", "dev. max", "missed",
            "stalls", "drift, ppm")  # fmt: skip
    body = []
    for name, row in rows:
        late, deviation, drift = row["lateness_us"], row["interval_deviation_us"], row["drift"]
        slope = f"{drift['ppm']:+.2f} ± {drift['uncertainty_ppm']:.2f}" if drift else "–"
        cells = [escape(name), grade_html(row["verdict"]["grade"]), str(row["ticks"])]
        cells += [micro(late[key]) for key in ("p50", "p99", "p99_9", "max")]
        cells += [micro(deviation[key]) for key in ("p99_9", "max")]
        lost = str(row["missed"]) + (f" + {row['doubled']} doubled" if row["doubled"] else "")
        cells += [lost, str(row["stalls"]), slope]
        body.append(cells)
    note = '<p class="small">Lateness, and dev., the size of interval deviation, in µs.</p>'
    return table_html(head, body) + note


def _plots(report: Plain) -> Iterator[str]:
    if any(curve["lateness"] for curve in report["curves"]):
        yield "<h2>Lateness over time</h2>"
        caption = (
            "Band: least to largest of each step; dotted black: mean; dashed grey: song changes; fine grey: "
            "1, 3 and 6 ms."
        )
        yield _figure(plots.lateness_over_time(report), caption)
        yield "<h2>Distribution of lateness</h2>"
        yield _figure(plots.distributions(report), "Black lines: percentiles over all ports.")
    if any(curve["mtie"] for curve in report["curves"]):
        yield "<h2>Stability over observation time</h2>"
        caption = (
            "MTIE (with markers): largest peak-to-peak lateness within any such time. TDEV (plain lines): "
            "how much averages over that time wander. Flat is good; a rising MTIE is drift."
        )
        yield _figure(plots.stability(report), caption)
    if any(wire["max_percent"] is not None and wire["rates"] for wire in report.get("wires", ())):
        yield "<h2>Wire utilisation</h2>"
        yield _figure(plots.wire_utilisation(report), "The busiest second of each step.")


def _figure(svg: str, caption: str) -> str:
    return f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"


def _traffic(report: Plain) -> Iterator[str]:
    if "wires" not in report:
        return
    yield "<h2>Traffic and load</h2>"
    head = ("port", "wire", "messages", "bytes", "mean B/s", "busiest B/s", "busiest %", "thinned", "waited")
    rows = [
        [
            escape(wire["port"]),
            escape(wire["wire"] or "–"),
            str(wire["messages"]),
            str(wire["bytes"]),
            f"{wire['mean_bytes_per_s']:.0f}",
            f"{wire['max_bytes_per_s']:.0f}",
            "–" if wire["max_percent"] is None else f"{wire['max_percent']:.0f}",
            str(wire["thinned"]),
            str(wire["most_waiting"]),
        ]
        for wire in report["wires"]
    ]
    yield table_html(head, rows)
    routing, load = report["routing"], report["load"]
    times = ", ".join(f"{words} {micro(routing['us'][key])}" for key, words in _ROUTING)
    yield (
        f"<p>{routing['messages']} messages routed at once, from arrival to the last port in µs: {times}. "
        f"Engine {load['engine']['mean_percent']} % of a processor (most {load['engine']['max_percent']} %), "
        f"app {load['server']['mean_percent']} % (most {load['server']['max_percent']} %).</p>"
    )


_ROUTING = (("p50", "p50"), ("p99", "p99"), ("p99_9", "p99.9"), ("max", "max"))


def _realtime(realtime: Plain | None) -> str:
    if realtime is None:
        return "Real-time scheduling: not known."
    if realtime.get("scheduling") == "fifo":
        memory = "memory locked" if realtime.get("memory_locked") else "memory NOT locked"
        return f"Real-time scheduling: on, priority {realtime.get('priority')}, {memory}."
    return f"Real-time scheduling: OFF. {escape(realtime.get('remedy') or '')}"


def main() -> int:
    """Turn JSON into a page; return the exit status."""
    os.nice(5)  # the show comes first
    sys.stdout.write(render_page(json.load(sys.stdin)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
