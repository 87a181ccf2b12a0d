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

What is said, one JSON object a packet on CONTROL, a socket; from the engine:

    {"open": "out" or "in", "port": number, "name": port of JACK}
                                                   answered by {"port": number, "error": text or ""}
    {"close": number}
    {"end": true}                                  send what is on its way, leave the server, and end

and to it:

    {"server": "asked" or "none"}                  a server is looked for; there is none (asked again soon)
    {"moved_ns": n, "sources": [...], "destinations": [...], "parted": [...], "stopped": {...}}
                        every REPORT_S: when the server last began a period, in ns of CLOCK_MONOTONIC; ports
                        of others (only when they are not as before); which open ports have lost their
                        connection; and at which the program at the other end is stopped, with its name

OUT and IN are pipes with messages, each behind a head: OUT_HEAD, IN_HEAD.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import resource
import signal
import socket
import struct
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from time import monotonic, monotonic_ns, sleep
from typing import Any

import rtmidi

from routerd.ports import libjack
from routerd.ports.base import SETTLE_S
from routerd.ports.patchbay import CLIENT_NAME, OWN_PORT

OUT_HEAD = struct.Struct("=II")
"""Number of the port, length of the message."""

IN_HEAD = struct.Struct("=IIq")
"""Number of the port, length of the message, its arrival in ns of CLOCK_MONOTONIC."""

LONGEST_MESSAGE = 5_000
"""Bytes. RtMidi puts messages into a ring of 16 384 bytes that the server empties every period, and waits
for room, holding the interpreter, when it is full: at worst for ever. So it must never be full. A third
of it may be used in one period, and this is the longest SysEx that can be sent on JACK."""

REPORT_S = 0.05
LOOK_FOR_SERVER_S = 0.5
SERVER_HAS_GONE = 3
"""Exit status."""

SWITCH_INTERVAL_S = 0.0005
"""How long a thread here may keep the interpreter once another wants it."""

_RING_HEAD = 4
_TRIAL_S = 0.25
"""A trial of the server is good for so long."""

_STILL_ARRIVING_S = 0.1
"""What was sent before an input was disconnected may arrive for so long: longer than any usual period."""

_EMPTY_WITHIN_S = 0.1
"""How long an output that was closed just now may take to run empty before another one is made."""

_PR_SET_PDEATHSIG = 1
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
_LARGEST = 65_536


class Server:
    """A JACK server, as a client of it that carries nothing."""

    def __init__(self, library: Any, client: int) -> None:
        self.library = library
        self.client = client
        self.name: str = library.jack_get_client_name(client).decode()
        library.jack_on_shutdown(client, libjack.exit_function(), SERVER_HAS_GONE)
        library.jack_activate(client)
        self._tried_s = 0.0

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
        array = self.library.jack_get_ports(self.client, None, libjack.MIDI_TYPE, flags)
        return [name for name in libjack.texts(self.library, array) if not name.startswith(CLIENT_NAME)]

    def connect(self, source: str, destination: str) -> str:
        """Connect two ports; return what is wrong, "" for nothing."""
        error = self.library.jack_connect(self.client, _bytes(source), _bytes(destination))
        if error in (0, libjack.ALREADY_CONNECTED):
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
        return other in libjack.texts(self.library, array)

    def has(self, port: str) -> bool:
        """Return whether there is such a port."""
        return bool(self.library.jack_port_by_name(self.client, _bytes(port)))

    def try_opening(self) -> None:
        """Open and close a client, letting the interpreter go: RtMidi, which is about to do so, does not.

        While the server is held up by a program that stands still, only the calling thread waits, here.
        """
        if monotonic() - self._tried_s < _TRIAL_S:
            return
        trial = self.library.jack_client_open(f"{self.name}-trial".encode(), libjack.NO_START_SERVER, None)
        if trial:
            self.library.jack_client_close(trial)
        self._tried_s = monotonic()


class End:
    """One RtMidi object and its port. `number` is that of the port that is open on it, 0 for none."""

    def __init__(self, midi: Any, identifier: str) -> None:
        self.midi = midi
        self.identifier = identifier
        self.number = 0
        self.other = ""
        self.process = 0
        """Number of the process that `other` belongs to, 0 when that is not known."""
        self.closed_s = 0.0
        self.closed_frame = 0
        self.written = 0
        """Bytes put into the ring in the period that begins with `period`."""
        self.period = 0


