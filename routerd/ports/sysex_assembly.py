"""Pieces of SysEx, and what comes between and is glued to them, taken apart into whole messages.

ALSA's sequencer passes a long SysEx on in pieces. RtMidi, by which JACK is heard, joins pieces until an end
(F7) or the next event that is none: a clock between two of them is glued to the end of the first, and the
second then comes as data bytes out of nowhere; a note after a SysEx that was never ended is glued to it.
Nothing legal may be lost by that.
Real-time bytes may stand anywhere inside a SysEx; any other status byte ends it (M1 pp. 5, 29, 30, T-8).
"""

from __future__ import annotations

import re

from routerd.core.midi.messages import SYSEX, SYSEX_END, is_whole

LONGEST_SYSEX = 1 << 20
"""Bytes. A device that never ends its SysEx shall not fill the memory."""

_FIRST_REALTIME = 0xF8
_RUNS = re.compile(rb"[\x80-\xff][\x00-\x7f]*|[\x00-\x7f]+")
"""A status byte with the data bytes behind it, or data bytes at the beginning."""


class SysexAssembly:
    """Keeps the SysEx that one input has not finished yet. `malformed` counts what was not a MIDI message."""

    def __init__(self) -> None:
        self.malformed = 0
        self.open = bytearray()
        """The SysEx so far that has begun and not ended; what comes next may belong to it."""

    def take(self, data: bytes) -> list[bytes]:
        """Return the whole messages that are complete now, in order."""
        if not self.open and is_whole(data):
            if len(data) <= LONGEST_SYSEX:
                return [data]
            self.malformed += 1
            return []
        messages: list[bytes] = []
        for run in _RUNS.findall(data):
            self._take_run(run, messages)
        return messages

    def _take_run(self, run: bytes, messages: list[bytes]) -> None:
        status = run[0]
        if status >= _FIRST_REALTIME:
            self._take_message(run[:1], messages)
            self._continue(run[1:])
        elif status < 0x80:
            self._continue(run)
        elif status == SYSEX_END and self.open:
            messages.append(bytes(self.open) + run[:1])
            self.open.clear()
            self._continue(run[1:])
        else:
            if self.open:
                self.malformed += 1
                self.open.clear()
            if status == SYSEX and len(run) < LONGEST_SYSEX:
                self.open += run
            else:
                self._take_message(run, messages)

    def _continue(self, data: bytes) -> None:
        if not data:
            return
        if not self.open or len(self.open) + len(data) > LONGEST_SYSEX:
            self.malformed += 1
            self.open.clear()
        else:
            self.open += data

    def _take_message(self, message: bytes, messages: list[bytes]) -> None:
        if is_whole(message):
            messages.append(message)
        else:
            self.malformed += 1
