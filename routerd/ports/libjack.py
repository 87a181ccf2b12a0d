"""A JACK server, and the functions of libjack that it is asked by.

It is the very libjack that RtMidi is linked to: two copies in one process get in each other's way. Calls
through ctypes let the Python interpreter go. Ports, connections and frame times are read from the server's
shared memory without asking it; opening, closing and connecting wait for it.
"""

from __future__ import annotations

import ctypes
import sys
from time import monotonic
from typing import Any

import rtmidi

from routerd.core.errors import PortError
from routerd.ports.base import CLIENT_NAME

NO_START_SERVER = 1
IS_INPUT, IS_OUTPUT = 1, 2
ALREADY_CONNECTED = 17  # EEXIST
MIDI_TYPE = b"8 bit raw midi"

_POINTER, _TEXT, _INT, _FRAMES, _FLAGS = (
    ctypes.c_void_p,
    ctypes.c_char_p,
    ctypes.c_int,
    ctypes.c_uint32,
    ctypes.c_ulong,
)

SERVER_HAS_GONE = 3
"""Exit status of a process that has lost its server."""

_TRIAL_S = 1.0
"""A trial of the server is good for so long."""

_TRIAL_LIMIT_S = 0.6
"""A trial that takes longer has failed: RtMidi would keep the interpreter for as long, which looks like a
standstill."""

_FUNCTIONS: dict[str, tuple[type | None, list[type]]] = {
    "jack_client_open": (_POINTER, [_TEXT, _INT, _POINTER]),
    "jack_client_close": (_INT, [_POINTER]),
    "jack_get_client_name": (_TEXT, [_POINTER]),
    "jack_activate": (_INT, [_POINTER]),
    "jack_on_shutdown": (None, [_POINTER, _POINTER, _POINTER]),
    "jack_get_ports": (_POINTER, [_POINTER, _TEXT, _TEXT, _FLAGS]),
    "jack_port_by_name": (_POINTER, [_POINTER, _TEXT]),
    "jack_port_get_all_connections": (_POINTER, [_POINTER, _POINTER]),
    "jack_free": (None, [_POINTER]),
    "jack_connect": (_INT, [_POINTER, _TEXT, _TEXT]),
    "jack_disconnect": (_INT, [_POINTER, _TEXT, _TEXT]),
    "jack_last_frame_time": (_FRAMES, [_POINTER]),
    "jack_get_buffer_size": (_FRAMES, [_POINTER]),
    "jack_set_error_function": (None, [_POINTER]),
    "jack_set_info_function": (None, [_POINTER]),
}


def built_without_jack() -> str:
    """Return one line on an RtMidi that was built without JACK: what to install, how to build again."""
    pip = f"{sys.executable} -m pip"
    return (
        "this python-rtmidi was built without JACK; apt-get install libjack-jackd2-dev, then build it again"
        f" by `{pip} install --force-reinstall --no-cache-dir --no-deps python-rtmidi` (pip's cache holds the"
        " old build), or use --ports alsa"
    )


def load_libjack() -> Any:
    """Return the library, told not to write to standard error; raises PortError when RtMidi lacks it."""
    library = ctypes.CDLL(rtmidi._rtmidi.__file__)  # symbols are looked for in what it is linked to, too
    try:
        for name, (result, arguments) in _FUNCTIONS.items():
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments
    except AttributeError as error:
        raise PortError(built_without_jack()) from error
    # A function of the C library that takes a text and does nothing with it: no interpreter needed.
    nothing = ctypes.cast(ctypes.CDLL(None).strlen, _POINTER)
    library.jack_set_error_function(nothing)
    library.jack_set_info_function(nothing)
    return library


def exit_function() -> Any:
    """Return the C library's _exit, for a callback that ends the process without any Python."""
    return ctypes.cast(ctypes.CDLL(None)._exit, _POINTER)


def texts(library: Any, array: int | None) -> list[str]:
    """Return the texts of an array that libjack has made, and free it."""
    if not array:
        return []
    found: list[str] = []
    items = ctypes.cast(array, ctypes.POINTER(_TEXT))
    while (item := items[len(found)]) is not None:
        found.append(item.decode(errors="surrogateescape"))
    library.jack_free(array)
    return found


class Server:
    """A JACK server, as a client of it that carries nothing."""

    def __init__(self, library: Any, client: int) -> None:
        self.library = library
        self.client = client
        self.name: str = library.jack_get_client_name(client).decode()
        library.jack_on_shutdown(client, exit_function(), SERVER_HAS_GONE)
        library.jack_activate(client)
        self._tried_s = monotonic()  # it has answered just now

    def period(self) -> int:
        """Return the number of the frame that the last period began with."""
        frame: int = self.library.jack_last_frame_time(self.client)
        return frame

    def period_frames(self) -> int:
        """Return how many frames a period has."""
        frames: int = self.library.jack_get_buffer_size(self.client)
        return frames

    def frames_since(self, frame: int) -> int:
        """Return how many frames lie between that frame and the last period; frames count up to 2**32."""
        return (self.period() - frame) % (1 << 32)

    def ports(self, flags: int) -> list[str]:
        """Return the names of others' MIDI ports."""
        array = self.library.jack_get_ports(self.client, None, MIDI_TYPE, flags)
        return [name for name in texts(self.library, array) if not name.startswith(CLIENT_NAME)]

    def connect(self, source: str, destination: str) -> str:
        """Connect two ports; return what is wrong, "" for nothing."""
        error = self.library.jack_connect(self.client, _bytes(source), _bytes(destination))
        if error in (0, ALREADY_CONNECTED):
            return ""
        return f"JACK does not connect {source!r} to {destination!r}: one of them has gone"

    def disconnect(self, source: str, destination: str) -> None:
        """Disconnect two ports, if they are connected."""
        self.library.jack_disconnect(self.client, _bytes(source), _bytes(destination))

    def is_connected(self, port: str, other: str) -> bool:
        """Return whether two ports are connected, as shared memory has it."""
        found = self.library.jack_port_by_name(self.client, _bytes(port))
        if not found:
            return False
        array = self.library.jack_port_get_all_connections(self.client, found)
        return other in texts(self.library, array)

    def has(self, port: str) -> bool:
        """Return whether there is such a port."""
        return bool(self.library.jack_port_by_name(self.client, _bytes(port)))

    def try_opening(self) -> bool:
        """Open and close a client, letting the interpreter go: RtMidi, which is about to do so, does not.

        While the server is held up by a program that stands still, only the calling thread waits, here.
        Returns whether the server was quick enough for RtMidi to be let in.
        """
        began_s = monotonic()
        if began_s - self._tried_s < _TRIAL_S:
            return True
        trial = self.library.jack_client_open(f"{self.name}-trial".encode(), NO_START_SERVER, None)
        if trial:
            self.library.jack_client_close(trial)
        if not trial or monotonic() - began_s > _TRIAL_LIMIT_S:
            return False
        self._tried_s = monotonic()
        return True


def _bytes(name: str) -> bytes:
    return name.encode(errors="surrogateescape")
