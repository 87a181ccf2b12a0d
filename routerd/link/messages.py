"""What engine and server send each other: one class for each kind of message, in one table.

The server sends a rig folder piece by piece (a Rig, each Song, a SetList) and then Commit; the engine
compiles the pieces as they come. A message with a `number` is answered by a Reply with that number, when what
it asked for is done and the snapshot that shows it is on its way.
How messages lie on the socket is in `frames`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from routerd.core.model.commands import FromAPerson
from routerd.core.model.events import EngineEvent
from routerd.core.model.rig import Rig
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, Snapshot
from routerd.core.model.song import Song
from routerd.core.model.timing import Segment

# From the server


@dataclass(frozen=True, slots=True)
class Commit:
    """All pieces are here: swap. `resume`: where the show begins, when none is on."""

    generation: int
    resume: ResumePoint | None = None


@dataclass(frozen=True, slots=True)
class Ask:
    """A request to the show; no `number` where nobody waits for the answer."""

    request: FromAPerson
    number: int | None = None


@dataclass(frozen=True, slots=True)
class Trace:
    """Whether every MIDI message in and out is wanted from now on."""

    on: bool


@dataclass(frozen=True, slots=True)
class PlayIn:
    """MIDI messages to be routed as if that device had played them."""

    device: str
    data: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class TakeOver:
    """Have the spare take over, on purpose; answered before it does."""

    number: int


@dataclass(frozen=True, slots=True)
class Pong:
    """The answer to a Ping."""

    number: int


@dataclass(frozen=True, slots=True)
class Serving:
    """The API answers from now on."""


@dataclass(frozen=True, slots=True)
class Refuse:
    """The server cannot start, for these reasons."""

    problems: tuple[str, ...]


# From the engine

PortCondition = Literal["opening", "open", "missing", "failed", "disconnected", "stalled", "contested"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is doubtful about the pattern of a port, and what to do."""

    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class PortState:
    """One port of a device; `port` is its actual name while it has one, `error` why it is not open.

    Open means that bytes get through; every other state is a line in `problems`. "disconnected": another
    program took the connection away; "contested": it keeps doing so; "stalled": the server or the receiver
    stands still. `since_ns` is when it came into this state, in ns of this machine's CLOCK_MONOTONIC.
    """

    device: str
    direction: Literal["input", "output"]
    pattern: str
    port: str | None
    state: PortCondition
    error: str | None = None
    since_ns: int | None = None
    doubt: Doubt | None = None


@dataclass(frozen=True, slots=True)
class PortStates:
    """The state of every port, whenever one has changed."""

    ports: tuple[PortState, ...]


@dataclass(frozen=True, slots=True)
class Realtime:
    """What the system granted. `scheduling` is "fifo" or "other"; `idle_held`: processors wake at once."""

    scheduling: str = "other"
    priority: int = 0
    memory_locked: bool = False
    idle_held: bool = False
    remedy: str | None = None


@dataclass(frozen=True, slots=True)
class Counters:
    """What the engine has counted since it started, by name; once a second."""

    counts: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SpareState:
    """The spare: "off" where none is wanted, "none" with `why_none`; the last takeover, of `takeovers`.

    `behind` is how much it has still to take of what the engine has done.
    """

    state: Literal["off", "none", "coming", "ready"] = "off"
    pid: int | None = None
    behind: int = 0
    why_none: str = ""
    takeovers: int = 0
    took_over_ns: int | None = None
    took_over_why: str = ""
    asked_for: bool = False
    """Whether a person wanted it."""


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """How the engine is: devices that flood it, what cannot be kept or locked, its spare; once a second."""

    flooding: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    spare: SpareState = SpareState()


@dataclass(frozen=True, slots=True)
class Hello:
    """The first message of all; `generation` 0: the engine has no songs yet.

    `rig_from_ns` is the start of the engine that took the songs in force, and `brings_old_rig` says that it
    was another one, which died. `resumed_gap_ms` is how long no tick went out then. `reload_wanted`: see
    Reload.
    """

    pid: int
    ports: str
    generation: int
    realtime: Realtime
    started_ns: int
    rig_from_ns: int
    server_restarts: int = 0
    port_states: PortStates = PortStates(())
    counters: Counters = field(default_factory=Counters)
    facts: EngineFacts = EngineFacts()
    resumed_gap_ms: int | None = None
    brings_old_rig: bool = False
    reload_wanted: bool = False


@dataclass(frozen=True, slots=True)
class Ping:
    """Is the server alive?"""

    number: int


@dataclass(frozen=True, slots=True)
class Reload:
    """Read the rig folder again: somebody has sent a SIGHUP."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """The answer to Commit."""

    generation: int
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a message with that number; `missing`: what it names is not there."""

    number: int
    error: str | None = None
    missing: bool = False


class OutputTraffic(NamedTuple):
    """What went out on a wire: messages and bytes since the start, how many wait, how many were thinned."""

    wire: str
    messages: int
    bytes: int
    waiting: int
    thinned: int


class InputTraffic(NamedTuple):
    """How many messages a device has sent since the start."""

    device: str
    messages: int


@dataclass(frozen=True, slots=True)
class Traffic:
    """Totals since the start, once a second; `took` are routing times (ns, count) since the last one."""

    at_ns: int
    outputs: tuple[OutputTraffic, ...]
    inputs: tuple[InputTraffic, ...]
    took: tuple[tuple[int, int], ...]
    cpu_ns: int
    taps_dropped: int


@dataclass(frozen=True, slots=True)
class Happened:
    """Something has happened that a person may want to know."""

    event: EngineEvent


FromServer = Rig | Song | SetList | Commit | Ask | Trace | PlayIn | TakeOver | Pong | Serving | Refuse
FromEngine = (
    Hello | Ping | Reload | Loaded | Reply | Snapshot | Segment | PortStates | Counters | EngineFacts
    | Traffic | Happened
)  # fmt: skip
AnyMessage = FromServer | FromEngine

KINDS: dict[str, type[AnyMessage]] = {
    "rig": Rig,
    "song": Song,
    "set-list": SetList,
    "commit": Commit,
    "ask": Ask,
    "trace": Trace,
    "play": PlayIn,
    "take-over": TakeOver,
    "pong": Pong,
    "serving": Serving,
    "refuse": Refuse,
    "hello": Hello,
    "ping": Ping,
    "reload": Reload,
    "loaded": Loaded,
    "reply": Reply,
    "snapshot": Snapshot,
    "grid": Segment,
    "ports": PortStates,
    "counters": Counters,
    "facts": EngineFacts,
    "traffic": Traffic,
    "event": Happened,
}
KIND_OF = {cls: kind for kind, cls in KINDS.items()}
