"""The ports of ALSA, by the kernel's sequencer itself (`sequencer`): an input is a client of its own.

So a flood from one device fills no other's queue. Coming in, SysEx of a device has no limit; what a program
hands over as one event has to fit into the input, some 50 kB.

When a message came is worked out by `QueueTime` from the stamps of the kernel's sequencer, in ns of
CLOCK_MONOTONIC: the moment at which our thread runs is late by whatever held it up, this interpreter or a
busy processor. After a standstill many ticks are read at once, and by those moments somebody's tempo would
be hundreds of beats a minute. The kernel stamps each event as it delivers it, by the clock of a queue of
ours. What is not known is where that queue's zero lies. It is taken from the arrivals that were read fastest:
the least distance between moment and stamp over the last five to ten seconds, as the queue has the rate of
CLOCK_MONOTONIC but may step: it goes by a timer, and while that is late a stamp is too early by as much.

Measured with RtMidi, whose intervals are differences of such stamps (rms about the moments of sending, on an
emulated processor some fifteen times slower than a real one): stamps 71 µs, moments 500 µs; 157 against 1217
while the interpreter computed, 304 against 574 while processors were busy; with much other work on the
machine that emulates 91 against 1155, 530 against 14 647 and 1004 against 4450. No real one with ALSA was at
hand. `tests.bench.input_stamps` measures our input beside RtMidi's.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Callable, Container, Iterable
from time import monotonic_ns, sleep

from routerd.core.errors import PortError
from routerd.core.model.rig import Device
from routerd.core.units import NS_PER_S
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
)
from routerd.ports.reception import Reception
from routerd.ports.sequencer import (
    DESTINATION,
    READ_BYTES,
    SequencerClient,
    decode,
)
from routerd.ports.sysex_assembly import SysexAssembly


class AlsaPorts:
    """See `PortSystem`. `malformed` counts what arrived and was not a MIDI message."""

    kind = "alsa"

    def __init__(self) -> None:
        self._changed: Changed = lambda: None
        self._connected: AlsaSequencer | None = None
        self._inputs: set[AlsaInput] = set()
        self._malformed = 0
        self.tell_copy: Callable[[bytes], None] | None = None

    # A copy in a forked process, which has the same open sequencers

    def hear(self, told: bytes) -> None:
        """Do nothing: nothing is told."""

    def go_on(self, known: Container[int]) -> None:
        """Hear announcements and inputs from here on."""
        if self._connected is not None:
            self._connected.go_on()
        for port in self._inputs:
            port.go_on(known)

    @property
    def malformed(self) -> int:
        """Return how often something arrived that was not a MIDI message, and went no further."""
        return self._malformed + sum(port.assembly.malformed for port in self._inputs)

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
        """Connect; `received` is called on a thread of the input, which is scheduled like the caller."""
        port = AlsaInput(self.sequencer, info, received, self._forget, name or CLIENT_NAME)
        self._inputs.add(port)
        return port

    def _forget(self, port: AlsaInput) -> None:
        self._inputs.discard(port)
        self._malformed += port.assembly.malformed

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
        inputs = list(self._inputs)
        for port in inputs:
            port.close()
        for port in inputs:
            port.join()
        sequencer.close()


_AFTER_SYSEX = b"\xf1"
"""From here on status bytes are the system's: somebody's clock, time code and transport."""


class AlsaInput:
    """A connected input: a client with one port, and the thread that reads what is sent there."""

    def __init__(
        self,
        sequencer: AlsaSequencer,
        info: PortInfo,
        received: Received,
        closed: Callable[[AlsaInput], None],
        name: str,
    ) -> None:
        """Connect a port of that name; raises PortError when that cannot be."""
        self.info = info
        self.assembly = SysexAssembly()
        self.faults = 0
        self._sequencer = sequencer
        self._received = received
        self._closed = closed
        self._source = address_of(info)
        self._open = True
        self._queue_time = QueueTime()
        self._reception = Reception(READ_BYTES)
        self._client = SequencerClient(CLIENT_NAME, waits=True)
        try:
            with contextlib.suppress(OSError):  # what is refused costs nothing but room
                self._client.enlarge_input()
            self._address = self._client.create_port(name, DESTINATION, stamped_by=sequencer.queue)
            sequencer.connect(self._source, self._address)
            self._start()
        except (OSError, RuntimeError) as error:
            self._client.close()
            raise PortError(f"cannot open a port: {error}") from error
        except PortError:
            self._client.close()
            raise

    def _start(self) -> None:
        self._thread = threading.Thread(target=self._read, name="alsa input", daemon=True)
        self._thread.start()

    def go_on(self, known: Container[int]) -> None:
        """Go on in a forked process, which has no thread that reads, with what the original had read."""
        self.assembly.open.clear()  # of when the copy was made
        self._queue_time = QueueTime()
        events, passed_on = self._reception.left(known)
        for data, queue_ns in decode(events, len(events.rstrip(b"\0"))):
            if passed_on > 0:
                passed_on -= 1
            else:
                self._take(data, queue_ns)
        self._reception.clear(len(events))
        self._start()

    def condition(self) -> Condition:
        """Return whether it is connected."""
        return self._sequencer.condition(self._source, self._address) if self._open else CONNECTED

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""
        if not self._open:
            return
        self._open = False
        self._sequencer.disconnect(self._source, self._address)
        self._sequencer.wake(self._address)
        self._closed(self)

    def join(self) -> None:
        """Wait until its client has left the sequencer, once closed; half a second at most."""
        self._thread.join(0.5)

    # The thread that reads

    def _read(self) -> None:
        reception, descriptor = self._reception, self._client.descriptor
        buffers = (reception.buffer,)
        while self._open:
            try:
                length = os.readv(descriptor, buffers)
            except OSError as error:
                if error.errno == errno.ENOSPC:  # more came than fits, and is lost
                    self.assembly.malformed += 1
                    continue
                break
            for data, queue_ns in decode(reception.taken(length)):
                self._take(data, queue_ns)
            reception.clear(length)
        self._client.close()

    def _take(self, data: bytes, queue_ns: int) -> None:
        at_ns = monotonic_ns()
        if queue_ns and data >= _AFTER_SYSEX:  # notes are routed at once, whenever they came
            at_ns = self._queue_time.instant_ns(queue_ns, at_ns)
        self._reception.note(at_ns)
        if not self._open:
            return
        try:
            for whole in self.assembly.take(data):
                self._received(whole, at_ns)
        except Exception:  # noqa: BLE001 - the next message is heard all the same
            self.faults += 1


WINDOW_NS = 5 * NS_PER_S


class QueueTime:
    """Works out when messages came from their stamps by one queue."""

    __slots__ = ("_before_ns", "_last_ns", "_least_ns", "_turn_ns")

    def __init__(self) -> None:
        self._least_ns = 0
        self._before_ns = 0
        self._turn_ns = -WINDOW_NS
        self._last_ns = 0

    def instant_ns(self, queue_ns: int, now_ns: int) -> int:
        """Return when a message came that has this stamp and is read now."""
        apart_ns = now_ns - queue_ns
        if now_ns >= self._turn_ns:
            fresh = now_ns < self._turn_ns + WINDOW_NS
            self._before_ns = self._least_ns if fresh else apart_ns
            self._least_ns = apart_ns
            self._turn_ns = now_ns + WINDOW_NS
        elif apart_ns < self._least_ns:
            self._least_ns = apart_ns
        at_ns = queue_ns + min(self._least_ns, self._before_ns)
        self._last_ns = at_ns = max(at_ns, self._last_ns + 1)  # no two are the same: they are known by it
        return at_ns
