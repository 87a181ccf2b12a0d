"""A soundcheck as one self-contained HTML page: the parts that only it has, then the jitter report's.

`python -m routerd.server.soundcheck.page` reads a soundcheck as JSON on its standard input and writes the
page to its standard output, as `routerd.server.report.page` does.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from html import escape

from routerd.server.report.document import from_json
from routerd.server.report.page import (
    grade_html,
    list_html,
    micro,
    report_sections,
    serve,
    table_html,
    whole_page,
)
from routerd.server.soundcheck.figures import Comparison, Soundcheck


def render_page(document: Soundcheck) -> str:
    """Return the page of a soundcheck."""
    sections = [*_sections(document), *report_sections(document.report, headline=False)]
    return whole_page("Soundcheck", sections)


def _sections(document: Soundcheck) -> Iterator[str]:
    """Yield the parts in their order: the verdict first, then why, then what was done."""
    yield from _headline(document)
    yield from _devices(document)
    yield from _comparison(document.comparison)
    yield from _machine(document)
    yield from _loopbacks(document)
    yield from _roll_call(document)
    yield from _changes(document)
    yield from _stages(document)
    yield "<h2>Cautions</h2>" + list_html(document.cautions)


def _headline(document: Soundcheck) -> Iterator[str]:
    failed = document.failed
    grade, words = "pass", "every device passed"
    if failed:
        verb = "needs" if len(failed) == 1 else "need"
        grade, words = "fail", f"{verb} attention: {', '.join(failed)}"
    unknown = [one.device for one in document.devices if one.verdict == "unknown"]
    if unknown and not failed:
        grade, words = "unknown", f"not enough was measured for {', '.join(unknown)}"
    if document.ended != "complete":
        words += f" (the run did not finish: {document.ended})"
    yield f'<p class="headline">{grade_html(grade)}: {escape(words)}.</p>'
    yield (
        f"<p>{escape(document.rig)}, {escape(document.set_list)}, {escape(document.began)}, "
        f"kept as {escape(document.name)}.</p>"
    )


def _devices(document: Soundcheck) -> Iterator[str]:
    yield '<h2>Every device</h2><div class="cards">'
    for one in document.devices:
        yield (
            f"<div><h3>{grade_html(one.verdict)} {escape(one.title)}</h3>"
            f'<p class="small">measured: {escape(one.measured)}</p>{list_html(one.why)}'
        )
        yield "".join(f"<p><strong>To do:</strong> {escape(item)}</p>" for item in one.todo) + "</div>"
    yield "</div>"


def _comparison(comparison: Comparison) -> Iterator[str]:
    yield "<h2>Compared with earlier soundchecks</h2>"
    if comparison.last is None:
        yield "<p>There is no earlier complete soundcheck of this rig.</p>"
        return
    for words, one in (("last", comparison.last), ("best", comparison.best)):
        if one is not None:
            yield f"<p><strong>Compared with the {words} one</strong> ({escape(one.name)}):</p>"
            worse = [f"worse: {item}" for item in one.worse] or ["nothing is worse"]
            yield list_html([*worse, *(f"better: {item}" for item in one.better)])


def _machine(document: Soundcheck) -> Iterator[str]:
    if not document.machine:
        return
    yield "<h2>This machine</h2><ul>"
    for one in document.machine:
        remedy = f" <strong>To do:</strong> {escape(one.remedy)}" if one.remedy else ""
        words = f"{escape(one.fact)}: {escape(one.words)}."
        yield f"<li>{grade_html(one.grade)} {words}{remedy}</li>"
    yield "</ul>"


def _loopbacks(document: Soundcheck) -> Iterator[str]:
    yield "<h2>Measured from outside</h2>"
    if not document.loopbacks:
        yield (
            "<p>No loopback was measured: all figures are of the sending side, and do not include interface, "
            "cable and instrument.</p>"
        )
        return
    rows = []
    for one in document.loopbacks:
        ticks, probes = one.tick_latency_us, one.latency_us
        rows.append(
            [
                f"{escape(one.device)} to {escape(one.hears)}",
                f"{one.lost} of {one.probes}",
                *map(micro, (probes.min, probes.p50, probes.p99, probes.max)),
                micro(one.wire_us),
                str(one.ticks),
                *map(micro, (ticks.min, ticks.p50, ticks.p99, ticks.max)),
            ]
        )
    head = ("loopback", "probes lost", "min", "p50", "p99", "max", "wire share", "ticks", "min", "p50",
            "p99", "max")  # fmt: skip
    yield table_html(head, rows)
    yield (
        '<p class="small">Output to input, in µs; left: probes of five bytes, right: ticks. The instrument '
        "itself is not included.</p>"
    )
    if document.offsets:
        words = ", ".join(f"{one.device} {one.offset_ms:+.2f} ms" for one in document.offsets)
        yield f"<p>Offsets that align all of them with the slowest: {escape(words)}.</p>"


def _roll_call(document: Soundcheck) -> Iterator[str]:
    if document.roll_call:
        yield "<h2>Roll call</h2>" + list_html(
            f"{one.device}: {one.state}; {one.words}" for one in document.roll_call
        )


def _changes(document: Soundcheck) -> Iterator[str]:
    if document.song_changes:
        yield "<h2>Song changes</h2>"
        rows = [
            [
                f"{one.number} {escape(one.song)}",
                f"{one.answered_ms:.1f}",
                str(one.messages),
                str(one.bytes),
                f"{one.handed_over_ms:.1f}",
            ]
            for one in document.song_changes
        ]
        yield table_html(("song", "answered, ms", "messages", "bytes", "all handed over, ms"), rows)


def _stages(document: Soundcheck) -> Iterator[str]:
    yield "<h2>What was done</h2>" + list_html(
        f"{one.stage}: {one.state}, {one.seconds:.1f} s; {one.words}" for one in document.stages
    )


if __name__ == "__main__":
    sys.exit(serve(lambda text: render_page(from_json(Soundcheck, text))))
