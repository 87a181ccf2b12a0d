"""What the API answers, as values; the API's document is made from these same classes.

Answers of one path alone stand beside their handler; what the engine sends as it is answered is the link's.

A class's docstring is its description in the document. A number is a decimal: tempo, exact between
the two processes and on disk, is rounded to thousandths here where it is called `bpm`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from routerd.core.model.snapshot import FollowingState
from routerd.link.messages import PortState
from routerd.server.soundcheck.figures import Offset


@dataclass(frozen=True, slots=True)
class SectionFacts:
    """A section of a song; `number` counts from 1, `bpm` is null where the song's tempo holds."""

    number: int
    name: str
    bpm: float | None


@dataclass(frozen=True, slots=True)
class TuningNote:
    """The note that sounds for somebody who tunes."""

    device: str
    channel: int
    note: int
    seconds_left: float
    """It ends by itself then."""


@dataclass(frozen=True, slots=True)
class ChecklistStep:
    """A step that people do by hand: `who` is "" for anybody, `section` "" for before the song."""

    number: int
    text: str
    who: str
    section: str
    done: bool


@dataclass(frozen=True, slots=True)
class SongFacts:
    """A song; `song` is its file's name, as requests give it. `bpm` are quarter notes per minute,
    rounded to thousandths, `duration_s` is 0 where the file says nothing."""

    song: str
    title: str
    bpm: float
    meter: str
    key: str
    duration_s: int
    sections: tuple[SectionFacts, ...]
    checklist: tuple[ChecklistStep, ...]
    notes: str
    concert_pitch_hz: float = 440.0
    tuning_note: int = 69


@dataclass(frozen=True, slots=True)
class SongInOrder:
    """A song of the set list, by its file's name; `number` counts from 1."""

    number: int
    song: str
    title: str


@dataclass(frozen=True, slots=True)
class Durations:
    """Seconds. `set_s` is the whole order with changeovers and its encore; over the slot is positive, under
    it negative. `elapsed_s` since the first start of transport; `over_s` as it goes. Null: not known."""

    set_s: int
    encore_s: int
    slot_s: int | None
    planned_over_s: int | None
    elapsed_s: int | None
    remaining_s: int | None
    over_s: int | None
    without_duration: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetListDocument:
    """Tonight's set list; where the show stands in it is in the status.

    `encore` are how many songs at its end are the encore; `set_lists` names the sets of the rig folder.
    """

    name: str
    date: str
    encore: int
    slot_s: int
    changeover_s: int
    order: tuple[SongInOrder, ...]
    set_lists: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetListPosition:
    """Where the show stands in the set list; `position` counts from 1 or is null outside it."""

    name: str
    date: str
    position: int | None
    songs: int


@dataclass(frozen=True, slots=True)
class Section:
    """The section that is on; `number` counts from 1."""

    number: int
    name: str


@dataclass(frozen=True, slots=True)
class Armed:
    """A change that waits for its moment; `left` are the beats or bar lines still to come, where counted.

    `title` is that of the song which the argument means, null where it means none.
    """

    action: str
    argument: float | int | str | None
    title: str | None
    when: str
    left: int | None


@dataclass(frozen=True, slots=True)
class Learning:
    """Learn mode: what was heard, in hexadecimal, and the line for rig.yaml, with `next` for its meaning.

    Of a pedal `low` and `high` are the ends it has reached; exchange heel and toe where it goes the other
    way.
    """

    learns: Literal["control", "pedal"]
    over: bool
    device: str | None
    message: str | None
    low: int | None
    high: int | None
    entry: str | None


@dataclass(frozen=True, slots=True)
class Tempo:
    """The tempo that sounds, in quarter notes per minute: `bpm` rounded to thousandths, `rate_bpm` to the
    last digit of a double, which is wrong by less than a nanosecond in a day.

    Tick n of the clock lies at `anchor_ns` + (n − `anchor_tick`) × 60 / (24 × `rate_bpm`) s, in ns of this
    machine's CLOCK_MONOTONIC: what a measuring program on the same machine needs to know. While tempo moves
    both are of this moment, at most 0.05 s old. `set_by` says who has set it: `song`, `hand` (until the song
    ends or its own tempo is asked for) or `source`, a device that is or was followed.
    """

    bpm: float
    anchor_ns: int
    anchor_tick: int
    rate_bpm: float
    set_by: str


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """Where a device stands that gets clock, transport, pulses or time code.

    `rate` is that of its ticks against the grid's, null where it gets none; `running` is null where it is
    neither started nor stopped from here. `step` is the sixteenth of its sequence from 1, `cycle` how often
    it has come round, and `bars_to_meet` in how many bars both begin together again; null when it is stopped
    or states no length.
    """

    device: str
    rate: float | None
    running: bool | None
    step: int | None
    steps: int | None
    cycle: int | None
    bars_to_meet: int | None
    waits_for: Literal["next", "bar", "cycle"] | None


