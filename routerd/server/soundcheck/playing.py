"""What the traffic run plays: synthetic playing, or what was recorded of a show or in a Standard MIDI File.

Synthetic playing keeps the set's densest song fully at work, softly. Every device that plays in the song is
played: sixteenth notes inside the range of its routes, each released before the next, a modulation wheel
(controller 1) and the pitch wheel moving a little. The same song always gives the same playing.

Of what was recorded only what devices had played is used, and of that only what is over when it has been
released: notes (softly, whatever they were), pedals, the wheels and pressure. Left out, and counted, is what
would leave the rig changed or louder: other controllers, program changes, SysEx, and messages that are
controls. In a file a track belongs to the device that it is named after ("keys", or "in: keys" as in the
files of shows), and markers that are titles of songs say where which song was on; without such markers all of
it is played through the densest song.

Both stand in these more than 350 lines because they share what is harmless to play: pedals, wheels, velocity.
"""

from __future__ import annotations

import io
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from routerd import storage
from routerd.core.errors import CommandError
from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    NOTE_OFF,
    NOTE_ON,
    POLY_PRESSURE,
    Kind,
    controller,
    note_off,
    note_on,
)
from routerd.core.midi.rest import Pressed
from routerd.core.midi.tuning import SOFT
from routerd.core.model import events
from routerd.core.model.controls import control_keys
from routerd.core.model.rig import RigFolder
from routerd.core.model.route import Route
from routerd.core.model.song import Song
from routerd.core.units import NS_PER_S
from routerd.link.frames import INPUT_BIT

NOTES_PER_QUARTER = 4
MOVES_PER_QUARTER = 8
WHEEL = 1
PEDALS = range(64, 70)
"""Hold, portamento, sostenuto, soft, legato and second hold (M1 Table III; legato from memory)."""

_MOST_MOVE = 16

LARGEST_FILE_BYTES = 4 * 1024 * 1024
MOST_MESSAGES = 200_000
"""Of one song's playing; the rest is left out, and counted."""

_KEPT_CONTROLLERS = frozenset((WHEEL, *PEDALS))

Heard = tuple[float, str, bytes]
"""When in seconds, what it came from, the message."""


class Played(NamedTuple):
    """A message that a device plays `at_s` seconds after the start."""

    at_s: float
    device: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Densest:
    """The song and the section (from 1, or 0 for a song without) with the most to do."""

    song: Song
    section: int
    routes: tuple[Route, ...]


def densest(songs: Iterable[Song]) -> Densest | None:
    """Return where most routes let notes through; of equals the fastest; None when none do."""
    found: list[tuple[tuple[int, float], Densest]] = []
    for song in songs:
        parts = [(number, part.routes) for number, part in enumerate(song.sections, 1)] or [(0, song.routes)]
        for section, routes in parts:
            notes = tuple(route for route in routes if Kind.NOTES in route.kinds)
            if notes:
                found.append(((len(notes), float(song.bpm)), Densest(song, section, notes)))
    return max(found, key=lambda one: one[0])[1] if found else None


def play(dense: Densest, seconds: float) -> list[Played]:
    """Return `seconds` of playing in order of time; every note that is pressed in it is released in it."""
    quarter_s = 60 / float(dense.song.bpm)
    played: list[Played] = []
    by_device: dict[str, list[Route]] = {}
    for route in dense.routes:
        by_device.setdefault(route.source, []).append(route)
    for device, routes in by_device.items():
        played += _notes(device, routes, quarter_s / NOTES_PER_QUARTER, seconds)
        played += _moves(device, routes[0], quarter_s / MOVES_PER_QUARTER, seconds)
    return sorted(played, key=lambda one: one.at_s)


