"""What requests hold: JSON read exactly, checked against the model of an operation, and names of songs found.

Numbers keep every digit (no floating point on the way to a tempo), a key may not come twice, and
every mistake is reported in one go, with the nearest known key. The models stand beside their handlers.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import chain
from typing import Annotated, Any, ClassVar, NoReturn, Self, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    PlainValidator,
    ValidationError,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import CoreSchema, PydanticCustomError

from routerd.core.model.commands import NOW, WHEN_PATTERN, WHEN_WORDS, When, parse_when
from routerd.core.units import BPM_MAX, BPM_MIN, parse_bpm
from routerd.server.http.problems import ProblemError, ValueProblem
from routerd.server.rigfiles.problems import one_of, quote, suggest
from routerd.server.view import View

_MOST_ZEROS = 30
_MOST_STEP = 50
_LARGEST_NUMBER = 100_000
_STEP_DIGITS = Decimal("0.000001")


def _read_bpm(value: Any) -> Fraction:
    if isinstance(value, Decimal):
        exponent = value.as_tuple().exponent
        plain = isinstance(exponent, int) and abs(exponent) <= _MOST_ZEROS
        value = format(value, "f") if plain else str(value)
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise PydanticCustomError("bpm", "a tempo is a number or text, such as 121.5")
    try:
        return parse_bpm(str(value))
    except ValueError as error:
        raise PydanticCustomError("bpm", "{why}", {"why": str(error)}) from error


def _read_step(value: Any) -> Fraction:
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, Decimal))
        or not abs(Decimal(value)) <= _MOST_STEP
    ):
        raise PydanticCustomError("step", "must be a number of BPM, such as 0.5")
    return Fraction(Decimal(value).quantize(_STEP_DIGITS))


def _read_line(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200 or not value.isprintable():
        raise PydanticCustomError("line", "must be text of one line, 1 to 200 characters")
    return value.strip()


def _read_number_or_line(value: Any) -> int | str:
    if isinstance(value, int) and not isinstance(value, bool):
        if not 1 <= value <= _LARGEST_NUMBER:
            raise PydanticCustomError("number", "must be a number from 1")
        return value
    if not isinstance(value, str):
        words = "must be a whole number from 1, or text of one line, 1 to 200 characters"
        raise PydanticCustomError("number-or-line", words)
    return _read_line(value)


def _read_when(value: Any) -> When:
    try:
        if not isinstance(value, str):
            raise ValueError(f"a moment is text: {WHEN_WORDS}")
        return parse_when(value.strip())
    except ValueError as error:
        raise PydanticCustomError("when", "{why}", {"why": str(error)}) from error


Bpm = Annotated[
    Fraction,
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
    Fraction,
    PlainValidator(_read_step),
    WithJsonSchema({"type": "number", "minimum": -50, "maximum": 50, "description": "BPM, exactly"}),
]
Line = Annotated[
    str,
    PlainValidator(_read_line),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 200}),
]
NumberOrLine = Annotated[
    int | str,
    PlainValidator(_read_number_or_line),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 1, "maximum": _LARGEST_NUMBER},
                {"type": "string", "minLength": 1, "maxLength": 200},
            ]
        }
    ),
]
MomentText = Annotated[
    When,
    PlainValidator(_read_when),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": WHEN_PATTERN,
            "default": "now",
            "examples": ["now", "bar", "4 bars", "bar 17", "release", "next-press"],
        }
    ),
]
Number = Annotated[int, Field(ge=1, le=_LARGEST_NUMBER)]


def _refuse_null(value: Any) -> Any:
    if value is None:
        raise PydanticCustomError("null", "null means nothing here; leave the key out")
    return value


T = TypeVar("T")
OrLeftOut = Annotated[T | None, BeforeValidator(_refuse_null)]
"""A key that may be left out, with a default of None; null means something only where a type has it."""


def or_left_out(leaf: Any) -> Any:
    """Return OrLeftOut of a type that is made as the program runs."""
    return Annotated[leaf | None, BeforeValidator(_refuse_null)]


class Body(BaseModel):
    """Base of all bodies.

    `WAYS` are the ways of which exactly one is chosen, where there are several: in each its first key is
    needed and its others may be given. Keys that are in none of them go with all.
    """

    model_config = ConfigDict(extra="forbid", strict=True)
    WAYS: ClassVar[tuple[tuple[str, ...], ...]] = ()

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if not self.WAYS:
            return self
        given = self.model_fields_set & set(chain(*self.WAYS))
        if any(way[0] in given and given.issubset(way) for way in self.WAYS):
            return self
        firsts = [way[0] for way in self.WAYS]
        said = [first for first in firsts if first in given]
        if len(said) == 1:
            more = next(key for way in self.WAYS for key in way if key in given and key not in said)
            owner = next(way[0] for way in self.WAYS if more in way)
            what = f"{more} goes with {owner}"
        else:
            what = f"{'say only one of' if said else 'say one of'} {one_of(firsts)}"
        raise PydanticCustomError("way", "{what}", {"what": what})

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Return the schema: an object or plain alternatives; a key left out has no default and no null."""
        schema = handler.resolve_ref_schema(handler(core_schema))
        properties = schema.get("properties", {})
        for name, part in properties.items():
            if "default" not in part:
                continue
            # a default makes some generators ask for the key, so it stands in the words
            said = {key: value for key, value in part.items() if key != "default"}
            if part["default"] is None:
                kinds = [one for one in said.pop("anyOf") if one != {"type": "null"}]
                said |= kinds[0] if len(kinds) == 1 else {"anyOf": kinds}
            else:
                words = [said["description"]] if "description" in said else []
                said["description"] = "; ".join([*words, f"{json.dumps(part['default'])} when left out"])
            properties[name] = said
        if not cls.WAYS:
            return schema
        common = [key for key in properties if key not in chain(*cls.WAYS)]
        return {
            "description": schema["description"],
            "oneOf": [
                {
                    "title": f"{cls.__name__}With{way[0].title()}",
                    "type": "object",
                    "properties": {key: properties[key] for key in (*way, *common)},
                    "required": [way[0], *(key for key in common if key in schema.get("required", ()))],
                    "additionalProperties": False,
                }
                for way in cls.WAYS
            ],
        }

    @classmethod
    def may_be_empty(cls) -> bool:
        """Return whether a request may come without one."""
        return not cls.WAYS and not any(field.is_required() for field in cls.model_fields.values())


