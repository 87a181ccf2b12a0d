"""The JACK server: which MIDI ports it has, who is connected to whom, and whether it is still there.

RtMidi moves the bytes on JACK, and this does everything around it, by the very libjack that RtMidi is
linked to (two copies of libjack in one process get in each other's way). RtMidi's own ways to list and
connect hold the Python interpreter while they wait for the server, so that a tick would wait too; calls
through ctypes let it go. Ports that come and go are announced by the server; nothing is polled.

When a server ends, libjack frees all of a process's clients as soon as a new one is opened. Whatever
RtMidi has opened on a server that has gone must therefore never be used or freed again.
"""

from __future__ import annotations

import ctypes
import os
from collections import Counter
from collections.abc import Callable

import rtmidi

from routerd.core.errors import PortError
from routerd.ports.base import CONNECTED, Condition, PortInfo
from routerd.ports.patchbay import CLIENT_NAME, OWN_PORT, built_without
from routerd.ports.system import RtMidiPorts

LONGEST_MESSAGE = 5_000
"""Bytes. RtMidi puts messages into a ring of 16 384 bytes that the server empties every period, and waits
for room, holding the interpreter, when it is full: at worst for ever. So it must never be full. A third
of it may be used between two looks at the server, and this is the longest SysEx that can be sent on JACK."""

_RING_HEAD = 4
_NO_START_SERVER = 1
_IS_INPUT, _IS_OUTPUT = 1, 2
_MIDI_TYPE = b"8 bit raw midi"
_ALREADY_CONNECTED = 17  # EEXIST

_POINTER, _TEXT, _INT, _ID, _FLAGS = (
    ctypes.c_void_p,
    ctypes.c_char_p,
    ctypes.c_int,
    ctypes.c_uint32,
    ctypes.c_ulong,
)
_OnPort = ctypes.CFUNCTYPE(None, _ID, _INT, _POINTER)
_OnShutdown = ctypes.CFUNCTYPE(None, _POINTER)

_FUNCTIONS: dict[str, tuple[type | None, list[type]]] = {
    "jack_client_open": (_POINTER, [_TEXT, _INT, _POINTER]),
    "jack_client_close": (_INT, [_POINTER]),
    "jack_get_client_name": (_TEXT, [_POINTER]),
    "jack_activate": (_INT, [_POINTER]),
    "jack_set_port_registration_callback": (_INT, [_POINTER, _OnPort, _POINTER]),
    "jack_on_shutdown": (None, [_POINTER, _OnShutdown, _POINTER]),
    "jack_get_ports": (_POINTER, [_POINTER, _TEXT, _TEXT, _FLAGS]),
    "jack_port_by_id": (_POINTER, [_POINTER, _ID]),
    "jack_port_by_name": (_POINTER, [_POINTER, _TEXT]),
    "jack_port_get_all_connections": (_POINTER, [_POINTER, _POINTER]),
    "jack_port_name": (_TEXT, [_POINTER]),
    "jack_free": (None, [_POINTER]),
    "jack_connect": (_INT, [_POINTER, _TEXT, _TEXT]),
    "jack_disconnect": (_INT, [_POINTER, _TEXT, _TEXT]),
    "jack_last_frame_time": (_ID, [_POINTER]),
    "jack_set_error_function": (None, [_POINTER]),
    "jack_set_info_function": (None, [_POINTER]),
}


def load_libjack() -> ctypes.CDLL:
    """Return the libjack that RtMidi uses, told not to write to standard error; raises PortError."""
    library = ctypes.CDLL(rtmidi._rtmidi.__file__)  # symbols are looked for in what it is linked to, too
    try:
        for name, (result, arguments) in _FUNCTIONS.items():
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments
    except AttributeError as error:
        raise PortError(built_without("JACK", "libjack-jackd2-dev", "alsa")) from error
    # A function of the C library that takes a text and does nothing with it: no interpreter needed.
    nothing = ctypes.cast(ctypes.CDLL(None).strlen, _POINTER)
    library.jack_set_error_function(nothing)
    library.jack_set_info_function(nothing)
    return library


def open_jack() -> RtMidiPorts:
    """Return the ports of JACK; raises PortError when RtMidi was built without it."""
    library = load_libjack()
    return RtMidiPorts("jack", rtmidi.API_UNIX_JACK, lambda changed: JackServer(library, changed))


