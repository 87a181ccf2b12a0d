"""Single values that several concepts share: text, numbers, ranges, notes, channels, names of devices.

Every leaf turns what people write (channels from 1, note names, 4:10) into what the core holds (channels
from 0, note numbers, seconds).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from enum import StrEnum
from fractions import Fraction
from functools import partial
from typing import Any

from routerd.core.midi.tuning import CONCERT_PITCH_MAX_HZ, CONCERT_PITCH_MIN_HZ
from routerd.core.model.song import HeldNotes
from routerd.core.units import parse_note
from routerd.server.rigfiles.problems import one_of, quote, suggest, unquoted
from routerd.server.rigfiles.shape import Ends, Leaf, ValidationContext, wrong

LONGEST_DURATION_S = 24 * 3600
_CONTROL_CHARACTER = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]")
_CONTROL_BUT_BREAKS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]")
_DURATION = re.compile(r"(?:(?:(\d{1,2}):)?(\d{1,3}):)([0-5]\d)")
_NOTE = r"(?:[A-Ga-g][#b]?-?\d{1,2}|\d{1,3})"


def as_text(pair: dict[str, Any]) -> tuple[str, str]:
    """Return what is wrong where a text with a ':' in it was read as a key and its value."""
    ((key, value),) = pair.items()
    what, remedy = unquoted(f"{key}: {value}" if isinstance(value, str | int) else f"{key}:")
    return f"is read as a key and its value: {what}", remedy


def text(longest: int, *, lines: bool = False) -> Leaf:
    """Return the leaf of a text; `lines` lets it run over several lines."""
    odd = _CONTROL_BUT_BREAKS if lines else _CONTROL_CHARACTER

    def read(value: Any, _: ValidationContext) -> str:
        if isinstance(value, bool):
            value = "true" if value else "false"
        if isinstance(value, int):
            value = str(value)
        if isinstance(value, dict) and len(value) == 1 and "file" not in value:
            raise wrong(*as_text(value))
        if not isinstance(value, str):
            raise wrong(f"is {quote(value)}, not text", "write text, in quotes if it has ':' or '#' in it")
        written: str = value.strip()
        if not written:
            raise wrong("is empty", "write some text")
        if len(written) > longest:
            raise wrong(f"has {len(written)} characters", f"write at most {longest}")
        if odd.search(written):
            raise wrong(
                f"{quote(written)} has a control character or a line break in it", "write it as plain text"
            )
        return written

    return Leaf(read, {"type": ["string", "number", "boolean"], "minLength": 1, "maxLength": longest})


def whole(minimum: int, maximum: int, offset: int = 0) -> Leaf:
    """Return the leaf of a whole number from `minimum` to `maximum`; the core holds it plus `offset`."""

    def read(value: Any, _: ValidationContext) -> int:
        return read_whole(value, minimum, maximum) + offset

    return Leaf(read, {"type": "integer", "minimum": minimum, "maximum": maximum})


def read_whole(value: Any, minimum: int, maximum: int) -> int:
    """Return `value` as a whole number in range, or raise the error that says so."""
    remedy = f"write a whole number from {minimum} to {maximum}"
    if isinstance(value, bool) or not isinstance(value, int):
        raise wrong(f"{quote(value)} is not a whole number", remedy)
    if not minimum <= value <= maximum:
        raise wrong(f"{value} is outside {minimum} to {maximum}", remedy)
    return value


def choice(words: type[StrEnum], leave_out: Iterable[StrEnum] = ()) -> Leaf:
    """Return the leaf of a word out of an enumeration."""
    known = [member.value for member in words if member not in set(leave_out)]

    def read(value: Any, _: ValidationContext) -> StrEnum:
        if isinstance(value, str) and value in known:
            return words(value)
        raise wrong(
            f"{quote(value)} is not known here", suggest(value if isinstance(value, str) else "", known)
        )

    return Leaf(read, {"type": "string", "enum": known})


def _flag(value: Any, _: ValidationContext) -> bool:
    if not isinstance(value, bool):
        raise wrong(f"{quote(value)} is neither true nor false", "write true or false")
    return value


def _duration(value: Any, _: ValidationContext) -> int:
    remedy = "write minutes and seconds such as 4:10, hours too (1:02:30), or whole seconds"
    seconds = value
    if isinstance(value, str):
        match = _DURATION.fullmatch(value.strip())
        hours, minutes = (int(match[1] or 0), int(match[2])) if match else (0, 0)
        if match is None or (match[1] and minutes > 59):
            raise wrong(f"{quote(value)} is not a duration", remedy)
        seconds = 3600 * hours + 60 * minutes + int(match[3])
    if isinstance(seconds, bool) or not isinstance(seconds, int):
        raise wrong(f"is {quote(value)}, not a duration", remedy)
    if not 1 <= seconds <= LONGEST_DURATION_S:
        raise wrong(f"{quote(value)} is not between one second and 24 hours", remedy)
    return seconds


def read_note(value: Any, _: ValidationContext) -> int:
    """Return a note (0–127) written as a number or a name, or raise the error that says what is wrong."""
    remedy = "write a number from 0 to 127 or a name such as C4 (which is 60)"
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise wrong(f"is {quote(value)}, not a note", remedy)
    try:
        return parse_note(str(value))
    except ValueError as error:
        raise wrong(f"{quote(value)} is not a note from 0 to 127", remedy) from error


def _concert_pitch(value: Any, _: ValidationContext) -> float:
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    whole_or_decimal = isinstance(written, str) and re.fullmatch(r"\d{3}(?:\.\d{1,15})?", written.strip())
    hertz = float(written) if whole_or_decimal else 0.0
    if not CONCERT_PITCH_MIN_HZ <= hertz <= CONCERT_PITCH_MAX_HZ:
        raise wrong(
            f"{quote(value)} is not a concert pitch",
            f"write what A4 is in Hz, {CONCERT_PITCH_MIN_HZ:g} to {CONCERT_PITCH_MAX_HZ:g}, such as 440 or "
            "442.5",
        )
    return hertz


def _device_name(value: Any, context: ValidationContext, end: str) -> str:
    devices = context.devices
    name = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if not isinstance(name, str):
        raise wrong(f"is {quote(value)}, not a device", "write the name of a device in rig.yaml")
    if devices is None:
        return name
    if name not in devices:
        raise wrong(f"{quote(name)} is not a device in rig.yaml", partial(suggest, name, devices))
    ends = devices[name]
    if not (ends.has_input if end == "input" else ends.has_output):
        verb = "read from" if end == "input" else "send to"
        raise wrong(f"{quote(name)} has no {end} to {verb}", partial(_other_device, devices, end))
    return name


def _other_device(devices: Mapping[str, Ends], end: str) -> str:
    fit = [name for name, ends in devices.items() if (ends.has_input if end == "input" else ends.has_output)]
    return f"give it an '{end}' in rig.yaml, or name {one_of(fit) or 'another'}"


NAME = text(64)
TITLE = text(200)
FLAG = Leaf(_flag, {"type": "boolean"})
HELD_NOTES = choice(HeldNotes)

CONCERT_PITCH = Leaf(
    _concert_pitch,
    {
        "type": ["number", "string"],
        "minimum": int(CONCERT_PITCH_MIN_HZ),
        "maximum": int(CONCERT_PITCH_MAX_HZ),
        "pattern": r"^\d{3}(\.\d{1,15})?$",
    },
)

CHANNEL = whole(1, 16, offset=-1)
BYTE = whole(0, 127)
PROGRAM = whole(1, 128, offset=-1)
LOUDNESS = whole(1, 127)

DURATION = Leaf(
    _duration,
    {
        "type": ["string", "integer"],
        "minimum": 1,
        "maximum": LONGEST_DURATION_S,
        "pattern": r"^(\d{1,2}:)?\d{1,3}:[0-5]\d$",
    },
)

NOTE = Leaf(
    read_note,
    {"type": ["integer", "string"], "minimum": 0, "maximum": 127, "pattern": rf"^{_NOTE}$"},
)

NAMED = "$comment"
"""Says in a schema whose names a value is one of; `folder.json_schemas` puts a rig's own there."""

