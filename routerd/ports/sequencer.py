"""The kernel's sequencer by its own interface: a client's calls, and MIDI messages as its events.

Every call is an ioctl of /dev/snd/seq, or a read or write of events there, and lets the interpreter go.
Requests and structures are those of the kernel's include/uapi/sound/asequencer.h, a stable interface. A
binding of libasound has not all of them (how full a program's input is, for one), and sending by one costs
several times as much as a write (measured: see DEVELOPERS.md).

A client has one lock in the kernel, which each of its calls takes, and connecting or disconnecting a
device's port may wait for the device. So the client that connects is not the one that sends.

An event is 28 bytes: type, flags, tag, queue, time (8 bytes), source and destination (client and port
each), and 12 bytes of data; a SysEx, or a piece of one, follows its event. Which message becomes which
event is decided by ALSA's own encoder (snd_midi_event_encode), with which the tests compare `EventEncoder`.

A client's pool has 200 cells by default, and a SysEx of 2 KB alone takes 80: what a device sends in one go
while the reading thread waits for the processor is lost. So `SequencerClient.enlarge_input` asks for more.

More lines than most: requests, structures and events are one interface, and are checked against one header.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from routerd.core.errors import PortError
from routerd.core.midi.messages import SYSEX, SYSEX_END

Address = tuple[int, int]
"""Client and port of the sequencer."""

EVENT = struct.Struct("=BBbB8x4B12x")
"""Type, flags, tag, queue, source client and port, destination client and port."""

DIRECT = 253
"""The queue of what is delivered at once (SNDRV_SEQ_QUEUE_DIRECT)."""

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
_CONTROLLER, _BEND, _SYSTEM, _SONG_POSITION = 0xB0, 0xE0, 0xF0, 0xF2
_LOW_HALF = 32
"""The controllers from here on are the lower halves of those from 0 on (M1 Table III)."""
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


DEVICE = "/dev/snd/seq"
TIMER: Address = (0, 0)
"""The system's own port that queues are started by."""
ANNOUNCEMENTS: Address = (0, 1)
"""The system's own port: every client, port and connection that comes or goes is an event from there."""

CAN_READ, CAN_WRITE = 1 << 0, 1 << 1
CAN_SUBSCRIBE_READ, CAN_SUBSCRIBE_WRITE = 1 << 5, 1 << 6
NO_EXPORT = 1 << 7
"""No third program may connect or disconnect the port."""
SOURCE = CAN_READ | CAN_SUBSCRIBE_READ
DESTINATION = CAN_WRITE | CAN_SUBSCRIBE_WRITE

CLIENT_EXIT, PORT_EXIT = 61, 64
NOTHING = 90
"""The kind of an event for users' own purposes."""
_START_QUEUE = 30

NO_QUEUE = -1

_MIDI_GENERIC, _SOFTWARE, _APPLICATION = 1 << 1, 1 << 17, 1 << 20
_NOBODY = 255
_EVENT_BYTES = 28
_VARIABLE_LENGTH = 1 << 2
INPUT_CELLS = 2000
"""The most that the kernel gives: some 50 KB of SysEx, or 2000 short messages."""

READ_BYTES = 1 << 16
"""More than an input holds, see `INPUT_CELLS`."""

_INT = struct.Struct("@i")
_CLIENT_INFO = struct.Struct("@ii64s52xi60x")
"""Client, type, name, card. What lies between is kept as the kernel gave it when the name is set."""
_PORT_INFO = struct.Struct("@BB64s2xIIiiiiiPIB59x")
"""Client, port, name, capabilities, type, channels, voices, voices, read and write use, -, flags, queue."""
_SUBSCRIPTION = struct.Struct("@4BIIB67x")
"""Sender's and destination's client and port, voices, flags, queue."""
_POOL = struct.Struct("@6i64x")
"""Client, output pool, input pool, output room, output free, input free."""

_QUEUE_INFO = struct.Struct("@iiI64x64x")
"""Number, owner, whether it is the owner's alone, name, flags."""

