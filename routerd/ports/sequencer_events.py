"""MIDI messages as events of the kernel's sequencer, addressed to one destination and delivered at once.

An event is 28 bytes: type, flags, tag, queue, time (8 bytes), source and destination (client and port
each), and 12 bytes of data; a SysEx, or a piece of one, follows its event. Layout and numbers are those of
the kernel's include/uapi/sound/asequencer.h; which message becomes which event is decided by ALSA's own
encoder (snd_midi_event_encode), with which the tests compare this one.
"""

from __future__ import annotations

import struct

from routerd.core.errors import PortError
from routerd.core.midi.messages import SYSEX, SYSEX_END

Address = tuple[int, int]
"""Client and port of the sequencer."""

EVENT = struct.Struct("=BBbB8x4B12x")
"""Type, flags, tag, queue, source client and port, destination client and port."""

DIRECT = 253
"""The queue of what is delivered at once (SNDRV_SEQ_QUEUE_DIRECT)."""

_VARIABLE_LENGTH = 1 << 2
_HEAD_BYTES = 16
_CONTROL = struct.Struct("=B3xIi")
"""Channel, parameter, value."""
_EXTERNAL = struct.Struct("=I8x")
"""How many bytes follow the event, and a pointer that only the kernel uses."""

_SYSEX_EVENT = 130
_BY_STATUS = {0x80: 7, 0x90: 6, 0xA0: 8, 0xB0: 10, 0xC0: 11, 0xD0: 12, 0xE0: 13}
_BY_SYSTEM_STATUS = {
    0xF1: 22,  # quarter frame
    0xF2: 20,  # song position
    0xF3: 21,  # song select
    0xF6: 40,  # tune request
    0xF8: 36,  # clock
    0xFA: 30,  # start
    0xFB: 31,  # continue
    0xFC: 32,  # stop
    0xFE: 42,  # active sensing
    0xFF: 41,  # reset
}
_CONTROLLER, _BEND, _SYSTEM = 0xB0, 0xE0, 0xF0
_WHOLE = 0xF4
"""From here on a message is its status byte."""
_BEND_CENTRE = 8192
_AFTER_NOTE = bytes(12 - 3)


class EventEncoder:
    """Makes events from one source for one destination. What can be worked out beforehand has been."""

    __slots__ = ("_heads", "_sysex")

    def __init__(self, source: Address, destination: Address) -> None:
        def head(kind: int, flags: int = 0) -> bytes:
            return EVENT.pack(kind, flags, 0, DIRECT, *source, *destination)[:_HEAD_BYTES]

        kinds = {status: _BY_STATUS[status & 0xF0] for status in range(0x80, 0xF0)} | _BY_SYSTEM_STATUS
        self._heads: tuple[bytes | None, ...] = tuple(
            None if status not in kinds
            # real-time bytes and tune request are whole events as they are; the rest lack their data
            else head(kinds[status]) + bytes(12) if status >= _WHOLE
            else head(kinds[status]) + bytes((status & 0x0F,)) if status < _CONTROLLER
            else head(kinds[status])
            for status in range(256)
        )  # fmt: skip
        self._sysex = head(_SYSEX_EVENT, _VARIABLE_LENGTH)

    def encode(self, data: bytes) -> bytes:
        """Return what to write for a whole message or a piece of a SysEx; raises PortError otherwise."""
        status = data[0]
        head = self._heads[status]
        if head is None:
            return self._encode_piece(data)
        if status >= _WHOLE:
            return head
        if status < _CONTROLLER:
            return head + data[1:3] + _AFTER_NOTE
        channel, parameter = status & 0x0F, 0
        if status < _CONTROLLER + 16:
            parameter, value = data[1], data[2]
        elif len(data) == 2:
            value = data[1]
        else:
            value = data[1] | data[2] << 7
        if _BEND <= status < _SYSTEM:
            value -= _BEND_CENTRE
        elif status > _SYSTEM:
            channel = 0
        return head + _CONTROL.pack(channel, parameter, value)

    def _encode_piece(self, data: bytes) -> bytes:
        if data[0] < 0x80 or data[0] in (SYSEX, SYSEX_END):
            return self._sysex + _EXTERNAL.pack(len(data)) + data
        raise PortError(f"ALSA has no event for a message that begins with {data[0]:#x}")
