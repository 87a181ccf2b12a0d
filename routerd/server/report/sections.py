"""The parts of a page that only a soundcheck has."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Any

from routerd.server.report.markup import grade_html, list_html, micro, table_html

Plain = dict[str, Any]


def soundcheck_sections(document: Plain) -> Iterator[str]:
    """Yield the parts in their order: the verdict first, then why, then what was done."""
    yield from _headline(document)
    yield from _devices(document)
    yield from _comparison(document["comparison"])
    yield from _machine(document)
    yield from _loops(document)
    yield from _roll_call(document)
    yield from _changes(document)
    yield from _stages(document)
    yield "<h2>Cautions</h2>" + list_html(document["cautions"])


def _headline(document: Plain) -> Iterator[str]:
    failed = [one["device"] for one in document["devices"] if one["verdict"] == "fail"]
    grade, words = ("fail", f"look after {', '.join(failed)}") if failed else ("pass", "every device passed")
    unknown = [one["device"] for one in document["devices"] if one["verdict"] == "unknown"]
    if unknown and not failed:
        grade, words = "unknown", f"not enough was measured of {', '.join(unknown)}"
    if document["ended"] != "complete":
        words += f" (the run did not go to its end: {document['ended']})"
    yield f'<p class="headline">{grade_html(grade)}: {escape(words)}.</p>'
    yield (
        f"<p>{escape(document['rig'])}, {escape(document['set_list'])}, {escape(document['began'])}, "
        f"kept as {escape(document['name'])}.</p>"
    )


def _devices(document: Plain) -> Iterator[str]:
    yield '<h2>Every device</h2><div class="cards">'
    for one in document["devices"]:
        yield (
            f"<div><h3>{grade_html(one['verdict'])} {escape(one['title'])}</h3>"
            f'<p class="small">measured: {escape(one["measured"])}</p>{list_html(one["why"])}'
        )
        yield "".join(f"<p><strong>To do:</strong> {escape(item)}</p>" for item in one["todo"]) + "</div>"
    yield "</div>"


def _comparison(comparison: Plain) -> Iterator[str]:
    yield "<h2>Against earlier soundchecks</h2>"
    if comparison["last"] is None:
        yield "<p>There is none of this rig yet that went to its end.</p>"
        return
    for key, words in (("last", "the last one"), ("best", "the best one")):
        one = comparison[key]
        yield f"<p><strong>Than {words}</strong> ({escape(one['name'])}):</p>"
        worse = [f"worse: {item}" for item in one["worse"]] or ["nothing is worse"]
        yield list_html(worse + [f"better: {item}" for item in one["better"]])


def _machine(document: Plain) -> Iterator[str]:
    if not document["machine"]:
        return
    yield "<h2>This machine</h2><ul>"
    for one in document["machine"]:
        remedy = f" <strong>To do:</strong> {escape(one['remedy'])}" if one["remedy"] else ""
        words = f"{escape(one['fact'])}: {escape(one['words'])}."
        yield f"<li>{grade_html(one['grade'])} {words}{remedy}</li>"
    yield "</ul>"


def _loops(document: Plain) -> Iterator[str]:
    yield "<h2>Measured from outside</h2>"
    if not document["loops"]:
        yield (
            "<p>No loop was measured: all figures are of the sending side, and interface, cable and "
            "instrument are not in them.</p>"
        )
        return
    rows = []
    for one in document["loops"]:
        ticks, probes = one["tick_latency_us"], one["latency_us"]
        rows.append(
            [
                f"{escape(one['device'])} to {escape(one['hears'])}",
                f"{one['lost']} of {one['probes']}",
                *(micro(probes[key]) for key in ("min", "p50", "p99", "max")),
                micro(one["wire_us"]),
                str(one["ticks"]),
                *(micro(ticks[key]) for key in ("min", "p50", "p99", "max")),
            ]
        )
    head = (
        "loop",
        "probes lost",
        "min",
        "p50",
        "p99",
        "max",
        "of it wire",
        "ticks",
        "min",
        "p50",
        "p99",
        "max",
    )
    yield table_html(head, rows)
    yield (
        '<p class="small">Out to in, in µs; left: probes of five bytes, right: ticks. The instrument itself '
        "is not in it.</p>"
    )
    if document["offsets"]:
        words = ", ".join(f"{one['device']} {one['offset_ms']:+.2f} ms" for one in document["offsets"])
        yield f"<p>To line all up with the slowest: {escape(words)}.</p>"


def _roll_call(document: Plain) -> Iterator[str]:
    if document["roll_call"]:
        yield "<h2>Roll call</h2>" + list_html(
            f"{one['device']}: {one['state']}; {one['words']}" for one in document["roll_call"]
        )


def _changes(document: Plain) -> Iterator[str]:
    if document["song_changes"]:
        yield "<h2>Song changes</h2>"
        rows = [
            [
                f"{one['number']} {escape(one['song'])}",
                f"{one['answered_ms']:.1f}",
                str(one["messages"]),
                str(one["bytes"]),
                f"{one['handed_over_ms']:.1f}",
            ]
            for one in document["song_changes"]
        ]
        yield table_html(("song", "answered, ms", "messages", "bytes", "all handed over, ms"), rows)


def _stages(document: Plain) -> Iterator[str]:
    yield "<h2>What was done</h2>" + list_html(
        f"{one['stage']}: {one['state']}, {one['seconds']:.1f} s; {one['words']}"
        for one in document["stages"]
    )