_STAMPED, _STAMPED_REAL_TIME = 1 << 1, 1 << 2

_READ, _WRITE = 0x80000000, 0x40000000


def _request(direction: int, number: int, layout: struct.Struct) -> int:
    return direction | layout.size << 16 | ord("S") << 8 | number


_CLIENT_ID = _request(_READ, 0x01, _INT)
_GET_CLIENT = _request(_READ | _WRITE, 0x10, _CLIENT_INFO)
_SET_CLIENT = _request(_WRITE, 0x11, _CLIENT_INFO)
_CREATE_PORT = _request(_READ | _WRITE, 0x20, _PORT_INFO)
_DELETE_PORT = _request(_WRITE, 0x21, _PORT_INFO)
_SUBSCRIBE = _request(_WRITE, 0x30, _SUBSCRIPTION)
_UNSUBSCRIBE = _request(_WRITE, 0x31, _SUBSCRIPTION)
_CREATE_QUEUE = _request(_READ | _WRITE, 0x32, _QUEUE_INFO)
_GET_POOL = _request(_READ | _WRITE, 0x4B, _POOL)
_SET_POOL = _request(_WRITE, 0x4C, _POOL)
_GET_SUBSCRIPTION = _request(_READ | _WRITE, 0x50, _SUBSCRIPTION)
_NEXT_CLIENT = _request(_READ | _WRITE, 0x51, _CLIENT_INFO)
_NEXT_PORT = _request(_READ | _WRITE, 0x52, _PORT_INFO)


_REAL_TIME = 1 << 0
"""The flag of an event whose time is in s and ns."""

_TIME = struct.Struct("=II")
_STATUS_OF = {kind: status for status, kind in (_BY_STATUS | _BY_SYSTEM_STATUS).items()}
_CONTROL_14, _NON_REGISTERED, _REGISTERED = 14, 15, 16


class Heard(NamedTuple):
    """A MIDI message, or a piece of a SysEx, and when it was sent by the clock of the reader's queue, 0 for
    unknown.
    """

    data: bytes
    queue_ns: int


