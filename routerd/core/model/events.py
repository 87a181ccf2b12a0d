"""What happens, as values: one class for each kind of event, of the engine and of the server alike.

An event is written once here. Its class is what crosses the link and lies in a show's record (by `codec`),
what readers of the API get, and what the catalogue of kinds, in the API's document and in the manual, is made
from: the class's name in kebab-case is its kind, its docstring its description, its fields are its keys. No
field has a default, so that every key is there whatever it holds. More than 350 lines, as it is that
catalogue.

To add a kind, write its class here, name it in `EngineEvent` or `AnyEvent`, and in the log's sentences if it
is worth a line; then its line in configs/INTEGRATORS.md (a test compares).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar, Literal, get_args

from routerd.core.model.actions import At, Learns
from routerd.core.model.codec import JsonObject, MalformedError, from_json, to_json
from routerd.core.model.snapshot import FollowState, Wanted
from routerd.core.model.timing import State, TempoBy


@dataclass(frozen=True, slots=True)
class Event:
    """Something that has happened at `at_ns`, in ns of CLOCK_MONOTONIC."""

    kind: ClassVar[str] = ""
    at_ns: int

    def __init_subclass__(cls) -> None:
        cls.kind = re.sub(r"(?<!^)(?=[A-Z])", "-", cls.__name__).lower()


# Where the show is


@dataclass(frozen=True, slots=True)
class Song(Event):
    """A song is on. `index` is its place in the set list, from 0; null for one outside it. `begins_ns` is the
    tick that begins it."""

    song: str
    title: str
    index: int | None
    meter: str
    begins_ns: int


@dataclass(frozen=True, slots=True)
class Section(Event):
    """A section of the song is on; `number` counts from 1."""

    section: str
    number: int


@dataclass(frozen=True, slots=True)
class Transport(Event):
    """Transport has started, stopped, or is about to start with the next tick."""

    state: State
    position_ticks: int


@dataclass(frozen=True, slots=True)
class CountIn(Event):
    """The song is being counted in; it begins with tick `to_tick` of the grid."""

    to_tick: int


@dataclass(frozen=True, slots=True)
class Tempo(Event):
    """Another tempo is in force, set `by` the song, by hand or by the source that is followed: `bpm` rounded
    to thousandths, `rate_bpm` to the last digit of a double, from `from_ns` on. A ramp is reported once a
    beat."""

    bpm: float
    rate_bpm: float
    by: TempoBy
    from_ns: int


@dataclass(frozen=True, slots=True)
class Meter(Event):
    """Another meter is in force within a song."""

    meter: str


@dataclass(frozen=True, slots=True)
class Click(Event):
    """The click without transport was switched on or off."""

    on: bool


@dataclass(frozen=True, slots=True)
class Retrigger(Event):
    """The sequence of a device is to be restarted at the next bar, or as its cycle begins again."""

    device: str
    waits_for: At


@dataclass(frozen=True, slots=True)
class DeviceClock(Event):
    """A device that gets clock or transport has been started or stopped, or waits to be started."""

    device: str
    running: bool | None
    waits_for: Wanted | None


@dataclass(frozen=True, slots=True)
class Armed(Event):
    """A change waits, in place of any that waited before."""

    action: str
    argument: int | str | float | None
    when: str


@dataclass(frozen=True, slots=True)
class Disarmed(Event):
    """What was armed is forgotten; `by` says what made it so."""

    action: str
    argument: int | str | float | None
    by: str


@dataclass(frozen=True, slots=True)
class ArmedGone(Event):
    """What was armed before a restart could not be armed again; null where it could not even be read."""

    action: str | None
    argument: int | str | float | None
    when: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Refused(Event):
    """What a switch, or a change that was armed, wanted could not be done. `device` has the switch."""

    action: str
    device: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Mute(Event):
    """A device or a route, "device NAME" or "route NAME", is muted, or no longer."""

    subject: str
    on: bool


@dataclass(frozen=True, slots=True)
class Solo(Event):
    """A device or a route, "device NAME" or "route NAME", is soloed, or no longer."""

    subject: str
    on: bool


@dataclass(frozen=True, slots=True)
class Checklist(Event):
    """A step of a song's checklist is done, or no longer; `number` counts from 1."""

    song: str
    number: int
    text: str
    done: bool


