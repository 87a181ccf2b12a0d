"""How messages lie on the socket between engine and server.

A frame is a four-byte big-endian length, a version byte, a type byte and the body. Type J bodies are JSON
`[kind, body]`, with the kinds and classes of `routerd.link.messages`; type T bodies are tick records and type
M bodies MIDI messages, packed. Both ends are the same installed version; a frame of another version, or one
that does not fit its class, raises LinkError.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import starmap
from typing import NamedTuple

from routerd.core.errors import LinkError
from routerd.core.model.codec import from_json, to_json
from routerd.link.messages import KIND_OF, KINDS, AnyMessage

VERSION = 3
_HEADER = struct.Struct(">IBc")
_TICK = struct.Struct("<qqqHH")
_TAP = struct.Struct("<qHH")
INPUT_BIT = 0x8000
OWN_RATE = 0x8000
LONGEST_FRAME = 16 * 1024 * 1024


class TickRecord(NamedTuple):
    """One tick on one port. `output` and `song` are numbers that the snapshot and events name.

    With OWN_RATE in `output` the port has a rate of its own: `tick` counts its own ticks, and goes back where
    they begin anew.
    """

    tick: int
    due_ns: int
    sent_ns: int
    output: int
    song: int


class Tap(NamedTuple):
    """A message, or a piece of a SysEx, that came in or went out at `at_ns`.

    `way` is the number of the output, or INPUT_BIT and the place of the device among those with an input.
    """

    at_ns: int
    way: int
    data: bytes


@dataclass(frozen=True, slots=True)
class MessageTrace:
    """A batch of messages that came in or went out."""

    messages: list[Tap]


def pack_message(message: AnyMessage) -> bytes:
    """Return the frame of a message of one of the classes in `messages.KINDS`."""
    payload = json.dumps([KIND_OF[type(message)], to_json(message)], separators=(",", ":")).encode()
    return _HEADER.pack(len(payload) + 2, VERSION, b"J") + payload


def pack_ticks(records: Iterable[TickRecord]) -> bytes:
    """Return the frame of a batch of tick records."""
    payload = b"".join(starmap(_TICK.pack, records))
    return _HEADER.pack(len(payload) + 2, VERSION, b"T") + payload


def pack_tap(at_ns: int, way: int, data: bytes) -> bytes:
    """Return a tap, of fewer than 65 536 bytes, as `pack_taps` takes it."""
    return _TAP.pack(at_ns, way, len(data)) + data


def pack_taps(packed: Iterable[bytes]) -> bytes:
    """Return the frame of a batch of taps that are packed already: one by one as they come, because packing a
    batch at once would keep the interpreter from whoever else wants it.
    """
    payload = b"".join(packed)
    return _HEADER.pack(len(payload) + 2, VERSION, b"M") + payload


class Unpacker:
    """Turns received bytes, in whatever pieces, into messages and batches of tick records."""

    def __init__(self) -> None:
        self._pending = bytearray()

    def feed(self, data: bytes) -> Iterator[AnyMessage | list[TickRecord] | MessageTrace]:
        """Yield what is complete; raises LinkError when a frame is not of this version and form."""
        self._pending += data
        while len(self._pending) >= _HEADER.size:
            length, version, type_ = _HEADER.unpack_from(self._pending)
            if version != VERSION:
                raise LinkError(
                    f"link version {version}, expected {VERSION}: restart routerd after an upgrade"
                )
            if not 2 <= length <= LONGEST_FRAME:
                raise LinkError(f"link frame of {length} bytes")
            end = 4 + length
            if len(self._pending) < end:
                return
            payload = bytes(self._pending[_HEADER.size : end])
            del self._pending[:end]
            yield _unpack(type_, payload)


def _unpack(type_: bytes, payload: bytes) -> AnyMessage | list[TickRecord] | MessageTrace:
    try:
        if type_ == b"T":
            return list(map(TickRecord._make, _TICK.iter_unpack(payload)))
        if type_ == b"M":
            return _unpack_taps(payload)
        if type_ == b"J":
            kind, body = json.loads(payload)
            if not isinstance(kind, str) or kind not in KINDS:
                raise ValueError(f"{kind!r:.40} is no kind of message")
            return from_json(KINDS[kind], body)
    except (ValueError, TypeError, RecursionError, struct.error) as error:
        raise LinkError(f"malformed link frame: {error}") from error
    raise LinkError(f"unknown link frame type {type_!r}")


def _unpack_taps(payload: bytes) -> MessageTrace:
    taps: list[Tap] = []
    place = 0
    while place < len(payload):
        at_ns, way, length = _TAP.unpack_from(payload, place)
        place += _TAP.size
        data = payload[place : place + length]
        if len(data) != length:
            raise ValueError("a message is cut off")
        taps.append(Tap(at_ns, way, data))
        place += length
    return MessageTrace(taps)
