"""A show's record as a Standard MIDI File: a track for every way in and out, written by mido.

Its times are to within half a millisecond: 960 ticks to the quarter note of the show's own tempo, which
stands in the first track together with meters. Songs, sections, starts and stops are markers there. Timing
clock has no place in such a file and is left out.

A song's first bar begins when somebody enters or starts it, which is no bar line of what came before. A file
knows no such thing, so the bar before it is played a little faster or slower, by a tempo of its own, until it
ends there: every song and every start lies on a bar line, and every message at its own time.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from itertools import chain, pairwise
from pathlib import Path
from typing import NamedTuple

import mido

from routerd.core.midi.messages import SYSEX, SYSEX_END
from routerd.core.model import events
from routerd.core.model.codec import JsonObject
from routerd.core.model.timing import State
from routerd.core.units import TICK_NS_AT_1_BPM
from routerd.link.frames import INPUT_BIT, Tap
from routerd.printing import complain, counted
from routerd.server.shows.record import RecordError, RecordFolder, event_of

TICKS_PER_QUARTER = 960
_TICKS_PER_WHOLE = 4 * TICKS_PER_QUARTER
_MOST_US_PER_QUARTER = (1 << 24) - 1
"""The file has three bytes for it."""

_US_PER_MINUTE = 60_000_000


class _Piece(NamedTuple):
    """A stretch of the file at one tempo, from an instant and a tick on."""

    at_ns: int
    tick: Fraction
    us_per_quarter: int


class BarLine(NamedTuple):
    """Where bars begin to be counted anew, in which meter."""

    at_ns: int
    beats: int
    unit: int

    @property
    def bar_ticks(self) -> int:
        """Length of a bar in ticks of the file."""
        return _TICKS_PER_WHOLE * self.beats // self.unit


class Grid:
    """Turns instants into ticks of the file, so that every bar line lies on one."""

    def __init__(self, lines: Sequence[BarLine], tempos: Sequence[tuple[int, Fraction]]) -> None:
        """`lines` and `tempos` are in order and not empty; the first of both is where the file begins."""
        self.pieces: list[_Piece] = []
        self.meters: list[tuple[int, int, int]] = []
        """Tick, beats and unit of each meter."""
        self._tempos = [(at_ns, round(_US_PER_MINUTE / bpm)) for at_ns, bpm in tempos]
        kept = _long_enough(lines, self._us_at)
        tick = 0
        for line, following in zip(kept, (*kept[1:], None), strict=True):
            if not self.meters or self.meters[-1][1:] != (line.beats, line.unit):
                self.meters.append((tick, line.beats, line.unit))
            if following is None:
                self._lay(line.at_ns, tick, None)
            else:
                tick = self._lay_bars(line, tick, following.at_ns)
        self._starts = [piece.at_ns for piece in self.pieces]

    def tick(self, at_ns: int) -> int:
        """Return the tick of an instant; before the beginning it is 0."""
        number = max(0, bisect_right(self._starts, at_ns) - 1)
        at, tick, us = self.pieces[number]
        found = tick + Fraction(max(0, at_ns - at) * TICKS_PER_QUARTER, 1000 * us)
        return round(min(found, self.pieces[number + 1].tick) if number + 1 < len(self.pieces) else found)

    def tempos(self) -> Iterator[tuple[int, int]]:
        """Yield tick and µs to the quarter note of each tempo."""
        last = 0
        for _, tick, us in self.pieces:
            if us != last:
                yield round(tick), us
            last = us

    def _us_at(self, at_ns: int) -> int:
        number = bisect_right(self._tempos, at_ns, key=lambda one: one[0])
        return self._tempos[max(0, number - 1)][1]

    def _lay_bars(self, line: BarLine, tick: int, until_ns: int) -> int:
        """Lay whole bars from a line to the next, the last of them bent; return the tick behind them."""
        bars = max(1, round(self._ticks_between(line.at_ns, until_ns) / line.bar_ticks))
        bent_tick = tick + (bars - 1) * line.bar_ticks
        bent_ns = self._lay(line.at_ns, tick, bent_tick) if bars > 1 else line.at_ns
        us = round((until_ns - bent_ns) * TICKS_PER_QUARTER / line.bar_ticks / 1000)
        own = self._us_at(bent_ns)
        if abs(us - own) * line.bar_ticks < own:  # less than a tick in all
            us = own
        self.pieces.append(_Piece(bent_ns, Fraction(bent_tick), max(1, min(us, _MOST_US_PER_QUARTER))))
        return bent_tick + line.bar_ticks

    def _ticks_between(self, from_ns: int, until_ns: int) -> Fraction:
        edges = [from_ns, *(at for at, _ in self._tempos if from_ns < at < until_ns), until_ns]
        return sum(
            (Fraction((b - a) * TICKS_PER_QUARTER, 1000 * self._us_at(a)) for a, b in pairwise(edges)),
            Fraction(0),
        )

    def _lay(self, from_ns: int, tick: int, until_tick: int | None) -> int:
        """Lay the show's own tempos as far as a tick, or to the end; return when it is there."""
        edges = [from_ns, *(at for at, _ in self._tempos if at > from_ns)]
        at_ns, exact = from_ns, Fraction(tick)
        for at, following in zip(edges, (*edges[1:], None), strict=True):
            us = self._us_at(at)
            self.pieces.append(_Piece(at, exact, us))
            at_ns = at
            if until_tick is not None:
                there_ns = at + int((until_tick - exact) * 1000 * us / TICKS_PER_QUARTER)
                if following is None or there_ns <= following:
                    return there_ns
            if following is not None:
                exact += Fraction((following - at) * TICKS_PER_QUARTER, 1000 * us)
        return at_ns


