"""What is made of a show's record when the show is over: its jitter report, or a Standard MIDI File.

`routerd report SHOW` needs no service.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from routerd.core.errors import RouterdError
from routerd.printing import complain, counted, say, say_document
from routerd.server.report.document import to_plain
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
    """Return the report; of several starts of the server the longest, as JSON all. Raises RecordError."""
    passed_over: list[str] = []
    reports = folder.reports(passed_over)
    for line in passed_over:
        complain(f"routerd: {line}")
    if not reports and passed_over:
        raise RecordError(f"{folder.path}: none of its reports can be read")
    if not reports:
        for _ in folder.lines():  # says what is wrong if this is not a record at all
            break
        raise RecordError(
            f"{folder.path}: the show ended before its first report was written, after a minute"
        )
    if form == "json":
        plain = [to_plain(one) for one in reports]
        return json.dumps(plain if len(plain) > 1 else plain[0], ensure_ascii=False)
    longest = max(reports, key=lambda one: one.duration_s)
    if form == "html":
        from routerd.server.report.page import render_page

        return render_page(longest)
    more = (
        f"The server was started {len(reports)} times; this is the longest stretch.\n\n"
        if len(reports) > 1
        else ""
    )
    return more + render_text(longest)
