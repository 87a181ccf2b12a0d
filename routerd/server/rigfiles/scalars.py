"""The single values of the files: how each is written, its range, and its JSON Schema.

Every leaf turns what people write (channels from 1, programs from 1, note names, 4:10) into
what the core holds (channels and programs from 0, note numbers, seconds).
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from enum import StrEnum
from fractions import Fraction
from functools import partial
from typing import Any

from routerd.core.midi.messages import ACTIVE_SENSING, BANK_LSB, BANK_MSB, TICK, Kind, is_whole
from routerd.core.midi.tuning import CONCERT_PITCH_MAX_HZ, CONCERT_PITCH_MIN_HZ
from routerd.core.model.actions import ACTIONS, Action
from routerd.core.model.commands import WHEN_PATTERN, WHEN_WORDS, parse_when
from routerd.core.model.controls import Press, Shows
from routerd.core.model.rig import AfterRestart, WireKind
from routerd.core.model.route import Side, Switching
from routerd.core.model.song import (
    HeldNotes,
    SectionsEnd,
    StartPolicy,
    Step,
)
from routerd.core.units import BPM_MAX, BPM_MIN, parse_bpm, parse_note
from routerd.server.rigfiles.leaf import Ends, Leaf, Surroundings, wrong
from routerd.server.rigfiles.problems import choose, one_of, shown, unquoted

LONGEST_DURATION_S = 24 * 3600
BEAT_UNITS = (1, 2, 4, 8, 16, 32)

_CONTROL_CHARACTER = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]")
_CONTROL_BUT_BREAKS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]")
_TEMPO = re.compile(r"\d{1,4}(?:\.\d{1,12})?|\d{1,9}/\d{1,9}")
_METER = re.compile(r"(\d{1,3})\s*/\s*(\d{1,3})")
_DURATION = re.compile(r"(?:(?:(\d{1,2}):)?(\d{1,3}):)([0-5]\d)")
_NOTE = r"(?:[A-Ga-g][#b]?-?\d{1,2}|\d{1,3})"
_NOTE_RANGE = re.compile(rf"({_NOTE})(?:\s*[-–]\s*({_NOTE}))?")


def _as_text(pair: dict[str, Any]) -> tuple[str, str]:
    """Return what is wrong where a text with a ':' in it was read as a key and its value."""
    ((key, value),) = pair.items()
    what, remedy = unquoted(f"{key}: {value}" if isinstance(value, str | int) else f"{key}:")
    return f"is read as a key and its value: {what}", remedy


def text(longest: int, *, lines: bool = False) -> Leaf:
    """Return the leaf of a text; `lines` lets it run over several lines."""
    odd = _CONTROL_BUT_BREAKS if lines else _CONTROL_CHARACTER

    def read(value: Any, _: Surroundings) -> str:
        if isinstance(value, bool):
            value = "true" if value else "false"
        if isinstance(value, int):
            value = str(value)
        if isinstance(value, dict) and len(value) == 1 and "file" not in value:
            raise wrong(*_as_text(value))
        if not isinstance(value, str):
            raise wrong(f"is {shown(value)}, not text", "write text, in quotes if it has ':' or '#' in it")
        written: str = value.strip()
        if not written:
            raise wrong("is empty", "write some text")
        if len(written) > longest:
            raise wrong(f"has {len(written)} characters", f"write at most {longest}")
        if odd.search(written):
            raise wrong(
                f"{shown(written)} has a control character or a line break in it", "write it as plain text"
            )
        return written

    return Leaf(read, {"type": ["string", "number", "boolean"], "minLength": 1, "maxLength": longest})


def whole(least: int, most: int, offset: int = 0) -> Leaf:
    """Return the leaf of a whole number from `least` to `most`; the core holds it plus `offset`."""

    def read(value: Any, _: Surroundings) -> int:
        return read_whole(value, least, most) + offset

    return Leaf(read, {"type": "integer", "minimum": least, "maximum": most})


def read_whole(value: Any, least: int, most: int) -> int:
    """Return `value` as a whole number in range, or raise the error that says so."""
    remedy = f"write a whole number from {least} to {most}"
    if isinstance(value, bool) or not isinstance(value, int):
        raise wrong(f"{shown(value)} is not a whole number", remedy)
    if not least <= value <= most:
        raise wrong(f"{value} is outside {least} to {most}", remedy)
    return value


def choice(words: type[StrEnum], leave_out: Iterable[StrEnum] = ()) -> Leaf:
    """Return the leaf of a word out of an enumeration."""
    known = [member.value for member in words if member not in set(leave_out)]

    def read(value: Any, _: Surroundings) -> StrEnum:
        if isinstance(value, str) and value in known:
            return words(value)
        raise wrong(
            f"{shown(value)} is not known here", choose(value if isinstance(value, str) else "", known)
        )

    return Leaf(read, {"type": "string", "enum": known})


def _flag(value: Any, _: Surroundings) -> bool:
    if not isinstance(value, bool):
        raise wrong(f"{shown(value)} is neither true nor false", "write true or false")
    return value


def _tempo(value: Any, _: Surroundings) -> Fraction:
    remedy = f"write {BPM_MIN} to {BPM_MAX} BPM as a decimal such as 121.5 or a fraction such as 243/2"
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if not isinstance(written, str) or _TEMPO.fullmatch(written.strip()) is None:
        raise wrong(f"{shown(value)} is not a tempo", remedy)
    try:
        return parse_bpm(written)
    except ValueError as error:
        raise wrong(f"{shown(value)} is outside {BPM_MIN} to {BPM_MAX} BPM", remedy) from error


def _meter(value: Any, _: Surroundings) -> tuple[int, int]:
    remedy = f"write beats from 1 to 32, '/', and {one_of(str(unit) for unit in BEAT_UNITS)}, such as 7/8"
    match = _METER.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise wrong(f"{shown(value)} is not a meter", remedy)
    beats, unit = int(match[1]), int(match[2])
    if not 1 <= beats <= 32 or unit not in BEAT_UNITS:
        raise wrong(f"{shown(value)} is not a meter that can be counted", remedy)
    return beats, unit


def _duration(value: Any, _: Surroundings) -> int:
    remedy = "write minutes and seconds such as 4:10, hours too (1:02:30), or whole seconds"
    seconds = value
    if isinstance(value, str):
        match = _DURATION.fullmatch(value.strip())
        hours, minutes = (int(match[1] or 0), int(match[2])) if match else (0, 0)
        if match is None or (match[1] and minutes > 59):
            raise wrong(f"{shown(value)} is not a duration", remedy)
        seconds = 3600 * hours + 60 * minutes + int(match[3])
    if isinstance(seconds, bool) or not isinstance(seconds, int):
        raise wrong(f"is {shown(value)}, not a duration", remedy)
    if not 1 <= seconds <= LONGEST_DURATION_S:
        raise wrong(f"{shown(value)} is not between one second and 24 hours", remedy)
    return seconds


def _note(value: Any, _: Surroundings) -> int:
    remedy = "write a number from 0 to 127 or a name such as C4 (which is 60)"
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise wrong(f"is {shown(value)}, not a note", remedy)
    try:
        return parse_note(str(value))
    except ValueError as error:
        raise wrong(f"{shown(value)} is not a note from 0 to 127", remedy) from error


def _root(value: Any, _: Surroundings) -> int:
    if not isinstance(value, str) or re.fullmatch(r"[A-Ga-g][#b]?", value) is None:
        raise wrong(f"{shown(value)} is not the name of a note", "write one such as D, F# or Bb")
    return parse_note(value + "4") % 12


def _note_range(value: Any, surroundings: Surroundings) -> tuple[int, int]:
    remedy = "write two notes such as C2-B4 or 36-71, or one note"
    match = _NOTE_RANGE.fullmatch(str(value).strip()) if isinstance(value, (str, int)) else None
    if match is None:
        raise wrong(f"{shown(value)} is not a note range", remedy)
    low = _note(match[1], surroundings)
    high = low if match[2] is None else _note(match[2], surroundings)
    if low > high:
        raise wrong(f"{shown(value)} ends below its start", "write the lower note first")
    return low, high


def _controller_key(value: Any, _: Surroundings) -> int:
    number = read_whole(int(value) if re.fullmatch(r"0|[1-9]\d{0,3}", str(value)) else value, 0, 127)
    if number in {BANK_MSB, BANK_LSB}:
        half = "msb" if number == BANK_MSB else "lsb"
        raise wrong(f"{number} is half of a bank select", f"write it as 'bank: {{{half}: …}}'")
    return number


def _date(value: Any, _: Surroundings) -> str:
    try:
        if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
            return datetime.date.fromisoformat(value).isoformat()
    except ValueError:
        pass
    raise wrong(f"{shown(value)} is not a date", "write year, month and day such as 2026-11-27")


def _concert_pitch(value: Any, _: Surroundings) -> float:
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    whole_or_decimal = isinstance(written, str) and re.fullmatch(r"\d{3}(?:\.\d{1,3})?", written.strip())
    hertz = float(written) if whole_or_decimal else 0.0
    if not CONCERT_PITCH_MIN_HZ <= hertz <= CONCERT_PITCH_MAX_HZ:
        raise wrong(
            f"{shown(value)} is not a concert pitch",
            f"write what A4 is in Hz, {CONCERT_PITCH_MIN_HZ:g} to {CONCERT_PITCH_MAX_HZ:g}, such as 440 or "
            "442.5",
        )
    return hertz


def _volts_per_octave(value: Any, _: Surroundings) -> float:
    written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    is_number = isinstance(written, str) and re.fullmatch(r"\d{1,2}(?:\.\d{1,3})?", written.strip())
    volts = float(written) if is_number else 0.0
    if not 0 < volts <= 10:
        raise wrong(f"{shown(value)} is no number of volts", "write 0.001 to 10, such as 1 or 1.2")
    return volts


def _section(value: Any, surroundings: Surroundings) -> int | str:
    if isinstance(value, int) and not isinstance(value, bool):
        return read_whole(value, 1, 999)
    name: str = NAME.read(value, surroundings)
    return name


def _message(value: Any, _: Surroundings) -> bytes:
    remedy = "write one whole message in hexadecimal such as F0 7F 7F 06 02 F7 or FA"
    try:
        message = bytes.fromhex(value) if isinstance(value, str) else b""
    except ValueError as error:
        raise wrong(f"{shown(value)} is not hexadecimal", remedy) from error
    if not is_whole(message) or message[0] in (TICK, ACTIVE_SENSING):
        raise wrong(f"{shown(value)} is not a message that can be a control", remedy)
    return message


def _checklist_item(value: Any, surroundings: Surroundings) -> Step:
    if not isinstance(value, dict):
        return Step(REMINDER.read(value, surroundings))
    strange = [key for key in value if key not in ("text", "who", "section")]
    if strange and len(value) == 1 and not get_close_matches(str(strange[0]), ["text"], cutoff=0.7):
        raise wrong(*_as_text(value))
    if strange:
        raise wrong(f"has the key {shown(strange[0])}", choose(str(strange[0]), ["text", "who", "section"]))
    if "text" not in value:
        raise wrong("does not say what to do", "add 'text: …'")
    rest = (NAME.read(value[key], surroundings) if key in value else "" for key in ("who", "section"))
    return Step(REMINDER.read(value["text"], surroundings), *rest)


def _when(value: Any, _: Surroundings) -> str:
    try:
        return str(parse_when(value.strip() if isinstance(value, str) else ""))
    except ValueError as error:
        raise wrong(f"{shown(value)} is not a moment", f"write {WHEN_WORDS}") from error


def _device(value: Any, surroundings: Surroundings, end: str) -> str:
    devices = surroundings.devices
    name = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if not isinstance(name, str):
        raise wrong(f"is {shown(value)}, not a device", "write the name of a device in rig.yaml")
    if devices is None:
        return name
    if name not in devices:
        raise wrong(f"{shown(name)} is not a device in rig.yaml", partial(choose, name, devices))
    ends = devices[name]
    if not (ends.has_input if end == "input" else ends.has_output):
        verb = "read from" if end == "input" else "send to"
        raise wrong(f"{shown(name)} has no {end} to {verb}", partial(_other_device, devices, end))
    return name


def _other_device(devices: Mapping[str, Ends], end: str) -> str:
    fit = [name for name, ends in devices.items() if (ends.has_input if end == "input" else ends.has_output)]
    return f"give it an '{end}' in rig.yaml, or name {one_of(fit) or 'another'}"


NAME = text(64)
TITLE = text(200)
REMINDER = text(500)
PROSE = text(20_000, lines=True)
FLAG = Leaf(_flag, {"type": "boolean"})
WIRE = choice(WireKind)
START = choice(StartPolicy)
SECTIONS_END = choice(SectionsEnd)
HELD_NOTES = choice(HeldNotes)
PRESS = choice(Press)
AFTER_RESTART = choice(AfterRestart)
HOLDOVER = whole(1, 600)
SHOWS = choice(Shows)
DEBOUNCE = whole(0, 2000)
PRESS_MS = whole(100, 5000)
SECTION = Leaf(_section, {"type": ["integer", "string"], "minimum": 1, "maximum": 999, "maxLength": 64})
MESSAGE = Leaf(_message, {"type": "string", "pattern": "^[0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*$"})
CHECKLIST_ITEM = Leaf(
    _checklist_item,
    {
        "anyOf": [
            {"type": "string", "maxLength": 500},
            {
                "type": "object",
                "properties": {
                    "text": {"type": "string", "maxLength": 500, "description": "The step."},
                    "who": {"type": "string", "maxLength": 64, "description": "Who does it."},
                    "section": {"type": "string", "maxLength": 64, "description": "Before which section."},
                },
                "required": ["text"],
                "additionalProperties": False,
            },
        ]
    },
)
VOLTS_PER_OCTAVE = Leaf(
    _volts_per_octave,
    {"type": ["number", "string"], "exclusiveMinimum": 0, "maximum": 10, "pattern": r"^\d{1,2}(\.\d{1,3})?$"},
)
CONCERT_PITCH = Leaf(
    _concert_pitch,
    {
        "type": ["number", "string"],
        "minimum": int(CONCERT_PITCH_MIN_HZ),
        "maximum": int(CONCERT_PITCH_MAX_HZ),
        "pattern": r"^\d{3}(\.\d{1,3})?$",
    },
)
WHEN = Leaf(_when, {"type": "string", "pattern": WHEN_PATTERN})
KIND = choice(Kind)
ACTION = choice(Action, leave_out=[action for action, row in ACTIONS.items() if row.control is None])
CHANNEL = whole(1, 16, offset=-1)
BYTE = whole(0, 127)
PROGRAM = whole(1, 128, offset=-1)
PROGRAM_OR_ANY = Leaf(
    lambda value, _: -1 if value == "any" else read_whole(value, 1, 128) - 1,
    {"type": ["integer", "string"], "minimum": 1, "maximum": 128, "pattern": "^any$"},
)
LOUDNESS = whole(1, 127)
SIDE = choice(Side)
MEMBERS = whole(1, 15)
SEMITONES = whole(1, 96)
OCTAVES = whole(-5, 5)
OCTAVE_NUMBER = whole(-1, 8)
SWITCHING = choice(Switching, leave_out=[Switching.NONE])
ROOT = Leaf(_root, {"type": "string", "pattern": r"^[A-Ga-g][#b]?$"})
TRANSPOSE = whole(-48, 48)
PLACE = whole(1, 999)
ENCORE = whole(0, 999)
TEMPO = Leaf(
    _tempo,
    {
        "type": ["number", "string"],
        "minimum": int(BPM_MIN),
        "maximum": int(BPM_MAX),
        "pattern": r"^(\d{1,4}(\.\d{1,12})?|\d{1,9}/\d{1,9})$",
    },
)
METER = Leaf(_meter, {"type": "string", "pattern": r"^([1-9]|[12]\d|3[0-2])\s*/\s*(1|2|4|8|16|32)$"})
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
    _note,
    {"type": ["integer", "string"], "minimum": 0, "maximum": 127, "pattern": rf"^{_NOTE}$"},
)
NOTE_RANGE = Leaf(
    _note_range,
    {
        "type": ["string", "integer"],
        "minimum": 0,
        "maximum": 127,
        "pattern": rf"^{_NOTE}(\s*[-–]\s*{_NOTE})?$",
    },
)
CONTROLLER_KEY = Leaf(_controller_key, {"type": "string", "pattern": r"^(0|[1-9]\d{0,2})$"})
DATE = Leaf(_date, {"type": "string", "format": "date", "pattern": r"^\d{4}-\d\d-\d\d$"})
SOURCE = Leaf(lambda value, around: _device(value, around, "input"), {"type": "string"})
TARGET = Leaf(lambda value, around: _device(value, around, "output"), {"type": "string"})
