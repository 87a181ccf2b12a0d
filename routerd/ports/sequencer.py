"""A client of the kernel's sequencer: the ALSA sequencer asked by its own calls.

Everything is an ioctl of /dev/snd/seq, or a read or write of events there, and lets the interpreter go.
Requests and structures are those of the kernel's include/uapi/sound/asequencer.h, a stable interface. A
binding of libasound has not all of them (how full a program's input is, for one), and sending by one costs
several times as much as a write (measured: see DEVELOPERS.md).

A client has one lock in the kernel, which each of its calls takes, and connecting or disconnecting a
device's port may wait for the device. So the client that connects is not the one that sends.
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
from routerd.ports.sequencer_events import Address

DEVICE = "/dev/snd/seq"
ANNOUNCEMENTS: Address = (0, 1)
"""The system's own port: every client, port and connection that comes or goes is an event from there."""

CAN_READ, CAN_WRITE = 1 << 0, 1 << 1
CAN_SUBSCRIBE_READ, CAN_SUBSCRIBE_WRITE = 1 << 5, 1 << 6
NO_EXPORT = 1 << 7
"""No third program may connect or disconnect the port."""
SOURCE = CAN_READ | CAN_SUBSCRIBE_READ
DESTINATION = CAN_WRITE | CAN_SUBSCRIBE_WRITE

CLIENT_EXIT, PORT_EXIT = 61, 64

_MIDI_GENERIC, _SOFTWARE, _APPLICATION = 1 << 1, 1 << 17, 1 << 20
_NOBODY = 255
_EVENT_BYTES = 28
_VARIABLE_LENGTH = 1 << 2
_READ_BYTES = 16384

_INT = struct.Struct("@i")
_CLIENT_INFO = struct.Struct("@ii64s52xi60x")
"""Client, type, name, card. What lies between is kept as the kernel gave it when the name is set."""
_PORT_INFO = struct.Struct("@BB64s2xIIiiiiiPIB59x")
"""Client, port, name, capabilities, type, channels, voices, voices, read and write use, -, flags, queue."""
_SUBSCRIPTION = struct.Struct("@4BIIB67x")
"""Sender's and destination's client and port, voices, flags, queue."""
_POOL = struct.Struct("@6i64x")
"""Client, output pool, input pool, output room, output free, input free."""

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
_GET_POOL = _request(_READ | _WRITE, 0x4B, _POOL)
_SET_POOL = _request(_WRITE, 0x4C, _POOL)
_GET_SUBSCRIPTION = _request(_READ | _WRITE, 0x50, _SUBSCRIPTION)
_NEXT_CLIENT = _request(_READ | _WRITE, 0x51, _CLIENT_INFO)
_NEXT_PORT = _request(_READ | _WRITE, 0x52, _PORT_INFO)


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

    def __init__(self, name: str) -> None:
        try:
            self.descriptor = os.open(DEVICE, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
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

    def create_port(self, name: str, capabilities: int) -> Address:
        """Make a port and return its address."""
        kind = _MIDI_GENERIC | _SOFTWARE | _APPLICATION
        made = fcntl.ioctl(
            self.descriptor,
            _CREATE_PORT,
            _PORT_INFO.pack(self.number, 0, _text(name), capabilities, kind, 16, 0, 0, 0, 0, 0, 0, 0),
        )
        return self.number, made[1]

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

    # Announcements

    def announcements(self) -> list[Announcement] | None:
        """Return what has been announced since the last time; None when some of it has been lost."""
        announced: list[Announcement] = []
        while True:
            try:
                data = os.read(self.descriptor, _READ_BYTES)
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


def enlarge_input(descriptor: int, client: int, cells: int) -> None:
    """Give a client of this process, by its own descriptor, room for so many cells; raises OSError."""
    pool = _POOL.unpack(fcntl.ioctl(descriptor, _GET_POOL, _POOL.pack(client, 0, 0, 0, 0, 0)))
    fcntl.ioctl(descriptor, _SET_POOL, _POOL.pack(client, pool[1], cells, pool[3], 0, 0))


def client_of(descriptor: int) -> int:
    """Return the client number behind an open sequencer; raises OSError."""
    return int(_INT.unpack(fcntl.ioctl(descriptor, _CLIENT_ID, bytes(_INT.size)))[0])


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
