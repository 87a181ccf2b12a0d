"""What requests say: JSON read exactly, then checked against one model per kind of body.

Numbers keep every digit (no floating point on the way to a tempo), a key may not come twice, and
every mistake is told in one go, with the nearest known key.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Any, Literal, NoReturn, TypeVar

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, ValidationError, WithJsonSchema
from pydantic_core import PydanticCustomError

from routerd.core.midi.tuning import LONGEST_TUNING_S, SOFT, TUNING_S
from routerd.core.model.arming import parse_when
from routerd.core.units import BPM_MAX, BPM_MIN, format_bpm, parse_bpm
from routerd.server.http.problems import ProblemError, ValueProblem
from routerd.server.rigfiles.problems import choose, one_of, shown
from routerd.server.soundcheck import Stage

_MOST_ZEROS = 30
_MOST_STEP = 50
_STEP_DIGITS = Decimal("0.000001")


def _read_bpm(value: Any) -> str:
    if isinstance(value, Decimal):
        exponent = value.as_tuple().exponent
        plain = isinstance(exponent, int) and abs(exponent) <= _MOST_ZEROS
        value = format(value, "f") if plain else str(value)
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise PydanticCustomError("bpm", "a tempo is a number or text, such as 121.5")
    try:
        return format_bpm(parse_bpm(str(value)))
    except ValueError as error:
        raise PydanticCustomError("bpm", "{why}", {"why": str(error)}) from error


def _read_step(value: Any) -> str:
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, Decimal))
        or not abs(Decimal(value)) <= _MOST_STEP
    ):
        raise PydanticCustomError("step", "must be a number of BPM, such as 0.5")
    return format(Decimal(value).quantize(_STEP_DIGITS), "f")


def _read_line(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200 or not value.isprintable():
        raise PydanticCustomError("line", "must be text of one line, 1 to 200 characters")
    return value.strip()


def _read_when(value: Any) -> str:
    try:
        if not isinstance(value, str):
            raise ValueError("a moment is text: now, beat, bar, 4 bars, bar 17, release or press")
        return str(parse_when(value.strip()))
    except ValueError as error:
        raise PydanticCustomError("when", "{why}", {"why": str(error)}) from error


Bpm = Annotated[
    str,
    PlainValidator(_read_bpm),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "minimum": int(BPM_MIN), "maximum": int(BPM_MAX)},
                {"type": "string", "examples": ["121.5", "243/2"]},
            ],
            "description": f"quarter notes per minute, {BPM_MIN} to {BPM_MAX}, taken exactly as written",
        }
    ),
]
Step = Annotated[
    str,
    PlainValidator(_read_step),
    WithJsonSchema({"type": "number", "minimum": -50, "maximum": 50, "description": "BPM, exactly"}),
]
Line = Annotated[
    str,
    PlainValidator(_read_line),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 200}),
]
MomentText = Annotated[
    str,
    PlainValidator(_read_when),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": "^(now|beat|bar|release|press|[1-9][0-9]{0,3} bars|bar [1-9][0-9]{0,3})$",
            "examples": ["now", "bar", "4 bars", "bar 17", "release", "press"],
        }
    ),
]
Number = Annotated[int, Field(ge=1, le=100_000)]


class Body(BaseModel):
    """Base of all bodies."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Nothing(Body):
    """No body, or an empty object."""


class Moment(Body):
    """When to do it: now, exactly on the next beat or bar, after some bars (4 bars), on a bar of the song
    (bar 17), as soon as nothing is held (release), or with the next press of next or go (press)."""

    when: MomentText = "now"


class ContinueBody(Moment):
    """From where it was stopped, or from a bar (from 1) of the song."""

    bar: Number | None = None


class SongBody(Moment):
    """A song by its number in the running order (from 1), or by title or file name."""

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": ["number"]}, {"required": ["title"]}]}
    )
    number: Number | None = None
    title: Line | None = None


class SectionBody(Moment):
    """A section of the song that is on, by name or by number (from 1)."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["name"]}, {"required": ["number"]}]})
    name: Line | None = None
    number: Number | None = None


class TempoBody(Moment):
    """A tempo."""

    bpm: Bpm


class TapBody(Body):
    """A tap. The tempo is rounded to `round` BPM, a hundredth when left out."""

    round: Step | None = None


class NudgeBody(Body):
    """By how many BPM tempo changes."""

    by: Step


class RetriggerBody(Body):
    """One device's sequence, from the top: on the next bar, or when its own sequence comes round."""

    device: Line
    at: Literal["bar", "cycle"] = "bar"


class ClickBody(Body):
    """Whether the click sounds without transport."""

    on: bool


class SourceBody(Body):
    """A device to follow, or null to lead; it holds until another song is entered."""

    device: Line | None


class MuteBody(Moment):
    """A device that sounds, or the routes of one name, and whether to mute (or solo) it or no longer."""

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": ["device"]}, {"required": ["route"]}]}
    )
    device: Line | None = None
    route: Line | None = None
    on: bool = True


class MoveBody(Body):
    """A song by its number in the running order, and the number that it gets."""

    number: Number
    to: Number


class InsertBody(Body):
    """A song by title or file name, and the number that it gets; right behind the song that is on when left
    out."""

    song: Line
    to: Number | None = None


class DropBody(Body):
    """A song by its number in the running order."""

    number: Number


class EncoreBody(Body):
    """The number of the song that the encore begins with; no encore when left out."""

    number: Number | None = None


