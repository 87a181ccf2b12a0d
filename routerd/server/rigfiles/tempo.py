"""A song's time: tempo map, meters, a Standard MIDI File that has both, and the click.

mido reads the file. A quarter note has as many file ticks as its head says; a tempo event gives microseconds
to the quarter note, 120 BPM until the first (from memory: Standard MIDI Files 1.0).
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Annotated, Any, NamedTuple

from pydantic import ConfigDict, Field
from pydantic_core import PydanticCustomError

from routerd.core.clock.tempo_map import TempoMap
from routerd.core.model.timing import Click, ClickPlays, Curve, MeterPoint, TempoPoint
from routerd.core.units import BPM_MAX, BPM_MIN, TICKS_PER_QUARTER, parse_bpm, ticks_per_bar
from routerd.server.rigfiles.problems import one_of, quote
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, wrong
from routerd.server.rigfiles.text import KeyPath, UnreadableFileError, read_file
from routerd.server.rigfiles.values import CHANNEL, LOUDNESS, NOTE, TARGET, choice, whole

BEAT_UNITS = (1, 2, 4, 8, 16, 32)
_TEMPO = re.compile(r"\d{1,4}(?:\.\d{1,15})?|\d{1,9}/\d{1,9}")
_METER = re.compile(r"(\d{1,3})\s*/\s*(\d{1,3})")


def _tempo(value: Any, _: ValidationContext) -> Fraction:
    remedy = f"write {BPM_MIN} to {BPM_MAX} BPM as a decimal such as 121.5 or a fraction such as 243/2"
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if not isinstance(written, str) or _TEMPO.fullmatch(written.strip()) is None:
        raise wrong(f"{quote(value)} is not a tempo", remedy)
    try:
        return parse_bpm(written)
    except ValueError as error:
        raise wrong(f"{quote(value)} is outside {BPM_MIN} to {BPM_MAX} BPM", remedy) from error


def _meter(value: Any, _: ValidationContext) -> tuple[int, int]:
    remedy = f"write beats from 1 to 32, '/', and {one_of(str(unit) for unit in BEAT_UNITS)}, such as 7/8"
    match = _METER.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise wrong(f"{quote(value)} is not a meter", remedy)
    beats, unit = int(match[1]), int(match[2])
    if not 1 <= beats <= 32 or unit not in BEAT_UNITS:
        raise wrong(f"{quote(value)} is not a meter that can be counted", remedy)
    return beats, unit


TEMPO = Leaf(
    _tempo,
    {
        "type": ["number", "string"],
        "minimum": int(BPM_MIN),
        "maximum": int(BPM_MAX),
        "pattern": r"^(\d{1,4}(\.\d{1,15})?|\d{1,9}/\d{1,9})$",
    },
)

METER = Leaf(_meter, {"type": "string", "pattern": r"^([1-9]|[12]\d|3[0-2])\s*/\s*(1|2|4|8|16|32)$"})
TEMPO_CURVE = choice(Curve)
CLICK_PLAYS = choice(ClickPlays)
BAR = whole(1, 9999)
BARS = whole(1, 999)
COUNT_IN = whole(0, 16)
SUBDIVISION = whole(1, 8)
LARGEST_TEMPO_FILE_BYTES = 256 * 1024
"""A file of nothing but events takes mido seconds for each 256 KiB; those of songs are a tenth as large."""

MOST_EVENTS = 5000
_FILE_TEMPO = Fraction(120)


class FileTempo(NamedTuple):
    """The points that a file holds."""

    tempo: tuple[TempoPoint, ...]
    meters: tuple[MeterPoint, ...]


def _read_tempo_file(value: Any, context: ValidationContext) -> FileTempo:
    remedy = "name a Standard MIDI File inside the rig folder, such as midi/copper-ferry.mid"
    if not isinstance(value, str):
        raise wrong(f"is {quote(value)}, not a file", remedy)
    folder = context.folder
    try:
        content = read_file(folder / value, LARGEST_TEMPO_FILE_BYTES, folder)
    except UnreadableFileError as problem:
        raise wrong(f"file {quote(value)} {problem.what}", problem.remedy) from problem
    try:
        return read_tempo(content)
    except ValueError as error:
        raise _file_error(value, error) from error


def _file_error(name: str, error: ValueError) -> PydanticCustomError:
    return wrong(f"file {quote(name)}: {error}", "export it again, or write 'tempo-map' and 'meters' by hand")


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
            tempo[at * scale] = _file_bpm(event.tempo)
        elif event.type == "time_signature":
            meters[at * scale] = _file_meter(event.numerator, event.denominator)
    if len(tempo) + len(meters) > MOST_EVENTS:
        raise ValueError(f"it has more than {MOST_EVENTS} changes of tempo and meter")
    points = tuple(TempoPoint(tick, bpm, bpm) for tick, bpm in sorted(tempo.items()))
    return FileTempo(points, _on_bars(sorted(meters.items())))


def _file_bpm(microseconds: int) -> Fraction:
    bpm = Fraction(60_000_000, max(1, microseconds))
    if not BPM_MIN <= bpm <= BPM_MAX:
        raise ValueError(f"it has a tempo of {float(bpm):.1f} BPM, outside {BPM_MIN} to {BPM_MAX}")
    return bpm


def _file_meter(beats: int, unit: int) -> tuple[int, int]:
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


TEMPO_FILE = Leaf(_read_tempo_file, {"type": "string"})


class ClickEntry(Entry):
    """The metronome of a song."""

    model_config = ConfigDict(title="click")

    device: Annotated[str, TARGET] = option("The device that clicks.", "sampler")
    channel: Annotated[int, CHANNEL] = Field(
        9, description="On which channel; 10 when left out.", examples=[10], json_schema_extra={"default": 10}
    )
    note: Annotated[int, NOTE] = option("The note of a beat.", "E5", 76)
    accent: Annotated[int, NOTE] = option("The note of a bar's first beat.", "F5", 77)
    velocity: Annotated[int, LOUDNESS] = option("How hard a beat is.", 80, 90)
    accent_velocity: Annotated[int, LOUDNESS] = option(
        "How hard a bar's first beat is.", 110, 120, "accent-velocity"
    )
    subdivision: Annotated[int, SUBDIVISION] = option("Clicks to the beat.", 2, 1)
    count_in: Annotated[int, COUNT_IN] = option("How many bars are clicked before a start.", 2, 0, "count-in")
    plays: Annotated[ClickPlays, CLICK_PLAYS] = option(
        "Whether it goes on once the song has started.", "count-in", ClickPlays.THROUGHOUT
    )


class TempoEntry(Entry):
    """A point of a tempo map."""

    model_config = ConfigDict(title="tempo point")

    bar: Annotated[int, BAR] = option("The bar, from 1, with which it begins.", 9)
    tempo: Annotated[Fraction, TEMPO] = option("Tempo from here on, or at the end of 'over'.", "124.5")
    over: Annotated[int | None, BARS] = option("How many bars the change takes.", 8, None)
    curve: Annotated[Curve, TEMPO_CURVE] = option("With 'over': how it changes.", "linear", Curve.LINEAR)


class MeterEntry(Entry):
    """A change of meter."""

    model_config = ConfigDict(title="meter change")

    bar: Annotated[int, BAR] = option("The bar, from 1, with which it begins.", 17)
    meter: Annotated[tuple[int, int], METER] = option("The meter from here on.", "7/8")


def review_time(
    checked: Checked[Any], tempo_map: Sequence[TempoEntry], meters: Sequence[MeterEntry], *, has_file: bool
) -> None:
    """Check the tempo map and the meters of a song; `has_file`: it names a file that has both."""
    for key, entries in (("tempo-map", tempo_map), ("meters", meters)):
        _review_order(checked, key, entries)
        if entries and has_file:
            checked.report((key,), f"the song has both '{key}' and 'tempo-file'", "remove one of the two")
    for index, point in enumerate(tempo_map):
        path: KeyPath = ("tempo-map", index)
        if checked.is_sound(path) and point.over is None and "curve" in point.model_fields_set:
            checked.report((*path, "curve"), "'curve' has no meaning without 'over'", "add 'over: 8'")


def _review_order(checked: Checked[Any], key: str, entries: Sequence[Any]) -> None:
    free_from = 1
    for index, entry in enumerate(entries):
        path: KeyPath = (key, index)
        if not checked.is_sound(path):
            continue
        if entry.bar < free_from:
            checked.report(
                (*path, "bar"),
                f"bar {entry.bar} comes before the end of the entry above, bar {free_from}",
                "write the entries in order, one ending where the next begins, or earlier",
            )
        free_from = entry.bar + max(1, getattr(entry, "over", None) or 0)


def resolve_click(entry: ClickEntry) -> Click:
    """Return the click that an entry means."""
    return Click(
        device=entry.device,
        channel=entry.channel,
        note=entry.note,
        accent=entry.accent,
        velocity=entry.velocity,
        accent_velocity=entry.accent_velocity,
        subdivision=entry.subdivision,
        count_in_bars=entry.count_in,
        plays=entry.plays,
    )


def meter_points(
    bpm: Fraction, meter: tuple[int, int], entries: Iterable[MeterEntry]
) -> tuple[MeterPoint, ...]:
    """Return the meter changes of a song that begins in `meter`."""
    points: list[MeterPoint] = []
    for entry in entries:
        counted = TempoMap(bpm, *meter, (), tuple(points))
        points.append(MeterPoint(counted.tick_of_bar(entry.bar - 1), *entry.meter))
    return tuple(points)


def tempo_points(
    bpm: Fraction, meter: tuple[int, int], entries: Iterable[TempoEntry], meters: tuple[MeterPoint, ...]
) -> tuple[TempoPoint, ...]:
    """Return the tempo map of a song that begins at `bpm` in `meter` and has these meter changes."""
    counted = TempoMap(bpm, *meter, (), meters)
    points: list[TempoPoint] = []
    before = bpm
    for entry in entries:
        at = Fraction(counted.tick_of_bar(entry.bar - 1))
        if entry.over is None:
            points.append(TempoPoint(at, entry.tempo, entry.tempo))
        else:
            over = counted.tick_of_bar(entry.bar - 1 + entry.over) - at
            points.append(TempoPoint(at, before, entry.tempo, over, entry.curve))
        before = entry.tempo
    return tuple(points)
