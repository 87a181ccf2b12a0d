"""The far end of simulated ports, where the devices are: demo, tests and benchmarks play and hear with it."""

from __future__ import annotations

import socket
import struct
from time import monotonic
from typing import NamedTuple, Self

from routerd.core.errors import PortError
from routerd.ports.simulated import LONGEST_DATAGRAM, split_arrival

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

    def __init__(self, address: tuple[str, int], kernel_stamps: bool = False) -> None:
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
        """Be told no more and let go of the socket; harmless when called twice."""
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
