"""What is made of a show's record when the show is over: its jitter report, or a Standard MIDI File.

`routerd report SHOW` needs no service. The file has one track for every way in and out, and is written by
mido. Its times are to within half a millisecond: 960 ticks to the quarter note of the show's own tempo, which
stands in the first track, so that bars of a sequencer program fall where those of the show fell. Timing clock
has no place in such a file and is left out; songs, sections, starts and stops are markers.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from fractions import Fraction
from itertools import chain
from pathlib import Path

import mido

from routerd.core.errors import RouterdError
from routerd.core.midi.messages import SYSEX, SYSEX_END
from routerd.core.model.codec import JsonObject
from routerd.link.frames import INPUT_BIT, Tap
from routerd.printing import complain, counted, say, say_document
from routerd.server.report.document import to_plain
from routerd.server.report.text import render_text
from routerd.server.shows.record import RecordError, RecordFolder, find_show

TICKS_PER_QUARTER = 960
_MICROSECONDS_PER_MINUTE = 60_000_000


def print_show(words: str, folders: Iterable[Path], form: str, midi: Path | None) -> int:
    """Print the report ("text", "json", "html") of a show, or write its MIDI file; return the status."""
    try:
        folder = find_show(words, folders)
        if midi is not None:
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


class _Clock:
    """Turns instants into ticks of the file, by the tempo that was in force; instants never go back."""

    def __init__(self, start_ns: int, bpm: Fraction, conductor: mido.MidiTrack) -> None:
        self._at_ns = start_ns
        self._tick = Fraction(0)
        self._conductor = conductor
        self._conductor_tick = 0
        self._us_per_quarter = 0
        self.tempo(start_ns, bpm)

    def tick(self, at_ns: int) -> int:
        """Return the tick of an instant from the last tempo change on."""
        return int(self._exact(at_ns))

    def tempo(self, at_ns: int, bpm: Fraction) -> None:
        """Take a new tempo, rounded to a whole number of µs as the file holds it."""
        if self._us_per_quarter:
            self._tick = self._exact(at_ns)
            self._at_ns = max(at_ns, self._at_ns)
        self._us_per_quarter = round(_MICROSECONDS_PER_MINUTE / bpm)
        self.put(at_ns, mido.MetaMessage("set_tempo", tempo=self._us_per_quarter))

    def put(self, at_ns: int, message: mido.MetaMessage) -> None:
        """Put something into the first track."""
        tick = self.tick(at_ns)
        message.time = max(0, tick - self._conductor_tick)
        self._conductor_tick = max(tick, self._conductor_tick)
        self._conductor.append(message)

    def _exact(self, at_ns: int) -> Fraction:
        span_ns = max(0, at_ns - self._at_ns)
        return self._tick + Fraction(span_ns * TICKS_PER_QUARTER, 1000 * self._us_per_quarter)


class _Tracks:
    """The tracks by name; SysEx that went out in pieces is put together again.

    What came in is recorded as it came: what is no MIDI message is counted in `malformed`, and left out.
    """

    def __init__(self, file: mido.MidiFile) -> None:
        self.malformed = 0
        self._file = file
        self._by_name: dict[str, tuple[mido.MidiTrack, list[int]]] = {}
        self._pieces: dict[str, bytes] = {}

    def put(self, name: str, tick: int, data: bytes) -> None:
        """Put a message, or a piece of one, into its track."""
        if data[0] in (SYSEX, SYSEX_END) or data[0] < 0x80:
            data = (b"" if data[0] == SYSEX else self._pieces.pop(name, b"")) + data
            if data[0] != SYSEX:
                return
            if data[-1] != SYSEX_END:
                self._pieces[name] = data
                return
        elif data[0] > SYSEX:
            return  # system common and real-time messages have no place in a file
        try:
            message = mido.Message.from_bytes(data)
        except ValueError:
            self.malformed += 1
            return
        if name not in self._by_name:
            track = self._file.add_track(name)
            self._by_name[name] = (track, [0])
        track, last = self._by_name[name]
        message.time = max(0, tick - last[0])
        track.append(message)
        last[0] = max(last[0], tick)


def write_midi_file(folder: RecordFolder, target: Path) -> int:
    """Write the file; return how many tracks of messages it has. Raises RecordError."""
    taps = folder.taps()
    first = next(taps, None)  # says what is wrong if there are none
    events = sorted(_events(folder.lines()), key=lambda one: one[0])
    names = [(at_ns, value) for at_ns, kind, value in events if kind == "names"]
    if not names:
        raise RecordError(f"{folder.path}: the log does not say what the recorded numbers stand for")
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    conductor = file.add_track("tempo and songs")
    clock = _Clock(names[0][0], Fraction(names[0][1]["bpm"]), conductor)
    if names[0][1].get("title"):
        clock.put(names[0][0], mido.MetaMessage("marker", text=latin(names[0][1]["title"])))
    tracks = _Tracks(file)
    current = names[0][1]
    place = 0
    for tap in taps if first is None else chain((first,), taps):
        while place < len(events) and events[place][0] <= tap.at_ns:
            at_ns, kind, value = events[place]
            place += 1
            if kind == "names":
                current = value
            elif kind == "tempo" and at_ns > names[0][0]:
                clock.tempo(at_ns, Fraction(value["bpm"]))
            elif kind != "tempo" and at_ns >= names[0][0]:
                clock.put(at_ns, mido.MetaMessage("marker", text=_marker(kind, value)))
        tracks.put(_name(tap, current), clock.tick(tap.at_ns), tap.data)
    try:
        file.save(target)
    except OSError as error:
        raise RecordError(f"{target} cannot be written: {error.strerror}") from error
    if tracks.malformed:
        what = counted(tracks.malformed, "recorded message")
        complain(f"routerd: {what} left out of {target}: not valid MIDI")
    return len(file.tracks) - 1


def _events(lines: Iterable[JsonObject]) -> Iterable[tuple[int, str, JsonObject]]:
    for line in lines:
        if "names" in line:
            yield line["at_ns"], "names", line["names"]
        elif (event := line.get("event")) and event["kind"] in ("tempo", "song", "section", "transport"):
            yield event["at_ns"], event["kind"], event


def _marker(kind: str, event: JsonObject) -> str:
    return latin(event[_MARKERS[kind]])


_MARKERS = {"song": "title", "section": "section", "transport": "state"}
"""By kind of event: which of its fields is a marker's text."""


def _name(tap: Tap, names: JsonObject) -> str:
    direction, listed = ("in", names["inputs"]) if tap.way & INPUT_BIT else ("out", names["outputs"])
    number = tap.way & ~INPUT_BIT
    name = listed[number] if number < len(listed) else f"number {number}"
    return latin(f"{direction}: {name}")


def latin(words: object) -> str:
    """Return text as mido can write it."""
    return str(words).encode("latin-1", "replace").decode("latin-1")