class Ends:
    """What is open on the server. Used by the control thread; `take_out` and `came_in` by others."""

    def __init__(self, server: Server, came_in: Callable[[int, bytes], None]) -> None:
        self._server = server
        self._came_in = came_in
        self._count = 0
        self.outs: list[End] = []
        self.ins: list[End] = []
        self.by_number: dict[int, End] = {}

    def open_out(self, number: int, destination: str) -> str:
        """Open a port; return what is wrong, "" for nothing."""
        end = self._free_out()
        if end is None:
            try:
                end = self._make(rtmidi.MidiOut, "out")
            except (rtmidi.RtMidiError, OSError) as error:
                return f"cannot open a port: {error}"
            self.outs.append(end)
        return self._join(end, number, destination, self._server.connect(end.identifier, destination))

    def open_in(self, number: int, source: str) -> str:
        """Open a port; return what is wrong, "" for nothing."""
        ready_s = monotonic() - _STILL_ARRIVING_S
        end = next((end for end in self.ins if not end.number and end.closed_s < ready_s), None)
        if end is None:
            try:
                end = self._make(rtmidi.MidiIn, "in")
            except (rtmidi.RtMidiError, OSError) as error:
                return f"cannot open a port: {error}"
            self.ins.append(end)
        end.number = number  # before it is connected: the first message may come at once
        return self._join(end, number, source, self._server.connect(source, end.identifier))

    def _join(self, end: End, number: int, other: str, error: str) -> str:
        if error:
            end.number = 0
            return error
        end.number, end.other = number, other
        end.process = owner_of(other.split(":", 1)[0])
        self.by_number[number] = end
        return ""

    def _make(self, kind: Any, direction: str) -> End:
        self._server.try_opening()
        self._count += 1
        name = f"{self._server.name}-{direction}{self._count}"
        midi = kind(rtmidi.API_UNIX_JACK, name=name)
        identifier = f"{name}:{OWN_PORT}"
        end = End(midi, identifier)
        if kind is rtmidi.MidiIn:
            midi.ignore_types(sysex=False, timing=False, active_sense=False)
            midi.set_callback(self._heard, end)
        midi.open_virtual_port(OWN_PORT)
        if not self._server.has(identifier):
            raise OSError("JACK gave it another name")
        return end

    def _heard(self, message: tuple[list[int], float], end: End) -> None:
        """Take a message on libjack's thread."""
        if end.number:
            self._came_in(end.number, bytes(message[0]))

    def _free_out(self) -> End | None:
        """Return an output that is free and has nothing left in its ring: two periods have passed since."""
        until_s = monotonic() + _EMPTY_WITHIN_S
        while free := [end for end in self.outs if not end.number]:
            for end in free:
                if self._server.frames_since(end.closed_frame) >= 2 * self._server.period_frames():
                    return end
            if monotonic() > until_s:
                break
            sleep(0.001)
        return None

    def close(self, number: int) -> None:
        """Disconnect a port."""
        end = self.by_number.pop(number, None)
        if end is None:
            return
        end.number = 0
        if end in self.outs:
            self._server.disconnect(end.identifier, end.other)
            end.closed_frame = self._server.period()
        else:
            self._server.disconnect(end.other, end.identifier)
        end.closed_s = monotonic()

    def parted(self) -> list[int]:
        """Return the numbers of open ports whose connection has gone."""
        return [
            number
            for number, end in list(self.by_number.items())
            if not self._server.is_connected(end.identifier, end.other)
        ]

    def stopped(self) -> dict[int, str]:
        """Return which open ports lead to a program that is stopped, and its name at JACK."""
        state: dict[int, bool] = {}
        found = {}
        for number, end in list(self.by_number.items()):
            if end.process and end.process not in state:
                state[end.process] = is_stopped(end.process)
            if state.get(end.process):
                found[number] = end.other.split(":", 1)[0]
        return found

    def take_out(self, number: int, data: bytes) -> None:
        """Send a message; waits for the next period when RtMidi can hold no more of them in this one."""
        end = self.by_number.get(number)
        if end is None:
            return
        end.written += len(data) + _RING_HEAD
        if end.written > LONGEST_MESSAGE:
            while (period := self._server.period()) == end.period:
                sleep(0.0005)
            end.period, end.written = period, len(data) + _RING_HEAD
        end.midi.send_message(data)


