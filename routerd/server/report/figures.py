"""The figures of a jitter report, as values: what a report says, and nothing of how it is found or shown.

The published JSON, its JSON Schema and the API's document are made from these classes (`document`): a field's
docstring is its description there, and a key is a field's name. So a figure is added here, filled in where it
is measured, and shown by whoever wants to.

All of one document stands here, more than 350 lines of declarations: whoever looks for a figure finds it
beside the others. Units stand in the names: `_us` microseconds, `_s` seconds from the start or of length,
`_percent` of a whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from routerd.core.model.rig import WireKind
from routerd.link.messages import Realtime

SCHEMA_VERSION: Literal[1] = 1

Count = Annotated[int, Field(ge=0)]
Amount = Annotated[float, Field(ge=0)]
Time = Annotated[
    float | None, Field(description="µs; null: there are too few values for it to mean anything")
]


class Grade(StrEnum):
    """How well ticks kept their place, best first; unknown when there is too little to judge by."""

    UNKNOWN = "unknown"
    STEADY = "steady"
    FAIR = "fair"
    UNSTEADY = "unsteady"
    BAD = "bad"
    FAILED = "failed"

    @property
    def severity(self) -> int:
        """How bad it is: 0 for unknown, 1 for steady, up to 5 for failed."""
        return tuple(Grade).index(self)


FindingKind = Literal["missed", "doubled", "stall", "jitter", "wander", "delay", "drift"]


@dataclass(frozen=True)
class Verdict:
    """What a row of figures shows, how bad that is, and what to do about it."""

    grade: Grade
    findings: tuple[FindingKind, ...]
    """What was found, worst first."""
    words: str
    advice: tuple[str, ...]


@dataclass(frozen=True)
class Drift:
    """The straight line of lateness over due time."""

    ppm: float
    """Slope of lateness against due time."""
    uncertainty_ppm: Amount
    """Two standard errors."""
    accumulated_us: float
    """What it came to from the first tick to the last."""
    found: bool
    """Beyond its uncertainty, and over 1 ms in all."""


@dataclass(frozen=True)
class Lateness:
    """Sent minus due; a missed tick counts until its port's next tick; negative is early."""

    p50: Time
    p99: Time
    p99_9: Time
    max: Time
    min: Time


@dataclass(frozen=True)
class Deviation:
    """|Actual minus intended interval| of consecutive ticks on one port."""

    p50: Time
    p99: Time
    p99_9: Time
    max: Time


@dataclass(frozen=True)
class Figures:
    """Everything known of one series of ticks."""

    ticks: Count
    """Sent and recorded."""
    missed: Count
    """Never sent though the port was open."""
    doubled: Count
    """Sent again under the same number."""
    not_recorded: Count
    """Their records were lost on the way to the report; they may have been sent."""
    port_closed: Count
    """Not sent because the port was closed."""
    stalls: Count
    """Ticks over 6 ms later against the grid than the one before."""
    longest_stall_us: Amount
    lateness_us: Lateness
    interval_deviation_us: Deviation
    worst_at_s: float | None
    """When the largest interval deviation was, from the start."""
    drift: Drift | None
    heard_us: float
    """Displacement that is heard on sixteenth notes at this tempo."""
    verdict: Verdict


@dataclass(frozen=True)
class _OfPort:
    """Puts the port's name before its figures."""

    port: str


@dataclass(frozen=True)
class _OfSong:
    """Puts the song's title before its figures."""

    song: str | None
    """Null: no song was on."""


@dataclass(frozen=True)
class PortFigures(Figures, _OfPort):
    """The figures of one port's ticks."""


@dataclass(frozen=True)
class SongFigures(Figures, _OfSong):
    """The figures of the ticks of all ports while one song was on."""


@dataclass(frozen=True)
class Threshold:
    """A limit that ticks are judged by, what it means, and where it was published."""

    us: float
    meaning: str
    source: str


@dataclass(frozen=True)
class Conditions:
    """What was measured under: the engine's rights, and the kind of its ports; None: not known."""

    realtime: Realtime | None = None
    ports_kind: str | None = None
    starts: int = 1
    """How many times the server has been started in this show, with this one; for a report on the whole of
    it, and 1 for one on a part."""


# Curves: what a page plots


@dataclass(frozen=True)
class LatenessStep:
    """The ticks of one step of time."""

    at_s: float
    ticks: Count
    min_us: float
    mean_us: float
    max_us: float


@dataclass(frozen=True)
class Bin:
    """How many values lie up to a limit and over the one before; limit 0: early or exact."""

    to_us: float
    count: Count


@dataclass(frozen=True)
class StabilityPoint:
    """A figure over one observation time."""

    ticks: Count
    """Observation time."""
    s: float
    """The same in seconds, at the mean interval of ticks."""
    us: float


