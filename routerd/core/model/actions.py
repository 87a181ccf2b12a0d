"""All that can be asked of a show: one row for each action, and an action's facts stand nowhere else.

A row states what argument an action takes, whether it can wait for a moment, what a switch that
means it may say, and how people ask for it over HTTP. Made from the table: which words and keys an entry of
`controls` may have and the rules that check them (server/rigfiles), the API's operations with their bodies,
document, help and problems (server/http), what the link carries, and the table of actions in
configs/README.md, which a test compares. What an action does is in core/show.

An argument is a frozen dataclass. Its fields are the keys of the API's body and of an entry of `controls`
alike: without a default a key is needed, and its type says how it is written. `None` stands for what is left
out, or for null.

More than 350 lines: a table is read as a whole.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass, field, fields
from enum import StrEnum, auto
from fractions import Fraction
from typing import Annotated, ClassVar

from routerd.core.units import format_bpm


class Form(StrEnum):
    """How a field of an argument is written, where its type alone does not say."""

    SONG = auto()
    """A song: its place in the set list (from 1), or its title or file name, which becomes its identifier."""
    SECTION = auto()
    """A section of the song that is on: its number (from 1), or its name."""
    TEMPO = auto()
    """Quarter notes per minute, exactly."""
    CHANGE = auto()
    """A difference of tempo in BPM, exactly."""


SongWord = Annotated[int | str, Form.SONG]
SectionWord = Annotated[int | str, Form.SECTION]
Tempo = Annotated[Fraction, Form.TEMPO]
TempoChange = Annotated[Fraction, Form.CHANGE]

INTERNAL = {"internal": True}
"""Marks a field that nobody writes."""

LARGEST_NUDGE_BPM = 50
ROUNDING_MIN_BPM, ROUNDING_MAX_BPM = Fraction(1, 100), Fraction(10)


class Action(StrEnum):
    """What a control, the API or a script can ask of the show. What each means is in its row."""

    NEXT = "next"
    PREVIOUS = "previous"
    SONG = "song"
    SECTION = "section"
    NEXT_SECTION = "next-section"
    PREVIOUS_SECTION = "previous-section"
    START = "start"
    STOP = "stop"
    CONTINUE = "continue"
    TEMPO = "tempo"
    SONG_TEMPO = "song-tempo"
    TAP = "tap"
    NUDGE = "nudge"
    HALF = "half"
    DOUBLE = "double"
    RETRIGGER = "retrigger"
    CLICK = "click"
    CLOCK_SOURCE = "clock-source"
    MUTE = "mute"
    UNMUTE = "unmute"
    SOLO = "solo"
    UNSOLO = "unsolo"
    DONE = "done"
    GO = "go"
    CANCEL = "cancel"
    PANIC = "panic"
    SILENCE = "silence"
    LEARN = "learn"


class At(StrEnum):
    """What a device that is started anew waits for."""

    BAR = "bar"
    CYCLE = "cycle"


class Learns(StrEnum):
    """What is to be learnt."""

    CONTROL = "control"
    PEDAL = "pedal"
    NOTHING = "nothing"
    """It ends learning."""


@dataclass(frozen=True, slots=True)
class Argument:
    """Base of all arguments."""

    one_of: ClassVar[tuple[str, ...]] = ()
    """Keys of which exactly one is given."""

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the keys that people write."""
        return tuple(one.name for one in fields(cls) if not one.metadata.get("internal"))

    @classmethod
    def needed(cls) -> tuple[str, ...]:
        """Return the keys without a default."""
        return tuple(one.name for one in fields(cls) if one.default is MISSING)


@dataclass(frozen=True, slots=True)
class ToSong(Argument):
    """A song by its place in the set list (from 1), or by its title or file name.

    `index` is which of its places (from 0) is meant, for a song that is played twice.
    """

    song: SongWord
    index: int | None = field(default=None, metadata=INTERNAL)


@dataclass(frozen=True, slots=True)
class ToSection(Argument):
    """A section of the song that is on, by its number (from 1) or by name."""

    section: SectionWord


@dataclass(frozen=True, slots=True)
class FromBar(Argument):
    """From a bar (from 1) of the song, or from where it was stopped."""

    bar: int | None = None


@dataclass(frozen=True, slots=True)
class ToTempo(Argument):
    """A tempo."""

    bpm: Tempo


