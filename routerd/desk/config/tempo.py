"""From bars to positions: a song's meter changes and tempo map, checked and resolved."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from routerd.core.tempo_map import TempoMap
from routerd.core.timing import MeterPoint, SongTiming, TempoPoint, Timing
from routerd.desk.config.check import Checked
from routerd.desk.config.entries import SongFile
from routerd.desk.config.text import Path
from routerd.desk.config.time_entries import TimingEntry


def review_time(checked: Checked[SongFile]) -> None:
    """Check the tempo map and the meters of a song."""
    song = checked.model
    if song is None:
        return
    for key, entries in (("tempo-map", song.tempo_map), ("meters", song.meters)):
        _review_order(checked, key, entries)
        if entries and song.tempo_file is not None:
            checked.report((key,), f"the song has both '{key}' and 'tempo-file'", "remove one of the two")
    for index, point in enumerate(song.tempo_map):
        path: Path = ("tempo-map", index)
        if checked.is_sound(path) and point.over is None and "curve" in point.model_fields_set:
            checked.report((*path, "curve"), "'curve' has no meaning without 'over'", "add 'over: 8'")


def _review_order(checked: Checked[SongFile], key: str, entries: Sequence[Any]) -> None:
    free_from = 1
    for index, entry in enumerate(entries):
        path: Path = (key, index)
        if not checked.is_sound(path):
            continue
        if entry.bar < free_from:
            checked.report(
                (*path, "bar"),
                f"bar {entry.bar} comes before the end of the entry above, bar {free_from}",
                "write the entries in order, one ending where the next begins, or earlier",
            )
        free_from = entry.bar + max(1, getattr(entry, "over", None) or 0)


def resolve_timing(entry: TimingEntry | None) -> Timing:
    """Return a device's timing."""
    if entry is None:
        return Timing()
    return Timing(sends=entry.sends, leads_transport=entry.leads_transport)


def resolve_song_timing(file: SongFile) -> SongTiming:
    """Return what a song says about time."""
    tempo: tuple[TempoPoint, ...]
    if file.tempo_file is not None:
        tempo, meters = file.tempo_file
    else:
        meters = _meters(file)
        tempo = _tempo(file, meters)
    return SongTiming(follow=file.follow or "", tempo=tempo, meters=meters)


def _meters(file: SongFile) -> tuple[MeterPoint, ...]:
    points: list[MeterPoint] = []
    for entry in file.meters:
        counted = TempoMap(file.tempo, *file.meter, (), tuple(points))
        points.append(MeterPoint(counted.tick_of_bar(entry.bar - 1), *entry.meter))
    return tuple(points)


def _tempo(file: SongFile, meters: tuple[MeterPoint, ...]) -> tuple[TempoPoint, ...]:
    counted = TempoMap(file.tempo, *file.meter, (), meters)
    points: list[TempoPoint] = []
    before = file.tempo
    for entry in file.tempo_map:
        at = Fraction(counted.tick_of_bar(entry.bar - 1))
        if entry.over is None:
            points.append(TempoPoint(at, entry.tempo, entry.tempo))
        else:
            over = counted.tick_of_bar(entry.bar - 1 + entry.over) - at
            points.append(TempoPoint(at, before, entry.tempo, over, entry.curve))
        before = entry.tempo
    return tuple(points)