@dataclass(frozen=True, slots=True)
class Click:
    """The metronome: whether it sounds without transport, and whether the song is being counted in."""

    alone: bool
    counting_in: bool


@dataclass(frozen=True, slots=True)
class Position:
    """Song position at the moment of the request: bar and beat from 1, tick of the beat from 0.

    `next_bar_s` is how many seconds are left until the next bar line, at the tempo that sounds; null while
    transport does not run.
    """

    bar: int
    beat: int
    tick: int
    next_bar_s: float | None


@dataclass(frozen=True, slots=True)
class SpareHealth:
    """The process that goes on when the engine dies: `state` is "off" where none is wanted, "none" where none
    can be had, for `why_none`, "coming" or "ready".

    `behind` is how much it has still to take of what the engine has done. The last takeover was
    `last_takeover_s` ago, for `last_takeover_why`; both are null before the first.
    """

    state: Literal["off", "none", "coming", "ready"]
    pid: int | None
    behind: int
    why_none: str | None
    takeovers: int
    last_takeover_s: float | None
    last_takeover_why: str | None
    rss_bytes: int | None


@dataclass(frozen=True, slots=True)
class EngineHealth:
    """The process that keeps time. `ports` says what offers them; `remedy` how to get real time.

    `resumed_gap_ms` is how long no tick went out, where it went on after another had died; else null.
    """

    pid: int
    uptime_s: float
    resumed_gap_ms: int | None
    ports: str
    generation: int
    scheduling: str
    priority: int
    memory_locked: bool
    remedy: str | None
    rss_bytes: int | None
    counters: dict[str, int]
    spare: SpareHealth


@dataclass(frozen=True, slots=True)
class ServerHealth:
    """The process that answers here; `restarts` counts how often the engine had to start it again."""

    pid: int
    uptime_s: float
    version: str
    restarts: int
    rss_bytes: int | None
    event_clients: int
    event_clients_dropped: int


@dataclass(frozen=True, slots=True)
class Status:
    """Everything about this moment. `event` is the id of the last event that has gone into this; `muted` and
    `soloed` are "device NAME" or "route NAME"; `problems` is everything that is wrong, each with its remedy,
    as `GET /v1/health` has it."""

    event: str
    set_list: SetListPosition
    durations: Durations
    song: SongFacts | None
    next_song: SongInOrder | None
    section: Section | None
    armed: Armed | None
    muted: tuple[str, ...]
    soloed: tuple[str, ...]
    learning: Learning | None
    tuning_note: TuningNote | None
    transport: Literal["stopped", "starting", "running"]
    tempo: Tempo
    position: Position
    meter: str
    clock_source: str
    following: FollowingState | None
    device_clocks: tuple[DeviceClock, ...]
    click: Click
    ports: tuple[PortState, ...]
    engine: EngineHealth
    server: ServerHealth
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SoundcheckStage:
    """A stage that is over or under way."""

    stage: str
    state: Literal["done", "stopped", "running"]
    seconds: float
    words: str


@dataclass(frozen=True, slots=True)
class SoundcheckState:
    """Where a soundcheck is; `now` says what it does or waits for, `last` names the newest that has ended."""

    running: bool
    now: str | None
    stages: tuple[SoundcheckStage, ...]
    of: tuple[str, ...]
    last: str | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Offsets:
    """The offsets that are in rig.yaml and in force now, and the soundcheck that suggested them."""

    soundcheck: str
    offsets: tuple[Offset, ...]


@dataclass(frozen=True, slots=True)
class SilentDevices:
    """The devices that are marked in rig.yaml now, and the soundcheck in whose roll call they were silent."""

    soundcheck: str
    devices: tuple[str, ...]