def _long_enough(lines: Sequence[BarLine], us_at: Callable[[int], int]) -> list[BarLine]:
    """Return lines without those that another follows within a quarter of a bar."""
    kept = [lines[0]]
    for line in lines[1:]:
        before = kept[-1]
        bar_ns = before.bar_ticks * us_at(before.at_ns) * 1000 // TICKS_PER_QUARTER
        if line.at_ns - before.at_ns < bar_ns // 4:
            kept[-1] = BarLine(before.at_ns if len(kept) == 1 else line.at_ns, line.beats, line.unit)
        else:
            kept.append(line)
    return kept


class Reading(NamedTuple):
    """What the log of a show says of its time: the first line of names, bar lines, tempos and markers."""

    names: list[tuple[int, JsonObject]]
    lines: list[BarLine]
    tempos: list[tuple[int, Fraction]]
    markers: list[tuple[int, str]]


def read_log(folder: RecordFolder) -> Reading:
    """Return what the log says, in order; raises RecordError."""
    found = sorted(_events(folder), key=lambda one: one[0])
    names = [(at_ns, value) for at_ns, value in found if isinstance(value, dict)]
    if not names:
        raise RecordError(f"{folder.path}: the log does not say what the recorded numbers stand for")
    start_ns, first = names[0]
    reading = Reading(
        names, [BarLine(start_ns, *_meter(str(first["meter"])))], [(start_ns, Fraction(first["bpm"]))], []
    )
    reading.markers.extend((start_ns, first[key]) for key in ("title", "section") if first.get(key))
    for at_ns, value in found:
        if at_ns >= start_ns and not isinstance(value, dict):
            _read_event(value, reading)
    reading.lines.sort(key=lambda line: line.at_ns)
    return reading


_Read = events.Tempo | events.Song | events.Section | events.Meter | events.Transport


def _events(folder: RecordFolder) -> Iterator[tuple[int, JsonObject | _Read]]:
    """Yield the names of numbers, and the events that the file shows, each with its time."""
    for line in folder.lines():
        if "names" in line:
            yield line["at_ns"], line["names"]
        elif isinstance(event := event_of(line), _Read):
            yield event.at_ns, event


def _read_event(event: _Read, reading: Reading) -> None:
    _, beats, unit = reading.lines[-1]
    at_ns = event.at_ns
    if isinstance(event, events.Tempo):
        reading.tempos.append((event.from_ns, Fraction(event.rate_bpm)))
    elif isinstance(event, events.Song):
        line = BarLine(max(at_ns, event.begins_ns), *_meter(event.meter))
        reading.lines.append(line)
        begun_ns = reading.names[0][0]
        if {(begun_ns, event.title)} <= {*reading.markers} and reading.markers[-1][0] == begun_ns:
            reading.markers.clear()  # the show has begun with it
        reading.markers.append((line.at_ns, event.title))
    elif isinstance(event, events.Section):
        reading.markers.append((max(at_ns, reading.lines[-1].at_ns), event.section))
    elif isinstance(event, events.Meter):
        reading.lines.append(BarLine(at_ns, *_meter(event.meter)))
    elif event.state is State.STOPPED:
        reading.markers.append((at_ns, "stop"))
    elif event.state is State.RUNNING:
        position = event.position_ticks - 1  # it is reported behind the tick that it starts with
        reading.markers.append((at_ns, "continue" if position > 0 else "start"))
        bar_ticks = 96 * beats // unit
        rest_ns = int(-position % bar_ticks * TICK_NS_AT_1_BPM / reading.tempos[-1][1])
        reading.lines.append(BarLine(at_ns + rest_ns, beats, unit))


