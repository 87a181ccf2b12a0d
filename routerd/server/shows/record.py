"""The form of a show's record, and its disk: one folder for each run of the engine, bounded in every way.

    log.jsonl          one JSON value a line: a head, then a line a second, and every event as it was reported
    report-N.json      the jitter report since the server's N-th start, written anew every minute
    messages.bin       every message in and out, if it was asked for, in batches: a mark, a length, messages

A server that is killed while it writes leaves half a line, or half a batch: what is whole is read, and so is
all that comes behind it. A restarted server goes on in the same folder. A disk that is full costs the record,
not the show: what cannot be written is dropped and counted.
"""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import struct
from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from routerd import storage
from routerd.core.errors import UsageError
from routerd.core.model.codec import JsonObject, MalformedError
from routerd.core.model.events import AnyEvent, event_from_json, event_to_json
from routerd.link.frames import Tap
from routerd.server.report.document import from_json, to_json
from routerd.server.report.figures import Report
from routerd.server.report.summary import RESTARTED

FOLDER = "shows"
LOG, MESSAGES = "log.jsonl", "messages.bin"
VERSION = 2
NAME = "%Y%m%d-%H%M%S"
"""What a record is called: when it began, as strftime has it."""

MOST_LOG_BYTES = 64 * 1024 * 1024
"""A line a second of a rig of sixteen ports is some 25 MB in twelve hours."""

MOST_MESSAGES_BYTES = 256 * 1024 * 1024
MOST_REPORT_BYTES = 64 * 1024 * 1024
MOST_SHOWS = 60
MOST_BYTES = 1024 * 1024 * 1024
"""Of all shows together; the oldest go first."""

_MAGIC = b"routerd messages 2\n"
_MARK = b"\xf9\xfdbatch\xfd\xf9\n"
"""Begins a batch. MIDI leaves F9 and FD undefined (M1, table of status bytes), so no message holds it."""

_BATCH = struct.Struct(f"<{len(_MARK)}sI")
_TAP = struct.Struct("<qHH")
_CHUNK = 1 << 16

_MISSING = (
    "There is no report of start {} (of {}) of the server: it lived less than a minute, or its report cannot "
    "be read. What went out meanwhile is in no figure."
)


class RecordError(UsageError):
    """A record cannot be read."""


class RecordFolder:
    """One show's folder. Everything here blocks: call it on a thread."""

    def __init__(self, path: Path, inside: Path | None = None) -> None:
        """`inside` is the state folder, out of which nothing is written."""
        self.path = path
        self._inside = path if inside is None else inside
        self._goes_on = not (path / LOG).is_file()
        self.torn = 0
        """How many batches of messages were found cut off, of those that have been read."""

    # Writing; raises OSError

    def append_lines(self, lines: Iterable[JsonObject]) -> bool:
        """Add lines to the log; False when it has its full size."""
        data = "".join(json.dumps(line, separators=(",", ":")) + "\n" for line in lines)
        start, self._goes_on = "" if self._goes_on else "\n", True  # ends what a killed process left half
        return self._append(LOG, (start + data).encode(), b"", MOST_LOG_BYTES)

    def append_taps(self, taps: Iterable[Tap]) -> bool:
        """Add messages; False when there are as many as may be kept."""
        data = b"".join(_TAP.pack(at_ns, way, len(message)) + message for at_ns, way, message in taps)
        data = _BATCH.pack(_MARK, len(data)) + data
        return self._append(MESSAGES, data, _MAGIC, MOST_MESSAGES_BYTES)

    def _append(self, name: str, data: bytes, head: bytes, most_bytes: int) -> bool:
        return storage.append(self.path / name, data, head, most_bytes, inside=self._inside)

    def write_report(self, number: int, report: Report) -> None:
        """Put the report of the server's start of that number in the place of the one before."""
        file = self.path / f"report-{number}.json"
        storage.put(file, to_json(report), inside=self._inside, mode=0o600, most_bytes=MOST_REPORT_BYTES)

    # Reading; raises RecordError

    def reports(self, passed_over: list[str]) -> dict[int, Report]:
        """Return the reports of every start of the server, by its number.

        One that is cut off or of another version is left out, and a line on it is added to `passed_over`.
        """
        found: dict[int, Report] = {}
        for file in sorted(self.path.glob("report-*.json")):
            try:
                number = int(file.stem.removeprefix("report-"))
                found[number] = from_json(Report, storage.read(file, MOST_REPORT_BYTES))
            except (OSError, ValueError) as error:
                passed_over.append(f"{file} cannot be read and is passed over: {error}")
        return found

    def whole_report(self, passed_over: list[str]) -> Report:
        """Return the report of the server's last start with all earlier ones.

        What is missing stands among its limits; for what cannot be read a line is added to `passed_over`.
        """
        reports = self.reports(passed_over)
        if not reports and passed_over:
            raise RecordError(f"{self.path}: none of its reports can be read")
        starts = [line["server"] for line in self.lines() if "record" in line and "server" in line]
        if not reports:
            raise RecordError(
                f"{self.path}: the show ended before its first report was written, after a minute"
            )
        missing = [f"{number}" for number in sorted({*starts}) if number not in reports]
        left_out = [_MISSING.format(", ".join(missing), max(starts))] if missing else []
        *earlier, last = (reports[number] for number in sorted(reports))
        limits = [words for words in last.limits if not words.startswith(RESTARTED)]
        return replace(last, earlier=tuple(earlier), limits=(*limits, *left_out))

    def lines(self) -> Iterator[JsonObject]:
        """Yield the lines of the log; one that is cut off, at a death or by a full disk, is left out."""
        file = self.path / LOG
        try:
            with io.TextIOWrapper(storage.open_regular(file), encoding="utf-8") as log:
                for number, text in enumerate(log, 1):
                    line = _line(text)
                    if number == 1 and (line is None or line.get("record") != VERSION):
                        raise ValueError("it is no show log of this version")
                    if line is not None:
                        yield line
        except FileNotFoundError as error:
            raise RecordError(f"{self.path} is no record of a show: it has no {LOG}") from error
        except (OSError, ValueError, RecursionError) as error:
            raise RecordError(f"{file} cannot be read: {error}") from error

    def taps(self) -> Iterator[Tap]:
        """Yield the messages; one that is cut off is left out, and counted in `torn`."""
        file = self.path / MESSAGES
        self.torn = 0
        try:
            with storage.open_regular(file) as stream:
                if stream.read(len(_MAGIC)) != _MAGIC:
                    raise RecordError(f"{file} holds no messages of this version")
                while _find_mark(stream):
                    head = stream.read(_BATCH.size)
                    if len(head) < _BATCH.size:
                        self.torn += 1
                        return
                    length = _BATCH.unpack(head)[1]
                    start = stream.tell()
                    batch = stream.read(length + len(_MARK) - 1)
                    cut = batch.find(_MARK)  # the next begins before this one is over
                    batch = batch[: length if cut < 0 else cut]
                    stream.seek(start + len(batch))
                    self.torn += len(batch) < length
                    yield from _taps_in(batch)
        except FileNotFoundError as error:
            words = "its messages were not recorded; run the show with --record, or POST /v1/recording"
            raise RecordError(f"{self.path}: {words}") from error
        except OSError as error:
            raise RecordError(f"{file} cannot be read: {error.strerror}") from error


