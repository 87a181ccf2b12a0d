"""The single values of routes: numbers in ranges, curves, quantities, intervals.

Like `scalars`: what people write, turned into what the core holds.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

from routerd.core.midi.messages import SYSEX, TICK, is_whole, message_length
from routerd.core.model.route import (
    FULL,
    NUMBERED,
    SHAPES,
    SOURCE_KINDS,
    TARGET_KINDS,
    Points,
    Quantity,
    QuantityKind,
)
from routerd.core.output.patches import DEFAULT_ORDER
from routerd.core.units import NS_PER_MS, parse_note
from routerd.server.rigfiles.leaf import Leaf, Surroundings, wrong
from routerd.server.rigfiles.problems import choose, one_of, shown
from routerd.server.rigfiles.scalars import read_whole, whole

MOST_CURVE_POINTS = 128
MOST_INTERVALS = 16
_SPAN = re.compile(r"(\d{1,5})(?:\s*[-–]\s*(\d{1,5}))?")
_PAUSE = re.compile(r"(\d{1,4}) ms")
LONGEST_PAUSE_MS = 5000
_HEX = re.compile(r"[0-9A-Fa-f]{2}(?:\s*[0-9A-Fa-f]{2})*\Z")
_MOST_OF_NUMBER = {
    QuantityKind.CC: 119,
    QuantityKind.FINE: 31,
    QuantityKind.RPN: FULL,
    QuantityKind.NRPN: FULL,
}
_NO_VALUE = {6, 38, *range(96, 102)}


def _span(value: Any, least: int, most: int, *, falls: bool = False) -> tuple[int, int]:
    remedy = f"write two numbers from {least} to {most} such as {least}-{most}, or one"
    plain = isinstance(value, (int, str)) and not isinstance(value, bool)
    match = _SPAN.fullmatch(str(value).strip()) if plain else None
    if match is None:
        raise wrong(f"{shown(value)} is not a range", remedy)
    low = int(match[1])
    high = low if match[2] is None else int(match[2])
    if not (least <= low <= most and least <= high <= most):
        raise wrong(f"{shown(value)} is outside {least} to {most}", remedy)
    if low > high and not falls:
        raise wrong(f"{shown(value)} ends below its start", "write the lower number first")
    return low, high


def span(least: int, most: int, *, falls: bool = False, point: bool = True) -> Leaf:
    """Return the leaf of a range; `falls`: the second number may be lower; `point`: one number will do."""

    def read(value: Any, _: Surroundings) -> tuple[int, int]:
        low, high = _span(value, least, most, falls=falls)
        if low == high and not point:
            raise wrong(f"{shown(value)} has no two ends", "write two different numbers")
        return low, high

    schema = {
        "type": ["string", "integer"],
        "minimum": least,
        "maximum": most,
        "pattern": rf"^{_SPAN.pattern}$",
    }
    return Leaf(read, schema)


def numbers(least: int, most: int, offset: int = 0) -> Leaf:
    """Return the leaf of a list of numbers and ranges; the core holds them plus `offset`."""

    def read(value: Any, _: Surroundings) -> frozenset[int]:
        listed = value if isinstance(value, list) else [value]
        if not listed:
            raise wrong("is empty", f"list numbers from {least} to {most}")
        found: set[int] = set()
        for item in listed:
            low, high = _span(item, least, most)
            found.update(range(low + offset, high + 1 + offset))
        return frozenset(found)

    one = {"type": ["integer", "string"], "minimum": least, "maximum": most, "pattern": rf"^{_SPAN.pattern}$"}
    return Leaf(read, {"anyOf": [one, {"type": "array", "items": one, "minItems": 1}]})


def _curve(value: Any, _: Surroundings) -> Points:
    remedy = f"write {one_of(SHAPES)}, or points such as [[0, 0], [64, 90], [127, 127]]"
    if isinstance(value, str):
        if value not in SHAPES:
            raise wrong(f"{shown(value)} is not known here", choose(value, SHAPES))
        return SHAPES[value]
    if not isinstance(value, list) or not all(isinstance(p, list) and len(p) == 2 for p in value):
        raise wrong(f"{shown(value)} is not a curve", remedy)
    if not 2 <= len(value) <= MOST_CURVE_POINTS:
        raise wrong(f"has {len(value)} points", f"write 2 to {MOST_CURVE_POINTS}")
    points = tuple((read_whole(x, 0, 127), read_whole(y, 0, 127)) for x, y in value)
    for (x, y), (next_x, next_y) in pairwise(points):
        if next_x <= x:
            raise wrong(f"goes from {x} back to {next_x}", "let the first number of each point rise")
        if next_y < y:
            raise wrong(
                f"falls from {y} to {next_y}",
                "let the second numbers rise; a falling 'range' turns a map round",
            )
    return points


def _quantity(value: Any, known: frozenset[QuantityKind]) -> Quantity:
    if isinstance(value, int) and not isinstance(value, bool):
        value = f"cc {value}"
    words = value.split() if isinstance(value, str) else []
    remedy = "write a controller's number, or words such as 'fine 1', 'pressure', 'pitch-bend', 'nrpn 300'"
    if not 1 <= len(words) <= 2:
        raise wrong(f"{shown(value)} is nothing that can be mapped", remedy)
    names = sorted(kind.value for kind in known)
    if words[0] not in names:
        raise wrong(f"{shown(value)} cannot be mapped here", choose(words[0], names))
    kind = QuantityKind(words[0])
    if (kind in NUMBERED) != (len(words) == 2):
        raise wrong(
            f"{shown(value)} is not whole",
            f"write '{kind.value} 1'" if kind in NUMBERED else f"write '{kind.value}' alone",
        )
    if kind not in NUMBERED:
        return Quantity(kind)
    if kind is QuantityKind.NOTE:
        try:
            return Quantity(kind, parse_note(words[1]))
        except ValueError as error:
            raise wrong(
                f"{shown(value)} names no note from 0 to 127", "write 'note C3' or 'note 48'"
            ) from error
    number = read_whole(int(words[1]) if words[1].isdecimal() else words[1], 0, _MOST_OF_NUMBER[kind])
    if (kind is QuantityKind.CC and number in _NO_VALUE) or (kind is QuantityKind.FINE and number == 6):
        raise wrong(f"controller {number} is part of a parameter", "write 'rpn' or 'nrpn' and its number")
    return Quantity(kind, number)


def _intervals(value: Any, _: Surroundings) -> tuple[int, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_INTERVALS:
        raise wrong(f"{shown(value)} is not a list of semitones", "write 1 to 16 of them, such as [0, 4, 7]")
    steps = tuple(read_whole(step, -48, 48) for step in value)
    if len(set(steps)) < len(steps):
        raise wrong("has the same semitone twice", "write each once")
    return steps


def _prefix(value: Any, _: Surroundings) -> bytes:
    if not isinstance(value, str) or _HEX.match(value.strip()) is None:
        raise wrong(f"{shown(value)} is not hexadecimal bytes", "write how it begins, such as 'F0 7D'")
    data = bytes.fromhex(value)
    if data[0] != SYSEX or max(data[1:], default=0) > 0x7F:
        raise wrong(f"{shown(value)} is not how a SysEx begins", "begin with F0, then bytes 00 to 7F")
    return data


def _program_key(value: Any, _: Surroundings) -> int:
    return read_whole(int(value) if re.fullmatch(r"[1-9]\d{0,3}", str(value)) else value, 1, 128) - 1


def _messages(value: Any, _: Surroundings) -> tuple[bytes, ...]:
    remedy = "write whole messages such as 'B0 7E 01', without SysEx and real time"
    if not isinstance(value, str) or _HEX.match(value.strip()) is None:
        raise wrong(f"{shown(value)} is not hexadecimal bytes", remedy)
    data = bytes.fromhex(value)
    found = []
    while data:
        length = message_length(data[0])
        if not 0 < length <= len(data) or data[0] >= TICK or not is_whole(data[:length]):
            raise wrong(f"{shown(value)} is not whole messages", remedy)
        found.append(data[:length])
        data = data[length:]
    return tuple(found)


def _parameter_key(value: Any, _: Surroundings) -> int:
    return read_whole(int(value) if re.fullmatch(r"0|[1-9]\d{0,5}", str(value)) else value, 0, FULL)


def _patch_step(value: Any, _: Surroundings) -> str | int:
    match = _PAUSE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is not None:
        return read_whole(int(match[1]), 1, LONGEST_PAUSE_MS) * NS_PER_MS
    if isinstance(value, str) and value in DEFAULT_ORDER:
        return value
    raise wrong(
        f"{shown(value)} is neither a part of a patch nor a pause",
        f"write {one_of(DEFAULT_ORDER)}, or a pause such as '200 ms'",
    )


MESSAGES = Leaf(_messages, {"type": "string", "pattern": r"^\s*[0-9A-Fa-f]{2}(\s*[0-9A-Fa-f]{2})*\s*$"})
PARAMETER_KEY = Leaf(_parameter_key, {"type": "string", "pattern": r"^\d{1,5}$"})
FINE = whole(0, FULL)
PATCH_STEP = Leaf(
    _patch_step, {"type": "string", "pattern": rf"^({'|'.join(DEFAULT_ORDER)}|{_PAUSE.pattern})$"}
)
CONTROLLERS = numbers(0, 127)
CHANNELS = numbers(1, 16, offset=-1)
VELOCITIES = span(1, 127)
FROM_RANGE = span(0, FULL, point=False)
TO_RANGE = span(0, FULL, falls=True)
_POINT = {
    "type": "array",
    "items": {"type": "integer", "minimum": 0, "maximum": 127},
    "minItems": 2,
    "maxItems": 2,
}
CURVE = Leaf(
    _curve,
    {
        "anyOf": [
            {"type": "string", "enum": list(SHAPES)},
            {"type": "array", "items": _POINT, "minItems": 2, "maxItems": MOST_CURVE_POINTS},
        ]
    },
)
_WORDS = {"type": ["integer", "string"], "minimum": 0, "maximum": 119}
MAP_FROM = Leaf(lambda value, _: _quantity(value, SOURCE_KINDS), _WORDS)
MAP_TO = Leaf(lambda value, _: _quantity(value, TARGET_KINDS), _WORDS)
INTERVALS = Leaf(
    _intervals,
    {
        "type": "array",
        "items": {"type": "integer", "minimum": -48, "maximum": 48},
        "minItems": 1,
        "maxItems": MOST_INTERVALS,
    },
)
PREFIX = Leaf(_prefix, {"type": "string", "pattern": r"^\s*[Ff]0(\s*[0-7][0-9A-Fa-f])*\s*$"})
PROGRAM_KEY = Leaf(_program_key, {"type": "string", "pattern": r"^[1-9]\d{0,2}$"})
