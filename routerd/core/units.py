"""Time, tempo and pitch units: the one place that converts between them.

Instants and spans are integer nanoseconds of CLOCK_MONOTONIC. Tempo is an exact
fraction of quarter notes per minute. A tick is one MIDI timing clock, 24 to the
quarter note (M1 p. 30). Note 60 is middle C (M1 p. 10) and is written C4 here.
"""

from __future__ import annotations

import re
from fractions import Fraction

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
NS_PER_US = 1_000
NS_PER_MINUTE = 60 * NS_PER_S

NEVER_NS = 1 << 62
"""An instant that does not come; its negative is before any other."""

TICKS_PER_QUARTER = 24
"""MIDI timing clocks in a quarter note (M1 p. 30)."""

TICK_NS_AT_1_BPM = NS_PER_MINUTE // TICKS_PER_QUARTER
"""2 500 000 000 ns; whole, so that arithmetic with it is exact."""

TICKS_PER_SPP_UNIT = 6
"""MIDI timing clocks in one unit of Song Position Pointer, a sixteenth note (M1 p. 27)."""

SPP_MAX = 0x3FFF
"""Largest Song Position Pointer value, 14 bits (M1 p. 27)."""

DIN_BYTE_NS = 320_000
"""Ten bits at 31 250 baud (M1 p. 1)."""

BPM_MIN = Fraction(10)
BPM_MAX = Fraction(480)
"""House limits on tempo: wider than any song, narrow enough to catch a slipped decimal point."""

_MAX_PLACES = 20
_BPM = re.compile(r"[0-9]{1,20}(\.[0-9]{1,20})?|[0-9]{1,20}/[0-9]{1,20}")
"""What may be read as a tempo: no exponents, because 1e999999999 would keep the reader busy for hours."""

_NOTE = re.compile(r"^([A-Ga-g])([#b]?)(-?\d{1,2})$")
_SEMITONE = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def parse_bpm(text: str) -> Fraction:
    """Return the exact tempo written in `text`: a decimal ("121.5") or a fraction ("243/2").

    Raises ValueError for anything else, and outside BPM_MIN to BPM_MAX.
    """
    stripped = text.strip()
    try:
        if _BPM.fullmatch(stripped) is None:
            raise ValueError("neither a decimal nor a fraction")
        bpm = Fraction(stripped)
    except (ValueError, ZeroDivisionError) as error:
        raise ValueError(f"{text[:40]!r} is not a tempo; write a decimal such as 121.5") from error
    if not BPM_MIN <= bpm <= BPM_MAX:
        raise ValueError(f"tempo {stripped} is outside {BPM_MIN} to {BPM_MAX} BPM")
    return bpm


def format_bpm(bpm: Fraction) -> str:
    """Return `bpm` as a decimal of at most 20 places where it has one, else as a fraction."""
    denominator = bpm.denominator
    for prime in (2, 5):
        while denominator % prime == 0:
            denominator //= prime
    if denominator != 1:
        return f"{bpm.numerator}/{bpm.denominator}"
    digits = 0
    scaled = bpm
    while scaled.denominator != 1:
        scaled *= 10
        digits += 1
    if digits == 0:
        return str(bpm.numerator)
    if digits > _MAX_PLACES:
        return f"{bpm.numerator}/{bpm.denominator}"
    whole = str(scaled.numerator).rjust(digits + 1, "0")
    return f"{whole[:-digits]}.{whole[-digits:]}"


_SHOWN_PLACES = 3


def shown_bpm(bpm: Fraction) -> float:
    """Return `bpm` as people and programs read it: a decimal number, rounded to thousandths."""
    return float(round(bpm, _SHOWN_PLACES))


def ticks_per_bar(beats: int, unit: int) -> int:
    """Return the ticks in a bar of `beats`/`unit`; `unit` divides 96, so the answer is whole."""
    return beats * TICKS_PER_QUARTER * 4 // unit


def ticks_per_beat(unit: int) -> int:
    """Return the ticks in one beat of note value 1/`unit`."""
    return TICKS_PER_QUARTER * 4 // unit


def parse_note(text: str) -> int:
    """Return the note number (0–127) of "60" or "C4" (middle C); raises ValueError otherwise."""
    stripped = text.strip()
    if stripped.isdecimal():
        number = int(stripped)
    else:
        match = _NOTE.match(stripped)
        if match is None:
            raise ValueError(f"{text!r} is not a note; write 0 to 127 or a name such as C4 (60)")
        letter, accidental, octave = match.groups()
        number = 12 * (int(octave) + 1) + _SEMITONE[letter.upper()] + {"#": 1, "b": -1, "": 0}[accidental]
    if not 0 <= number <= 127:
        raise ValueError(f"note {text} is outside 0 to 127 (C-1 to G9)")
    return number
