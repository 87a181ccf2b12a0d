"""An input on ALSA: RtMidi's, with one port of ours that may be connected to one source after another.

RtMidi objects are kept and used again, because opening and closing them holds the interpreter, and closing
one while a message arrives can lock up: RtMidi waits for its thread, which waits for the interpreter. They
are freed only when everything is closed.
"""

from __future__ import annotations

import ctypes
from time import monotonic_ns

import rtmidi

from routerd.core.errors import PortError
from routerd.core.midi.messages import MESSAGE_LENGTH
from routerd.core.units import NS_PER_S
from routerd.ports.base import SETTLE_S, Received
from routerd.ports.patchbay import CLIENT_NAME
from routerd.ports.queue_time import QueueTime
from routerd.ports.sysex_assembly import Mender

_AFTER_SYSEX = b"\xf1"
"""From here on status bytes are the system's: somebody's clock, time code and transport."""

_UNUSED = "unused"
"""What others see the port called while it has no device."""


class RtMidiInput:
    """One RtMidi object with one port. `received` may be exchanged at any time.

    Its messages come on a thread of RtMidi, which is scheduled as the one that made it.
    """

    def __init__(self, client_name: str) -> None:
        """Make it, under a name of its own by which the port is found; raises PortError."""
        self.received: Received = ignore
        self.mender = Mender()
        self._mender_open = self.mender.open
        self._queue = QueueTime()
        self.faults = 0
        self._heard_ns = 0
        try:
            self._midi = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name=client_name)
            self._midi.ignore_types(sysex=False, timing=False, active_sense=False)
            self._midi.set_callback(self._heard)
            self._midi.open_virtual_port(_UNUSED)
        except (rtmidi.RtMidiError, OSError) as error:
            raise PortError(f"cannot open a port: {error}") from error

    def call(self, name: str = _UNUSED) -> None:
        """Have others see the port by that name."""
        self._midi.set_client_name(CLIENT_NAME)
        self._midi.set_port_name(name)

    def _heard(self, message: tuple[list[int], float], _: object) -> None:
        at_ns = monotonic_ns()
        self._heard_ns = at_ns
        try:
            data = bytes(message[0])
            self._queue.elapsed_s += message[1]
            if data >= _AFTER_SYSEX:  # notes are routed at once, whenever they came
                at_ns = self._queue.instant_ns(at_ns)
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
        """Return whether something came just now: its thread may be about to ask for the interpreter."""
        return monotonic_ns() - self._heard_ns < SETTLE_S * NS_PER_S

    def free(self) -> None:
        """Free the RtMidi object, or keep it for ever where that could lock up."""
        if self.is_busy():
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._midi))
        else:
            self._midi.delete()


def ignore(_data: bytes, _at_ns: int) -> None:
    """Receive for a port that is not open."""