@dataclass(frozen=True, slots=True)
class TapRounding(Argument):
    """A tap. The tempo is rounded to a multiple of `round` BPM, 0.01 to 10; a hundredth when left out."""

    round: TempoChange | None = None

    def __post_init__(self) -> None:
        if self.round is not None and not ROUNDING_MIN_BPM <= self.round <= ROUNDING_MAX_BPM:
            raise ValueError(f"{format_bpm(self.round)} is not a step to round to; write 0.01 to 10 BPM")


@dataclass(frozen=True, slots=True)
class Nudge(Argument):
    """By how many BPM tempo changes, -50 to 50."""

    by: TempoChange

    def __post_init__(self) -> None:
        if not abs(self.by) <= LARGEST_NUDGE_BPM:
            raise ValueError(f"{format_bpm(self.by)} is not a change of tempo; write -50 to 50 BPM")


@dataclass(frozen=True, slots=True)
class Restart(Argument):
    """One device's sequence, from the top: on the next bar, or when its own sequence comes round."""

    device: str
    at: At = At.BAR


@dataclass(frozen=True, slots=True)
class OnOff(Argument):
    """On or off; null is the other of the two, as a foot switch asks for."""

    on: bool | None


@dataclass(frozen=True, slots=True)
class ClockSource(Argument):
    """A device to follow, or null to lead; it holds until another song is entered."""

    device: str | None


@dataclass(frozen=True, slots=True, order=True)
class Subject(Argument):
    """A device that sounds, or the routes with one name."""

    one_of: ClassVar[tuple[str, ...]] = ("device", "route")

    device: str | None = None
    route: str | None = None

    def __str__(self) -> str:
        return f"route {self.route}" if self.device is None else f"device {self.device}"

    @classmethod
    def of(cls, words: str) -> Subject:
        """Return the subject that `str` makes these words of."""
        kind, _, name = words.partition(" ")
        return cls(name) if kind == "device" else cls(route=name)


@dataclass(frozen=True, slots=True)
class StepDone(Argument):
    """A step of a checklist by its number from 1 (the next open one when left out), of the song that is on or
    of another; done, or not done after all."""

    number: int | None = None
    song: SongWord | None = None
    done: bool = True


@dataclass(frozen=True, slots=True)
class Learn(Argument):
    """What to learn from the next message: a control, or a pedal that is moved to both ends; or nothing."""

    what: Learns = Learns.CONTROL


AnyArgument = (
    ToSong
    | ToSection
    | FromBar
    | ToTempo
    | TapRounding
    | Nudge
    | Restart
    | OnOff
    | ClockSource
    | Subject
    | StepDone
    | Learn
)


def brief(  # noqa: PLR0911 - one line for each argument
    argument: AnyArgument | None,
) -> int | Fraction | str | None:
    """Return what events and the status show of an argument; a tempo, or a difference of two, exactly."""
    match argument:
        case ToSong(song):
            return song
        case ToSection(section):
            return section
        case FromBar(number) | StepDone(number):
            return number
        case ToTempo(bpm) | Nudge(bpm) | TapRounding(Fraction() as bpm):
            return bpm
        case Restart(device, at):
            return f"{at} {device}"
        case OnOff(bool(on)):
            return "on" if on else "off"
        case ClockSource(device):
            return device or ""
        case Learn(what):
            return what
        case Subject():
            return str(argument)
    return None


@dataclass(frozen=True, slots=True)
class Said:
    """What an entry of `controls` says of an action: its keys, and error and remedy where one is missing."""

    keys: tuple[str, ...] = ()
    lacks: str = ""
    remedy: str = ""


NOTHING = Said()
_SUBJECT = Said(("device", "route"), "needs a device or a route", "add one of the two")


@dataclass(frozen=True, slots=True)
class Row:
    """The facts of one action.

    `summary` is what it does, in a line for people; `example` a body for the help. `problems` are what only
    this action can answer with over HTTP; the last one is what it answers when something is not there.
    `control` is what a control says of it, None where no control may mean it.
    `undo` is the action that takes it back: over HTTP `"on": false` asks for that one, and so does a switch
    whose subject is on already.
    """

    summary: str
    argument: type[AnyArgument] | None = None
    armable: bool = True
    control: Said | None = NOTHING
    over_http: bool = True
    example: str = ""
    problems: tuple[str, ...] = ()
    undo: Action | None = None
    pressed_fast: bool = False
    """Many presses in a second are meant, not a broken contact."""
    always_heard: bool = False
    """It ends something and may be done twice: also heard from a switch whose contact is broken."""