SOURCE = Leaf(
    lambda value, around: _device_name(value, around, "input"),
    {"type": "string", NAMED: "devices with an input"},
)
TARGET = Leaf(
    lambda value, around: _device_name(value, around, "output"),
    {"type": "string", NAMED: "devices with an output"},
)
_DECIMAL = re.compile(r"[+-]?\d{1,4}(?:\.\d{1,15})?")


def decimal(minimum: str, maximum: str, unit: str, example: str) -> Leaf:
    """Return the leaf of a decimal from `minimum` to `maximum`, kept exactly."""

    def read(value: Any, _: ValidationContext) -> Fraction:
        remedy = f"write {minimum} to {maximum} {unit}, such as {example}"
        written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        if not isinstance(written, str) or _DECIMAL.fullmatch(written.strip()) is None:
            raise wrong(f"{quote(value)} is not a number", remedy)
        number = Fraction(written.strip())
        if not Fraction(minimum) <= number <= Fraction(maximum):
            raise wrong(f"{quote(value)} is outside {minimum} to {maximum} {unit}", remedy)
        return number

    schema = {"type": ["number", "string"], "minimum": float(minimum), "maximum": float(maximum)}
    return Leaf(read, {**schema, "pattern": r"^[+-]?\d{1,4}(\.\d{1,15})?$"})


