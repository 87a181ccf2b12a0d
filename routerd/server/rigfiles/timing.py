"""How a device gets its clock, in the rig and in one song: pulses, time code, rate, start."""

from __future__ import annotations

import re
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from routerd.core.model.timing import ClockFrom, FrameRate, Pulse, StartMode, TimeCode, Timing
from routerd.core.units import NS_PER_MS
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.rigfiles.shape import Checked, Entry, Leaf, ValidationContext, option, wrong
from routerd.server.rigfiles.text import KeyPath
from routerd.server.rigfiles.values import BYTE, CHANNEL, FLAG, LOUDNESS, NOTE, choice, decimal, whole

_RATE = re.compile(r"\d{1,3}(?:\.\d{1,6})?|\d{1,3}/\d{1,3}")


class Counts(StrEnum):
    """What a time code counts."""

    SONG = "song"
    SET = "set"


def rate(minimum: str, maximum: str, example: str) -> Leaf:
    """Return the leaf of a rate above 0, as a decimal or a fraction."""

    def read(value: Any, _: ValidationContext) -> Fraction:
        remedy = f"write {minimum} to {maximum} as a decimal or a fraction such as {example}"
        written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        try:
            if not isinstance(written, str) or _RATE.fullmatch(written.strip()) is None:
                raise ValueError(written)
            number = Fraction(written.strip())
        except (ValueError, ZeroDivisionError) as error:
            raise wrong(f"{quote(value)} is not a rate", remedy) from error
        if not Fraction(minimum) <= number <= Fraction(maximum):
            raise wrong(f"{quote(value)} is outside {minimum} to {maximum}", remedy)
        return number

    schema = {
        "type": ["number", "string"],
        "minimum": float(Fraction(minimum)),
        "maximum": float(Fraction(maximum)),
    }
    return Leaf(read, {**schema, "pattern": r"^(\d{1,3}(\.\d{1,15})?|\d{1,3}/\d{1,3})$"})


def _frame_rate(value: Any, _: ValidationContext) -> FrameRate:
    known = [one.value for one in FrameRate]
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if written not in known:
        raise wrong(f"{quote(value)} is not a frame rate", suggest("", known))
    return FrameRate(written)


STARTS = choice(StartMode)
COUNTS = choice(Counts)
CLOCK_FROM = choice(ClockFrom)
FRAME_RATE = Leaf(
    _frame_rate,
    {"type": ["string", "number"], "enum": ["24", "25", "29.97", "30", 24, 25, 29.97, 30]},
)
STEPS = whole(1, 1024)
OFFSET = decimal("-250", "250", "ms", "-12.5")
LENGTH = decimal("1", "1000", "ms", "10")
RATE = rate("1/96", "4", "1/2")
PULSES = rate("1/96", "96", "4")


class PulseEntry(Entry):
    """Notes or controller values for a box that is clocked by them."""

    model_config = ConfigDict(
        title="pulse", json_schema_extra={"oneOf": [{"required": ["note"]}, {"required": ["cc"]}]}
    )

    per_quarter: Annotated[Fraction, PULSES] = option("Pulses to the quarter note.", "4", Fraction(4))
    channel: Annotated[int, CHANNEL] = Field(
        0, description="On which channel; 1 when left out.", examples=[10], json_schema_extra={"default": 1}
    )
    note: Annotated[int | None, NOTE] = option("A note for each pulse.", "C2", None)
    cc: Annotated[int | None, BYTE] = option("A controller for each pulse, 0 at its end.", 20, None)
    value: Annotated[int, LOUDNESS] = option("Velocity of the notes, or value of the controller.", 127, 100)
    length: Annotated[Fraction, LENGTH] = option("How long a pulse is, in ms.", 5, Fraction(10))
    reset: Annotated[int | None, NOTE] = option(
        "One pulse of this note (or controller) where the song starts from bar one.", "C#2", None
    )
    always: Annotated[bool, FLAG] = option(
        "Whether pulses go on while transport is stopped and between songs.", True, False
    )


class TimeCodeEntry(Entry):
    """MIDI time code for a device."""

    model_config = ConfigDict(title="time code")

    rate: Annotated[FrameRate, FRAME_RATE] = option("Frames a second; 29.97 drops frame numbers.", "29.97")
    counts: Annotated[Counts, COUNTS] = option(
        "What it counts; of the set, each song's hour is its number.", "set", Counts.SONG
    )


class TimingEntry(Entry):
    """How a device gets its clock, and how it is followed."""

    model_config = ConfigDict(title="timing")

    offset: Annotated[Fraction, OFFSET] = option(
        "How many ms later than other devices; earlier when negative.", "-12.5", Fraction(0)
    )
    rate: Annotated[Fraction, RATE] = option(
        "Ticks for each of the standard's 24 to the quarter note.", "1/2", Fraction(1)
    )
    starts: Annotated[StartMode, STARTS] = option("When it is started.", "bar", StartMode.TRANSPORT)
    sequence: Annotated[int | None, STEPS] = option(
        "How many sixteenth notes its own sequence is long.", 7, None
    )
    pulse: PulseEntry | None = option(
        "Notes or controller values while transport runs.", {"note": "C2"}, None
    )
    mtc: TimeCodeEntry | None = option("MIDI time code while transport runs.", {"rate": 25}, None)
    clock_from: Annotated[ClockFrom, CLOCK_FROM] = option(
        "What of it is followed: its ticks, or MIDI time code.", "mtc", ClockFrom.TICKS, "clock-from"
    )
    leads_transport: Annotated[bool, FLAG] = option(
        "Whether its start, stop, continue and song position are followed too.",
        False,
        True,
    )
    restarts: Annotated[bool, FLAG] = option(
        "Whether its start while transport runs means the top again, instead of being ignored.", True, False
    )


class SongDeviceEntry(Entry):
    """What a device's clock is like in one song; what it does not say is as in the rig."""

    model_config = ConfigDict(title="device in a song")

    rate: Annotated[Fraction | None, RATE] = option(
        "Ticks for each of the standard's 24 to the quarter note.", "1/2", None
    )
    starts: Annotated[StartMode | None, STARTS] = option("When it is started.", "bar", None)
    sequence: Annotated[int | None, STEPS] = option(
        "How many sixteenth notes its own sequence is long.", 7, None
    )
    pulse: PulseEntry | None = option("Its pulses, instead of those in the rig.", {"note": "C2"}, None)
    pulses: Annotated[bool, FLAG] = option("Whether it gets pulses at all.", False, True)


def review_pulse(checked: Checked[Any], path: KeyPath, pulse: PulseEntry | None) -> None:
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
