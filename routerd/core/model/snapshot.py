"""The state of the show as values: what the server shows, and what a later start or engine begins with.

Made by `Show.snapshot` whenever something has changed, and read by attribute everywhere else. Numbers that
people see (song, section, channel) count from 1, indices from 0; ticks are the grid's, positions the song's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple, TypeVar

from routerd.core.model.actions import Learns
from routerd.core.model.codec import MalformedError, from_json
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


T = TypeVar("T")


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


class DeviceClockState(NamedTuple):
    """Where a device stands that gets clock, transport, pulses or time code.

    `rate` is None where it gets no ticks, `running` where it is neither started nor stopped from here.
    """

    device: str
    rate: Fraction | None
    running: bool | None
    started_tick: int
    cycle_ticks: int
    waits_for: Wanted | None


class ClickState(NamedTuple):
    """The metronome: whether it sounds without transport, and the tick that ends a count-in, 0 for none."""

    alone: bool = False
    counting_to: int = 0


NO_CLICK = ClickState()


@dataclass(frozen=True, slots=True)
class FollowingState:
    """The device that is followed. Spans are µs: its jitter (rms), how far the estimate lags behind it, and
    how far the last tick was from it; the rest counts its ticks since it was chosen.
    """

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
    click: ClickState = NO_CLICK
    following: FollowingState | None = None
    loops: tuple[str, ...] = ()
    """Devices whose input hears a loop that is kept open."""
    muted: tuple[str, ...] = ()
    soloed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ResumePoint:
    """Where a later start, or the next engine, begins; numbers as in the snapshot.

    `bpm` None: the song's own tempo. `gap` counts when the song has no `index`. `armed_unread` is why what
    was armed could not be read, if so. `play`: transport goes on.
    """

    song: str | None = None
    section: int = 0
    bpm: Fraction | None = None
    tempo_by: TempoBy = TempoBy.HAND
    index: int | None = None
    gap: int | None = None
    done: dict[str, tuple[int, ...]] = field(default_factory=dict)
    armed: Command | None = None
    armed_unread: str = ""
    muted: tuple[str, ...] = ()
    soloed: tuple[str, ...] = ()
    play: bool = False


def resume_point_of(snapshot: Snapshot) -> ResumePoint:
    """Return where a show of that snapshot would be gone on with."""
    return ResumePoint(
        song=snapshot.song,
        section=snapshot.section,
        bpm=snapshot.bpm,
        tempo_by=snapshot.tempo_by,
        index=snapshot.index,
        gap=snapshot.gap,
        done=snapshot.done,
        armed=None if snapshot.armed is None else snapshot.armed.command,
        muted=snapshot.muted,
        soloed=snapshot.soloed,
    )


def resume_point_from(data: object) -> ResumePoint:
    """Return what makes sense of the JSON of a resume point, which an older version or a person has written.

    Everything else is as if it had not been said: a show begins with as much of the evening as can be had.
    """
    found = data if isinstance(data, dict) else {}
    armed, unread = None, ""
    if isinstance(found.get("armed"), dict):
        try:
            armed = from_json(Command, found["armed"])
        except ValueError as error:
            unread = str(error)
    done = found.get("done")
    steps = done.items() if isinstance(done, dict) else ()
    bpm, tempo_by = _part(found, "bpm", Fraction), _part(found, "tempo_by", TempoBy)
    if "tempo_by" in found and tempo_by is None:
        bpm = None  # a tempo that nobody has set
    return ResumePoint(
        song=_part(found, "song", str),
        section=_part(found, "section", int) or 0,
        bpm=bpm,
        tempo_by=tempo_by or TempoBy.HAND,
        index=_part(found, "index", int),
        gap=_part(found, "gap", int),
        done={
            song: tuple(n for n in numbers if type(n) is int)
            for song, numbers in steps
            if type(numbers) is list
        },
        armed=armed,
        armed_unread=unread or (_part(found, "armed_unread", str) or ""),
        muted=_texts(found.get("muted")),
        soloed=_texts(found.get("soloed")),
        play=found.get("play") is True,
    )


def _part(found: dict[str, object], name: str, hint: type[T]) -> T | None:
    try:
        return from_json(hint, found[name])
    except (KeyError, MalformedError):
        return None


def _texts(value: object) -> tuple[str, ...]:
    return tuple(one for one in value if isinstance(one, str)) if isinstance(value, list) else ()
