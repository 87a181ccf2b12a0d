"""System ports: RtMidi for the bytes, a patchbay for everything else.

Every RtMidi object has one virtual port, which the patchbay connects and parts. Objects are kept and
used again, because opening and closing them holds the interpreter (on JACK about 20 ms each), and closing
one while a message arrives can lock up: RtMidi waits for its thread, which waits for the interpreter.
They are freed only when everything is closed; and never when their server has gone (see `jack`).
"""

from __future__ import annotations

import ctypes
from collections import deque
from collections.abc import Callable
from time import monotonic_ns, sleep
from typing import Any, cast

import rtmidi

from routerd.core.errors import PortError
from routerd.core.messages import MESSAGE_LENGTH
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.ports.base import CONNECTED, SETTLE_S, Changed, Condition, OutputPort, PortInfo, Received
from routerd.ports.mend import Mender
from routerd.ports.patchbay import OWN_PORT, Patchbay, WriterPatchbay, split_handle
from routerd.ports.queue_time import QueueTime

_AFTER_SYSEX = b"\xf1"
"""From here on status bytes are the system's: somebody's clock, time code and transport."""

_STILL_ARRIVING_NS = 100 * NS_PER_MS
"""What was sent before a port was parted may arrive for so long: longer than any usual JACK period."""

_LONGEST_WAIT_NS = 300 * NS_PER_MS
"""How long to wait for inputs to fall silent once they are parted."""


class RtMidiPorts:
    """The ports of ALSA or JACK. `strange` counts what arrived and was no MIDI message."""

    def __init__(self, kind: str, api: int, connect: Callable[[Changed], Patchbay]) -> None:
        """Prepare; `connect` makes the patchbay, and is called again whenever the last one has gone."""
        self.kind = kind
        self._api = api
        self._connect = connect
        self._connected: Patchbay | None = None
        self._changed: Changed = lambda: None
        self._number = 0
        self._ins: list[_In] = []
        self._outs: list[_Out] = []
        self._idle_ins: deque[_In] = deque()
        self._idle_outs: deque[_Out] = deque()

    @property
    def strange(self) -> int:
        """Return how often something arrived that was no MIDI message, and went no further."""
        return sum(end.mender.strange for end in self._ins)

    def inputs(self) -> list[PortInfo]:
        """List what can be read from, by name; raises PortError when the system is not there."""
        return sorted(self.patchbay().sources(), key=lambda info: info.name)

    def outputs(self) -> list[PortInfo]:
        """List what can be written to, by name; raises PortError when the system is not there."""
        return sorted(self.patchbay().destinations(), key=lambda info: info.name)

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> SystemInput:  # noqa: ARG002
        """Connect; `received` is called on a thread of RtMidi, which on ALSA is scheduled like the caller."""
        patchbay = self.patchbay()
        idle = self._idle_ins
        if idle and monotonic_ns() - idle[0].parted_ns > _STILL_ARRIVING_NS:
            end = idle.popleft()
        else:
            end = _In(self._api, self._next_name(patchbay, "in"), patchbay, stamped=self.kind == "alsa")
            self._ins.append(end)
        end.received = received
        try:
            end.join(split_handle(info.handle), end.identifier)
        except PortError:
            end.received = _nobody
            idle.appendleft(end)
            raise
        return SystemInput(info, end, idle)

    def open_output(self, info: PortInfo, name: str = "") -> OutputPort:  # noqa: ARG002
        """Connect; raises PortError when the port has gone."""
        patchbay = self.patchbay()
        if self._idle_outs:
            end = self._idle_outs.popleft()
        else:
            end = _Out(self._api, self._next_name(patchbay, "out"), patchbay)
            self._outs.append(end)
        try:
            end.join(end.identifier, split_handle(info.handle))
        except PortError:
            self._idle_outs.appendleft(end)
            raise
        return SystemOutput(info, end, self._idle_outs)

    def watch(self, changed: Changed) -> None:
        """Have what comes and goes announced; raises PortError when the system is not there (yet)."""
        self._changed = changed
        self.patchbay()

    def close(self) -> None:
        """Part and free everything that was opened; harmless when called twice."""
        patchbay = self._connected
        if patchbay is None:
            return
        if patchbay.alive:
            sleep(SETTLE_S)
            for end in (*self._ins, *self._outs):
                end.part()
            until_ns = monotonic_ns() + _LONGEST_WAIT_NS
            sleep(SETTLE_S)
            while any(end.is_busy() for end in self._ins) and monotonic_ns() < until_ns:
                sleep(SETTLE_S)
        self._forget()
        patchbay.close()

    def patchbay(self) -> Patchbay:
        """Return the system's patchbay, connected anew when the last one has gone; raises PortError."""
        if self._connected is not None and not self._connected.alive:
            self._forget()
        if self._connected is None:
            self._connected = self._connect(self._announce)
        return self._connected

    def _announce(self) -> None:
        self._changed()

    def _forget(self) -> None:
        for end in (*self._ins, *self._outs):
            end.free()
        for ends in (self._ins, self._outs, self._idle_ins, self._idle_outs):
            ends.clear()
        self._connected = None

    def _next_name(self, patchbay: Patchbay, direction: str) -> str:
        self._number += 1
        return f"{patchbay.name}-{direction}{self._number}"


