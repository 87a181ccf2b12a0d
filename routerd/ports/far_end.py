"""The far end of simulated ports, where the devices are: its datagrams, its cables, and a client.

Demo, tests and benchmarks play and hear with `FarEnd`. One datagram is one thing; to routerd:

    L, or L device             listen: all that arrives (at that device) is sent to the sender from now on;
                               answered by L
    Q                          quiet: no more of it
    I device NUL bytes         the device plays a message to routerd, or whatever bytes it likes
    U device                   its cable is pulled: its ports vanish
    P device                   its cable is put back
    D device                   another program takes away its connections
    S device                   it stands still: what is sent to it waits, and it plays nothing; without a
                               name, all do, as when a server stands still
    R device                   it refuses to be opened, and every message
    C device                   it goes on as if nothing had been: what waited arrives, and is not refused

and from routerd, to everyone who listens:

    O device NUL at bytes      bytes have arrived at the device; `at` is the time, 8 bytes, big-endian,
                               signed, in ns of CLOCK_MONOTONIC; it lies in the future while a wire is busy

Devices that share a port have one far end: any of their names will do there, and what arrives bears the
name of the first. Datagrams of any other form are ignored and counted.

Loopback cables lead an output back to an input: what leaves the one arrives at the other when its wire has
carried it. One thread delivers everything in the order of arrival. A SysEx that was handed over in pieces
arrives whole with its last one, as an input port gives it; real-time bytes between the pieces arrive by
themselves.
"""

from __future__ import annotations

import heapq
import itertools
import socket
import struct
import threading
from collections.abc import Callable
from time import monotonic, monotonic_ns
from typing import NamedTuple, Self

from routerd.core.errors import PortError
from routerd.core.midi.messages import SYSEX, SYSEX_END

LONGEST_DATAGRAM = 65_507


AT = struct.Struct(">q")


def split_arrival(datagram: bytes) -> tuple[str, int, bytes] | None:
    """Return device, arrival in ns of CLOCK_MONOTONIC and bytes of an O datagram, None for any other."""
    name, nul, rest = datagram[1:].partition(b"\0")
    if datagram[:1] != b"O" or not nul or len(rest) < AT.size:
        return None
    return name.decode(errors="replace"), AT.unpack_from(rest)[0], rest[AT.size :]


_SO_TIMESTAMPNS = 35
"""From Linux' asm-generic/socket.h (x86 and ARM); Python's socket module does not name it."""

_TIMESPEC = struct.Struct("@ll")
_RECEIVE_BUFFER = 4 * 1024 * 1024
_ASK_AGAIN_S = 0.1


class Arrival(NamedTuple):
    """Bytes that have arrived at a device, at `arrival_ns` of CLOCK_MONOTONIC as its wire allows.

    `kernel_ns` is when the kernel received the datagram, of CLOCK_REALTIME; 0 unless asked for.
    """

    device: str
    arrival_ns: int
    data: bytes
    kernel_ns: int = 0