ACTIONS: dict[Action, Row] = {
    Action.NEXT: Row("The next song"),
    Action.PREVIOUS: Row("The previous song"),
    Action.SONG: Row(
        "A song by its number in the set list, or by title",
        ToSong,
        control=Said(("song",), "does not say which", "add 'song: 1'"),
        example='{"song": "Weather Room"}',
        problems=("unknown-song",),
    ),
    Action.SECTION: Row(
        "A section of the song that is on, by name or number",
        ToSection,
        control=Said(("section",), "does not say which", "add 'section: 1'"),
        example='{"section": "chorus", "when": "bar"}',
        problems=("unknown-section",),
    ),
    Action.NEXT_SECTION: Row("The next section of the song"),
    Action.PREVIOUS_SECTION: Row("The previous section of the song"),
    Action.START: Row("Start from the top"),
    Action.STOP: Row("Stop, and forget what is armed", always_heard=True),
    Action.CONTINUE: Row(
        "Go on from where it was stopped, or from a bar",
        FromBar,
        example='{"bar": 9}',
    ),
    Action.TEMPO: Row(
        "Another tempo from the next tick on, until the song ends or its own is asked for",
        ToTempo,
        control=None,
        example='{"bpm": 121.5}',
    ),
    Action.SONG_TEMPO: Row("The song's own tempo again, instead of one that was set by hand"),
    Action.TAP: Row("A tap; from the third on they make the tempo", TapRounding, pressed_fast=True),
    Action.NUDGE: Row(
        "A little faster or slower",
        Nudge,
        control=Said(("by",), "does not say by how much", "add 'by: 0.5'"),
        example='{"by": -0.5}',
        pressed_fast=True,
    ),
    Action.HALF: Row("Half the tempo"),
    Action.DOUBLE: Row("Twice the tempo"),
    Action.RETRIGGER: Row(
        "Restart one device's sequence on the next bar, or its own cycle",
        Restart,
        control=Said(("device", "at"), "needs a device", "add 'device'"),
        example='{"device": "modular-left", "at": "bar"}',
        problems=("unknown-device",),
    ),
    Action.CLICK: Row("The song's click without transport", OnOff, example='{"on": true}'),
    Action.CLOCK_SOURCE: Row(
        "Follow a device until the next song, or (null) lead",
        ClockSource,
        control=None,
        example='{"device": null}',
        problems=("unknown-device",),
    ),
    Action.MUTE: Row(
        "Mute a device or a route; its clock goes on",
        Subject,
        control=_SUBJECT,
        example='{"route": "drums", "on": true}',
        problems=("unknown-subject",),
        undo=Action.UNMUTE,
    ),
    Action.UNMUTE: Row("Mute it no longer", Subject, control=None, over_http=False),
    Action.SOLO: Row(
        "Hear only this device or route, and others that are soloed",
        Subject,
        control=_SUBJECT,
        example='{"device": "lead-synth"}',
        problems=("unknown-subject",),
        undo=Action.UNSOLO,
    ),
    Action.UNSOLO: Row("Solo it no longer", Subject, control=None, over_http=False),
    Action.DONE: Row(
        "The next step of the song's checklist is done, or any",
        StepDone,
        armable=False,
        example='{"song": "Nine Lamps", "number": 1}',
        problems=("unknown-song", "unknown-step"),
    ),
    Action.GO: Row("Do what is armed, now", armable=False),
    Action.CANCEL: Row("Forget what is armed", armable=False, always_heard=True),
    Action.PANIC: Row(
        "End all that sounds and forget what is armed; transport goes on",
        armable=False,
        always_heard=True,
    ),
    Action.SILENCE: Row(
        "Stop, end all that sounds and forget what is armed, at once",
        armable=False,
        always_heard=True,
    ),
    Action.LEARN: Row(
        "Learn from the next message: the entry for a control, or (what: pedal) the ends of a pedal",
        Learn,
        armable=False,
        control=None,
        example='{"what": "control"}',
    ),
}
