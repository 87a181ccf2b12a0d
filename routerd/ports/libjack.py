"""The functions of libjack that are called here, by the very libjack that RtMidi is linked to.

(Two copies of libjack in one process get in each other's way.) Calls through ctypes let the Python
interpreter go. Ports, connections and frame times are read from the server's shared memory without asking
it; opening, closing and connecting wait for it.
"""

from __future__ import annotations

import ctypes
from typing import Any

import rtmidi

from routerd.core.errors import PortError
from routerd.ports.patchbay import built_without

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


def load_libjack() -> Any:
    """Return the library, told not to write to standard error; raises PortError when RtMidi lacks it."""
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
