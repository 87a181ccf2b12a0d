"""What is open on a JACK server: RtMidi's objects, and what their ports are connected to.

For `jack_process`, which says why nothing here is ever freed.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import rtmidi

from routerd.ports.base import OWN_PORT, StalledError
from routerd.ports.libjack import Server

LONGEST_MESSAGE = 5_000
"""Bytes. RtMidi puts messages into a ring of 16 384 bytes that the server empties every period, and waits
for room, holding the interpreter, when it is full: at worst for ever. So it must never be full. A third
of it may be used in one period, and this is the longest SysEx that can be sent on JACK."""

LONGEST_NAME = 30
"""Characters of a device's name in that of a client, which JACK limits to 64 bytes."""

_RING_HEAD = 4
_STILL_ARRIVING_S = 0.1
"""What was sent before an input was disconnected may arrive for so long: longer than any usual period."""

_EMPTY_WITHIN_S = 0.1
"""How long an output that was closed just now may take to run empty before another one is made."""


_IN_FORCE_WITHIN_S = 0.5
"""How long a connection may take to carry data."""


class End:
    """One RtMidi object and its port, made for the device or devices of that name.

    `number` is that of the port that is open on it, 0 for none.
    """

    def __init__(self, midi: Any, identifier: str, name: str) -> None:
        self.midi = midi
        self.name = name
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

    def open_out(self, number: int, destination: str, name: str) -> str:
        """Open a port; return what is wrong, "" for nothing; raises StalledError."""
        process = _running(destination)
        end = self._free_out(name)
        if end is None:
            try:
                end = self._make(rtmidi.MidiOut, "out", name)
            except (rtmidi.RtMidiError, OSError) as error:
                return f"cannot open a port: {error}"
            self.outs.append(end)
        return self._join(
            end, number, destination, process, self._server.connect(end.identifier, destination)
        )

    def open_in(self, number: int, source: str, name: str) -> str:
        """Open a port; return what is wrong, "" for nothing; raises StalledError."""
        process = _running(source)
        ready_s = monotonic() - _STILL_ARRIVING_S
        free = (end for end in self.ins if not end.number and end.name == name and end.closed_s < ready_s)
        end = next(free, None)
        if end is None:
            try:
                end = self._make(rtmidi.MidiIn, "in", name)
            except (rtmidi.RtMidiError, OSError) as error:
                return f"cannot open a port: {error}"
            self.ins.append(end)
        end.number = number  # before it is connected: the first message may come at once
        return self._join(end, number, source, process, self._server.connect(source, end.identifier))

    def _join(self, end: End, number: int, other: str, process: int, error: str) -> str:
        if error:
            end.number = 0
            return error
        if not self._is_in_force(end, other):
            end.number = 0
            return f"JACK does not put the connection to {other!r} into force"
        end.number, end.other = number, other
        end.process = process
        self.by_number[number] = end
        return ""

    def _is_in_force(self, end: End, other: str) -> bool:
        """Wait until a connection carries data, which it does from a later period on than it was made in.

        What is sent before that is lost (seen: notes stayed held).
        """
        until_s = monotonic() + _IN_FORCE_WITHIN_S
        while not self._server.is_connected(end.identifier, other):
            if monotonic() > until_s:
                return False
            sleep(0.001)
        frame = self._server.period()
        while self._server.frames_since(frame) < 2 * self._server.period_frames():
            if monotonic() > until_s:
                return False
            sleep(0.001)
        return True

    def _make(self, kind: Any, direction: str, name: str) -> End:
        if not self._server.try_opening():
            raise StalledError("the JACK server does not answer; a program that hangs may hold it up")
        self._count += 1
        # JACK has a colon between client and port, and counts bytes
        shown = name.replace(":", " ").encode("ascii", "replace").decode()[:LONGEST_NAME]
        client = f"{self._server.name}-{direction}{self._count} {shown}".strip()
        midi = kind(rtmidi.API_UNIX_JACK, name=client)
        identifier = f"{client}:{OWN_PORT}"
        end = End(midi, identifier, name)
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

    def _free_out(self, name: str) -> End | None:
        """Return an output that is free and has nothing left in its ring: two periods have passed since."""
        until_s = monotonic() + _EMPTY_WITHIN_S
        while free := [end for end in self.outs if not end.number and end.name == name]:
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

    def disconnected(self) -> list[int]:
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


def _running(port: str) -> int:
    """Return the number of the process that a port belongs to, 0 when that is not known.

    Raises StalledError when it is stopped: the server waits for it whenever something is connected to it, and
    everybody for the server.
    """
    client = port.split(":", 1)[0]
    process = owner_of(client)
    if process and is_stopped(process):
        raise StalledError(f"the program {client!r} is stopped")
    return process


def owner_of(client: str) -> int:
    """Return the number of the process that a JACK client belongs to, 0 when it cannot be told.

    Every client listens for the server on a socket with its name, and /proc tells whose it is. The same name
    on two servers tells nothing.
    """
    suffix = f"/jack_{client}_{os.getuid()}_0"
    targets = set()
    with contextlib.suppress(OSError):
        for line in Path("/proc/net/unix").read_text(encoding="utf-8", errors="surrogateescape").splitlines():
            fields = line.split(None, 7)
            if len(fields) == 8 and fields[7].endswith(suffix):
                targets.add(f"socket:[{fields[6]}]")
    holders = _holders(targets) if targets else set()
    return holders.pop() if len(holders) == 1 else 0


def _holders(targets: set[str]) -> set[int]:
    found = set()
    for descriptors in Path("/proc").glob("[0-9]*/fd"):
        with contextlib.suppress(OSError):
            if any(entry.readlink().name in targets for entry in descriptors.iterdir()):
                found.add(int(descriptors.parent.name))
    return found


def is_stopped(process: int) -> bool:
    """Return whether a process is stopped, by a signal or a debugger, see proc(5)."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] in "Tt"