def owner_of(client: str) -> int:
    """Return the number of the process that a JACK client belongs to, 0 when it cannot be told.

    Every client listens for the server on a socket with its name, and /proc tells whose it is.
    """
    suffix = f"/jack_{client}_{os.getuid()}_0"
    with contextlib.suppress(OSError):
        for line in Path("/proc/net/unix").read_text(encoding="utf-8", errors="surrogateescape").splitlines():
            fields = line.split(None, 7)
            if len(fields) == 8 and fields[7].endswith(suffix):
                return _holder(f"socket:[{fields[6]}]")
    return 0


def _holder(target: str) -> int:
    for descriptors in Path("/proc").glob("[0-9]*/fd"):
        with contextlib.suppress(OSError):
            if any(entry.readlink().name == target for entry in descriptors.iterdir()):
                return int(descriptors.parent.name)
    return 0


def is_stopped(process: int) -> bool:
    """Return whether a process is stopped, by a signal or a debugger, see proc(5)."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] in "Tt"


def _bytes(name: str) -> bytes:
    return name.encode(errors="surrogateescape")


class JackProcess:
    """The process: its threads and what they share."""

    def __init__(self, control: socket.socket, out: int, into: int) -> None:
        self._control = control
        self._out = out
        self._into = into
        self._into_lock = threading.Lock()
        self._drained = threading.Event()
        self._server: Server
        self._ends: Ends

    def run(self) -> None:
        """Talk to JACK until told to end, or until the engine or the server has gone."""
        library = libjack.load_libjack()
        self._server = Server(library, self._find(library))
        self._ends = Ends(self._server, self._came_in)
        for body in (self._report, self._send):
            threading.Thread(target=body, daemon=True).start()
        while message := self._control.recv(_LARGEST):
            asked = json.loads(message)
            if "open" in asked:
                open_one = self._ends.open_out if asked["open"] == "out" else self._ends.open_in
                error = open_one(asked["port"], asked["name"])
                self._say({"port": asked["port"], "error": error})
            elif "close" in asked:
                self._ends.close(asked["close"])
            else:
                self._end()

    def _find(self, library: Any) -> int:
        while True:
            self._say({"server": "asked"})
            client = library.jack_client_open(CLIENT_NAME.encode(), libjack.NO_START_SERVER, None)
            if client:
                return int(client)
            self._say({"server": "none"})
            sleep(LOOK_FOR_SERVER_S)

    def _end(self) -> None:
        """Leave so that the server need not find out: what is sent last is on its way for two periods."""
        self._drained.wait(SETTLE_S)
        sleep(SETTLE_S)
        for number in list(self._ends.by_number):
            self._ends.close(number)
        self._server.library.jack_client_close(self._server.client)
        os._exit(0)

    def _say(self, what: dict[str, Any]) -> None:
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
            state = {"moved_ns": moved_ns, "parted": ends.parted(), "stopped": ends.stopped()}
            lists = {
                "sources": server.ports(libjack.IS_OUTPUT),
                "destinations": server.ports(libjack.IS_INPUT),
            }
            self._say(state | (lists if lists != before else {}))
            before = lists
            sleep(REPORT_S)

    def _send(self) -> None:
        left = b""
        while data := os.read(self._out, _LARGEST):
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
        self._drained.set()

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
                    ):  # more than the engine can take; it has said that the port floods
                        return
                    sleep(0.0005)
                except OSError:
                    os._exit(0)  # the engine has gone


def main() -> None:
    """Be the process."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the engine ends it, once the last note has been sent
    if os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY:
        ctypes.CDLL(None).mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT)
    control, out, into = (int(argument) for argument in sys.argv[1:])
    os.set_blocking(into, False)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    JackProcess(socket.socket(fileno=control), out, into).run()


if __name__ == "__main__":
    main()
