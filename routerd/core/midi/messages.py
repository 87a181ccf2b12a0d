"""MIDI 1.0 wire facts in one table, and the few messages that routerd builds itself.

Status bytes, lengths and kinds follow M1 pp. 3 and 9 and Tables I to VII. Channels are
0–15 here (1–16 wherever people read or write them). Checking is apart from building:
builders trust their arguments, `message_length` and `is_whole` judge what comes from outside.
"""

from __future__ import annotations

from enum import StrEnum

NOTE_OFF = 0x80
NOTE_ON = 0x90
POLY_PRESSURE = 0xA0
CONTROLLER = 0xB0
PROGRAM = 0xC0
CHANNEL_PRESSURE = 0xD0
BEND = 0xE0
SYSEX = 0xF0
TIME_CODE = 0xF1
SONG_POSITION = 0xF2
SONG_SELECT = 0xF3
TUNE_REQUEST = 0xF6
SYSEX_END = 0xF7
TICK = 0xF8
START = 0xFA
CONTINUE = 0xFB
STOP = 0xFC
ACTIVE_SENSING = 0xFE
SYSTEM_RESET = 0xFF

BANK_MSB = 0
BANK_LSB = 32
SUSTAIN = 64
SOSTENUTO = 66
ALL_SOUND_OFF = 120
RESET_CONTROLLERS = 121
LOCAL_CONTROL = 122
ALL_NOTES_OFF = 123

HOLD_CONTROLLERS = frozenset({SUSTAIN, SOSTENUTO})
"""Pedals that keep notes sounding; switched on at 64 and above (M1 Table III)."""

DATA_MSB = 6
DATA_LSB = 38
BANK_SELECT = frozenset({BANK_MSB, BANK_LSB})
PARAMETER_SELECT = frozenset({98, 99, 100, 101})
PARAMETER_DATA = frozenset({DATA_MSB, DATA_LSB, 96, 97})
"""(N)RPN: 99 and 98 or 101 and 100 select; 6, 38 set the value, 96 raises and 97 lowers it (M1 pp. 17–18)."""

TICK_BYTES = bytes((TICK,))
START_BYTES = bytes((START,))
CONTINUE_BYTES = bytes((CONTINUE,))
STOP_BYTES = bytes((STOP,))
SENSING_BYTES = bytes((ACTIVE_SENSING,))

UNDEFINED = frozenset({0xF4, 0xF5, 0xF9, 0xFD})
"""Status bytes that MIDI 1.0 leaves undefined (M1 Tables VI and VII)."""


class Kind(StrEnum):
    """What a route can let through."""

    NOTES = "notes"
    POLY_PRESSURE = "poly-pressure"
    CONTROLLERS = "controllers"
    PROGRAM = "program"
    CHANNEL_PRESSURE = "channel-pressure"
    BEND = "bend"
    SYSEX = "sysex"
    TIME_CODE = "time-code"
    SONG_POSITION = "song-position"
    SONG_SELECT = "song-select"
    TUNE_REQUEST = "tune-request"
    CLOCK = "clock"
    TRANSPORT = "transport"


_CHANNEL_KINDS = (
    Kind.NOTES,
    Kind.NOTES,
    Kind.POLY_PRESSURE,
    Kind.CONTROLLERS,
    Kind.PROGRAM,
    Kind.CHANNEL_PRESSURE,
    Kind.BEND,
)
STATUSES_OF_KIND: dict[Kind, tuple[int, ...]] = {
    kind: tuple(0x80 + 16 * i for i, k in enumerate(_CHANNEL_KINDS) if k is kind)
    for kind in dict.fromkeys(_CHANNEL_KINDS)
}
SYSTEM_STATUSES: dict[Kind, tuple[int, ...]] = {
    Kind.SYSEX: (SYSEX,),
    Kind.TIME_CODE: (TIME_CODE,),
    Kind.SONG_POSITION: (SONG_POSITION,),
    Kind.SONG_SELECT: (SONG_SELECT,),
    Kind.TUNE_REQUEST: (TUNE_REQUEST,),
    Kind.CLOCK: (TICK,),
    Kind.TRANSPORT: (START, CONTINUE, STOP),
}
"""Active Sensing speaks of one cable and System Reset is never passed on (M1 pp. 32–33): no kind has them."""

_DATA_BYTES = (
    dict.fromkeys((*range(128, 192), *range(224, 240), SONG_POSITION), 2)
    | dict.fromkeys((*range(192, 224), TIME_CODE, SONG_SELECT), 1)
    | dict.fromkeys((TUNE_REQUEST, TICK, START, CONTINUE, STOP, ACTIVE_SENSING, SYSTEM_RESET), 0)
)


def message_length(status: int) -> int:
    """Return the bytes of a message that starts with `status`; 0 where the standard fixes no length.

    0 stands for SysEx (any length), for data bytes, for F7 and for undefined status bytes.
    """
    data_bytes = _DATA_BYTES.get(status)
    return 0 if data_bytes is None else 1 + data_bytes


MESSAGE_LENGTH = tuple(message_length(status) for status in range(256))
"""`message_length` of every byte, for the hot path."""

IS_DATA = bytes(1 if byte < 0x80 else 0 for byte in range(256))


def is_whole(data: bytes) -> bool:
    """Return whether `data` is exactly one legal MIDI 1.0 message."""
    if not data:
        return False
    if data[0] == SYSEX:
        return len(data) >= 2 and data[-1] == SYSEX_END and max(data[1:-1], default=0) < 0x80
    length = MESSAGE_LENGTH[data[0]]
    return len(data) == length and (length == 1 or (data[1] | data[-1]) < 0x80)


def note_on(channel: int, note: int, velocity: int) -> bytes:
    """Build a Note On; a velocity of 0 would read as a Note Off (M1 p. 10)."""
    return bytes((NOTE_ON | channel, note, velocity))


def note_off(channel: int, note: int, velocity: int = 64) -> bytes:
    """Build a Note Off; 64 is what an instrument without release velocity sends (M1 p. 10)."""
    return bytes((NOTE_OFF | channel, note, velocity))


def controller(channel: int, number: int, value: int) -> bytes:
    """Build a Control Change."""
    return bytes((CONTROLLER | channel, number, value))


def program_change(channel: int, program: int) -> bytes:
    """Build a Program Change; `program` is 0–127 on the wire (1–128 on paper)."""
    return bytes((PROGRAM | channel, program))


def song_position(sixteenths: int) -> bytes:
    """Build a Song Position Pointer, least significant byte first (M1 p. 27)."""
    return bytes((SONG_POSITION, sixteenths & 0x7F, sixteenths >> 7))