@dataclass(frozen=True)
class Curves:
    """What a page plots of one port."""

    port: str
    bucket_s: float
    """Width of a step of lateness."""
    lateness: tuple[LatenessStep, ...]
    lateness_bins: tuple[Bin, ...]
    deviation_bins: tuple[Bin, ...]
    mtie: tuple[StabilityPoint, ...]
    """Largest peak-to-peak lateness within any such time (ITU-T G.810, MTIE)."""
    tdev: tuple[StabilityPoint, ...]
    """Time deviation at such averaging times (NIST SP 1065, TDEV)."""


@dataclass(frozen=True)
class SongMark:
    """When a song was entered."""

    at_s: float
    words: str


# Traffic: wires, routes and processes


@dataclass(frozen=True)
class RateStep:
    """Bytes a second in one step of time."""

    at_s: Amount
    mean: Amount
    max: Amount


@dataclass(frozen=True)
class WireTotals:
    """What has gone out of one port."""

    port: str
    messages: Count
    bytes: Count
    thinned: Count
    """Values that a newer one replaced before they went out."""


@dataclass(frozen=True)
class WireTraffic:
    """How busy one port's way out was."""

    port: str
    wire: WireKind | None
    messages: Count
    bytes: Count
    thinned: Count
    """Values that a newer one replaced before they went out."""
    mean_bytes_per_s: Amount
    max_bytes_per_s: Count
    mean_percent: Amount | None
    """Of a DIN wire; null for any other."""
    max_percent: Amount | None
    """Of a DIN wire, in its busiest second."""
    most_waiting: Count
    """Most messages that waited for the wire at once."""
    bucket_s: Amount
    """Width of a step of rates."""
    rates: tuple[RateStep, ...]


@dataclass(frozen=True)
class InputTotals:
    """What has come in from one device."""

    port: str
    messages: Count


@dataclass(frozen=True)
class RoutingTimes:
    """From a message's arrival until the last port had it; rounded up by at most 13 %."""

    p50: Time
    p90: Time
    p99: Time
    p99_9: Time
    max: Time


@dataclass(frozen=True)
class Routing:
    """The messages that went straight through; what waited for a tick or a wire is not in it."""

    messages: Count
    us: RoutingTimes


@dataclass(frozen=True)
class ProcessLoad:
    """Share of one processor."""

    mean_percent: Amount
    max_percent: Amount


@dataclass(frozen=True)
class SongLoad:
    """What one song took."""

    song: str | None
    """Null: no song was on."""
    seconds: Amount
    messages_in: Count
    messages_out: Count
    engine_max_percent: Amount


@dataclass(frozen=True)
class Load:
    """How busy both processes were."""

    engine: ProcessLoad
    server: ProcessLoad
    songs: tuple[SongLoad, ...]


@dataclass(frozen=True)
class Traffic:
    """The parts of a report that come from totals of messages rather than from ticks."""

    wires: tuple[WireTraffic, ...]
    inputs: tuple[InputTotals, ...]
    routing: Routing
    load: Load


# The whole


@dataclass(frozen=True)
class Report:
    """The jitter report: how well every tick kept its place."""

    schema: Literal[1]
    duration_s: float
    ports_kind: str | None
    realtime: Realtime | None
    silent_s: float | None
    """How long no port has had a tick; null while ticks come."""
    overall: Figures
    ports: tuple[PortFigures, ...]
    songs: tuple[SongFigures, ...]
    thresholds: tuple[Threshold, ...]
    judged_on: str
    limits: tuple[str, ...]
    """What such a report cannot see."""
    song_changes: tuple[SongMark, ...]
    """The newest 500."""
    curves: tuple[Curves, ...]
    wires: tuple[WireTraffic, ...]
    inputs: tuple[InputTotals, ...]
    routing: Routing
    load: Load
    earlier: tuple[Report, ...] = ()
    """Of a show's record: a report for each earlier start of the server. What goes out between two starts is
    in none of them. The service's own report begins with its last start, and leaves this empty."""

    @property
    def stretches(self) -> tuple[Report, ...]:
        """All of it in order of time: the earlier ones, then this."""
        return (*self.earlier, self)


# What is asked for every few seconds


@dataclass(frozen=True)
class Counts:
    """One port's ticks since the start."""

    ticks: int
    missed: int
    doubled: int
    stalls: int


@dataclass(frozen=True)
class CurrentFigures:
    """Totals since the start, and the last minute in brief; ports by name."""

    counts: dict[str, Counts]
    minute: dict[str, Figures]
    wires: tuple[WireTotals, ...]
    inputs: tuple[InputTotals, ...]
    traffic: Traffic
    """Of the last minute."""
