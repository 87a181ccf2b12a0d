"""A MIDI message in the trade's words: kind, note name, controller and its name; program and channel from 1.

Names of controllers follow M1 Table III and the recommended practices since (RP-021 and CA-018 for 70–79 and
84–88), written from memory; a controller that neither names has its number alone.
"""

from __future__ import annotations

from collections.abc import Callable

from routerd.core.midi.messages import (
    ACTIVE_SENSING,
    BEND,
    CHANNEL_PRESSURE,
    CONTINUE,
    CONTROLLER,
    NOTE_OFF,
    NOTE_ON,
    POLY_PRESSURE,
    PROGRAM,
    SONG_POSITION,
    SONG_SELECT,
    START,
    STOP,
    SYSEX,
    SYSTEM_RESET,
    TICK,
    TIME_CODE,
    TUNE_REQUEST,
    is_whole,
)
from routerd.core.midi.tuning import note_name

CONTROLLER_NAMES: dict[int, str] = {
    0: "bank select MSB",
    1: "modulation",
    2: "breath",
    4: "foot pedal",
    5: "portamento time",
    6: "data entry MSB",
    7: "volume",
    8: "balance",
    10: "pan",
    11: "expression",
    12: "effect control 1",
    13: "effect control 2",
    **{15 + number: f"general purpose {number}" for number in range(1, 5)},
    32: "bank select LSB",
    38: "data entry LSB",
    64: "sustain pedal",
    65: "portamento",
    66: "sostenuto pedal",
    67: "soft pedal",
    68: "legato",
    69: "hold 2",
    70: "sound variation",
    71: "resonance",
    72: "release time",
    73: "attack time",
    74: "brightness",
    75: "decay time",
    76: "vibrato rate",
    77: "vibrato depth",
    78: "vibrato delay",
    **{75 + number: f"general purpose {number}" for number in range(5, 9)},
    84: "portamento control",
    88: "high-resolution velocity",
    91: "reverb",
    92: "tremolo",
    93: "chorus",
    94: "detune",
    95: "phaser",
    96: "data increment",
    97: "data decrement",
    98: "NRPN LSB",
    99: "NRPN MSB",
    100: "RPN LSB",
    101: "RPN MSB",
    120: "all sound off",
    121: "reset all controllers",
    122: "local control",
    123: "all notes off",
    124: "omni off",
    125: "omni on",
    126: "mono",
    127: "poly",
}
"""What controllers are called; lower halves 33–63 go by the name of their upper ones."""

_SYSTEM = {
    TUNE_REQUEST: "tune request",
    TICK: "clock",
    START: "start",
    CONTINUE: "continue",
    STOP: "stop",
    ACTIVE_SENSING: "active sensing",
    SYSTEM_RESET: "system reset",
}
_SHOWN_BYTES = 12
"""So many bytes of a SysEx are written out."""


def controller_words(number: int) -> str:
    """Return a controller by number and, where it has one, name: `controller 7 (volume)`."""
    name = CONTROLLER_NAMES.get(number, "")
    if not name and 32 <= number < 64 and (upper := CONTROLLER_NAMES.get(number - 32)):
        name = f"{upper} LSB"
    return f"controller {number} ({name})" if name else f"controller {number}"


_CHANNEL_WORDS: dict[int, Callable[[int, int], str]] = {
    NOTE_OFF: lambda note, _: f"note off {note_name(note)}",
    NOTE_ON: lambda note, velocity: (
        f"note on {note_name(note)} velocity {velocity}" if velocity else f"note off {note_name(note)}"
    ),
    POLY_PRESSURE: lambda note, value: f"key pressure {note_name(note)} {value}",
    CONTROLLER: lambda number, value: f"{controller_words(number)} {value}",
    PROGRAM: lambda program, _: f"program {program + 1}",
    CHANNEL_PRESSURE: lambda value, _: f"channel pressure {value}",
    BEND: lambda low, high: f"pitch bend {(high << 7 | low) - 8192:+d}",
}


def message_words(data: bytes) -> str:
    """Return one message in words, such as `note on C4 velocity 100, channel 1`; channel and program from 1.

    Anything that is not one whole, legal message is `not MIDI`, with its bytes.
    """
    if not is_whole(data):
        return f"not one MIDI message: {hex_words(data)}" if data else "nothing"
    status = data[0]
    if status >= SYSEX:
        return _system_words(data)
    words = _CHANNEL_WORDS[status & 0xF0](data[1], data[-1])
    return f"{words}, channel {(status & 0x0F) + 1}"


def _system_words(data: bytes) -> str:
    status = data[0]
    if status == SYSEX:
        return f"SysEx {len(data)} bytes: {hex_words(data)}"
    if status == TIME_CODE:
        return f"time code quarter frame {data[1] >> 4}, value {data[1] & 0x0F}"
    if status == SONG_POSITION:
        return f"song position {data[2] << 7 | data[1]}"
    if status == SONG_SELECT:
        return f"song select {data[1]}"
    return _SYSTEM[status]


def hex_words(data: bytes) -> str:
    """Return bytes in hexadecimal, of a long message its beginning."""
    shown = data[:_SHOWN_BYTES].hex(" ").upper()
    return shown if len(data) <= _SHOWN_BYTES else f"{shown} …"
