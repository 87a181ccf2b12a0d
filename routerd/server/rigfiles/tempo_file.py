"""A Standard MIDI File's tempo and meter events as a song's tempo map.

mido reads the file. A quarter note has as many file ticks as its head says; a tempo event gives microseconds
to the quarter note, 120 BPM until the first (from memory: Standard MIDI Files 1.0).
"""

from __future__ import annotations

import io
from fractions import Fraction
from typing import Any, NamedTuple

from pydantic_core import PydanticCustomError

from routerd.core.model.timing import MeterPoint, TempoPoint
from routerd.core.units import BPM_MAX, BPM_MIN, TICKS_PER_QUARTER, ticks_per_bar
from routerd.server.rigfiles.files import UnreadableFileError, read_file
from routerd.server.rigfiles.leaf import Leaf, Surroundings, wrong
from routerd.server.rigfiles.problems import shown
from routerd.server.rigfiles.scalars import BEAT_UNITS

LARGEST_FILE_BYTES = 256 * 1024
"""A file of nothing but events takes mido seconds for each 256 KiB; those of songs are a tenth as large."""
MOST_EVENTS = 5000
_FILE_TEMPO = Fraction(120)


class FileTempo(NamedTuple):
    """The points that a file holds."""

    tempo: tuple[TempoPoint, ...]
    meters: tuple[MeterPoint, ...]


def _read(value: Any, surroundings: Surroundings) -> FileTempo:
    remedy = "name a Standard MIDI File inside the rig folder, such as midi/copper-ferry.mid"
    if not isinstance(value, str):
        raise wrong(f"is {shown(value)}, not a file", remedy)
    folder = surroundings.folder
    try:
        content = read_file(folder / value, LARGEST_FILE_BYTES, folder)
    except UnreadableFileError as problem:
        raise wrong(f"file {shown(value)} {problem.what}", problem.remedy) from problem
    try:
        return read_tempo(content)
    except ValueError as error:
        raise _of(value, error) from error


def _of(name: str, error: ValueError) -> PydanticCustomError:
    return wrong(f"file {shown(name)}: {error}", "export it anew, or write 'tempo-map' and 'meters' by hand")


def read_tempo(content: bytes) -> FileTempo:
    """Return the tempo and meter points of a Standard MIDI File; raises ValueError in plain words."""
    import mido  # only rigs that name a file need it

    try:
        file = mido.MidiFile(file=io.BytesIO(content))
        events = [m for m in mido.merge_tracks(file.tracks) if m.type != "note_on" or m.time]
    except Exception as error:
        raise ValueError("it is not a Standard MIDI File that can be read") from error
    if file.ticks_per_beat <= 0 or file.type not in (0, 1):
        raise ValueError("its time is not counted in parts of a quarter note, or its tracks are not one song")
    scale = Fraction(TICKS_PER_QUARTER, file.ticks_per_beat)
    tempo: dict[Fraction, Fraction] = {Fraction(0): _FILE_TEMPO}
    meters: dict[Fraction, tuple[int, int]] = {Fraction(0): (4, 4)}
    at = 0
    for event in events:
        at += event.time
        if event.type == "set_tempo":
            tempo[at * scale] = _bpm(event.tempo)
        elif event.type == "time_signature":
            meters[at * scale] = _meter(event.numerator, event.denominator)
    if len(tempo) + len(meters) > MOST_EVENTS:
        raise ValueError(f"it has more than {MOST_EVENTS} changes of tempo and meter")
    points = tuple(TempoPoint(tick, bpm, bpm) for tick, bpm in sorted(tempo.items()))
    return FileTempo(points, _on_bars(sorted(meters.items())))


def _bpm(microseconds: int) -> Fraction:
    bpm = Fraction(60_000_000, max(1, microseconds))
    if not BPM_MIN <= bpm <= BPM_MAX:
        raise ValueError(f"it has a tempo of {float(bpm):.1f} BPM, outside {BPM_MIN} to {BPM_MAX}")
    return bpm


def _meter(beats: int, unit: int) -> tuple[int, int]:
    if not 1 <= beats <= 32 or unit not in BEAT_UNITS:
        raise ValueError(f"it has a meter of {beats}/{unit}, which cannot be counted")
    return beats, unit


def _on_bars(changes: list[tuple[Fraction, tuple[int, int]]]) -> tuple[MeterPoint, ...]:
    points: list[MeterPoint] = []
    for tick, (beats, unit) in changes:
        if points:
            before = points[-1]
            bars = (tick - before.at_tick) / ticks_per_bar(before.beats, before.unit)
            if bars.denominator != 1:
                raise ValueError(f"its meter changes to {beats}/{unit} in the middle of a bar")
            if (before.beats, before.unit) == (beats, unit):
                continue
        points.append(MeterPoint(int(tick), beats, unit))
    return tuple(points)


TEMPO_FILE = Leaf(_read, {"type": "string"})