class FarEnd:
    """Plays the devices of simulated ports at `address`, and hears what reaches them."""

    def __init__(self, address: tuple[str, int], *, kernel_stamps: bool = False) -> None:
        self._address = address
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
        if kernel_stamps:
            self._socket.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        self._socket.bind(("127.0.0.1", 0))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening and let go of the socket; harmless when called twice."""
        if self._socket.fileno() >= 0:
            self._send(b"Q")
            self._socket.close()

    def listen(self, timeout_s: float = 5.0, device: str = "") -> None:
        """Hear everything that is sent from now on, or what is sent to one device.

        Raises PortError when nobody answers in time.
        """
        until_s = monotonic() + timeout_s
        while True:
            self.ask(device)
            ask_again_s = min(monotonic() + _ASK_AGAIN_S, until_s)
            while (left_s := ask_again_s - monotonic()) > 0:
                datagram, _ = self._take(left_s)
                if datagram == b"L":
                    return
            if monotonic() >= until_s:
                raise PortError(f"no simulated ports answer at {self._address[0]}:{self._address[1]}")

    def ask(self, device: str = "") -> None:
        """Ask to hear everything, or one device, without waiting for an answer; harmless when repeated."""
        self._send(b"L" + device.encode())

    def play(self, device: str, data: bytes) -> None:
        """Have the device play one whole message to routerd."""
        self._send(b"I" + device.encode() + b"\0" + data)

    def unplug(self, device: str) -> None:
        """Pull the device's cable."""
        self._send(b"U" + device.encode())

    def plug(self, device: str) -> None:
        """Put the device's cable back."""
        self._send(b"P" + device.encode())

    def disconnect(self, device: str) -> None:
        """Take the device's connections away, as another program may do; opening it anew makes others."""
        self._send(b"D" + device.encode())

    def stall(self, device: str = "") -> None:
        """Have the device, or all of them, stand still until `go_on`."""
        self._send(b"S" + device.encode())

    def refuse(self, device: str) -> None:
        """Have the device refuse every message, and to be opened, until `go_on`."""
        self._send(b"R" + device.encode())

    def go_on(self, device: str = "") -> None:
        """Have the device, or all of them, stand still or refuse no longer."""
        self._send(b"C" + device.encode())

    def receive(self, timeout_s: float) -> Arrival | None:
        """Return the next arrival; None when nothing has come in time."""
        until_s = monotonic() + timeout_s
        while True:
            datagram, kernel_ns = self._take(max(0.0, until_s - monotonic()))
            if not datagram:
                return None
            if (arrival := split_arrival(datagram)) is not None:
                return Arrival(*arrival, kernel_ns)

    def _send(self, datagram: bytes) -> None:
        self._socket.sendto(datagram, self._address)

    def _take(self, timeout_s: float) -> tuple[bytes, int]:
        """Return a datagram and its stamp; no bytes when nothing has come in time."""
        self._socket.settimeout(timeout_s)
        try:
            datagram, extras, _, _ = self._socket.recvmsg(LONGEST_DATAGRAM, 64)
        except (TimeoutError, BlockingIOError):
            return b"", 0
        for level, kind, value in extras:
            if level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPNS:
                seconds, nanoseconds = _TIMESPEC.unpack_from(value)
                return datagram, seconds * 1_000_000_000 + nanoseconds
        return datagram, 0


Deliver = Callable[[str, bytes, int], None]
"""Called with the device that hears, a whole message, and its arrival in ns of CLOCK_MONOTONIC."""

MOST_WAITING = 10_000


class LoopbackCables:
    """Carries messages from outputs to inputs. `dropped` counts what was too much at once."""

    def __init__(self, deliver: Deliver) -> None:
        """The thread begins at once, with the scheduling of whoever makes this."""
        self.dropped = 0
        self._deliver = deliver
        self._numbers = itertools.count()
        self._waiting: list[tuple[int, int, str, bytes]] = []
        self._pieces: dict[str, bytes] = {}
        self._closing = False
        self.go_on()

    def go_on(self) -> None:
        """Have a thread deliver from now on: at first, and in a forked process."""
        self._stir = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="loop cables", daemon=True)
        self._thread.start()

    def carry(self, device: str, data: bytes, at_ns: int) -> None:
        """Have bytes arrive at the input of `device` at `at_ns`; returns at once."""
        if data[0] in (SYSEX, SYSEX_END) or data[0] < 0x80:
            data = self._pieces.pop(device, b"") + data
        if data[0] == SYSEX and data[-1] != SYSEX_END:
            self._pieces[device] = data
            return
        with self._stir:
            if len(self._waiting) >= MOST_WAITING:
                self.dropped += 1
                return
            heapq.heappush(self._waiting, (at_ns, next(self._numbers), device, data))
            self._stir.notify()

    def close(self) -> None:
        """Deliver nothing more."""
        with self._stir:
            self._closing = True
            self._stir.notify()
        self._thread.join(1)

    def _run(self) -> None:
        while True:
            with self._stir:
                while not self._closing and (left_ns := self._left_ns()) != 0:
                    self._stir.wait(None if left_ns is None else left_ns / 1e9)
                if self._closing:
                    return
                _, _, device, data = heapq.heappop(self._waiting)
            self._deliver(device, data, monotonic_ns())

    def _left_ns(self) -> int | None:
        """Return how long until the next arrival, 0 when it is due, None without one."""
        return max(0, self._waiting[0][0] - monotonic_ns()) if self._waiting else None
