"""The process that talks to JACK, so that nothing JACK does can hold up the engine.

    python -m routerd.ports.jack_process CONTROL OUT IN     (descriptors; the engine starts it, see `jack`)

RtMidi holds the interpreter while it opens a port, and libjack waits for the server meanwhile: 8 s were
measured while a program on the same server stood still, and for ever while the server did. In the engine
that would be 8 s without a tick. This process may wait: it can be killed at any time, and with it goes what
lies in RtMidi's buffers, so that nothing stale is ever sent by a server that stood still and goes on.

No Python is called by libjack but RtMidi's input callback, on the thread of that port's own JACK client:
ports and connections are polled, and the end of the server ends this process by a function of the C library.
Objects of RtMidi are never freed, as freeing one while its callback waits for the interpreter would last for
ever; their ports are connected, disconnected and used again.

Messages, one JSON object a packet on CONTROL, a socket; from the engine:

    {"open": "out" or "in", "port": number, "to": port of JACK, "name": what ours is called}
               answered by {"port": number, "error": text or "", "stalled": whether it stands still}
    {"close": number}
    {"end": true}                                  send what is on its way, leave the server, and end

and to it:

    {"server": "asked" or "none"}                  a server is looked for; there is none (asked again soon)
    {"sources": [...]} and {"destinations": [...]}
                        ports of others, NAMES_A_PACKET in each at most: before a report, if they have changed
    {"moved_ns": n, "listed": true or false, "disconnected": [...], "stopped": {...}}
                        every REPORT_S: when the server last began a period, in ns of CLOCK_MONOTONIC; whether
                        all its ports have just been listed; which open ports have lost their connection; and
                        at which the program at the other end is stopped, with its name

OUT and IN are pipes with messages, each behind a head: OUT_HEAD, IN_HEAD.
"""

from __future__ import annotations

import ctypes
import json
import os
import resource
import signal
import socket
import struct
import sys
import threading
from time import monotonic_ns, sleep
from typing import Any

from routerd.ports import libjack
from routerd.ports.base import CLIENT_NAME, SETTLE_S, StalledError
from routerd.ports.jack_ends import Ends
from routerd.ports.libjack import Server

OUT_HEAD = struct.Struct("=II")
"""Number of the port, length of the message."""

IN_HEAD = struct.Struct("=IIq")
"""Number of the port, length of the message, its arrival in ns of CLOCK_MONOTONIC."""

REPORT_S = 0.05
NAMES_A_PACKET = 32
"""JACK limits the name of a port to 320 bytes, of which JSON makes six each at most: less than LARGEST."""

LOOK_FOR_SERVER_S = 0.5
SWITCH_INTERVAL_S = 0.0005
"""How long a thread here may keep the interpreter once another wants it."""

_PR_SET_PDEATHSIG = 1
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
LARGEST = 65_536
"""Bytes of a packet on CONTROL, or that are read from a pipe at once."""


class JackProcess:
    """The process: its threads and what they share."""

    def __init__(self, control: socket.socket, out: int, into: int) -> None:
        self._control = control
        self._out = out
        self._into = into
        self._into_lock = threading.Lock()
        self._server: Server
        self._ends: Ends

    def run(self) -> None:
        """Talk to JACK until asked to end, or until the engine or the server has gone."""
        library = libjack.load_libjack()
        self._server = Server(library, self._find(library))
        self._ends = Ends(self._server, self._came_in)
        for body in (self._report, self._send):
            threading.Thread(target=body, daemon=True).start()
        while message := self._control.recv(LARGEST):
            asked = json.loads(message)
            if "open" in asked:
                open_one = self._ends.open_out if asked["open"] == "out" else self._ends.open_in
                try:
                    error, stalled = open_one(asked["port"], asked["to"], asked["name"]), False
                except StalledError as why:
                    error, stalled = str(why), True
                self._reply({"port": asked["port"], "error": error, "stalled": stalled})
            elif "close" in asked:
                self._ends.close(asked["close"])
            else:
                self._end()
        os._exit(0)  # the engine has gone

    def _find(self, library: Any) -> int:
        while True:
            self._reply({"server": "asked"})
            client = library.jack_client_open(CLIENT_NAME.encode(), libjack.NO_START_SERVER, None)
            if client:
                return int(client)
            self._reply({"server": "none"})
            sleep(LOOK_FOR_SERVER_S)

    def _end(self) -> None:
        """Leave so that the server need not find out: what is sent last is on its way for two periods."""
        sleep(2 * SETTLE_S)  # for what is still in the pipe, and for its two periods
        for number in list(self._ends.by_number):
            self._ends.close(number)
        self._server.library.jack_client_close(self._server.client)
        os._exit(0)

    def _reply(self, what: dict[str, Any]) -> None:
        try:
            self._control.send(json.dumps(what).encode())
        except OSError:
            os._exit(0)  # the engine has gone

    # On threads of their own

    def _report(self) -> None:
        server, ends = self._server, self._ends
        before: dict[str, Any] = {}
        period, moved_ns = server.period(), monotonic_ns()
        while True:
            if period != (now := server.period()):
                period, moved_ns = now, monotonic_ns()
            # Before the ports: a connection that went with its port must not look like one that was removed.
            state = {"moved_ns": moved_ns, "disconnected": ends.disconnected(), "stopped": ends.stopped()}
            lists = {
                "sources": server.ports(libjack.IS_OUTPUT),
                "destinations": server.ports(libjack.IS_INPUT),
            }
            if listed := lists != before:
                for key, names in lists.items():
                    for start in range(0, len(names), NAMES_A_PACKET):
                        self._reply({key: names[start : start + NAMES_A_PACKET]})
            self._reply(state | {"listed": listed})
            before = lists
            sleep(REPORT_S)

    def _send(self) -> None:
        left = b""
        while data := os.read(self._out, LARGEST):
            data = left + data
            place = 0
            while len(data) - place >= OUT_HEAD.size:
                number, length = OUT_HEAD.unpack_from(data, place)
                if len(data) - place - OUT_HEAD.size < length:
                    break
                place += OUT_HEAD.size
                self._ends.take_out(number, data[place : place + length])
                place += length
            left = data[place:]

    def _came_in(self, number: int, data: bytes) -> None:
        packet = IN_HEAD.pack(number, len(data), monotonic_ns()) + data
        with self._into_lock:
            whole = len(packet)
            while packet:
                try:
                    packet = packet[os.write(self._into, packet) :]
                except BlockingIOError:
                    if (
                        len(packet) == whole
                    ):  # more than the engine can take; it has reported that the port floods
                        return
                    sleep(0.0005)
                except OSError:
                    os._exit(0)  # the engine has gone


def main() -> None:
    """Be the process."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGPWR):
        signal.signal(number, signal.SIG_IGN)  # the engine ends it, once the last note has been sent
    if os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY:
        ctypes.CDLL(None).mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT)
    control, out, into = (int(argument) for argument in sys.argv[1:])
    os.set_blocking(into, False)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    JackProcess(socket.socket(fileno=control), out, into).run()


if __name__ == "__main__":
    main()
