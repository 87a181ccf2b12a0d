"""The ports of ALSA: inputs by RtMidi, outputs by the kernel's sequencer itself.

Coming in, SysEx of a device has no limit; a program that hands over more than about 5 kB as one event
loses it in the kernel (seen with 6 000 bytes), because RtMidi's input holds 200 cells of 28 bytes.

RtMidi objects are kept and used again, because opening and closing them holds the interpreter, and closing
one while a message arrives can lock up: RtMidi waits for its thread, which waits for the interpreter. They
are freed only when everything is closed.

When a message came is worked out by `QueueTime` from the stamps of the kernel's sequencer, in ns of
CLOCK_MONOTONIC: the moment at which RtMidi's callback runs is late by whatever held it up, this interpreter
or a busy processor. After a standstill many ticks are handed over at once, and by those moments somebody's
tempo would be hundreds of beats a minute. On ALSA RtMidi reports how long before each message the one before
it came, by the queue of the kernel that stamps both: whole ns, so nothing is lost by adding them up. What is
not known is where that queue's zero lies. It is taken from the arrivals that were handed over fastest: the
least distance between moment and stamp over the last five to ten seconds, as the queue has the rate of
CLOCK_MONOTONIC but may step: it goes by a timer, and while that is late a stamp is too early by as much.

Measured (tests.bench.input_stamps, rms about the moments of sending, on an emulated processor some fifteen
times slower than a real one): intervals 71 µs, moments 500 µs; 157 against 1217 while the interpreter
computed, 304 against 574 while processors were busy; with much other work on the machine that emulates 91
against 1155, 530 against 14 647 and 1004 against 4450. No real one with ALSA was at hand.

More than 350 lines: an input is read by RtMidi, or after a fork by ourselves, to the same end.

On JACK intervals are taken in the callback itself and are no calmer (3783 against 3784 µs about a straight
line), so they are not used.
"""

from __future__ import annotations

import ctypes
import errno
import os
import select
import threading
from collections import deque
from collections.abc import Callable, Iterable
from time import monotonic_ns, sleep

import rtmidi

from routerd.core.errors import PortError
from routerd.core.midi.messages import MESSAGE_LENGTH
from routerd.core.model.rig import Device
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.ports.alsa_output import AlsaOutput
from routerd.ports.alsa_sequencer import AlsaSequencer, address_of
from routerd.ports.base import (
    CLIENT_NAME,
    CONNECTED,
    SETTLE_S,
    Changed,
    Condition,
    PortInfo,
    Received,
    built_without,
)
from routerd.ports.sequencer import (
    READ_BYTES,
    Address,
    SequencerClient,
    decode,
    descriptor_of,
    give_room,
)
from routerd.ports.sysex_assembly import SysexAssembly

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
    """See `PortSystem`. `malformed` counts what arrived and was not a MIDI message."""

    kind = "alsa"

    def __init__(self) -> None:
        self._changed: Changed = lambda: None
        self._connected: AlsaSequencer | None = None
        self._count = 0
        self._ins: list[_In] = []
        self._idle: deque[_In] = deque()
        self.tell_copy: Callable[[bytes], None] | None = None

    # A copy in a forked process, which has the same open sequencers

    def hear(self, told: bytes) -> None:
        """Do nothing: nothing is told."""

    def go_on(self) -> None:
        """Hear announcements and inputs from here on."""
        if self._connected is not None:
            self._connected.go_on()
        for end in self._ins:
            end.midi.go_on(descriptor_of(end.address[0]))

    @property
    def malformed(self) -> int:
        """Return how often something arrived that was not a MIDI message, and went no further."""
        return sum(end.midi.assembly.malformed for end in self._ins)

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

    def provide(self, devices: Iterable[Device]) -> None:
        """Do nothing: these ports are there."""

    def allow_late(self, quarter_ns: int) -> None:
        """Do nothing: a program that stands still has what its input holds, see `alsa_output`."""

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
        self.assembly = SysexAssembly()
        self._sysex_open = self.assembly.open
        self._queue = QueueTime()
        self.faults = 0
        self._heard_ns = 0
        self._descriptor = -1
        """Of its open sequencer, where no thread of RtMidi reads that."""
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
            # as the assembly would find: a whole message with data bytes, and no SysEx that it could stand in
            if (
                1 < len(data) == MESSAGE_LENGTH[data[0]]
                and (data[1] | data[-1]) < 0x80
                and not self._sysex_open
            ):
                self.received(data, at_ns)
                return
            for whole in self.assembly.take(data):
                self.received(whole, at_ns)
        except Exception:  # noqa: BLE001 - it would end in C++ code, which knows no way out
            self.faults += 1

    def go_on(self, descriptor: int) -> None:
        """Go on in a forked process, in which RtMidi has no thread: read its open sequencer ourselves."""
        self._descriptor = descriptor
        self._queue = QueueTime()
        threading.Thread(target=self._read, name="alsa input", daemon=True).start()

    def _read(self) -> None:
        waiting = select.poll()
        waiting.register(self._descriptor, select.POLLIN)
        while True:
            waiting.poll()
            try:
                events = os.read(self._descriptor, READ_BYTES)
            except BlockingIOError:
                continue
            except OSError as error:
                if error.errno == errno.ENOSPC:  # more came than fits, and is lost, as it is with RtMidi
                    self.assembly.malformed += 1
                    continue
                return
            for data, queue_ns in decode(events):
                self._take(data, queue_ns)

    def _take(self, data: bytes, queue_ns: int) -> None:
        at_ns = self._heard_ns = monotonic_ns()
        try:
            if queue_ns and data >= _AFTER_SYSEX:
                self._queue.elapsed_s = queue_ns / NS_PER_S
                at_ns = self._queue.instant_ns(at_ns)
            for whole in self.assembly.take(data):
                self.received(whole, at_ns)
        except Exception:  # noqa: BLE001 - the next message is heard all the same
            self.faults += 1

    def is_busy(self) -> bool:
        """Return whether something came just now: its thread may be about to ask for the interpreter."""
        return monotonic_ns() - self._heard_ns < SETTLE_S * NS_PER_S

    def free(self) -> None:
        """Free the RtMidi object, or keep it for ever where that could lock up."""
        if self.is_busy() or self._descriptor >= 0:
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._midi))
        else:
            self._midi.delete()


def ignore(_data: bytes, _at_ns: int) -> None:
    """Receive for a port that is not open."""


WINDOW_NS = 5 * NS_PER_S


class QueueTime:
    """Follows one RtMidi input. The caller adds every interval that RtMidi tells to `elapsed_s`."""

    __slots__ = ("_before_ns", "_last_ns", "_least_ns", "_turn_ns", "elapsed_s")

    def __init__(self) -> None:
        self.elapsed_s = 0.0
        self._least_ns = 0
        self._before_ns = 0
        self._turn_ns = -WINDOW_NS
        self._last_ns = 0

    def instant_ns(self, now_ns: int) -> int:
        """Return when the message came whose callback runs now, its interval already added."""
        queue_ns = round(self.elapsed_s * NS_PER_S)
        apart_ns = now_ns - queue_ns
        if now_ns >= self._turn_ns:
            fresh = now_ns < self._turn_ns + WINDOW_NS
            self._before_ns = self._least_ns if fresh else apart_ns
            self._least_ns = apart_ns
            self._turn_ns = now_ns + WINDOW_NS
        elif apart_ns < self._least_ns:
            self._least_ns = apart_ns
        at_ns = queue_ns + min(self._least_ns, self._before_ns)
        self._last_ns = at_ns = max(at_ns, self._last_ns)
        return at_ns