@dataclass(frozen=True, slots=True)
class Panic(Event):
    """All that sounded has been ended; `ending`: as the service ends, and nobody has asked for it."""

    ending: bool


@dataclass(frozen=True, slots=True)
class TuningNote(Event):
    """A note to tune by sounds, or sounds no longer. `channel` counts from 1."""

    device: str
    channel: int
    note: int
    on: bool


@dataclass(frozen=True, slots=True)
class Learning(Event):
    """The next message of a device is learnt as a control or pedal."""

    learns: Learns


@dataclass(frozen=True, slots=True)
class Learnt(Event):
    """A message, in hexadecimal, has been learnt; GET /v1/learn has its entry for rig.yaml."""

    device: str
    message: str


@dataclass(frozen=True, slots=True)
class LearningEnded(Event):
    """Learning is over, because somebody asked or after its time; `heard`: it has learnt something."""

    learns: Learns
    why: Literal["asked", "time"]
    heard: bool


# Who leads the clock


@dataclass(frozen=True, slots=True)
class ClockSource(Event):
    """Another device leads the clock; null: routerd itself."""

    device: str | None


@dataclass(frozen=True, slots=True)
class Following(Event):
    """The clock source is followed more or less closely than before, at this tempo."""

    device: str
    state: FollowState
    bpm: float


@dataclass(frozen=True, slots=True)
class TransportIgnored(Event):
    """A Start, Continue or song position of the clock source that means nothing now is ignored."""

    device: str
    heard: Literal["start", "continue", "position"]
    why: str


# Ports, cables and switches


@dataclass(frozen=True, slots=True)
class PortOpened(Event):
    """The show can use a port of a device (again). `output` is the number of its wire, null for inputs."""

    device: str
    direction: Literal["input", "output"]
    output: int | None


@dataclass(frozen=True, slots=True)
class PortClosed(Event):
    """The show can use a port of a device no longer; nothing may have got through since `since_ns`."""

    device: str
    direction: Literal["input", "output"]
    output: int | None
    why: str
    since_ns: int


@dataclass(frozen=True, slots=True)
class PortState(Event):
    """A port is in another state than before, as `ports` of the status shows it."""

    device: str
    direction: Literal["input", "output"]
    pattern: str
    port: str | None
    state: str
    error: str | None


@dataclass(frozen=True, slots=True)
class SensingLost(Event):
    """Active Sensing of a device has stopped: cable or device is dead. Its held notes were released."""

    device: str


@dataclass(frozen=True, slots=True)
class Loop(Event):
    """What is sent out comes back at a device's input; it is not routed again."""

    device: str


@dataclass(frozen=True, slots=True)
class LoopEnded(Event):
    """Nothing comes back any more; so many messages were withheld."""

    device: str
    withheld: int


@dataclass(frozen=True, slots=True)
class Flood(Event):
    """A device sends more than can be routed and is slowed down."""

    device: str


@dataclass(frozen=True, slots=True)
class Chattering(Event):
    """The contacts of a switch, in words, chatter."""

    device: str
    switch: str


@dataclass(frozen=True, slots=True)
class QuietAgain(Event):
    """A switch that chattered is quiet again."""

    device: str
    switch: str


# The two processes and the machine


@dataclass(frozen=True, slots=True)
class Resumed(Event):
    """The engine had died; another goes on where it was, after so long without a tick."""

    gap_ms: int
    transport: State


@dataclass(frozen=True, slots=True)
class TicksMissed(Event):
    """Ticks of the grid, more than a quarter note late, were given up: the machine stood still."""

    count: int
    from_tick: int
    to_tick: int


@dataclass(frozen=True, slots=True)
class RecordsDropped(Event):
    """Records of ticks were dropped; the ticks went out, and the jitter report says what it lacks."""

    count: int
    from_tick: int
    to_tick: int