_SPAN = re.compile(r"(\d{1,5})(?:\s*[-–]\s*(\d{1,5}))?")
HEX = re.compile(r"[0-9A-Fa-f]{2}(?:\s*[0-9A-Fa-f]{2})*\Z")


def _span(value: Any, minimum: int, maximum: int, *, falls: bool = False) -> tuple[int, int]:
    remedy = f"write two numbers from {minimum} to {maximum} such as {minimum}-{maximum}, or one"
    plain = isinstance(value, (int, str)) and not isinstance(value, bool)
    match = _SPAN.fullmatch(str(value).strip()) if plain else None
    if match is None:
        raise wrong(f"{quote(value)} is not a range", remedy)
    low = int(match[1])
    high = low if match[2] is None else int(match[2])
    if not (minimum <= low <= maximum and minimum <= high <= maximum):
        raise wrong(f"{quote(value)} is outside {minimum} to {maximum}", remedy)
    if low > high and not falls:
        raise wrong(f"{quote(value)} ends below its start", "write the lower number first")
    return low, high


def span(minimum: int, maximum: int, *, falls: bool = False, point: bool = True) -> Leaf:
    """Return the leaf of a range; `falls`: the second number may be lower; `point`: one number will do."""

    def read(value: Any, _: ValidationContext) -> tuple[int, int]:
        low, high = _span(value, minimum, maximum, falls=falls)
        if low == high and not point:
            raise wrong(f"{quote(value)} has no two ends", "write two different numbers")
        return low, high

    schema = {
        "type": ["string", "integer"],
        "minimum": minimum,
        "maximum": maximum,
        "pattern": rf"^{_SPAN.pattern}$",
    }
    return Leaf(read, schema)


def numbers(minimum: int, maximum: int, offset: int = 0) -> Leaf:
    """Return the leaf of a list of numbers and ranges; the core holds them plus `offset`."""

    def read(value: Any, _: ValidationContext) -> frozenset[int]:
        listed = value if isinstance(value, list) else [value]
        if not listed:
            raise wrong("is empty", f"list numbers from {minimum} to {maximum}")
        found: set[int] = set()
        for item in listed:
            low, high = _span(item, minimum, maximum)
            found.update(range(low + offset, high + 1 + offset))
        return frozenset(found)

    one = {
        "type": ["integer", "string"],
        "minimum": minimum,
        "maximum": maximum,
        "pattern": rf"^{_SPAN.pattern}$",
    }
    return Leaf(read, {"anyOf": [one, {"type": "array", "items": one, "minItems": 1}]})


CHANNELS = numbers(1, 16, offset=-1)
_NOTE_RANGE = re.compile(rf"({_NOTE})(?:\s*[-–]\s*({_NOTE}))?")


def _note_range(value: Any, context: ValidationContext) -> tuple[int, int]:
    remedy = "write two notes such as C2-B4 or 36-71, or one note"
    match = _NOTE_RANGE.fullmatch(str(value).strip()) if isinstance(value, (str, int)) else None
    if match is None:
        raise wrong(f"{quote(value)} is not a note range", remedy)
    low = read_note(match[1], context)
    high = low if match[2] is None else read_note(match[2], context)
    if low > high:
        raise wrong(f"{quote(value)} ends below its start", "write the lower note first")
    return low, high


NOTE_RANGE = Leaf(
    _note_range,
    {
        "type": ["string", "integer"],
        "minimum": 0,
        "maximum": 127,
        "pattern": rf"^{_NOTE}(\s*[-–]\s*{_NOTE})?$",
    },
)
