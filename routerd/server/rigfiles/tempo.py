"""From bars to positions: a song's meter changes and tempo map, checked and resolved."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from routerd.core.clock.tempo_map import TempoMap
from routerd.core.model.timing import (
    Click,
    ClockFrom,
    MeterPoint,
    Pulse,
    SongTiming,
    TempoPoint,
    TimeCode,
    Timing,
)
from routerd.core.units import NS_PER_MS
from routerd.server.rigfiles.check import Checked
from routerd.server.rigfiles.entries import DeviceEntry, RigFile, SongFile
from routerd.server.rigfiles.text import Path
from routerd.server.rigfiles.time_entries import ClickEntry, PulseEntry, TimingEntry
from routerd.server.rigfiles.time_scalars import Counts


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


def review_timing(checked: Checked[RigFile], path: Path, device: DeviceEntry) -> None:
    """Check what a device says about its clock."""
    timing = device.timing
    if timing is None or not checked.is_sound(path):
        return
    wants_output = sorted(timing.model_fields_set - {"leads_transport", "clock_from", "restarts"})
    if wants_output and not device.output:
        key = wants_output[0].replace("_", "-")
        checked.report((*path, key), f"'{key}' needs an output", "add 'output' to the device, or remove it")
    if "leads_transport" in timing.model_fields_set and not device.input:
        checked.report(
            (*path, "leads-transport"), "only a device with an input is followed", "add 'input', or remove it"
        )
    if timing.clock_from is ClockFrom.MTC and (not timing.leads_transport or not device.input):
        checked.report(
            (*path, "clock-from"),
            "time code is followed with transport, from a device with an input",
            "add 'input', and remove 'leads-transport'",
        )
    if timing.restarts and not device.input:
        checked.report(
            (*path, "restarts"), "only a device with an input is followed", "add 'input', or remove it"
        )
    elif timing.restarts and (not timing.leads_transport or timing.clock_from is ClockFrom.MTC):
        checked.report(
            (*path, "restarts"),
            "only a device whose transport is followed restarts the song",
            "remove 'restarts', or let its start be followed: no 'leads-transport: false', no time code",
        )
    for key, wanted in (("rate", device.clock), ("starts", device.transport), ("sequence", device.transport)):
        if key in timing.model_fields_set and device.output and not wanted:
            other = "clock" if key == "rate" else "transport"
            checked.report((*path, key), f"'{key}' has no meaning without '{other}'", f"add '{other}: true'")
    review_pulse(checked, (*path, "pulse"), timing.pulse)


def review_pulse(checked: Checked[Any], path: Path, pulse: PulseEntry | None) -> None:
    """Check that a pulse is one thing."""
    if pulse is not None and (pulse.note is None) == (pulse.cc is None):
        checked.report(path, "a pulse is a note or a controller", "write one of the two")


def resolve_timing(entry: TimingEntry | None) -> Timing:
    """Return a device's timing."""
    if entry is None:
        return Timing()
    return Timing(
        offset_ns=round(entry.offset * NS_PER_MS),
        rate=entry.rate,
        start=entry.starts,
        sequence_steps=entry.sequence or 0,
        pulse=None if entry.pulse is None else resolve_pulse(entry.pulse),
        mtc=None if entry.mtc is None else TimeCode(entry.mtc.rate, entry.mtc.counts is Counts.SET),
        leads_transport=entry.leads_transport,
        clock_from=entry.clock_from,
        restarts=entry.restarts,
    )


def resolve_pulse(entry: PulseEntry) -> Pulse:
    """Return the pulse that an entry describes."""
    return Pulse(
        per_quarter=entry.per_quarter,
        channel=entry.channel,
        note=-1 if entry.note is None else entry.note,
        cc=-1 if entry.cc is None else entry.cc,
        value=entry.value,
        length_ns=round(entry.length * NS_PER_MS),
        reset=-1 if entry.reset is None else entry.reset,
        always=entry.always,
    )


def _click(entry: ClickEntry) -> Click:
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


def resolve_song_timing(file: SongFile) -> SongTiming:
    """Return what a song says about time."""
    tempo: tuple[TempoPoint, ...]
    if file.tempo_file is not None:
        tempo, meters = file.tempo_file
    else:
        meters = _meters(file)
        tempo = _tempo(file, meters)
    return SongTiming(
        clock_source=file.clock_source or "",
        tempo=tempo,
        meters=meters,
        click=None if file.click is None else _click(file.click),
        change=file.change,
    )


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