class JackServer:
    """A patchbay (see `system`): the JACK server, reached as a client of its own.

    `alive` turns False when the server ends. A port's identifier is its full name, "client:port".

    `changed` is called on a thread of libjack when a port or the server has come or gone.
    """

    def __init__(self, library: ctypes.CDLL, changed: Callable[[], None]) -> None:
        """Connect; raises PortError when no server runs."""
        self._library = library
        self._changed = changed
        self._departures: Counter[str] = Counter()
        status = _INT()
        self._client = library.jack_client_open(CLIENT_NAME.encode(), _NO_START_SERVER, ctypes.byref(status))
        if not self._client:
            name = os.environ.get("JACK_DEFAULT_SERVER", "default")
            raise PortError(
                f"no JACK server named {name!r} answers; start one as the same user, or choose other --ports"
            )
        self.alive = True
        self.name: str = library.jack_get_client_name(self._client).decode()
        self._on_port = _OnPort(self._port_registered)  # libjack keeps only a pointer to these
        self._on_shutdown = _OnShutdown(self._shut_down)
        library.jack_set_port_registration_callback(self._client, self._on_port, None)
        library.jack_on_shutdown(self._client, self._on_shutdown, None)
        library.jack_activate(self._client)

    def sources(self) -> list[PortInfo]:
        """List the MIDI ports of others that can be read from."""
        return self._list(_IS_OUTPUT)

    def destinations(self) -> list[PortInfo]:
        """List the MIDI ports of others that can be written to."""
        return self._list(_IS_INPUT)

    def _list(self, flags: int) -> list[PortInfo]:
        if not self.alive:
            return []
        array = self._library.jack_get_ports(self._client, None, _MIDI_TYPE, flags)
        if not array:
            return []
        names: list[str] = []
        items = ctypes.cast(array, ctypes.POINTER(_TEXT))
        while (item := items[len(names)]) is not None:
            names.append(item.decode(errors="replace"))
        self._library.jack_free(array)
        # A port that left and came back is another port, though it has the same name.
        return [
            PortInfo(name, f"{self._departures[name]} {name}")
            for name in names
            if not name.startswith(CLIENT_NAME)
        ]

    def own(self, client_name: str) -> str:
        """Return the identifier of the port that RtMidi has opened as that client."""
        return f"{client_name}:{OWN_PORT}"

    def connect(self, source: str, destination: str) -> None:
        """Connect two ports; raises PortError when one has gone."""
        if self.alive:
            error = self._library.jack_connect(self._client, source.encode(), destination.encode())
            if error in (0, _ALREADY_CONNECTED):
                return
        raise PortError(f"JACK does not connect {source!r} to {destination!r}: one of them has gone")

    def disconnect(self, source: str, destination: str) -> None:
        """Part two ports, if both are there."""
        if self.alive:
            self._library.jack_disconnect(self._client, source.encode(), destination.encode())

    def condition(self, source: str, destination: str) -> Condition:
        """Return whether the two are connected, as the server's shared memory has it; it is not asked."""
        if not self.alive:
            return Condition("stalled", "the JACK server has gone")
        port = self._library.jack_port_by_name(self._client, source.encode())
        if port and not self._is_connected(port, destination.encode()):
            return Condition("disconnected", "another program has disconnected it")
        return CONNECTED

    def _is_connected(self, port: int, other: bytes) -> bool:
        array = self._library.jack_port_get_all_connections(self._client, port)
        if not array:
            return False
        items = ctypes.cast(array, ctypes.POINTER(_TEXT))
        count = 0
        while (item := items[count]) is not None and item != other:
            count += 1
        self._library.jack_free(array)
        return item is not None

    def writer(self, send_message: Callable[[bytes], None], destination: str) -> JackWriter:
        """Return what writes to a connected RtMidi output."""
        return JackWriter(self, send_message, destination)

    def period(self) -> int:
        """Return a number that changes with every period in which the server asks its clients for data."""
        frame: int = self._library.jack_last_frame_time(self._client)
        return frame

    def close(self) -> None:
        """Leave the server; harmless when it has gone, or called twice."""
        if self.alive:
            self.alive = False
            self._library.jack_client_close(self._client)

    # On threads of libjack

    def _port_registered(self, number: int, registered: int, _: object) -> None:
        if not registered and (port := self._library.jack_port_by_id(self._client, number)):
            self._departures[(self._library.jack_port_name(port) or b"").decode(errors="replace")] += 1
        self._changed()

    def _shut_down(self, _: object) -> None:
        self.alive = False
        self._changed()


class JackWriter:
    """Writes to an RtMidi output without ever filling its ring; see LONGEST_MESSAGE."""

    takes_pieces = False

    def __init__(self, server: JackServer, send_message: Callable[[bytes], None], name: str) -> None:
        self._server = server
        self._send_message = send_message
        self._name = name
        self._written = 0
        self._period = server.period()

    def write(self, data: bytes) -> None:
        """Hand over one whole message; raises PortError when the server has gone or takes nothing."""
        if not self._server.alive:
            raise PortError("the JACK server has gone")
        self._written += len(data) + _RING_HEAD
        if self._written > LONGEST_MESSAGE:
            self._look(len(data) + _RING_HEAD)
        self._send_message(data)

    def _look(self, length: int) -> None:
        if length > LONGEST_MESSAGE + _RING_HEAD:
            self._written -= length
            raise PortError(f"{self._name!r}: a message of {length - _RING_HEAD} bytes is too long for JACK")
        period = self._server.period()
        if period == self._period:
            self._written -= length
            raise PortError(f"{self._name!r}: JACK takes no data, or more was sent than it can take")
        self._period = period
        self._written = length