def _notes(device: str, routes: list[Route], step_s: float, seconds: float) -> Iterable[Played]:
    for number in range(int(seconds / step_s)):
        route = routes[number % len(routes)]
        channel = max(0, route.from_channel)
        # an octave in the middle of what the route lets through, from C4 where that lies in it
        low = min(max(route.note_low, 60), max(route.note_low, route.note_high - 12))
        note = low + (number * 5) % (min(12, route.note_high - low) + 1)
        at_s = number * step_s
        yield Played(at_s, device, note_on(channel, note, SOFT))
        yield Played(at_s + 0.7 * step_s, device, note_off(channel, note))


def _moves(device: str, route: Route, step_s: float, seconds: float) -> Iterable[Played]:
    channel = max(0, route.from_channel)
    count = int(seconds / step_s)
    for number in range(count):
        place = number % (2 * _MOST_MOVE)
        value = place if place <= _MOST_MOVE else 2 * _MOST_MOVE - place
        if number == count - 1:
            value = 0  # both wheels end where they rest
        yield Played(number * step_s, device, controller(channel, WHEEL, value))
        yield Played(number * step_s, device, bytes((BEND | channel, 0, 64 + value // 4)))


def at_rest(played: Iterable[Played]) -> list[tuple[str, bytes]]:
    """Return what ends everything that `played` has left pressed, bent or held, by device."""
    pressed = Pressed[str]()
    for _, device, data in played:
        pressed.take(device, data)
    return pressed.rest()


class _Span(NamedTuple):
    """A song was on from one second to another; None: whichever song it is played through."""

    song: str | None
    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Recorded:
    """What is played, and where. `left_out` counts messages; `unknown` are names that are not in the rig."""

    name: str
    dense: Densest
    played: list[Played]
    left_out: int
    unknown: tuple[str, ...]

    @property
    def words(self) -> str:
        """For people."""
        words = f"recorded playing ({self.name})"
        if self.left_out:
            words += f", without {self.left_out} messages that would leave something changed"
        if self.unknown:
            words += f"; not in this rig: {', '.join(self.unknown)}"
        return words


class Source(NamedTuple):
    """Where recorded playing is: `name` is a show of `shows`, or a file inside the rig folder."""

    name: str
    rig_folder: Path
    shows: Path


def find_recorded(source: Source, rig_folder: RigFolder, tonight: Sequence[str], seconds: int) -> Recorded:
    """Return the densest `seconds` of what was played of a song of `tonight`; blocks. Raises CommandError."""
    name, shows = source.name, source.shows
    songs = [rig_folder.song(one) for one in dict.fromkeys(tonight)] or list(rig_folder.songs)
    if name and "/" not in name and (shows / name).is_dir() and not name.startswith("."):
        spans, hear = _of_show(shows / name)
    else:
        spans, hear = _of_file(source, songs)
    sieve = _Sieve(rig_folder)
    notes = [0] * len(spans)
    for place, _, data in _inside(spans, hear(), sieve):
        notes[place] += data[0] & 0xF0 == NOTE_ON and data[2] > 0
    played = {span.song for span, count in zip(spans, notes, strict=True) if count}
    dense = densest(song for song in songs if song.identifier in played or None in played)
    if dense is None:
        raise CommandError(_nothing(name, sieve, played, rig_folder))
    best = max(
        (place for place, span in enumerate(spans) if span.song in (None, dense.song.identifier)),
        key=lambda place: notes[place],
    )
    sieve.left_out = 0
    chosen: list[Played] = []
    for _, (at_s, device, _), data in _inside(spans[best : best + 1], hear(), sieve):
        if len(chosen) < MOST_MESSAGES:
            chosen.append(Played(at_s, device, data))
        else:
            sieve.left_out += 1
    return Recorded(name, dense, _densest_part(chosen, seconds), sieve.left_out, tuple(sorted(sieve.unknown)))


@dataclass(slots=True)
class _Sieve:
    """Lets through what may be played again."""

    rig_folder: RigFolder
    left_out: int = 0
    unknown: set[str] = field(default_factory=set)
    _inputs: frozenset[str] = frozenset()
    _controls: frozenset[tuple[str, int | bytes]] = frozenset()

    def __post_init__(self) -> None:
        rig = self.rig_folder.rig
        self._inputs = frozenset(device.name for device in rig.devices if device.input_pattern)
        every = (*rig.controls, *(control for song in self.rig_folder.songs for control in song.controls))
        self._controls = frozenset((one.device, key) for one in every for key in control_keys(one))

    def take(self, device: str, data: bytes) -> bytes | None:
        """Return the message as it may be played, or None."""
        if device not in self._inputs:
            self.unknown.add(device)
            return None
        kind = data[0] & 0xF0
        kept = kind in (NOTE_OFF, NOTE_ON, BEND, POLY_PRESSURE, CHANNEL_PRESSURE) or (
            kind == CONTROLLER and data[1] in _KEPT_CONTROLLERS
        )
        if not kept or (device, data[0] << 7 | data[1]) in self._controls or (device, data) in self._controls:
            self.left_out += 1
            return None
        return bytes((data[0], data[1], min(SOFT, data[2]))) if kind == NOTE_ON else data


def _inside(
    spans: Sequence[_Span], heard: Iterable[Heard], sieve: _Sieve
) -> Iterator[tuple[int, Heard, bytes]]:
    """Yield the number of the span, what was heard in it, and what of that may be played."""
    starts = [span.from_s for span in spans]
    for one in heard:
        place = bisect_right(starts, one[0]) - 1
        if place >= 0 and one[0] < spans[place].until_s:
            data = sieve.take(one[1], one[2])
            if data is not None:
                yield place, one, data


def _densest_part(played: list[Played], seconds: float) -> list[Played]:
    """Return the `seconds` with the most messages, from 0 s on."""
    played.sort(key=lambda one: one.at_s)
    best, begin, end = 0, 0, 0
    after = 0
    for place, one in enumerate(played):
        while after < len(played) and played[after].at_s < one.at_s + seconds:
            after += 1
        if after - place > best:
            best, begin, end = after - place, place, after
    return [Played(one.at_s - played[begin].at_s, one.device, one.data) for one in played[begin:end]]


def _nothing(name: str, sieve: _Sieve, played: set[str | None], rig_folder: RigFolder) -> str:
    titles = ", ".join(song.title for song in rig_folder.songs if song.identifier in played)
    words = f"{name} has no playing of a song of tonight that lets notes through"
    if titles:
        words += f"; it has playing of {titles}"
    if sieve.unknown:
        words += f"; not devices with an input of this rig: {', '.join(sorted(sieve.unknown))}"
    return words


def _of_show(folder: Path) -> tuple[list[_Span], Callable[[], Iterator[Heard]]]:
    from routerd.server.shows.record import RecordError, RecordFolder, event_of

    record = RecordFolder(folder)
    songs: list[tuple[float, str | None]] = []
    names: list[tuple[float, list[str]]] = []
    try:
        for line in record.lines():
            if "names" in line:
                names.append((line["at_ns"], [str(one) for one in line["names"]["inputs"]]))
                songs.append((line["at_ns"] / NS_PER_S, line["names"].get("song")))
            elif isinstance(event := event_of(line), events.Song):
                songs.append((event.at_ns / NS_PER_S, event.song))
        next(record.taps(), None)  # says so when nothing was recorded
    except RecordError as error:
        raise CommandError(str(error)) from error
    except (KeyError, TypeError) as error:
        raise CommandError(f"{folder.name} is no show log of this version") from error

    def hear() -> Iterator[Heard]:
        starts = [at_ns for at_ns, _ in names]
        for tap in record.taps():
            place = bisect_right(starts, tap.at_ns) - 1
            number = tap.way & ~INPUT_BIT
            if tap.way & INPUT_BIT and place >= 0 and number < len(names[place][1]) and len(tap.data) > 1:
                yield tap.at_ns / NS_PER_S, names[place][1][number], tap.data

    return _spans(songs), hear


def _spans(songs: list[tuple[float, str | None]]) -> list[_Span]:
    songs.sort(key=lambda one: one[0])
    changes = [one for place, one in enumerate(songs) if not place or one[1] != songs[place - 1][1]]
    ends = [*changes, (float("inf"), None)]
    return [_Span(song, at_s, until_s) for (at_s, song), (until_s, _) in pairwise(ends)]


def _of_file(source: Source, songs: Sequence[Song]) -> tuple[list[_Span], Callable[[], Iterator[Heard]]]:
    from routerd.server.shows.midi_file import latin

    heard, marks = _read_file(_content(source), source.name)
    titles = {latin(song.title): song.identifier for song in songs}
    known = any(text in titles for _, text in marks)
    spans = _spans([(at_s, titles.get(text)) for at_s, text in marks if text not in ("running", "stopped")])
    if known:
        return [span for span in spans if span.song is not None], lambda: iter(heard)
    return [_Span(None, 0.0, float("inf"))], lambda: iter(heard)


def _content(source: Source) -> bytes:
    name, rig_folder, shows = source
    known = sorted(folder.name for folder in shows.glob("*") if (folder / "messages.bin").is_file())
    there = f"recorded shows are {', '.join(known[-10:])}" if known else "no show was recorded yet (--record)"
    remedy = f"name a recorded show or a Standard MIDI File inside the rig folder; {there}"
    try:
        file = (rig_folder / name).resolve()
        if not file.is_relative_to(rig_folder.resolve()):
            raise CommandError(f"{name} is outside the rig folder; {remedy}")
        content = storage.read(file, LARGEST_FILE_BYTES, inside=rig_folder)
    except storage.TooLargeError as error:
        words = f"{name} is larger than {LARGEST_FILE_BYTES // 1024**2} MiB; cut out one song"
        raise CommandError(words) from error
    except (OSError, RuntimeError, ValueError) as error:
        raise CommandError(f"there is no playing {name!r}; {remedy}") from error
    return content


def _read_file(content: bytes, name: str) -> tuple[list[Heard], list[tuple[float, str]]]:
    """Return what was played in a Standard MIDI File, and its markers, both in order of time."""
    import mido

    heard: list[tuple[int, str, bytes]] = []
    marks: list[tuple[int, str]] = []
    tempo: list[tuple[int, int]] = [(0, 500_000)]  # 120 BPM until set otherwise
    try:
        file = mido.MidiFile(file=io.BytesIO(content))
        if file.type == 2 or file.ticks_per_beat <= 0:
            raise ValueError("its tracks are not one song, or its time is not counted in quarter notes")
        for track in file.tracks:
            device = track.name.removeprefix("in: ").strip()
            tick = 0
            for message in track:
                tick += message.time
                if message.type == "set_tempo":
                    tempo.append((tick, max(1, message.tempo)))
                elif message.type == "marker":
                    marks.append((tick, message.text))
                elif not message.is_meta and not track.name.startswith("out: "):
                    heard.append((tick, device, bytes(message.bytes())))
    except Exception as error:  # whatever a foreign file does to its reader
        raise CommandError(f"{name} is not a Standard MIDI File that can be played ({error})") from error
    seconds = _seconds(sorted(tempo, key=lambda one: one[0]), file.ticks_per_beat)
    heard.sort(key=lambda one: one[0])
    played = [(seconds(tick), device, data) for tick, device, data in heard if len(data) > 1]
    return played, [(seconds(tick), text) for tick, text in sorted(marks, key=lambda one: one[0])]


def _seconds(tempo: list[tuple[int, int]], ticks_per_quarter: int) -> Callable[[int], float]:
    """Return what turns ticks of a file into seconds; `tempo` as (tick, µs to the quarter note)."""
    starts = [tick for tick, _ in tempo]
    at_s = [0.0]
    for (before, us), (tick, _) in pairwise(tempo):
        at_s.append(at_s[-1] + (tick - before) * us / ticks_per_quarter / 1e6)

    def seconds(tick: int) -> float:
        place = bisect_right(starts, tick) - 1
        return at_s[place] + (tick - starts[place]) * tempo[place][1] / ticks_per_quarter / 1e6

    return seconds