class SystemInput:
    """A connected input."""

    def __init__(self, info: PortInfo, end: _In, idle: deque[_In]) -> None:
        self.info = info
        self._end: _In | None = end
        self._idle = idle

    def condition(self) -> Condition:
        """Return how it stands, as the patchbay knows it."""
        return CONNECTED if self._end is None else self._end.condition()

    def rename(self, client_name: str, port_name: str) -> None:
        """Call our end of it so, where others list it; it may be the end of another connection later."""
        if self._end is not None:
            self._end.midi.set_client_name(client_name)
            self._end.midi.set_port_name(port_name)

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""
        end, self._end = self._end, None
        if end is not None:
            end.received = _nobody
            if end.part():
                self._idle.append(end)


class SystemOutput:
    """A connected output; `send` raises PortError once it is closed or the system has gone."""

    def __init__(self, info: PortInfo, end: _Out, idle: deque[_Out]) -> None:
        self.info = info
        self._end: _Out | None = end
        self._idle = idle
        writer = cast("WriterPatchbay", end.patchbay).writer(end.midi.send_message, split_handle(info.handle))
        self.takes_pieces = writer.takes_pieces
        self.send: Callable[[bytes], None] = writer.write

    def condition(self) -> Condition:
        """Return how it stands, as the patchbay knows it."""
        return CONNECTED if self._end is None else self._end.condition()

    def close(self) -> None:
        """Close at once, see `OutputPort`; harmless when called twice."""
        end, self._end = self._end, None
        if end is not None:
            self.send = self._refuse
            if end.part():
                self._idle.append(end)

    def _refuse(self, _: bytes) -> None:
        raise PortError(f"port {self.info.name!r} is closed")


class _End:
    """An RtMidi object with one virtual port, and what that is connected to."""

    def __init__(self, midi: Any, name: str, patchbay: Patchbay) -> None:
        try:
            midi.open_virtual_port(OWN_PORT)
        except (rtmidi.RtMidiError, OSError) as error:
            raise PortError(f"cannot open a port: {error}") from error
        self.midi = midi
        self.patchbay = patchbay
        self.identifier = patchbay.own(name)
        self.parted_ns = 0
        self._joined: tuple[str, str] | None = None

    def join(self, source: str, destination: str) -> None:
        """Connect; raises PortError when the other port has gone."""
        self.patchbay.connect(source, destination)
        self._joined = source, destination

    def part(self) -> bool:
        """Part the port, if it is connected; False when the system has gone and this is of no more use."""
        if self._joined is not None:
            self.patchbay.disconnect(*self._joined)
            self._joined = None
        self.parted_ns = monotonic_ns()
        return self.patchbay.alive

    def condition(self) -> Condition:
        """Return how the connection stands; not that of an end that is joined to nothing."""
        return CONNECTED if self._joined is None else self.patchbay.condition(*self._joined)

    def is_busy(self) -> bool:
        """Tell whether a message may be on its way in, so that the RtMidi object must not be freed."""
        return False

    def free(self) -> None:
        """Free the RtMidi object; keep it for ever when that cannot be done, or its server has done it."""
        if self.patchbay.alive and not self.is_busy():
            self.midi.delete()
        else:
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self.midi))


class _In(_End):
    """An input; `received` may be exchanged at any time."""

    def __init__(self, api: int, name: str, patchbay: Patchbay, *, stamped: bool) -> None:
        """`stamped`: RtMidi's intervals are the kernel's (see `queue_time`), not those of its callback."""
        midi = _make(rtmidi.MidiIn, api, name)
        midi.ignore_types(sysex=False, timing=False, active_sense=False)
        self.received: Received = _nobody
        self.mender = Mender()
        self._mender_open = self.mender.open
        self._queue = QueueTime() if stamped else None
        self.faults = 0
        self._heard_ns = 0
        midi.set_callback(self._heard)
        super().__init__(midi, name, patchbay)

    def _heard(self, message: tuple[list[int], float], _: object) -> None:
        at_ns = monotonic_ns()
        self._heard_ns = at_ns
        try:
            data = bytes(message[0])
            queue = self._queue
            if queue is not None:
                queue.elapsed_s += message[1]
                if data >= _AFTER_SYSEX:  # notes are routed at once, whenever they came
                    at_ns = queue.instant_ns(at_ns)
            # as the mender would find: a whole message with data bytes, and no SysEx that it could stand in
            if (
                1 < len(data) == MESSAGE_LENGTH[data[0]]
                and (data[1] | data[-1]) < 0x80
                and not self._mender_open
            ):
                self.received(data, at_ns)
                return
            for whole in self.mender.take(data):
                self.received(whole, at_ns)
        except Exception:  # noqa: BLE001 - it would end in C++ code, which knows no way out
            self.faults += 1

    def is_busy(self) -> bool:
        """Tell whether something came just now: its thread may be about to ask for the interpreter."""
        return monotonic_ns() - self._heard_ns < SETTLE_S * NS_PER_S


class _Out(_End):
    """An output."""

    def __init__(self, api: int, name: str, patchbay: Patchbay) -> None:
        super().__init__(_make(rtmidi.MidiOut, api, name), name, patchbay)


def _make(kind: Callable[..., Any], api: int, name: str) -> Any:
    try:
        return kind(api, name=name)
    except (rtmidi.RtMidiError, OSError) as error:
        raise PortError(f"cannot open a port: {error}") from error


def _nobody(_data: bytes, _at_ns: int) -> None:
    """Receive for a port that is not open."""
