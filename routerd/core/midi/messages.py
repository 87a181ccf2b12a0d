"""MIDI 1.0 wire facts in one table, and the few messages that routerd builds itself.

Status bytes, lengths and kinds follow M1 pp. 3 and 9 and Tables I to VII. Channels are
0–15 here (1–16 wherever people read or write them). Checking is apart from building:
builders trust their arguments, `message_length` and `is_whole` judge what comes from outside.
"""

from __future__ import annotations

from enum import StrEnum

from routerd.core.units import NS_PER_MS

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

START_LEAD_NS = NS_PER_MS
"""Least distance of Start or Continue from the ticks beside it (M1 p. 30)."""

SENSING_LOST_NS = 330 * NS_PER_MS
SENSING_EVERY_NS = 270 * NS_PER_MS
"""Active Sensing (M1 p. 32): a device that has sent it once sends something at least every 300 ms; after more
than 330 ms of silence its cable counts as lost. Devices that want it from here get it more often than needed.
"""


class Kind(StrEnum):
    """What a route can let through."""

    NOTES = "notes"
    POLY_PRESSURE = "poly-pressure"
    CC = "cc"
    PROGRAM = "program"
    CHANNEL_PRESSURE = "channel-pressure"
    PITCH_BEND = "pitch-bend"
    SYSEX = "sysex"
    MTC = "mtc"
    SONG_POSITION = "song-position"
    SONG_SELECT = "song-select"
    TUNE_REQUEST = "tune-request"
    CLOCK = "clock"
    TRANSPORT = "transport"


_CHANNEL_KINDS = (
    Kind.NOTES,
    Kind.NOTES,
    Kind.POLY_PRESSURE,
    Kind.CC,
    Kind.PROGRAM,
    Kind.CHANNEL_PRESSURE,
    Kind.PITCH_BEND,
)
STATUSES_OF_KIND: dict[Kind, tuple[int, ...]] = {
    kind: tuple(0x80 + 16 * i for i, k in enumerate(_CHANNEL_KINDS) if k is kind)
    for kind in dict.fromkeys(_CHANNEL_KINDS)
}
SYSTEM_STATUSES: dict[Kind, tuple[int, ...]] = {
    Kind.SYSEX: (SYSEX,),
    Kind.MTC: (TIME_CODE,),
    Kind.SONG_POSITION: (SONG_POSITION,),
    Kind.SONG_SELECT: (SONG_SELECT,),
    Kind.TUNE_REQUEST: (TUNE_REQUEST,),
    Kind.CLOCK: (TICK,),
    Kind.TRANSPORT: (START, CONTINUE, STOP),
}
"""Active Sensing speaks of one cable and System Reset is never passed on (M1 pp. 32–33): no kind has them."""

KIND_OF_STATUS = {
    status: kind
    for table in (STATUSES_OF_KIND, SYSTEM_STATUSES)
    for kind, all_ in table.items()
    for status in all_
}
"""By status byte, of channel messages without the channel."""

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


def is_whole(data: bytes) -> bool:
    """Return whether `data` is exactly one legal MIDI 1.0 message."""
    if not data:
        return False
    if data[0] == SYSEX:
        return len(data) >= 2 and data[-1] == SYSEX_END and max(data[1:-1], default=0) < 0x80
    length = MESSAGE_LENGTH[data[0]]
    return len(data) == length and (length == 1 or (data[1] | data[-1]) < 0x80)


def is_note(data: bytes) -> bool:
    """Return whether a message presses or releases a note."""
    return NOTE_OFF <= data[0] < NOTE_ON + 16


def is_press(data: bytes) -> bool:
    """Return whether a message presses a note: velocity 0 is a release (M1 p. 10)."""
    return NOTE_ON <= data[0] < NOTE_ON + 16 and data[2] > 0


def is_piece(data: bytes) -> bool:
    """Return whether a message is a SysEx or a piece of one."""
    return data[0] in (SYSEX, SYSEX_END) or data[0] < NOTE_OFF


def is_release(data: bytes) -> bool:
    """Return whether losing this message (or piece of a SysEx) could leave a note sounding."""
    kind = data[0] & 0xF0
    if kind == NOTE_ON:
        return data[2] == 0
    if kind == CONTROLLER:
        return data[1] >= ALL_SOUND_OFF or (data[1] in HOLD_CONTROLLERS and data[2] < 64)
    return kind == NOTE_OFF


def bend_value(data: bytes) -> int:
    """Return a bend's 14 bits; the first data byte is the lower half (M1 p. 19)."""
    return data[2] << 7 | data[1]


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


# Registered and non-registered parameters (RPN, NRPN; M1 pp. 17–18). A parameter is selected by one pair of
# controllers and set by another, so what comes from two devices for one channel must not be mixed: whoever
# sends data makes sure first that the receiver is on that parameter.

NRPN = 99
RPN = 101

Parameter = tuple[int, int, int]
"""Controller of the upper half of the number (99: NRPN, 101: RPN), then the halves, -1 where not known."""

Selected = dict[int, Parameter]
"""By channel."""


def note_selection(selected: Selected, channel: int, number: int, value: int) -> None:
    """Take note of one of the controllers 98 to 101."""
    kind = number | 1
    before = selected.get(channel)
    upper, lower = before[1:] if before is not None and before[0] == kind else (-1, -1)
    selected[channel] = (kind, value, lower) if number & 1 else (kind, upper, value)


def selection(channel: int, parameter: Parameter) -> tuple[bytes, bytes]:
    """Return the two messages that select a parameter, upper half first."""
    kind, upper, lower = parameter
    status = CONTROLLER | channel
    return bytes((status, kind, upper)), bytes((status, kind - 1, lower))


def is_complete(parameter: Parameter | None) -> bool:
    """Return whether both halves are known."""
    return parameter is not None and parameter[1] >= 0 and parameter[2] >= 0


def parameter_messages(channel: int, parameter: Parameter, value: int) -> tuple[bytes, ...]:
    """Return select and data for a 14-bit value, as one run."""
    status = CONTROLLER | channel
    data = bytes((status, DATA_MSB, value >> 7)), bytes((status, DATA_LSB, value & 0x7F))
    return selection(channel, parameter) + data


def parameter_value_after(before: int, number: int, value: int) -> int:
    """Return the parameter's value after one of the data controllers; a new upper half clears the lower."""
    if number == DATA_MSB:
        return value << 7
    if number == DATA_LSB:
        return (before & 0x3F80) | value
    return min(before + 1, 16_383) if number == 96 else max(before - 1, 0)