@dataclass(frozen=True, slots=True)
class Suspended(Event):
    """The machine was suspended: devices heard nothing meanwhile, the grid goes on."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Fault(Event):
    """A defect of routerd, or of what it is connected to, for the `count`th time; the rest goes on."""

    what: str
    count: int


# What the server does


@dataclass(frozen=True, slots=True)
class ServerStarted(Event):
    """The API answers from now on."""

    listen: str
    version: str


@dataclass(frozen=True, slots=True)
class Loaded(Event):
    """The rig folder has been loaded."""

    generation: int
    songs: int
    set_list: str


@dataclass(frozen=True, slots=True)
class ReloadFailed(Event):
    """The rig folder was not taken, and what was loaded before goes on; `problems` are its first mistakes."""

    why: str
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetList(Event):
    """Tonight's set list was changed: songs in their order, the last `encore` of them after the show."""

    name: str
    order: tuple[str, ...]
    encore: int


@dataclass(frozen=True, slots=True)
class EncoreGone(Event):
    """There is no encore any more, as its only song has left it."""

    last_song: str


@dataclass(frozen=True, slots=True)
class Recording(Event):
    """Every message of the show `show` is recorded from now on, or no longer."""

    on: bool
    show: str


@dataclass(frozen=True, slots=True)
class Problem(Event):
    """Something is wrong: a line of `problems` in the status. `about` is a word for programs; with
    `comes_and_goes` it is announced again only when it has stayed as it is for a while."""

    about: str
    device: str | None
    line: str
    comes_and_goes: bool


@dataclass(frozen=True, slots=True)
class ProblemEnded(Event):
    """What `problem` with the same `about`, `device` and `line` announced is so no longer."""

    about: str
    device: str | None
    line: str
    comes_and_goes: bool


@dataclass(frozen=True, slots=True)
class Soundcheck(Event):
    """A stage of a soundcheck begins, in words."""

    stage: str


@dataclass(frozen=True, slots=True)
class SoundcheckEnded(Event):
    """A soundcheck is over and kept as `name`: how it ended, and the devices that have failed."""

    ended: str
    failed: tuple[str, ...]
    name: str


# Of the stream itself


@dataclass(frozen=True, slots=True)
class Hello(Event):
    """A stream opens. It goes on behind the event `id`; `generation` is that of the rig that is loaded."""

    id: str
    generation: int
    version: str


@dataclass(frozen=True, slots=True)
class Gap(Event):
    """Events are missing here: so many, null where their number is not known as the server was started anew.
    Ask for the status."""

    lost: int | None


@dataclass(frozen=True, slots=True)
class Beat(Event):
    """A beat of the meter is due at `at_ns`; announced a quarter of a second ahead, to those who ask for it.

    `tick` is the grid's; `bar` and `beat` count from 1, and beat 1 begins a bar. While transport does not run
    beats go on and `bar` is null, also while the song is counted in.
    """

    tick: int
    bar: int | None
    beat: int
    meter: str
    bpm: float
    counts_in: bool


@dataclass(frozen=True, slots=True)
class BeatsChanged(Event):
    """Beats that were announced and are not due yet will not come; those that will follow behind this."""


EngineEvent = (
    Song | Section | Transport | CountIn | Tempo | Meter | Click | Retrigger | DeviceClock | Armed | Disarmed
    | ArmedGone | Refused | Mute | Solo | Checklist | Panic | TuningNote | Learning | Learnt | LearningEnded
    | ClockSource | Following | TransportIgnored | PortOpened | PortClosed | SensingLost | Loop | LoopEnded
    | Flood | Chattering | QuietAgain | Resumed | TicksMissed | RecordsDropped | Suspended | Fault
)  # fmt: skip
"""What the engine reports."""

AnyEvent = (
    EngineEvent | PortState | ServerStarted | Loaded | ReloadFailed | SetList | EncoreGone | Recording
    | Problem | ProblemEnded | Soundcheck | SoundcheckEnded | Hello | Gap | Beat | BeatsChanged
)  # fmt: skip

KINDS: dict[str, type[AnyEvent]] = {cls.kind: cls for cls in get_args(AnyEvent)}
"""Every kind there is, by its word."""


def event_to_json(event: Event) -> JsonObject:
    """Return an event as its readers get it: {"kind", "at_ns", ...}."""
    return {"kind": event.kind, **to_json(event)}


def event_from_json(data: object) -> AnyEvent:
    """Return the event of that JSON; raises MalformedError."""
    if not isinstance(data, dict) or data.get("kind") not in KINDS:
        raise MalformedError(f"{data!r:.40} is no event")
    return from_json(KINDS[data["kind"]], {key: value for key, value in data.items() if key != "kind"})
