"""The vocabulary of time: what a device's clock and a song's tempo, meter and click are, as checked values.

Everything is resolved, nothing here checks. Positions count ticks of the song from 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from routerd.core.units import TICK_NS_AT_1_BPM

HOLDOVER_S = 15
"""For so many seconds a silent source is held unless the rig says otherwise."""


class State(StrEnum):
    """Where transport is. Starting: the byte waits or is out, its tick is not."""

    STOPPED = "stopped"
    STARTING = "starting"
    RUNNING = "running"


class TempoBy(StrEnum):
    """Who has set the tempo that is in force."""

    SONG = "song"
    HAND = "hand"
    """It holds until the song ends or somebody asks for the song's own."""
    SOURCE = "source"
    """The device that is followed; also when it has fallen silent for good and its tempo is led on in."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of the grid at one tempo: tick `anchor_tick` lies at `anchor_ns`.

    Tick *n* lies at `anchor_ns + (n − anchor_tick) × 60 / (24 × bpm)` seconds (24 ticks to the quarter note,
    M1 p. 30), always computed from the anchor with whole numbers, so errors never accumulate and nothing
    drifts. A tempo change starts a new segment anchored at a tick, so the tick before and the tick after it
    are one grid without a gap or a double tick; its anchor is rounded down to a nanosecond once, at the
    change.
    """

    anchor_ns: int
    anchor_tick: int
    bpm: Fraction

    def due_ns(self, tick: int) -> int:
        """Return when `tick` is due, rounded down to a nanosecond."""
        return self.anchor_ns + (
            (tick - self.anchor_tick) * TICK_NS_AT_1_BPM * self.bpm.denominator // self.bpm.numerator
        )

    def tick_at(self, at_ns: int) -> int:
        """Return the last tick that is due at `at_ns` or before."""
        # n is due by `at_ns` exactly when n × K × den < (at − anchor + 1) × num, with K as TICK_NS_AT_1_BPM
        span = (at_ns - self.anchor_ns + 1) * self.bpm.numerator
        return self.anchor_tick + -(-span // (TICK_NS_AT_1_BPM * self.bpm.denominator)) - 1

    def retimed(self, tick: int, bpm: Fraction) -> Segment:
        """Return the segment of the new tempo that begins at `tick` of this one."""
        return Segment(self.due_ns(tick), tick, bpm)


class Curve(StrEnum):
    """How tempo goes from one value to another, as a function of position."""

    LINEAR = "linear"
    EXPONENTIAL = "exponential"


class ClockFrom(StrEnum):
    """What is followed of a device that leads."""

    TICKS = "ticks"
    MTC = "mtc"
    """Its MIDI time code."""


class ClickPlays(StrEnum):
    """When a click is heard."""

    THROUGHOUT = "throughout"
    COUNT_IN = "count-in"


class StartMode(StrEnum):
    """When a device that gets transport is started."""

    TRANSPORT = "transport"
    ENTRY = "entry"
    """By itself as soon as a song is entered, and with each start that finds it stopped."""
    BAR = "bar"
    """From the top on the first bar of a song that transport plays."""
    RETRIGGER = "retrigger"
    NEVER = "never"


class FrameRate(StrEnum):
    """Rates of MIDI time code (MTC p. 2)."""

    FPS_24 = "24"
    FPS_25 = "25"
    DROP = "29.97"
    FPS_30 = "30"


class ChangePolicy(StrEnum):
    """How a song is entered: at once with transport stopped, or with transport going on."""

    STOP = "stop"
    TICK = "tick"
    BEAT = "beat"
    BAR = "bar"


@dataclass(frozen=True, slots=True)
class Pulse:
    """Notes or controller values in place of a clock. One of `note` and `cc` is 0–127, the other -1.

    `per_quarter` pulses come to the quarter note while transport runs, or `always`, each `length_ns` long.
    `reset` is the note or controller that is pulsed once where the song starts at bar one; -1 for none.
    """

    per_quarter: Fraction
    channel: int = 0
    note: int = -1
    cc: int = -1
    value: int = 100
    length_ns: int = 10_000_000
    reset: int = -1
    always: bool = False


@dataclass(frozen=True, slots=True)
class TimeCode:
    """MIDI time code to a device: its rate, and whether it counts the song or the whole evening."""

    rate: FrameRate
    of_set: bool = False


@dataclass(frozen=True, slots=True)
class Timing:
    """How a device gets its clock, and how it is followed.

    `offset_ns` later (or earlier, when negative) than the grid; `rate` ticks for each tick; `sequence_steps`
    sixteenth notes long is its own sequence (0: not stated). `clock_from`: what is followed of it, not
    by ticks.
    """

    offset_ns: int = 0
    rate: Fraction = Fraction(1)
    start: StartMode = StartMode.TRANSPORT
    sequence_steps: int = 0
    pulse: Pulse | None = None
    mtc: TimeCode | None = None
    leads_transport: bool = True
    clock_from: ClockFrom = ClockFrom.TICKS
    restarts: bool = False
    """Whether its Start means the top while transport runs, too; else it is ignored (M1 pp. 31-32)."""


PLAIN_TIMING = Timing()


@dataclass(frozen=True, slots=True)
class TempoPoint:
    """From position `at_ticks` on: tempo `bpm`, moving to `to_bpm` over `over_ticks` when that is above 0."""

    at_ticks: Fraction
    bpm: Fraction
    to_bpm: Fraction
    over_ticks: Fraction = Fraction(0)
    curve: Curve = Curve.LINEAR


@dataclass(frozen=True, slots=True)
class MeterPoint:
    """From tick `at_tick` on, which begins a bar: `beats` of 1/`unit`."""

    at_tick: int
    beats: int
    unit: int


@dataclass(frozen=True, slots=True)
class Click:
    """Metronome notes for one device, counted from the song's bars.

    `subdivision` notes to the beat; `accent` is the note of a bar's first beat; `count_in_bars` are clicked
    before the song starts, and nothing else with `plays` COUNT_IN.
    """

    device: str
    channel: int = 9
    note: int = 76
    accent: int = 77
    velocity: int = 90
    accent_velocity: int = 120
    subdivision: int = 1
    count_in_bars: int = 0
    plays: ClickPlays = ClickPlays.THROUGHOUT


@dataclass(frozen=True, slots=True)
class SongTiming:
    """What a song says about time beyond its tempo and meter. `clock_source` is a device, or "" to lead.

    `devices` are devices that want their clock otherwise in this song, each with all of its timing.
    """

    clock_source: str = ""
    tempo: tuple[TempoPoint, ...] = ()
    meters: tuple[MeterPoint, ...] = ()
    click: Click | None = None
    change: ChangePolicy = ChangePolicy.STOP
    devices: tuple[tuple[str, Timing], ...] = ()


PLAIN_SONG_TIMING = SongTiming()
