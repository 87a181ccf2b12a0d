"""The state of the show as values: what the server shows, and what a later start or engine begins with.

Made by `Show.snapshot` whenever something has changed, and read by attribute everywhere else. Numbers that
people see (song, section, channel) count from 1, indices from 0; ticks are the grid's, positions the song's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from routerd.core.model.actions import Learns
from routerd.core.model.commands import Command
from routerd.core.model.set_list import SetList
from routerd.core.model.timing import Segment, State, TempoBy


class Wanted(StrEnum):
    """When a device shall be started by itself."""

    NEXT = "next"
    BAR = "bar"
    CYCLE = "cycle"


class FollowState(StrEnum):
    """Whose time it is."""

    FREE = "free"
    """The source has not been heard, or is silent for longer than the hold: this clock leads."""
    ACQUIRING = "acquiring"
    """The source is heard and not yet trusted; tempo and phase stay as they were."""
    LOCKED = "locked"
    HOLDOVER = "holdover"
    """The source has just fallen silent: its tempo and phase go on."""


class Meter(NamedTuple):
    """So many beats to the bar, each 1/`unit` of a whole note."""

    beats: int
    unit: int

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"


class BarLine(NamedTuple):
    """A bar of the song, counted from 0, and the position of its first tick."""

    tick: int
    bar: int


@dataclass(frozen=True, slots=True)
class ArmedCommand:
    """A command that waits. `lines_left`: beats or bar lines that are still to come, where it counts them."""

    command: Command
    lines_left: int | None


@dataclass(frozen=True, slots=True)
class ChatteringSwitch:
    """A switch whose contacts chatter, in words; `held_back`: it is not heard until it has been quiet."""

    device: str
    switch: str
    held_back: bool


@dataclass(frozen=True, slots=True)
class LearningState:
    """A round of learning and what it has heard. `low` and `high` are a pedal's ends, None before it was
    heard."""

    learns: Learns
    over: bool
    device: str = ""
    message: bytes = b""
    low: int | None = None
    high: int | None = None


@dataclass(frozen=True, slots=True)
class TuningNote:
    """The note that sounds for somebody who tunes; channel from 1."""

    device: str
    channel: int
    note: int
    until_ns: int


@dataclass(frozen=True, slots=True)
class DeviceClockState:
    """Where a device stands that gets clock, transport, pulses or time code.

    `rate` is None where it gets no ticks, `running` where it is neither started nor stopped from here.
    """

    device: str
    rate: Fraction | None
    running: bool | None
    started_tick: int
    cycle_ticks: int
    waits_for: Wanted | None


@dataclass(frozen=True, slots=True)
class ClickState:
    """The metronome: whether it sounds without transport, and the tick that ends a count-in, 0 for none."""

    alone: bool = False
    counting_to: int = 0


@dataclass(frozen=True, slots=True)
class FollowingState:
    """How following goes: spans in µs, and counts of ticks since the device was chosen."""

    device: str
    state: FollowState
    jitter_us: int
    lag_us: int
    distance_us: int
    accepted: int
    outliers: int
    doubled: int
    missing: int
    relocks: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything about the show that others may want to know; `generation` 0: it has no songs yet.

    `index` is the song's place in the order, or None outside it: then the show stands before place `gap`.
    `position_tick` is where transport stood last; while it runs the song's first tick is `origin_tick`. `bpm`
    is the tempo to show, `grid` has the rate.
    """

    revision: int
    generation: int
    set_list: SetList
    order_revision: int
    index: int | None
    gap: int
    next_index: int | None
    song: str | None
    section: int
    """From 1; 0 while none is on."""
    transport: State
    bpm: Fraction
    meter: Meter
    meter_from: BarLine
    tempo_by: TempoBy
    tempo_moves: bool
    grid: Segment
    position_tick: int
    origin_tick: int
    bar_origin_tick: int
    songs: tuple[str, ...] = ()
    """Identifiers by the numbers that tick records have."""
    outputs: tuple[str, ...] = ()
    """Wires by their numbers."""
    inputs: tuple[str, ...] = ()
    clock_source: str = "internal"
    armed: ArmedCommand | None = None
    chattering: tuple[ChatteringSwitch, ...] = ()
    learning: LearningState | None = None
    done: dict[str, tuple[int, ...]] = field(default_factory=dict)
    """Numbers of the steps of songs' checklists that are done."""
    tuning: TuningNote | None = None
    devices: tuple[DeviceClockState, ...] = ()
    click: ClickState = ClickState()
    following: FollowingState | None = None
    loops: tuple[str, ...] = ()
    """Devices whose input hears a loop that is kept open."""
    muted: tuple[str, ...] = ()
    soloed: tuple[str, ...] = ()
