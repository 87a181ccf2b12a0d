"""What a message is to a wire that is full: one to keep in order, or a value that a newer one replaces.

Values are controllers, pressure and bend; a receiver only needs the newest. Both halves of a 14-bit
controller are one value: a new upper half clears the lower one at the receiver (M1 p. 12).
"""

from __future__ import annotations

from collections.abc import Iterable

from routerd.core.midi.messages import (
    BANK_SELECT,
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    DATA_LSB,
    DATA_MSB,
    NOTE_OFF,
    NOTE_ON,
    POLY_PRESSURE,
    PROGRAM,
    SYSEX,
    is_release,
)

_SETS_SOUND = frozenset({*BANK_SELECT, DATA_MSB, DATA_LSB, *range(96, 102), *range(120, 128)})
_SLIDES = bytes(number not in _SETS_SOUND | {*range(64, 70), *range(80, 85)} for number in range(128))
"""By controller: whether only its newest value counts. Bank, parameters, switches, channel mode do not."""
_TIMBRE = 74  # the third dimension of a note with a channel of its own (MPE 1.0, 2.4)

PAUSE = 0
"""First byte of a pause between the messages of a patch."""

SURPLUS = 8
"""More presses of one key than anybody layers on one channel."""


def thinning_key(data: bytes) -> int:
    """Return what a newer value replaces this one by, -1 for what is never thinned."""
    status = data[0]
    kind = status & 0xF0
    if kind == CONTROLLER:
        number = data[1]
        return status << 7 | (number & 31 if number < 64 else number) if _SLIDES[number] else -1
    if kind in (CHANNEL_PRESSURE, BEND):
        return status << 7
    return status << 7 | data[1] if kind == POLY_PRESSURE else -1


def expression_keys(channel: int) -> tuple[int, int, int]:
    """Return the keys of what a note begins with: bend, pressure and timbre of its channel."""
    return (BEND | channel) << 7, (CHANNEL_PRESSURE | channel) << 7, (CONTROLLER | channel) << 7 | _TIMBRE


def sets_sound(data: bytes) -> bool:
    """Return whether a message belongs with SysEx to what sets a sound, and keeps its order with it."""
    kind = data[0] & 0xF0
    return kind in (PROGRAM, SYSEX) or (kind == CONTROLLER and data[1] in _SETS_SOUND)


def is_surplus(waiting: Iterable[bytes], release: bytes) -> bool:
    """Return whether SURPLUS releases of that key or switch wait beyond the presses that wait: one more ends
    nothing."""
    kind, channel, number = release[0] & 0xF0, release[0] & 0x0F, release[1]
    kinds = (kind,) if kind == CONTROLLER else (NOTE_OFF, NOTE_ON)
    surplus = 0
    for data in waiting:
        if data[0] & 0xF0 in kinds and data[0] & 0x0F == channel and data[1] == number:
            surplus += 1 if is_release(data) else -1
    return surplus >= SURPLUS


def put_value(values: dict[int, list[bytes]], key: int, data: bytes) -> int:
    """Put a value among those that wait, in the place of its predecessor; return how many it has replaced."""
    cell = values.get(key)
    if cell is None:
        values[key] = [data]
        return 0
    if data[0] & 0xF0 == CONTROLLER and 32 <= data[1] < 64:
        if cell[-1][1] != data[1]:
            cell.append(data)
            return 0
        cell[-1] = data
        return 1
    replaced = len(cell)
    cell[:] = [data]
    return replaced


def pause(ns: int) -> bytes:
    """Return what makes a wire wait so long: it begins with a data byte, as no message does."""
    return b"\x00" + ns.to_bytes(8, "big")


def pause_ns(data: bytes) -> int:
    """Return how long a pause is."""
    return int.from_bytes(data[1:], "big")
