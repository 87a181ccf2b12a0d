"""The shapes of what files say about time: a device's clock, a song's tempo map, meters and click."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import ConfigDict, Field

from routerd.core.model.timing import ClickPlays, ClockFrom, Curve, FrameRate, StartMode
from routerd.server.rigfiles import scalars as s
from routerd.server.rigfiles import time_scalars as t
from routerd.server.rigfiles.entry import Entry, key


class PulseEntry(Entry):
    """Notes or controller values for a box that is clocked by them."""

    model_config = ConfigDict(
        title="pulse", json_schema_extra={"oneOf": [{"required": ["note"]}, {"required": ["cc"]}]}
    )

    per_quarter: Annotated[Fraction, t.PULSES] = key(
        "So many pulses come to the quarter note.", "4", Fraction(4)
    )
    channel: Annotated[int, s.CHANNEL] = Field(
        0, description="On which channel; 1 when left out.", examples=[10], json_schema_extra={"default": 1}
    )
    note: Annotated[int | None, s.NOTE] = key("A note for each pulse.", "C2", None)
    cc: Annotated[int | None, s.BYTE] = key("A controller for each pulse, 0 at its end.", 20, None)
    value: Annotated[int, s.LOUDNESS] = key("Velocity of the notes, or value of the controller.", 127, 100)
    length: Annotated[Fraction, t.LENGTH] = key("How long a pulse is, in ms.", 5, Fraction(10))
    reset: Annotated[int | None, s.NOTE] = key(
        "One pulse of this note (or controller) where the song starts from bar one.", "C#2", None
    )
    always: Annotated[bool, s.FLAG] = key(
        "Whether pulses go on while transport is stopped and between songs.", True, False
    )


class TimeCodeEntry(Entry):
    """MIDI time code for a device."""

    model_config = ConfigDict(title="time code")

    rate: Annotated[FrameRate, t.FRAME_RATE] = key("Frames a second; 29.97 drops frame numbers.", "29.97")
    counts: Annotated[t.Counts, t.COUNTS] = key(
        "What it counts; of the set, each song's hour is its number.", "set", t.Counts.SONG
    )


class TimingEntry(Entry):
    """How a device gets its clock, and how it is followed."""

    model_config = ConfigDict(title="timing")

    offset: Annotated[Fraction, t.OFFSET] = key(
        "So many ms later, or earlier when negative, than other devices.", "-12.5", Fraction(0)
    )
    rate: Annotated[Fraction, t.RATE] = key(
        "So many ticks for each of the standard's 24 to the quarter note.", "1/2", Fraction(1)
    )
    starts: Annotated[StartMode, t.STARTS] = key("When it is started.", "bar", StartMode.TRANSPORT)
    sequence: Annotated[int | None, t.STEPS] = key(
        "How many sixteenth notes its own sequence is long.", 7, None
    )
    pulse: PulseEntry | None = key("Notes or controller values while transport runs.", {"note": "C2"}, None)
    mtc: TimeCodeEntry | None = key("MIDI time code while transport runs.", {"rate": 25}, None)
    clock_from: Annotated[ClockFrom, t.CLOCK_FROM] = key(
        "What of it is followed: its ticks, or MIDI time code.", "mtc", ClockFrom.TICKS, "clock-from"
    )
    leads_transport: Annotated[bool, s.FLAG] = key(
        "Whether its start, stop, continue and song position are followed too.",
        False,
        True,
    )
    restarts: Annotated[bool, s.FLAG] = key(
        "Whether its start while transport runs means the top again, instead of being ignored.", True, False
    )


class SongDeviceEntry(Entry):
    """What a device's clock is like in one song; what it does not say is as in the rig."""

    model_config = ConfigDict(title="device in a song")

    rate: Annotated[Fraction | None, t.RATE] = key(
        "So many ticks for each of the standard's 24 to the quarter note.", "1/2", None
    )
    starts: Annotated[StartMode | None, t.STARTS] = key("When it is started.", "bar", None)
    sequence: Annotated[int | None, t.STEPS] = key(
        "How many sixteenth notes its own sequence is long.", 7, None
    )
    pulse: PulseEntry | None = key("Its pulses, instead of those in the rig.", {"note": "C2"}, None)
    pulses: Annotated[bool, s.FLAG] = key("Whether it gets pulses at all.", False, True)


class ClickEntry(Entry):
    """The metronome of a song."""

    model_config = ConfigDict(title="click")

    device: Annotated[str, s.TARGET] = key("The device that clicks.", "sampler")
    channel: Annotated[int, s.CHANNEL] = Field(
        9, description="On which channel; 10 when left out.", examples=[10], json_schema_extra={"default": 10}
    )
    note: Annotated[int, s.NOTE] = key("The note of a beat.", "E5", 76)
    accent: Annotated[int, s.NOTE] = key("The note of a bar's first beat.", "F5", 77)
    velocity: Annotated[int, s.LOUDNESS] = key("How hard a beat is.", 80, 90)
    accent_velocity: Annotated[int, s.LOUDNESS] = key(
        "How hard a bar's first beat is.", 110, 120, "accent-velocity"
    )
    subdivision: Annotated[int, t.SUBDIVISION] = key("So many clicks to the beat.", 2, 1)
    count_in: Annotated[int, t.COUNT_IN] = key("So many bars are clicked before a start.", 2, 0, "count-in")
    plays: Annotated[ClickPlays, t.CLICK_PLAYS] = key(
        "Whether it goes on once the song has started.", "count-in", ClickPlays.THROUGHOUT
    )


class TempoEntry(Entry):
    """A point of a tempo map."""

    model_config = ConfigDict(title="tempo point")

    bar: Annotated[int, t.BAR] = key("The bar, from 1, with which it begins.", 9)
    tempo: Annotated[Fraction, s.TEMPO] = key("Tempo from here on, or at the end of 'over'.", "124.5")
    over: Annotated[int | None, t.BARS] = key("So many bars the way there takes.", 8, None)
    curve: Annotated[Curve, t.CURVE] = key("With 'over': the way there.", "linear", Curve.LINEAR)


class MeterEntry(Entry):
    """A change of meter."""

    model_config = ConfigDict(title="meter change")

    bar: Annotated[int, t.BAR] = key("The bar, from 1, with which it begins.", 17)
    meter: Annotated[tuple[int, int], s.METER] = key("The meter from here on.", "7/8")
