"""What a soundcheck ends in, as values; its JSON and JSON Schema are made from these classes.

See `routerd.server.report.figures`, which holds the jitter report that is part of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal, get_args

from pydantic import Field

from routerd.server.report.figures import Count, Report, Time

Stage = Literal["machine", "roll-call", "clock", "loopbacks", "traffic", "songs", "unplug"]
"""What a soundcheck is made of, in the order in which it is done."""

STAGES: tuple[Stage, ...] = get_args(Stage)

SCHEMA_VERSION: Literal[1] = 1

LEVELS_DOWN = (
    "Turn amplifiers, monitors and in-ear levels down first; take in-ears out until the first song has been "
    "heard."
)
QUALIFIED_ONLY = (
    "Mains and phantom power are for people qualified for them; local rules on sound levels and electrical "
    "safety come first."
)
CAUTIONS = (
    LEVELS_DOWN,
    "The traffic run plays notes, softly (velocity 20 at most, unless a route sets another), and the song "
    "changes send every song's patches: an instrument may answer with a sudden loud sound, or be set louder "
    "than it was.",
    "Songs that start on entry start their sequencers; drum machines and modular systems will play.",
    f"Unplug and plug MIDI and USB cables only. {QUALIFIED_ONLY}",
)
"""Shown before a soundcheck makes the rig sound."""


@dataclass(frozen=True)
class StageResult:
    """A stage that is over."""

    stage: str
    state: Literal["done", "stopped"]
    seconds: float
    words: str


@dataclass(frozen=True)
class MachineFact:
    """One fact about this machine."""

    fact: str
    grade: Literal["pass", "warn", "fail", "unknown"]
    words: str
    remedy: str = ""
    """Empty where nothing is to be done."""


@dataclass(frozen=True)
class DeviceVerdict:
    """Whether a device has passed, and why."""

    device: str
    title: str
    verdict: Literal["pass", "fail", "unknown"]
    measured: Literal["loopback", "sending side", "port only"]
    """Where it was measured."""
    why: tuple[str, ...]
    todo: tuple[str, ...]


@dataclass(frozen=True)
class Identity:
    """What a device says it is; numbers are as the manufacturer assigned them."""

    channel: Count
    """The device's own number from 0 to 126, 127 for any."""
    manufacturer: str
    """Its SysEx number in hexadecimal, one byte or three."""
    family: Count
    member: Count
    version: str

    @property
    def words(self) -> str:
        """For people."""
        return (
            f"manufacturer {self.manufacturer}, family {self.family}, member {self.member}, "
            f"version {self.version}, device number {self.channel}"
        )


@dataclass(frozen=True)
class RollCall:
    """What one device has answered to an identity request."""

    device: str
    state: Literal["answered", "silent", "not asked"]
    words: str
    identity: Identity | None


@dataclass(frozen=True)
class LoopbackTimes:
    """How long messages took from output to input."""

    min: Time
    p50: Time
    p99: Time
    p99_9: Time
    max: Time


@dataclass(frozen=True)
class LoopbackFigures:
    """What came back over a loopback cable."""

    device: str
    hears: str
    """The device at whose input it came back."""
    probes: Count
    probes_cut: Count
    """Pieces of probes that a tick cut: not measured."""
    lost: Count
    latency_us: LoopbackTimes
    wire_us: float
    """How much of it the DIN wire takes for a probe."""
    ticks: Count
    tick_latency_us: LoopbackTimes


@dataclass(frozen=True)
class Offset:
    """How much later, in ms, a device gets its clock."""

    device: str
    offset_ms: float


@dataclass(frozen=True)
class TrafficRun:
    """What the traffic run has played."""

    song: str
    section: Count
    messages: Count
    devices: tuple[str, ...]
    playing: str
    """Synthetic, or the recorded show or file."""
    left_out: Count
    """Recorded messages that were not played again."""
    unknown: tuple[str, ...]
    """What was recorded of, and is not in this rig."""


@dataclass(frozen=True)
class SongChange:
    """How long the change to one song took."""

    number: Count
    song: str
    answered_ms: float
    messages: Count
    bytes: Count
    handed_over_ms: float
    """Until a port had the last of its messages."""
    settled: bool


@dataclass(frozen=True)
class Unplugged:
    """A cable that somebody was asked to pull and to put back."""

    device: str
    noticed: tuple[float, ...]
    """Seconds from being asked to the port's closing, and to its opening."""
    came_back: bool


@dataclass(frozen=True)
class Compared:
    """What is worse and what is better than in another soundcheck, worst first."""

    name: str
    worse: tuple[str, ...]
    better: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """Against earlier soundchecks of the same rig and stages; null where there is none."""

    last: Compared | None = None
    best: Compared | None = None


@dataclass(frozen=True)
class Soundcheck:
    """A timed run over the rig that ends in a verdict on every device."""

    kind: Literal["soundcheck"]
    schema: Literal[1]
    name: str
    began: Annotated[str, Field(json_schema_extra={"format": "date-time"})]
    rig: str
    set_list: str
    ended: str
    """Complete, stopped, or failed with the reason."""
    cautions: tuple[str, ...]
    stages: tuple[StageResult, ...]
    machine: tuple[MachineFact, ...]
    devices: tuple[DeviceVerdict, ...]
    roll_call: tuple[RollCall, ...]
    loopbacks: tuple[LoopbackFigures, ...]
    offsets: tuple[Offset, ...]
    """How much later each clock may go out so that all arrive with the slowest."""
    traffic: TrafficRun | None
    song_changes: tuple[SongChange, ...]
    unplug: Unplugged | None
    comparison: Comparison
    report: Report

    @property
    def failed(self) -> tuple[str, ...]:
        """What has failed: devices by name, and `this computer`."""
        ours = ("this computer",) if any(fact.grade == "fail" for fact in self.machine) else ()
        return (*ours, *(one.device for one in self.devices if one.verdict == "fail"))