def _meter(words: str) -> tuple[int, int]:
    beats, _, unit = words.partition("/")
    return int(beats), int(unit)


class _Track:
    """One track: messages in order, none before the last, and no note without length."""

    def __init__(self, track: mido.MidiTrack) -> None:
        self._track = track
        self._tick = 0
        self._pressed: dict[tuple[int, int], int] = {}
        """By channel and note: when it was pressed."""

    def put(self, tick: int, message: mido.Message | mido.MetaMessage) -> None:
        """Put a message, or what stands in the first track."""
        tick = max(tick, self._tick)
        if message.type in ("note_on", "note_off"):
            key = (message.channel, message.note)
            if message.type == "note_on" and message.velocity:
                self._pressed[key] = tick
            elif key in self._pressed:
                tick = max(tick, self._pressed.pop(key) + 1)
        message.time = tick - self._tick
        self._tick = tick
        self._track.append(message)


class _Tracks:
    """The tracks by name; SysEx that went out in pieces is put together again.

    What came in is recorded as it came: what is no MIDI message is counted in `malformed`, and left out.
    """

    def __init__(self, file: mido.MidiFile) -> None:
        self.malformed = 0
        self._file = file
        self._by_name: dict[str, _Track] = {}
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
            self._by_name[name] = _Track(self._file.add_track(name))
        self._by_name[name].put(tick, message)


def write_midi_file(folder: RecordFolder, target: Path) -> int:
    """Write the file; return how many tracks of messages it has. Raises RecordError."""
    taps = folder.taps()
    first = next(taps, None)  # says what is wrong if there are none
    reading = read_log(folder)
    grid = Grid(reading.lines, reading.tempos)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    conductor = file.add_track("tempo, meters and songs")
    tracks = _Tracks(file)
    starts = [at_ns for at_ns, _ in reading.names]
    for tap in () if first is None else chain((first,), taps):
        names = reading.names[max(0, bisect_right(starts, tap.at_ns) - 1)][1]
        tracks.put(_name(tap, names), grid.tick(tap.at_ns), tap.data)
    _conduct(_Track(conductor), grid, reading.markers)
    try:
        file.save(target)
    except OSError as error:
        raise RecordError(f"{target} cannot be written: {error.strerror}") from error
    if tracks.malformed:
        what = counted(tracks.malformed, "recorded message")
        complain(f"routerd: {what} left out of {target}: not valid MIDI")
    if folder.torn:
        times = counted(folder.torn, "time")
        complain(
            f"routerd: the messages are cut off {times}, as the server died while it wrote them; "
            f"what was whole is in {target}"
        )
    return len(file.tracks) - 1


def _conduct(track: _Track, grid: Grid, markers: Sequence[tuple[int, str]]) -> None:
    """Fill the first track: at each tick meter, tempo, then markers."""
    messages = [
        (tick, mido.MetaMessage("time_signature", numerator=beats, denominator=unit))
        for tick, beats, unit in grid.meters
    ]
    messages += [(tick, mido.MetaMessage("set_tempo", tempo=us)) for tick, us in grid.tempos()]
    messages += [
        (grid.tick(at_ns), mido.MetaMessage("marker", text=latin(words))) for at_ns, words in markers
    ]
    for tick, message in sorted(messages, key=lambda one: one[0]):
        track.put(tick, message)


def _name(tap: Tap, names: JsonObject) -> str:
    direction, listed = ("in", names["inputs"]) if tap.way & INPUT_BIT else ("out", names["outputs"])
    number = tap.way & ~INPUT_BIT
    name = listed[number] if number < len(listed) else f"number {number}"
    return latin(f"{direction}: {name}")


def latin(words: object) -> str:
    """Return text as mido can write it."""
    return str(words).encode("latin-1", "replace").decode("latin-1")
