"""The messages between engine and server, and how they lie on the socket.

A frame is a four-byte big-endian length, a version byte, a type byte and the body. Type J
bodies are JSON `[kind, body]`; type T bodies are tick records and type M bodies messages, packed.
Kinds from the server:

    rig, song, set-list   one piece of a book that is being loaded, as plain values of core.model
    commit                {"generation": n, "place": place or null}: all pieces are here, swap
    order                 {"id": n, "set_list": plain}: a new running order
    command               {"id": n, "command": a Command}
    tap                   {"on": bool}: whether every message in and out is wanted from now on
    send                  {"device": str, "data": [hex, ...]}: messages for a device, past all routes
    play                  {"device": str, "data": [hex, ...]}: messages as if that device had played them
    sound                 {"id": n, "device": str, "channel": 0-15, "note": n, "velocity": n}: see Show.sound
    pong                  the body of the ping it answers
    serving               {}: the API answers from now on
    refuse                {"problems": [str, ...]}: this server cannot start, for these reasons

and from the engine:

    hello       {"pid": n, "ports": str, "generation": n, "realtime": {...}, "started_ns": n,
                "server_restarts": n, "port_states": as ports, "counters": as counters, "facts": as facts,
                "book_from_ns": start of the engine that took the book in force, "resumed_gap_ms":
                how long no tick went out, where this engine went on after another had died, else null,
                "brings_old_book": true while it plays that one's book, "reload_wanted": as `reload` would}:
                first of all; generation 0: no book yet
    ping        {"n": n}: is the server alive?
    reload      {}: read the rig folder again; somebody has sent a SIGHUP
    loaded      {"generation": n, "error": str or null}
    reply       {"id": n, "error": str or null, "missing": bool}: the answer to order or command
    snapshot    what Show.snapshot returns, whenever it has changed
    grid        the `grid` of a snapshot, when it alone has changed: in a ramp, or while a source is followed
    ports       [{"device", "direction", "pattern", "port", "state", "error", "since_ns", "doubt": [what is
                doubtful about the pattern, remedy] or null}, ...], whenever that has changed
    counters    {"name": number, ...}, once a second
    facts       {"flooding": [device, ...], "warnings": [what cannot be kept or locked, ...]}, once a
                second: how the engine is, for routerd.server.health
    traffic     {"at_ns": n, "outputs": [[device, messages, bytes, waiting, thinned], ...], "inputs":
                [[device, messages], ...], "took": [[ns, count], ...], "cpu_ns": n, "taps_dropped": n},
                once a second: totals since the start, but `took`, the routing times since the last
    event       {"kind": str, "at_ns": n, ...}: something a person may want to know

A place is {"song": identifier, "section": number from 1 or 0, "bpm": "n/d" or null, "index": place in the
order from 0 or null, "gap": before which place the show stands when the song is in none, "checked": {song:
[numbers of the checklist that are ticked]}, "armed": as in the snapshot, "muted" and "soloed": [subjects,
see core.mutes], "play": true when transport shall go on}.
Both ends are the same installed version; a frame of another version raises LinkError.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from routerd.core.errors import LinkError

VERSION = 2
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


class Taps(list[Tap]):
    """A batch of taps."""


class Message(NamedTuple):
    """One JSON message."""

    kind: str
    body: Any


def pack_message(kind: str, body: Any) -> bytes:
    """Return the frame of a JSON message."""
    payload = json.dumps([kind, body], separators=(",", ":")).encode()
    return _HEADER.pack(len(payload) + 2, VERSION, b"J") + payload


def pack_ticks(records: Iterable[TickRecord]) -> bytes:
    """Return the frame of a batch of tick records."""
    payload = b"".join(_TICK.pack(*record) for record in records)
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

    def feed(self, data: bytes) -> Iterator[Message | list[TickRecord] | Taps]:
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


def _unpack(type_: bytes, payload: bytes) -> Message | list[TickRecord] | Taps:
    try:
        if type_ == b"T":
            return [TickRecord(*fields) for fields in _TICK.iter_unpack(payload)]
        if type_ == b"M":
            return _unpack_taps(payload)
        if type_ == b"J":
            kind, body = json.loads(payload)
            if not isinstance(kind, str):
                raise ValueError("a message without a kind")
            return Message(kind, body)
    except (ValueError, TypeError, RecursionError, struct.error) as error:
        raise LinkError(f"malformed link frame: {error}") from error
    raise LinkError(f"unknown link frame type {type_!r}")


def _unpack_taps(payload: bytes) -> Taps:
    taps = Taps()
    place = 0
    while place < len(payload):
        at_ns, way, length = _TAP.unpack_from(payload, place)
        place += _TAP.size
        data = payload[place : place + length]
        if len(data) != length:
            raise ValueError("a message is cut off")
        taps.append(Tap(at_ns, way, data))
        place += length
    return taps
