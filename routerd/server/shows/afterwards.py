"""What is made of a show's record when the show is over: its jitter report, or a Standard MIDI File.

`routerd report SHOW` needs no service.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from routerd.core.errors import RouterdError
from routerd.printing import complain, counted, say, say_document
from routerd.server.report.document import to_json
from routerd.server.report.figures import Report
from routerd.server.report.summary import RESTARTED
from routerd.server.report.text import render_text
from routerd.server.shows.record import RecordError, RecordFolder, find_show


def print_show(words: str, folders: Iterable[Path], form: str, midi: Path | None) -> int:
    """Print the report ("text", "json", "html") of a show, or write its MIDI file; return the status."""
    try:
        folder = find_show(words, folders)
        if midi is not None:
            from routerd.server.shows.midi_file import write_midi_file

            tracks = write_midi_file(folder, midi)
            say(f"{midi}: {counted(tracks, 'track')} of messages, and one of tempo and songs")
        else:
            try:
                document = render(folder, form)
            except (LookupError, TypeError, ValueError, AttributeError) as error:
                words = f"{folder.path}: its report makes no sense ({type(error).__name__}: {error})"
                raise RecordError(words) from error
            say_document(document, form)
    except RouterdError as error:
        complain(f"routerd: {error}")
        return 2
    return 0


def render(folder: RecordFolder, form: str) -> str:
    """Return the report on the whole show, in the shape that the service's own has; raises RecordError."""
    passed_over: list[str] = []
    try:
        report = whole_show(folder, passed_over)
    finally:
        for line in passed_over:
            complain(f"routerd: {line}")
    if form == "json":
        return to_json(report).decode()
    if form == "html":
        from routerd.server.report.page import render_page

        return render_page(report)
    return render_text(report)


def whole_show(folder: RecordFolder, passed_over: list[str]) -> Report:
    """Return the report of the server's last start with all earlier ones; raises RecordError without any.

    What is missing stands among its limits; what cannot be read is told in `passed_over`.
    """
    reports = folder.reports(passed_over)
    if not reports and passed_over:
        raise RecordError(f"{folder.path}: none of its reports can be read")
    starts = [line["server"] for line in folder.lines() if "record" in line and "server" in line]
    if not reports:
        raise RecordError(
            f"{folder.path}: the show ended before its first report was written, after a minute"
        )
    missing = [f"{number}" for number in sorted({*starts}) if number not in reports]
    left_out = [_MISSING.format(", ".join(missing), max(starts))] if missing else []
    *earlier, last = (reports[number] for number in sorted(reports))
    limits = [words for words in last.limits if not words.startswith(RESTARTED)]
    return replace(last, earlier=tuple(earlier), limits=(*limits, *left_out))


_MISSING = (
    "There is no report of start {} (of {}) of the server: it lived less than a minute, or its report cannot "
    "be read. What went out meanwhile is in no figure."
)
