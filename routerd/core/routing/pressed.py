"""What somebody has left pressed, bent or held, and what puts it to rest."""

from __future__ import annotations

from typing import Generic, TypeVar

from routerd.core.midi.messages import CONTROLLER, NOTE_OFF, NOTE_ON, controller, note_off

BEND = 0xE0
PRESSURES = (0xA0, 0xD0)
"""Of a key, which ends with its note, and of a channel."""

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
        elif kind == PRESSURES[1]:
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