def decode(events: bytes, end: int | None = None) -> Iterator[Heard]:
    """Return the messages in what was read of a client; what is no MIDI message is left out.

    `end`: where no event begins any more, where that is not the end of `events`.
    """
    place = 0
    end = len(events) if end is None else end
    while place < end and place + _EVENT_BYTES <= len(events):
        kind, flags = events[place], events[place + 1]
        seconds, ns = _TIME.unpack_from(events, place + 4)
        queue_ns = seconds * 1_000_000_000 + ns if flags & _REAL_TIME else 0
        at, place = place + _HEAD_BYTES, place + _EVENT_BYTES
        if flags & _VARIABLE_LENGTH:
            length = _EXTERNAL.unpack_from(events, at)[0]
            if kind == _SYSEX_EVENT:
                yield Heard(events[place : place + length], queue_ns)
            place += -(-length // _EVENT_BYTES) * _EVENT_BYTES
            continue
        for data in _messages(kind, events[at : at + 12]):
            yield Heard(data, queue_ns)


def _messages(kind: int, fields: bytes) -> Iterator[bytes]:
    """Return the messages that an event of fixed length stands for."""
    status = _STATUS_OF.get(kind)
    if status is not None and status < _CONTROLLER:
        yield bytes((status | fields[0] & 0x0F, fields[1] & 0x7F, fields[2] & 0x7F))
        return
    if status is not None and status >= _WHOLE:
        yield bytes((status,))
        return
    channel, number, value = _CONTROL.unpack(fields)
    channel &= 0x0F
    low, high = value & 0x7F, value >> 7 & 0x7F
    if status == _CONTROLLER:
        yield bytes((status | channel, number & 0x7F, low))
    elif status == _BEND:
        value += _BEND_CENTRE
        yield bytes((status | channel, value & 0x7F, value >> 7 & 0x7F))
    elif status == _SONG_POSITION:
        yield bytes((status, low, high))
    elif status is not None and status > _SYSTEM:
        yield bytes((status, low))
    elif status is not None:
        yield bytes((status | channel, low))
    elif kind == _CONTROL_14 and number < _LOW_HALF:
        yield bytes((_CONTROLLER | channel, number, high))
        yield bytes((_CONTROLLER | channel, number + _LOW_HALF, low))
    elif kind in (_NON_REGISTERED, _REGISTERED):
        first = 99 if kind == _NON_REGISTERED else 101
        for controller, data in ((first, number >> 7), (first - 1, number), (6, high), (38, low)):
            yield bytes((_CONTROLLER | channel, controller, data & 0x7F))


@dataclass(frozen=True, slots=True)
class SequencerPort:
    """A port as the sequencer lists it. `card` is the number of the sound card it belongs to, -1 for none."""

    address: Address
    client_name: str
    name: str
    capabilities: int
    card: int

    def has(self, capabilities: int) -> bool:
        """Return whether any program may connect it that way."""
        return self.capabilities & (capabilities | NO_EXPORT) == capabilities


class Announcement(NamedTuple):
    """Something that came or went: one of the kinds above, or another, and whom it is about."""

    kind: int
    address: Address


class SequencerClient:
    """One client. Raises PortError when it cannot be made; all other calls raise OSError."""

    def __init__(self, name: str, *, waits: bool = False) -> None:
        """`waits`: reading from its descriptor waits until something has come."""
        flags = os.O_RDWR | os.O_CLOEXEC | (0 if waits else os.O_NONBLOCK)
        try:
            self.descriptor = os.open(DEVICE, flags)
        except OSError as error:
            raise PortError(why_not(error)) from error
        self.number: int = _INT.unpack(fcntl.ioctl(self.descriptor, _CLIENT_ID, bytes(_INT.size)))[0]
        info = bytearray(fcntl.ioctl(self.descriptor, _GET_CLIENT, _CLIENT_INFO.pack(self.number, 0, b"", 0)))
        info[8:72] = _text(name)
        fcntl.ioctl(self.descriptor, _SET_CLIENT, bytes(info))

    def close(self) -> None:
        """Leave the sequencer; harmless when called twice."""
        descriptor, self.descriptor = self.descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)

    # Ports of this client

    def create_port(self, name: str, capabilities: int, stamped_by: int = NO_QUEUE) -> Address:
        """Make a port and return its address. What comes in there is stamped by the clock of that queue."""
        kind = _MIDI_GENERIC | _SOFTWARE | _APPLICATION
        flags, queue = (0, 0) if stamped_by == NO_QUEUE else (_STAMPED | _STAMPED_REAL_TIME, stamped_by)
        about = (self.number, 0, _text(name), capabilities, kind, 16, 0, 0, 0, 0, 0, flags, queue)
        made = fcntl.ioctl(self.descriptor, _CREATE_PORT, _PORT_INFO.pack(*about))
        return self.number, made[1]

    def start_queue(self) -> int:
        """Make a queue, start its clock, and return its number."""
        queue = _QUEUE_INFO.unpack(fcntl.ioctl(self.descriptor, _CREATE_QUEUE, _QUEUE_INFO.pack(0, 0, 1)))[0]
        self.tell(TIMER, _START_QUEUE, queue)
        return int(queue)

    def tell(self, destination: Address, kind: int, value: int = 0) -> None:
        """Send an event that is no MIDI message, with one byte of data."""
        head = EVENT.pack(kind, 0, 0, DIRECT, self.number, 0, *destination)[:_HEAD_BYTES]
        os.write(self.descriptor, head + bytes((value,)) + bytes(11))

    def delete_port(self, address: Address) -> None:
        """Remove a port and every connection that it still has."""
        fcntl.ioctl(self.descriptor, _DELETE_PORT, _PORT_INFO.pack(*address, b"", *(0,) * 10))

    # Connections of any ports

    def connect(self, source: Address, destination: Address) -> None:
        """Connect two ports."""
        fcntl.ioctl(self.descriptor, _SUBSCRIBE, _connection(source, destination))

    def disconnect(self, source: Address, destination: Address) -> None:
        """End a connection."""
        fcntl.ioctl(self.descriptor, _UNSUBSCRIBE, _connection(source, destination))

    def is_connected(self, source: Address, destination: Address) -> bool:
        """Return whether two ports are connected now; False when one of them has gone."""
        try:
            fcntl.ioctl(self.descriptor, _GET_SUBSCRIPTION, _connection(source, destination))
        except OSError:
            return False
        return True

    # Questions

    def ports(self) -> Iterator[SequencerPort]:
        """List all ports of all clients."""
        client = -1
        while info := self._next(_NEXT_CLIENT, _CLIENT_INFO.pack(client, 0, b"", 0)):
            client, _, client_name, card = _CLIENT_INFO.unpack(info)
            port = _NOBODY
            while info := self._next(_NEXT_PORT, _PORT_INFO.pack(client, port, b"", *(0,) * 10)):
                _, port, name, capabilities, *_ = _PORT_INFO.unpack(info)
                yield SequencerPort((client, port), _read(client_name), _read(name), capabilities, card)
                if port == _NOBODY - 1:
                    break

    def _next(self, request: int, question: bytes) -> bytes:
        try:
            return fcntl.ioctl(self.descriptor, request, question)
        except OSError as error:
            if error.errno == errno.ENOENT:
                return b""
            raise

    def pool(self, client: int) -> tuple[int, int]:
        """Return for how many cells a program's input has room in all, and how many are free.

        A short message takes one cell until it is read. The kernel's own clients have none: (0, 0). Raises
        OSError when the client has gone.
        """
        info = fcntl.ioctl(self.descriptor, _GET_POOL, _POOL.pack(client, 0, 0, 0, 0, 0))
        _, _, size, _, _, free = _POOL.unpack(info)
        return size, free

    def enlarge_input(self) -> None:
        """Have all the room for what comes in that the kernel gives."""
        asked = _POOL.pack(self.number, 0, 0, 0, 0, 0)
        _, output, _, room, _, _ = _POOL.unpack(fcntl.ioctl(self.descriptor, _GET_POOL, asked))
        fcntl.ioctl(self.descriptor, _SET_POOL, _POOL.pack(self.number, output, INPUT_CELLS, room, 0, 0))

    # Announcements

    def announcements(self) -> list[Announcement] | None:
        """Return what has been announced since the last time; None when some of it has been lost."""
        announced: list[Announcement] = []
        while True:
            try:
                data = os.read(self.descriptor, READ_BYTES)
            except BlockingIOError:
                return announced
            except OSError as error:
                if error.errno == errno.ENOSPC:  # more came than fits; the kernel has dropped all of it
                    return None
                raise
            while len(data) >= _EVENT_BYTES:
                announced.append(Announcement(data[0], (data[16], data[17])))
                extra = struct.unpack_from("=I", data, 16)[0] if data[1] & _VARIABLE_LENGTH else 0
                data = data[_EVENT_BYTES + extra :]


def why_not(error: OSError) -> str:
    """Return why the sequencer does not take another client, with what helps."""
    if error.errno == errno.ENOMEM:
        return (
            "the ALSA sequencer has no room for another client (the kernel has 64 for programs,"
            " and each input takes one): end a program that `aconnect -l` lists"
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{DEVICE} may not be opened: add this user to the group audio, and log in again"
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return f"there is no ALSA sequencer ({DEVICE}): as root, modprobe snd-seq"
    return f"the ALSA sequencer cannot be used: {error.strerror}"


def _connection(source: Address, destination: Address) -> bytes:
    return _SUBSCRIPTION.pack(*source, *destination, 0, 0, 0)


def _text(name: str) -> bytes:
    """Return a name as the kernel takes it: 63 bytes at most, cut between characters, then zeros."""
    return name.encode(errors="replace")[:63].decode(errors="ignore").encode().ljust(64, b"\0")


def _read(name: bytes) -> str:
    return name.split(b"\0", 1)[0].decode(errors="replace")
