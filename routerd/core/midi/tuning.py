"""Tuning: note frequencies for any reference, cents, control voltage, MIDI Tuning Standard messages.

Equal temperament: a semitone is the twelfth root of two, note 69 is the reference (A4, 440 Hz unless said
otherwise). A tuning message gives a note as the semitone below it and 14 bits of fraction, always by the
table for 440 Hz (M1 pp. 47–49). A volt per octave, a twelfth of a volt per semitone, is common practice for
control voltages; no standard says so, and which note is 0 V differs from maker to maker.
"""

from __future__ import annotations

from functools import cache
from math import isfinite, log2

from routerd.core.midi.messages import SYSEX, SYSEX_END

A4 = 69
STANDARD_HZ = 440.0
CONCERT_PITCH_MIN_HZ, CONCERT_PITCH_MAX_HZ = 380.0, 500.0
"""House limits: from below the old low pitches to above any choir pitch; wide of a slipped digit."""

SOFT = 20
"""Velocity of a note that nobody has heard yet: quiet at a usual level, but who knows what is set."""

TUNING_S, LONGEST_TUNING_S = 60, 600
"""Seconds that a note to tune by sounds when nobody says otherwise (it may be forgotten), and at most."""

ALL_DEVICES = 0x7F
MAX_CHANGES = 127
"""How many notes one message can retune: their number is one data byte (M1 p. 49)."""

_FRACTIONS = 1 << 14
_HIGHEST = (0x7F, 0x7F, 0x7E)
"""7F 7F 7F means no change (M1 p. 48)."""

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def note_hz(note: float, concert_pitch_hz: float = STANDARD_HZ) -> float:
    """Return the frequency of a note, which may lie between two keys."""
    return float(concert_pitch_hz * 2 ** ((note - A4) / 12))


def cents(measured_hz: float, wanted_hz: float) -> float:
    """Return how far a frequency is above another (negative: below), in hundredths of a semitone."""
    return 1200 * log2(measured_hz / wanted_hz)


def nearest_note(measured_hz: float, concert_pitch_hz: float = STANDARD_HZ) -> int:
    """Return the note (0–127) that is nearest to a frequency above 0."""
    if not (isfinite(measured_hz) and measured_hz > 0):
        raise ValueError(f"{measured_hz} Hz is not a frequency")
    return max(0, min(127, round(A4 + 12 * log2(measured_hz / concert_pitch_hz))))


def volts(note: float, zero_note: int, per_octave: float = 1.0) -> float:
    """Return the control voltage of a note where `zero_note` is 0 V, at so many volts per octave."""
    return (note - zero_note) / 12 * per_octave


def note_name(note: int) -> str:
    """Return the name of a note; 60 is C4."""
    return f"{NAMES[note % 12]}{note // 12 - 1}"


def tuning_data(frequency_hz: float) -> tuple[int, int, int]:
    """Return a frequency as the three bytes of a tuning message (M1 p. 47): semitone, fraction MSB, LSB.

    Outside what three bytes can hold, the lowest or the highest.
    """
    steps = round((A4 + 12 * log2(frequency_hz / STANDARD_HZ)) * _FRACTIONS)
    semitone, fraction = divmod(max(0, steps), _FRACTIONS)
    data = (semitone, fraction >> 7, fraction & 0x7F)
    return min(data, _HIGHEST)


def single_note_tuning(changes: dict[int, float]) -> tuple[bytes, ...]:
    """Return the real-time messages for all devices that retune notes of the first tuning program, by note,
    to frequencies in Hz (M1 p. 49).

    They change what already sounds, too.
    """
    notes = sorted(changes)
    parts = [notes[start : start + MAX_CHANGES] for start in range(0, len(notes), MAX_CHANGES)]
    out = []
    for part in parts:
        data = [byte for note in part for byte in (note, *tuning_data(changes[note]))]
        out.append(bytes((SYSEX, 0x7F, ALL_DEVICES, 0x08, 0x02, 0, len(part), *data, SYSEX_END)))
    return tuple(out)


@cache
def retuned(concert_pitch_hz: float) -> tuple[bytes, ...]:
    """Return the messages that put all notes of a device on a reference."""
    return single_note_tuning({note: note_hz(note, concert_pitch_hz) for note in range(128)})
