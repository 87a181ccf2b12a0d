"""The ports of ALSA: inputs by RtMidi, outputs by the kernel's sequencer itself.

Coming in, SysEx of a device has no limit; a program that hands over more than about 5 kB as one event
loses it in the kernel (seen with 6 000 bytes), because RtMidi's input holds 200 cells of 28 bytes.
"""

from __future__ import annotations

import os
from collections import deque
from time import monotonic_ns, sleep

import rtmidi

from routerd.core.errors import PortError
from routerd.core.units import NS_PER_MS
from routerd.ports.alsa_output import AlsaOutput
from routerd.ports.alsa_pool import give_room
from routerd.ports.alsa_sequencer import AlsaSequencer, address_of
from routerd.ports.base import CONNECTED, SETTLE_S, Changed, Condition, PortInfo, Received
from routerd.ports.patchbay import CLIENT_NAME, built_without
from routerd.ports.rtmidi_input import RtMidiInput, ignore
from routerd.ports.sequencer import SequencerClient
from routerd.ports.sequencer_events import Address

_STILL_ARRIVING_NS = 100 * NS_PER_MS
"""What was sent before an input was disconnected may arrive for so long."""

_LONGEST_WAIT_NS = 300 * NS_PER_MS
"""How long to wait for inputs to fall silent once they are disconnected."""


def open_alsa() -> AlsaPorts:
    """Return the ports of ALSA; raises PortError when RtMidi was built without it."""
    if rtmidi.API_LINUX_ALSA not in rtmidi.get_compiled_api():
        raise PortError(built_without("ALSA", "libasound2-dev", "jack"))
    return AlsaPorts()


class AlsaPorts:
    """See `PortSystem`. `strange` counts what arrived and was no MIDI message."""

    kind = "alsa"

    def __init__(self) -> None:
        self._changed: Changed = lambda: None
        self._connected: AlsaSequencer | None = None
        self._count = 0
        self._ins: list[_In] = []
        self._idle: deque[_In] = deque()

    @property
    def strange(self) -> int:
        """Return how often something arrived that was no MIDI message, and went no further."""
        return sum(end.midi.mender.strange for end in self._ins)

    @property
    def sequencer(self) -> AlsaSequencer:
        """The sequencer, connected when it is first asked for; raises PortError."""
        if self._connected is None:
            self._connected = AlsaSequencer(self._announce)
        return self._connected

    def _announce(self) -> None:
        self._changed()

    def inputs(self) -> list[PortInfo]:
        """List what can be read from, by name; raises PortError when the system is not there."""
        return sorted(self.sequencer.sources(), key=lambda info: info.name)

    def outputs(self) -> list[PortInfo]:
        """List what can be written to, by name; raises PortError when the system is not there."""
        return sorted(self.sequencer.destinations(), key=lambda info: info.name)

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> AlsaInput:
        """Connect; `received` is called on a thread of RtMidi, which is scheduled like the caller."""
        idle = self._idle
        if idle and monotonic_ns() - idle[0].closed_ns > _STILL_ARRIVING_NS:
            end = idle.popleft()
        else:
            end = self._make_input()
        end.midi.received = received
        try:
            self.sequencer.connect(address_of(info), end.address)
        except PortError:
            end.midi.received = ignore
            idle.appendleft(end)
            raise
        end.source = address_of(info)
        end.midi.call(name or CLIENT_NAME)
        return AlsaInput(self.sequencer, info, end, idle)

    def _make_input(self) -> _In:
        self._count += 1
        client_name = f"{CLIENT_NAME}-{os.getpid()}-in{self._count}"
        try:
            midi = RtMidiInput(client_name)
        except PortError:
            SequencerClient(CLIENT_NAME).close()  # RtMidi does not say why; this does
            raise
        end = _In(midi, self.sequencer.port_of(client_name))
        give_room(end.address[0])  # what is refused costs nothing but room
        self._ins.append(end)
        return end

    def open_output(self, info: PortInfo, name: str = "") -> AlsaOutput:
        """Connect a port of that name; raises PortError when the destination has gone."""
        return AlsaOutput(self.sequencer, info, name or CLIENT_NAME)

    def watch(self, changed: Changed) -> None:
        """Have what comes and goes announced; raises PortError when the system is not there (yet)."""
        self._changed = changed
        _ = self.sequencer

    def close(self) -> None:
        """Disconnect and free everything that was opened; harmless when called twice."""
        sequencer, self._connected = self._connected, None
        if sequencer is None:
            return
        sleep(SETTLE_S)
        for end in self._ins:
            if end.source is not None:
                sequencer.disconnect(end.source, end.address)
        until_ns = monotonic_ns() + _LONGEST_WAIT_NS
        sleep(SETTLE_S)
        while any(end.midi.is_busy() for end in self._ins) and monotonic_ns() < until_ns:
            sleep(SETTLE_S)
        for end in self._ins:
            end.midi.free()
        self._ins.clear()
        self._idle.clear()
        sequencer.close()


class _In:
    """An input of ours, used for one source after another."""

    __slots__ = ("address", "closed_ns", "midi", "source")

    def __init__(self, midi: RtMidiInput, address: Address) -> None:
        self.midi = midi
        self.address = address
        self.source: Address | None = None
        self.closed_ns = 0


class AlsaInput:
    """A connected input."""

    def __init__(self, sequencer: AlsaSequencer, info: PortInfo, end: _In, idle: deque[_In]) -> None:
        self.info = info
        self._sequencer = sequencer
        self._end: _In | None = end
        self._idle = idle

    def condition(self) -> Condition:
        """Return whether it is connected."""
        end = self._end
        if end is None or end.source is None:
            return CONNECTED
        return self._sequencer.condition(end.source, end.address)

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""
        end, self._end = self._end, None
        if end is None or end.source is None:
            return
        end.midi.received = ignore
        self._sequencer.disconnect(end.source, end.address)
        end.source = None
        end.midi.call()
        end.closed_ns = monotonic_ns()
        self._idle.append(end)