def _find_mark(stream: BinaryIO) -> bool:
    """Go on to the next mark, which is here unless a writer was killed; False when there is none."""
    place = stream.tell()
    while chunk := stream.read(_CHUNK):
        found = chunk.find(_MARK)
        if found >= 0:
            stream.seek(place + found)
            return True
        if len(chunk) < len(_MARK):
            return False
        place += len(chunk) - len(_MARK) + 1
        stream.seek(place)
    return False


def _taps_in(batch: bytes) -> Iterator[Tap]:
    """Yield the messages of a batch that are whole."""
    place = 0
    while place + _TAP.size <= len(batch):
        at_ns, way, length = _TAP.unpack_from(batch, place)
        place += _TAP.size + length
        if place > len(batch):
            return
        yield Tap(at_ns, way, batch[place - length : place])


def _line(text: str) -> JsonObject | None:
    """Return a line of the log, or None when it is cut off."""
    try:
        line = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return line if isinstance(line, dict) and text.endswith("\n") else None


def make_room(shows: Path, keep: str) -> None:
    """Remove the oldest shows until there are few and small enough; `keep` stays. Raises OSError."""
    if not shows.is_dir():
        return
    storage.within(shows, shows.parent)  # what a link leads to is not ours to remove
    folders = [folder for folder in sorted(shows.iterdir()) if folder.is_dir() and not folder.is_symlink()]
    for folder in folders:
        storage.sweep(folder)
    sizes = {
        folder.name: sum(file.stat().st_size for file in folder.iterdir() if file.is_file())
        for folder in folders
    }
    names = [name for name in sizes if name != keep]
    while names and (len(names) >= MOST_SHOWS or sum(sizes.values()) > MOST_BYTES):
        oldest = names.pop(0)
        shutil.rmtree(shows / oldest)
        del sizes[oldest]


def shows_in(shows: Path) -> list[str]:
    """Return the names of the shows that are kept, oldest first; none where there is no such folder. Raises
    OSError."""
    return sorted(one.name for one in shows.iterdir() if (one / LOG).is_file()) if shows.is_dir() else []


def find_show(words: str, state_folders: Iterable[Path]) -> RecordFolder:
    """Return the record of a show by its folder or its name; raises RecordError that lists what there is."""
    known: list[str] = []
    with contextlib.suppress(OSError):  # a name that is too long for any file
        if (Path(words) / LOG).is_file():
            return RecordFolder(Path(words))
    for folder in state_folders:
        shows = folder / FOLDER
        with contextlib.suppress(OSError):
            if (shows / words / LOG).is_file():
                return RecordFolder(shows / words)
        known += shows_in(shows)
    what = (
        f"known are {', '.join(known[-20:])}" if known else "none are known; --state-dir says where to look"
    )
    raise RecordError(f"there is no record of a show {words!r:.80}; {what}")


def name_of(shows: Path, began: datetime, started_ns: int) -> str:
    """Return the name of the show whose engine started at `started_ns`, which was `began` more or less.

    A restarted server works out another second, or another hour if somebody has set the clock: the
    heads of the logs decide.
    """
    folders: list[Path] = []
    with contextlib.suppress(OSError):
        folders = sorted(shows.iterdir(), reverse=True)
    for folder in folders:
        with contextlib.suppress(RecordError, StopIteration):
            if next(RecordFolder(folder).lines()).get("started_ns") == started_ns:
                return folder.name
    return unused_name(began, {folder.name for folder in folders})


def unused_name(began: datetime, used: Collection[str]) -> str:
    """Return a name for what began then: of several that began within a second each has its own."""
    name = began.strftime(NAME)
    return next(one for one in (name, *(f"{name}-{n}" for n in range(2, len(used) + 3))) if one not in used)


def head(facts: JsonObject) -> JsonObject:
    """Return the first line of a log."""
    return {"record": VERSION, **facts}


def event_line(event: AnyEvent) -> JsonObject:
    """Return the line of an event."""
    return {"event": event_to_json(event)}


def event_of(line: JsonObject) -> AnyEvent | None:
    """Return the event of a line; None for other lines, and for events of another version."""
    try:
        return event_from_json(line.get("event"))
    except MalformedError:
        return None
