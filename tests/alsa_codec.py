"""ALSA's own encoder and decoder of MIDI bytes (snd_midi_event), by its C library: no device is needed."""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

SYSEX_EVENT = 130
"""SND_SEQ_EVENT_SYSEX in seq_event.h; the first byte of an event is its type."""

_LONGEST = 4096
_EVENT_BYTES = 64


class Codec:
    """Makes events of bytes and bytes of events; a SysEx longer than `room` comes in several events."""

    def __init__(self, room: int, *, running: bool = False) -> None:
        name = ctypes.util.find_library("asound")
        if name is None:
            pytest.skip(
                "libasound is not installed: apt-get install libasound2 (from Debian 13 on: libasound2t64)"
            )
        self._library = ctypes.CDLL(name)
        self._parsers = [ctypes.c_void_p(), ctypes.c_void_p()]
        for parser in self._parsers:
            assert self._library.snd_midi_event_new(ctypes.c_size_t(room), ctypes.byref(parser)) == 0
        self._encoder, self._decoder = self._parsers
        self._library.snd_midi_event_no_status(self._decoder, 0 if running else 1)
        self._event = ctypes.create_string_buffer(_EVENT_BYTES)
        self._out = ctypes.create_string_buffer(_LONGEST)

    def close(self) -> None:
        """Free both."""
        for parser in self._parsers:
            self._library.snd_midi_event_free(parser)

    def event(self, message: bytes) -> bytes:
        """Return the 28 bytes of the event of one whole message, without what it points to."""
        ctypes.memset(self._event, 0, _EVENT_BYTES)
        taken = self._library.snd_midi_event_encode(
            self._encoder, message, ctypes.c_long(len(message)), self._event
        )
        assert taken == len(message)
        return self._event.raw[:28]

    def events(self, stream: bytes) -> Iterator[tuple[int, bytes]]:
        """Yield the type and the bytes of every event that a stream makes."""
        for byte in stream:
            if self._library.snd_midi_event_encode_byte(self._encoder, byte, self._event) == 1:
                length = self._library.snd_midi_event_decode(
                    self._decoder, self._out, ctypes.c_long(_LONGEST), self._event
                )
                yield self._event.raw[0], self._out.raw[: max(0, length)]


@contextmanager
def codec(room: int = _LONGEST, *, running: bool = False) -> Iterator[Codec]:
    """Lend a codec."""
    made = Codec(room, running=running)
    try:
        yield made
    finally:
        made.close()