class Nothing(Body):
    """No body, or an empty object."""


class Moment(Body):
    """When to do it: now, exactly on the next beat or bar, after some bars (4 bars), on a bar of the song
    (bar 17), as soon as nothing is held (release), or with the next press of next or go (next-press)."""

    when: MomentText = Field(default_factory=lambda: NOW)


B = TypeVar("B", bound=Body)


def read_body(data: bytes, model: type[B], example: str = "{}") -> B:
    """Return what `data` says as `model`; no bytes at all are an empty object.

    Raises ProblemError: malformed-json or wrong-body, which may show `example`.
    """
    value = _read_json(data) if data.strip() else {}
    if not isinstance(value, dict):
        raise ProblemError("wrong-body", f"the body must be an object, such as {example}")
    try:
        return model.model_validate(value)
    except ValidationError as error:
        raise _wrong(list(_mistakes(error, model, example))) from error


def _wrong(errors: list[ValueProblem]) -> ProblemError:
    detail = "; ".join(f"{error.pointer[1:]}: {error.detail}".removeprefix(": ") for error in errors[:5])
    return ProblemError("wrong-body", detail, errors=tuple(errors))


def _mistakes(error: ValidationError, model: type[Body], example: str) -> Iterator[ValueProblem]:
    known = list(model.model_fields)
    for one in error.errors(include_url=False, include_context=False):
        path = [str(part) for part in one["loc"] if part not in ("list[Line]", "constrained-int")]
        pointer = "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path)
        if one["type"] == "extra_forbidden":
            remedy = suggest(path[-1], known) if known else "this path takes no keys"
            yield ValueProblem(pointer, f"there is no key {quote(path[-1])}; {remedy}")
        elif one["type"] == "missing":
            yield ValueProblem(pointer, f"is needed, as in {example}")
        else:
            yield ValueProblem(pointer, one["msg"])


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
            raise ValueError(f"the key {quote(key)} comes twice")
        found[key] = value
    return found


def known_song(view: View, words: str) -> str:
    """Return the identifier of the song that `words` name; raises ProblemError."""
    identifier = view.find_song(words)
    if identifier is None:
        remedy = suggest(words, view.words_for_songs())
        raise ProblemError("unknown-song", f"there is no song {quote(words)}; {remedy}")
    return identifier
