"""Rest: where what a player moved on a device goes when nobody moves it any more, and what is not at rest.

Rest is what Reset All Controllers leaves behind by RP-015 of the MIDI Manufacturers Association: bend
centred, pressure 0, modulation 0, expression 127, pedals up, parameter numbers null; volume, pan, sound and
effects stay. The list is from memory, as the text could not be had; manuals of instruments that print theirs
have the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Generic, TypeVar

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    NOTE_OFF,
    NOTE_ON,
    PARAMETER_SELECT,
    POLY_PRESSURE,
    controller,
    note_off,
)

MODULATION, EXPRESSION, PORTAMENTO, SOFT = 1, 11, 65, 67
_REST = {MODULATION: 0, EXPRESSION: 127, PORTAMENTO: 0, SOFT: 0}
MOVED_CONTROLLERS = frozenset(_REST) | PARAMETER_SELECT
"""Controllers that have a rest position, but for hold pedals."""

NOT_POSITIONS = frozenset({0, 6, 32, 38, *range(96, 102), *range(120, 128)})
"""Controllers that are no position of anything: bank select, parameters, channel mode."""

NULL = ((101, 127), (100, 127))


def moved_key(data: bytes) -> int:
    """Return what a message moves, as a wire's `moved` has it; -1 for what has no rest position."""
    status = data[0]
    kind = status & 0xF0
    if kind == CONTROLLER:
        return status << 7 | data[1] if data[1] in MOVED_CONTROLLERS else -1
    if kind in (BEND, CHANNEL_PRESSURE):
        return status << 7
    return status << 7 | data[1] if kind == POLY_PRESSURE else -1


def rest_of(keys: Iterable[int]) -> list[bytes]:
    """Return the messages that put to rest what these keys stand for."""
    messages: dict[bytes, None] = {}
    for key in keys:
        status, number = key >> 7, key & 0x7F
        kind, channel = status & 0xF0, status & 0x0F
        if kind == BEND:
            messages[bytes((status, 0, 64))] = None  # centre is 00 40 (M1 p. 19)
        elif kind == CHANNEL_PRESSURE:
            messages[bytes((status, 0))] = None
        elif kind == POLY_PRESSURE:
            messages[bytes((status, number, 0))] = None
        elif number in PARAMETER_SELECT:
            messages.update({controller(channel, *half): None for half in NULL})
        else:
            messages[controller(channel, number, _REST[number])] = None
    return list(messages)


def is_at_rest(key: int, data: bytes) -> bool:
    """Return whether the message that moved something last has left it at rest."""
    return data in rest_of((key,)) and (key & 0x7F) not in PARAMETER_SELECT


WHO = TypeVar("WHO")


class Pressed(Generic[WHO]):
    """Takes messages of several players."""

    def __init__(self) -> None:
        self._open: dict[tuple[WHO, int, int], bytes] = {}

    def take(self, who: WHO, data: bytes) -> None:
        """Take a whole message that `who` plays."""
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind in (NOTE_OFF, NOTE_ON):
            rests, rest = kind == NOTE_OFF or not data[2], note_off(channel, data[1])
            key = (who, channel, data[1])
        elif kind == CONTROLLER:
            rests, rest, key = not data[2], controller(channel, data[1], 0), (who, data[0], data[1])
        elif kind == BEND:
            rest = bytes((data[0], 0, 64))  # centre is 00 40 (M1 p. 19)
            rests, key = data == rest, (who, data[0], 0)
        elif kind == CHANNEL_PRESSURE:
            rests, rest, key = not data[1], bytes((data[0], 0)), (who, data[0], 0)
        else:
            return
        if rests:
            self._open.pop(key, None)
        else:
            self._open[key] = rest

    def rest(self) -> list[tuple[WHO, bytes]]:
        """Return what ends everything that is open, in the order in which it began; nothing is open then."""
        found = [(who, rest) for (who, _, _), rest in self._open.items()]
        self._open.clear()
        return found