class TuningNoteBody(Body):
    """A note on a device (the song's to tune by when left out), soft unless told otherwise, until `on` is
    false, until panic, or for `seconds`: turn the level down first."""

    device: Line
    channel: Annotated[int, Field(ge=1, le=16)] = 1
    note: Annotated[int, Field(ge=0, le=127)] | None = None
    velocity: Annotated[int, Field(ge=1, le=127)] = SOFT
    seconds: Annotated[int, Field(ge=1, le=LONGEST_TUNING_S)] = TUNING_S
    on: bool = True


class CheckBody(Body):
    """An item of a checklist by its number from 1 (the next open one when left out), of the song that is on
    or of another; done, or not done after all."""

    number: Number | None = None
    song: Line | None = None
    done: bool = True


class LearnBody(Body):
    """What to learn from the next message: a control, or a pedal that is moved to both ends; or nothing."""

    what: Literal["control", "pedal", "nothing"] = "control"


class RecordingBody(Body):
    """Whether every message in and out is kept in the show log."""

    on: bool


class SoundcheckBody(Body):
    """A soundcheck. It begins only when you say that levels are down; stages run in a fixed order.

    `playing`: what the traffic run plays instead of synthetic playing: the name of a show that was recorded,
    or a Standard MIDI File inside the rig folder.
    """

    levels_down: bool = False
    stages: Annotated[list[Stage], Field(min_length=1)] | None = None
    seconds: Annotated[int, Field(ge=1, le=3600)] = 30
    dwell_seconds: Annotated[int, Field(ge=0, le=600)] = 2
    unplug: Line | None = None
    playing: Line | None = None


class SetListBody(Body):
    """A running order of titles or file names, `encore` of them at its end the encore; or the name of another
    set of the rig folder."""

    model_config = ConfigDict(json_schema_extra={"anyOf": [{"required": ["order"]}, {"required": ["name"]}]})
    order: Annotated[list[Line], Field(min_length=1, max_length=10_000)] | None = None
    encore: Annotated[int, Field(ge=0, le=999)] = 0
    name: Line | None = None


_EITHER: dict[type[Body], tuple[str, ...]] = {
    SongBody: ("number", "title"),
    SectionBody: ("name", "number"),
    MuteBody: ("device", "route"),
}

B = TypeVar("B", bound=Body)


def read_body(data: bytes, model: type[B]) -> B:
    """Return what `data` says as `model`; no bytes at all are an empty object.

    Raises ProblemError: malformed-json or wrong-body.
    """
    value = _read_json(data) if data.strip() else {}
    if not isinstance(value, dict):
        raise ProblemError("wrong-body", f"the body must be an object, such as {_example(model)}")
    try:
        body = model.model_validate(value)
    except ValidationError as error:
        raise _wrong(list(_mistakes(error, model))) from error
    either = _EITHER.get(model, ())
    given = [key for key in either if getattr(body, key) is not None]
    if either and len(given) != 1:
        what = "say only one of" if given else "say one of"
        raise _wrong([ValueProblem("", f"{what} {one_of(either)}")])
    if isinstance(body, SetListBody) and body.order is None and body.name is None:
        raise _wrong([ValueProblem("", "say order, name, or both")])
    return body


def _wrong(errors: list[ValueProblem]) -> ProblemError:
    detail = "; ".join(f"{error.pointer[1:]}: {error.detail}".removeprefix(": ") for error in errors[:5])
    return ProblemError("wrong-body", detail, errors=tuple(errors))


def _mistakes(error: ValidationError, model: type[Body]) -> Iterator[ValueProblem]:
    known = list(model.model_fields)
    for one in error.errors(include_url=False, include_context=False):
        path = [str(part) for part in one["loc"] if part not in ("list[Line]", "constrained-int")]
        pointer = "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path)
        if one["type"] == "extra_forbidden":
            remedy = choose(path[-1], known) if known else "this path takes no keys"
            yield ValueProblem(pointer, f"there is no key {shown(path[-1])}; {remedy}")
        elif one["type"] == "missing":
            yield ValueProblem(pointer, f"is needed, as in {_example(model)}")
        else:
            yield ValueProblem(pointer, one["msg"])


def _example(model: type[Body]) -> str:
    return _EXAMPLES.get(model, "{}")


_EXAMPLES: dict[type[Body], str] = {
    Moment: '{"when": "bar"}',
    ContinueBody: '{"bar": 9}',
    SongBody: '{"number": 3}',
    SectionBody: '{"name": "chorus"}',
    TempoBody: '{"bpm": 121.5}',
    TapBody: '{"round": 0.5}',
    NudgeBody: '{"by": -0.5}',
    RetriggerBody: '{"device": "bass-modular"}',
    ClickBody: '{"on": true}',
    TuningNoteBody: '{"device": "lead-synth", "note": 57}',
    MoveBody: '{"number": 3, "to": 1}',
    InsertBody: '{"song": "a title", "to": 2}',
    DropBody: '{"number": 3}',
    SourceBody: '{"device": "drum-machine"}',
    MuteBody: '{"device": "lead-synth"}',
    RecordingBody: '{"on": true}',
    SoundcheckBody: '{"levels_down": true}',
    SetListBody: '{"order": ["first title", "second title"]}',
}


def _read_json(data: bytes) -> Any:
    try:
        return json.loads(
            data.decode("utf-8-sig"),
            parse_float=Decimal,
            parse_constant=_refuse_constant,
            object_pairs_hook=_unique_keys,
        )
    except json.JSONDecodeError as error:
        detail = f"line {error.lineno}, column {error.colno}: {error.msg}"
    except UnicodeDecodeError as error:
        detail = f"byte {error.start + 1} is not UTF-8"
    except RecursionError:
        detail = "it is nested too deeply"
    except ValueError as error:
        detail = str(error)
    raise ProblemError("malformed-json", detail)


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a JSON value")


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"the key {shown(key)} comes twice")
        found[key] = value
    return found
