"""One codec for all that crosses the link or lies in a file of ours: values to JSON and back, by type hints.

A class says once what it holds, in its annotations; nothing here knows any class. In JSON a dataclass is an
object of the fields that differ from their defaults, a NamedTuple an array, a union of dataclasses the array
[class name, object], an enum its value, bytes are hexadecimal, a fraction is "n/d", a set is sorted.

`from_json` takes nothing on trust: what it returns has exactly the annotated types (a bool is no int), or it
raises MalformedError, whose text says where. Ranges are for those to check who know them. The functions for a
type are put together when it is first met, from closures, which is as fast as code written out by hand.
Field types must be importable at run time: an import under TYPE_CHECKING does not do.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from operator import attrgetter
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

T = TypeVar("T")

_DECIMAL = re.compile(r"-?[0-9]{1,60}\.[0-9]{1,60}")

_ARRAYS = frozenset({list, tuple})
"""What `json` reads arrays as, and what `to_json` leaves as they are."""

Read = Callable[[Any], Any]
Write = Callable[[Any], Any]

JsonObject = dict[str, Any]
"""What a JSON object is in Python, where no class says what is in it."""


class MalformedError(ValueError):
    """JSON values are not what the type says."""


def to_json(value: object, hint: Any = None) -> Any:
    """Return `value` as JSON values; `hint` is its type where that is not just its class."""
    write = _writer(cast("Any", type(value) if hint is None else hint))
    return value if write is None else write(value)


def from_json(hint: type[T], data: Any) -> T:
    """Return the value of that type; raises MalformedError."""
    return cast("T", _reader(cast("Any", hint))(data))


def encode(value: object, hint: Any = None) -> bytes:
    """Return `value` as JSON text on one line."""
    return json.dumps(to_json(value, hint), separators=(",", ":")).encode()


def decode(hint: type[T], data: bytes) -> T:
    """Return the value of that type; raises ValueError, of which MalformedError is one, or RecursionError."""
    return from_json(hint, json.loads(data))


# Writing: None stands for values that are JSON already, tuples and text enums included


@cache
def _writer(hint: Any) -> Write | None:  # noqa: PLR0911 - one line for each kind of type
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _union_writer(inner)
    if origin in (dict, Mapping):
        return _each_value(_writer(inner[1]))
    if origin in (frozenset, set) or hint in (frozenset, set):
        return sorted
    if origin in (tuple, list):
        return _tuple_writer(hint, inner)
    if hint is Fraction:
        return str
    if hint is bytes:
        return bytes.hex
    if _is_dataclass(hint):
        return _object_writer(hint)
    if _is_named_tuple(hint):
        return _row_writer(tuple(_writer(one) for one in get_type_hints(hint).values()))
    if isinstance(hint, type) and issubclass(hint, Enum) and not issubclass(hint, str | int):
        return lambda value: value.value
    return None


def _object_writer(cls: Any) -> Write:
    hints = get_type_hints(cls)
    rows = [(field.name, field.default, _writer(hints[field.name])) for field in fields(cls) if field.init]
    # sorted by what they cost: a snapshot has three dozen fields, and is written at each change of the show
    plain = [name for name, default, write in rows if default is MISSING and write is None]
    needed = [(name, write) for name, default, write in rows if default is MISSING and write is not None]
    optional = [(name, default, write) for name, default, write in rows if default is not MISSING]
    get_plain = attrgetter(*plain) if len(plain) > 1 else None

    def write(value: Any) -> dict[str, Any]:
        if get_plain is None:
            out = {name: getattr(value, name) for name in plain}
        else:
            out = dict(zip(plain, get_plain(value), strict=True))
        for name, each in needed:
            out[name] = each(getattr(value, name))
        for name, default, other in optional:
            one = getattr(value, name)
            if one is not default and one != default:
                out[name] = one if other is None else other(one)
        return out

    return write


def _row_writer(writers: tuple[Write | None, ...]) -> Write | None:
    if not any(writers):
        return None
    return lambda row: [one if write is None else write(one) for write, one in zip(writers, row, strict=True)]


def _tuple_writer(hint: Any, inner: tuple[Any, ...]) -> Write | None:
    if get_origin(hint) is tuple and inner[-1] is not Ellipsis:
        return _row_writer(tuple(_writer(one) for one in inner))
    write = _writer(inner[0])
    return write and (lambda row: [write(one) for one in row])


def _each_value(write: Write | None) -> Write | None:
    return write and (lambda table: {name: write(one) for name, one in table.items()})


def _union_writer(members: tuple[Any, ...]) -> Write | None:
    named = {one: _writer(one) for one in members if _is_dataclass(one)}
    if len(named) > 1:

        def write_tagged(value: Any) -> Any:
            write = named.get(type(value))
            return value if write is None else [type(value).__name__, write(value)]

        return write_tagged
    writers = {one: write for one in members if (write := _writer(one)) is not None}
    if not writers:
        return None
    if len(members) > 1 + (NoneType in members):
        raise TypeError(f"a union of {members} cannot be told apart in JSON")
    (write,) = writers.values()
    return lambda value: None if value is None else write(value)


# Reading


@cache
def _reader(hint: Any) -> Read:  # noqa: PLR0911 - one line for each kind of type
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _union_reader(inner)
    if origin in (dict, Mapping):
        return _table_reader(_reader(inner[1]))
    if origin in (frozenset, set):
        return _set_reader(origin, _reader(inner[0]))
    if origin is list:
        return _list_reader(list, _reader(inner[0]))
    if origin is tuple:
        if inner[-1] is Ellipsis:
            return _list_reader(tuple, _reader(inner[0]))
        return _row_reader(tuple, tuple(_reader(one) for one in inner), len(inner))
    if origin is Literal:
        return _choice_reader({one: one for one in inner})
    if hint in _SCALARS:
        return _SCALARS[hint]
    if _is_dataclass(hint):
        return _object_reader(hint)
    if _is_named_tuple(hint):
        return _named_row_reader(hint)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _choice_reader({one.value: one for one in hint})
    raise TypeError(f"{hint!r} has no form in JSON")


def _is(cls: type, words: str) -> Read:
    def read(data: Any) -> Any:
        if type(data) is not cls:
            raise MalformedError(f"{data!r:.40} is not {words}")
        return data

    return read


def _read_float(data: Any) -> float:
    if type(data) is not float and type(data) is not int:
        raise MalformedError(f"{data!r:.40} is not a number")
    return float(data)


def _read_fraction(data: Any) -> Fraction:
    # "n/d", or a decimal that a person wrote; of "1e999999999" Fraction itself would work out every digit
    if type(data) is str:
        numerator, _, denominator = data.partition("/")
        try:
            if "." in numerator and not denominator and _DECIMAL.fullmatch(data):
                return Fraction(data)
            return Fraction(int(numerator), int(denominator) if denominator else 1)
        except (ValueError, ZeroDivisionError):
            pass
    raise MalformedError(f"{data!r:.40} is not a fraction")


def _read_bytes(data: Any) -> bytes:
    if type(data) is str:
        try:
            return bytes.fromhex(data)
        except ValueError:
            pass
    raise MalformedError(f"{data!r:.40} is not bytes in hexadecimal")


_SCALARS: dict[Any, Read] = {
    int: _is(int, "a whole number"),
    str: _is(str, "text"),
    bool: _is(bool, "true or false"),
    NoneType: _is(NoneType, "null"),
    float: _read_float,
    Fraction: _read_fraction,
    bytes: _read_bytes,
    Any: lambda data: data,
    object: lambda data: data,
}


def _choice_reader(choices: dict[Any, Any]) -> Read:
    def read(data: Any) -> Any:
        try:
            return choices[data]
        except (KeyError, TypeError):
            raise MalformedError(f"{data!r:.40} is none of {', '.join(map(str, choices))}") from None

    return read


def _list_reader(make: Callable[[Any], Any], read: Read) -> Read:
    def read_list(data: Any) -> Any:
        if type(data) not in _ARRAYS:
            raise MalformedError(f"{data!r:.40} is not a list")
        return make([read(one) for one in data])

    return read_list


def _set_reader(make: Callable[[Any], Any], read: Read) -> Read:
    read_list = _list_reader(list, read)
    return lambda data: make(read_list(data))


def _table_reader(read: Read) -> Read:
    def read_table(data: Any) -> dict[str, Any]:
        if type(data) is not dict:
            raise MalformedError(f"{data!r:.40} is not an object")
        return {name: read(one) for name, one in data.items()}

    return read_table


def _row_reader(make: Callable[[Any], Any], readers: tuple[Read, ...], least: int) -> Read:
    def read(data: Any) -> Any:
        if type(data) not in _ARRAYS or not least <= len(data) <= len(readers):
            raise MalformedError(f"{data!r:.40} is not a list of {len(readers)}")
        return make([read_one(one) for read_one, one in zip(readers, data, strict=False)])

    return read


def _named_row_reader(cls: Any) -> Read:
    readers = tuple(_reader(one) for one in get_type_hints(cls).values())
    return _row_reader(lambda row: cls(*row), readers, len(readers) - len(cls._field_defaults))


def _object_reader(cls: Any) -> Read:
    hints = get_type_hints(cls)
    readers = {field.name: _reader(hints[field.name]) for field in fields(cls) if field.init}
    needed = frozenset(
        field.name for field in fields(cls) if field.default is MISSING and field.default_factory is MISSING
    )

    def read(data: Any) -> Any:
        if type(data) is not dict:
            raise MalformedError(f"{data!r:.40} is not an object")
        try:
            return cls(**{name: readers[name](one) for name, one in data.items()})
        except (MalformedError, KeyError, TypeError):
            _explain(data)
            raise

    def _explain(data: dict[str, Any]) -> None:
        """Raise MalformedError with the name of the field that does not fit."""
        for name, one in data.items():
            if name not in readers:
                raise MalformedError(f"{cls.__name__} has no {name!r:.40}")
            try:
                readers[name](one)
            except MalformedError as error:
                raise MalformedError(f"{name}: {error}") from None
        if missing := needed - data.keys():
            raise MalformedError(f"{cls.__name__} lacks {', '.join(sorted(missing))}")

    return read


def _union_reader(members: tuple[Any, ...]) -> Read:
    named = {one.__name__: _reader(one) for one in members if _is_dataclass(one)}
    others = tuple(_reader(one) for one in members if not _is_dataclass(one) and one is not NoneType)
    if len(named) == 1:
        others = (*others, *named.values())

    def read(data: Any) -> Any:
        if data is None and NoneType in members:
            return None
        if len(named) > 1 and type(data) in _ARRAYS:
            if len(data) != 2 or type(data[0]) is not str or data[0] not in named:
                raise MalformedError(f"{data!r:.40} is none of {', '.join(named)}")
            return named[data[0]](data[1])
        for read_one in others[:-1]:
            try:
                return read_one(data)
            except MalformedError:
                continue
        if not others:
            raise MalformedError(f"{data!r:.40} is none of {', '.join(named)}")
        return others[-1](data)

    return read


def _is_dataclass(hint: Any) -> bool:
    return isinstance(hint, type) and is_dataclass(hint)


def _is_named_tuple(hint: Any) -> bool:
    return isinstance(hint, type) and issubclass(hint, tuple) and hasattr(hint, "_fields")
