"""The ALSA sequencer: which ports it has, who is connected to whom, what it announces, and the way out.

What comes in is read by RtMidi; everything else is done by two clients of our own (see `sequencer`). One has
the ports that send, each for one output and named after its device. A message goes to its destination alone,
at once: there is no buffer in which it could wait for another one, and whoever else listens to our port
can neither hold it up nor get a copy. The other client connects, hears the kernel's announcements and asks
how things stand, so that nothing of that is in the way of what is sent.

Coming in, SysEx of a device has no limit; a program that hands over more than about 5 kB as one event
loses it in the kernel (seen with 6 000 bytes), because RtMidi's input holds 200 cells of 28 bytes.
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import select
import threading
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass
from time import monotonic_ns
from typing import Never, cast

import rtmidi

from routerd.core.errors import PortError
from routerd.core.messages import TICK_BYTES
from routerd.core.model import ANY_USB, Usb
from routerd.ports.alsa_room import INPUT_CELLS, give_room
from routerd.ports.backlog import MOST_TICKS, Backlog
from routerd.ports.base import CONNECTED, Condition, PortInfo, Received, StalledError
from routerd.ports.patchbay import CLIENT_NAME, OWN_PORT, built_without, split_handle
from routerd.ports.sequencer import (
    ANNOUNCEMENTS,
    CLIENT_EXIT,
    DESTINATION,
    NO_EXPORT,
    PORT_EXIT,
    SOURCE,
    SequencerClient,
    SequencerPort,
    enlarge_input,
)
from routerd.ports.sequencer_events import EVENT, Address, EventEncoder
from routerd.ports.system import RtMidiPorts, SystemInput
from routerd.ports.usb_identity import usb_of_card

_EVERY_PORT = -1
_CLOSED = -1
_PARTED = Condition("disconnected", "another program has disconnected it")
UNLIMITED = math.inf
"""The room of the kernel's own clients."""

MOST_HELD_BACK = 1000
"""So many messages wait in a burst for a program to read the first of them."""

_STALLED = Condition("stalled", "the program that receives does not read what it is sent")


def open_alsa() -> AlsaPorts:
    """Return the ports of ALSA; raises PortError when RtMidi was built without it."""
    if rtmidi.API_LINUX_ALSA not in rtmidi.get_compiled_api():
        raise PortError(built_without("ALSA", "libasound2-dev", "jack"))
    return AlsaPorts()


class AlsaPorts(RtMidiPorts):
    """The ports of ALSA: inputs by RtMidi, outputs by the sequencer itself."""

    def __init__(self) -> None:
        super().__init__("alsa", rtmidi.API_LINUX_ALSA, AlsaSequencer)

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> SystemInput:
        """Connect; the port of ours is called by that name."""
        port = super().open_input(info, received, name)
        port.rename(CLIENT_NAME, name or OWN_PORT)
        return port

    def open_output(self, info: PortInfo, name: str = "") -> AlsaOutput:
        """Connect a port of that name; raises PortError when the destination has gone."""
        return AlsaOutput(cast("AlsaSequencer", self.patchbay()), info, name or CLIENT_NAME)


class AlsaSequencer:
    """A patchbay: the kernel's sequencer. A port's identifier is its address, "client:port".

    `changed` is called on a thread of our own when something has come or gone.
    """

    alive = True

    def __init__(self, changed: Callable[[], None]) -> None:
        """Connect; raises PortError when the kernel has no sequencer or does not let us at it."""
        self.name = f"{CLIENT_NAME}-{os.getpid()}"
        self._changed = changed
        self._departures: Counter[tuple[int, int]] = Counter()
        self._usb: dict[tuple[int, int], Usb] = {}
        self._rooms: dict[int, Room] = {}
        self.sender = SequencerClient(CLIENT_NAME)
        try:
            self.manager = SequencerClient(f"{CLIENT_NAME} connections")
        except PortError:
            self.sender.close()
            raise
        enlarge_input(self.manager.descriptor, self.manager.number, INPUT_CELLS)
        # No third program may disconnect it, as `aconnect -x` does with everything that it may.
        ear = self.manager.create_port("announcements", DESTINATION | NO_EXPORT)
        self.manager.connect(ANNOUNCEMENTS, ear)
        self._reading = threading.Lock()
        self._closing = os.eventfd(0, os.EFD_CLOEXEC)
        self._thread = threading.Thread(target=self._hear, name="alsa announcements", daemon=True)
        self._thread.start()

    def sources(self) -> list[PortInfo]:
        """List what can be read from; raises PortError."""
        return self._offered(SOURCE)

    def destinations(self) -> list[PortInfo]:
        """List what can be written to; raises PortError."""
        return self._offered(DESTINATION)

    def _offered(self, capabilities: int) -> list[PortInfo]:
        system = ANNOUNCEMENTS[0]
        return [
            self._info(port)
            for port in self._ports()
            if port.has(capabilities) and port.address[0] != system and not _is_own(port)
        ]

    def own(self, client_name: str) -> str:
        """Return the identifier of the port that RtMidi has opened as that client; raises PortError."""
        for port in self._ports():
            if (port.client_name, port.name) == (client_name, OWN_PORT):
                give_room(port.address[0])  # what is refused costs nothing but room
                return _identifier(port.address)
        raise PortError(f"the port of {client_name} has gone")

    def _ports(self) -> list[SequencerPort]:
        self._take_announcements()  # so that what has left before is known to have left
        try:
            return list(self.manager.ports())
        except OSError as error:
            raise PortError(f"the ALSA sequencer does not list its ports: {error}") from error

    def _info(self, port: SequencerPort) -> PortInfo:
        # A port that left and came back is another port, though it has the same name and address.
        departed = self.departures(port.address)
        usb = self._usb_of(port)
        name = f"{port.client_name}:{port.name}"
        return PortInfo(name, f"{departed} {_identifier(port.address)}", usb.serial, usb.path)

    def _usb_of(self, port: SequencerPort) -> Usb:
        """Return which USB device a client stands for. The files are read once as long as it stays."""
        client = port.address[0]
        key = client, self._departures[client, _EVERY_PORT]
        if key not in self._usb:
            self._usb = {known: usb for known, usb in self._usb.items() if known[0] != client}
            self._usb[key] = ANY_USB if port.card < 0 else usb_of_card(port.card)
        return self._usb[key]

    def departures(self, address: Address) -> int:
        """Return how often that port, or its client, has left."""
        return self._departures[address] + self._departures[address[0], _EVERY_PORT]

    def connect(self, source: str, destination: str) -> None:
        """Connect two ports; raises PortError when one has gone."""
        try:
            self.manager.connect(_address(source), _address(destination))
        except OSError as error:
            if error.errno != errno.EBUSY:  # they are connected
                raise PortError(
                    f"ALSA does not connect {source} to {destination}: {error.strerror}"
                ) from error

    def disconnect(self, source: str, destination: str) -> None:
        """End a connection, if it is there."""
        try:
            self.manager.disconnect(_address(source), _address(destination))
        except OSError:
            return  # one of them has gone, and the connection with it

    def room_of(self, client: int) -> Room:
        """Return the room of that program, which all our outputs to it share."""
        return self._rooms.setdefault(client, Room())

    def condition(self, source: str, destination: str) -> Condition:
        """Return whether two ports are connected."""
        return CONNECTED if self.manager.is_connected(_address(source), _address(destination)) else _PARTED

    def close(self) -> None:
        """Let go of the sequencer; harmless when called twice."""
        if self._thread.is_alive():
            os.eventfd_write(self._closing, 1)
            self._thread.join(1)
        self.sender.close()
        self.manager.close()

    def _take_announcements(self) -> None:
        """Note which ports and clients have left.

        When more was announced than fits, departures are lost: a port that left and came back then passes
        for one that stayed, until its connection is found to be missing.
        """
        with self._reading:
            for kind, address in self.manager.announcements() or ():
                if kind == PORT_EXIT:
                    self._departures[address] += 1
                elif kind == CLIENT_EXIT:
                    self._departures[address[0], _EVERY_PORT] += 1

    # On a thread of our own

    def _hear(self) -> None:
        waiting = select.poll()
        waiting.register(self.manager.descriptor, select.POLLIN)
        waiting.register(self._closing, select.POLLIN)
        while not any(descriptor == self._closing for descriptor, _ in waiting.poll()):
            self._take_announcements()
            self._changed()


@dataclass(slots=True)
class Room:
    """How many cells of a program's input are free at least: one for a short message (see `sequencer`)."""

    cells: float = 0


class AlsaOutput:
    """A port of ours, connected to one destination, to which alone it sends."""

    takes_pieces = True

    def __init__(self, sequencer: AlsaSequencer, info: PortInfo, name: str) -> None:
        """Make the port and connect it; raises PortError when the destination has gone."""
        self.info = info
        self._sequencer = sequencer
        self._destination = _address(split_handle(info.handle))
        try:
            self._source = sequencer.sender.create_port(name, SOURCE)
        except OSError as error:
            raise PortError(f"ALSA does not make another port: {error.strerror}") from error
        try:
            sequencer.connect(_identifier(self._source), _identifier(self._destination))
        except PortError:
            sequencer.sender.delete_port(self._source)
            raise
        self._descriptor = sequencer.sender.descriptor
        self._encode = EventEncoder(self._source, self._destination).encode
        self._tick = self._encode(TICK_BYTES)
        self._room = sequencer.room_of(self._destination[0])
        self._sent = 0
        self._backlog = Backlog()
        self._held_back: deque[bytes] = deque()
        self._order = threading.Lock()
        self._is_closed = False

    def send(self, data: bytes) -> None:
        """Hand over one whole message, or a piece of a SysEx; never blocks; raises PortError."""
        if data is TICK_BYTES:
            event = self._tick
            self._backlog.unread_ticks += 1
            if self._backlog.unread_ticks > MOST_TICKS:
                self._see_whether_ticks_are_read()
        else:
            event = self._encode(data)
        if self._held_back or not self._write(event):
            self._hold_back(event)

    def _write(self, event: bytes) -> bool:
        """Deliver an event; False when the program has no room for it; raises PortError."""
        cells = -(-len(event) // EVENT.size)
        room = self._room
        if cells > room.cells and not self._has_room(cells):
            return False
        try:
            os.write(self._descriptor, event)
        except BlockingIOError:  # somebody else has filled it
            if room.cells is not UNLIMITED:
                room.cells = 0
                return False
            # A port of the kernel's that passes on (Midi Through) has done so, but one of those who listen
            # there has no room left: that is between the two.
        except OSError as error:
            why = "has been closed" if self._is_closed else "has gone" if error.errno == errno.ENOENT else ""
            if not why:
                why = f"takes no messages: {error.strerror}"
            raise PortError(f"{self.info.name!r} {why}") from error
        room.cells -= cells
        self._sent += 1
        return True

    def _has_room(self, cells: int) -> bool:
        """Ask the kernel. What does not fit must not be tried: the program would lose all it has not read."""
        try:
            size, free = self._sequencer.sender.pool(self._destination[0])
        except OSError:
            return True  # it has gone, as the sequencer is about to say
        self._room.cells = free if size else UNLIMITED
        return cells <= self._room.cells or cells >= size > 0

    def _hold_back(self, event: bytes) -> None:
        """Keep what comes too fast for the program to read until there is room for it."""
        with self._order:
            self._held_back.append(event)
            self._deliver_held_back()
        if len(self._held_back) > MOST_HELD_BACK:
            self._give_up(self._waiting(self._sequencer.sender))

    def _deliver_held_back(self) -> None:
        while self._held_back and self._write(self._held_back[0]):
            self._held_back.popleft()  # only now, so that whoever sends meanwhile does not overtake it

    def _see_whether_ticks_are_read(self) -> None:
        """Raise StalledError if none of the last ticks has been read. Asking takes as long as a message."""
        waiting = self._waiting(self._sequencer.sender)
        if waiting >= MOST_TICKS:
            self._give_up(waiting)
        self._backlog.unread_ticks = waiting + 1  # the one to be sent now

    def _give_up(self, waiting: int) -> Never:
        self._backlog.give_up(waiting, self._sent)
        raise StalledError(_STALLED.why)

    def condition(self) -> Condition:
        """Return how it stands: connected, disconnected by another program, or not read by its own."""
        manager = self._sequencer.manager
        if not manager.is_connected(self._source, self._destination):
            return _PARTED
        if self._held_back:
            with self._order, contextlib.suppress(PortError):
                self._deliver_held_back()
        waiting = self._waiting(manager)
        return _STALLED if self._backlog.judge(waiting, self._sent, monotonic_ns()) else CONNECTED

    def _waiting(self, client: SequencerClient) -> int:
        """Return how much the program has not read yet, in cells; a short message takes one."""
        try:
            size, free = client.pool(self._destination[0])
        except OSError:
            return 0  # it has gone
        return size - free

    def close(self) -> None:
        """Close at once, see `OutputPort`; harmless when called twice."""
        if self._is_closed:
            return
        self._is_closed = True
        self._descriptor = _CLOSED
        # Disconnected before it is removed: it may wait for a device, as the sender must never do.
        self._sequencer.disconnect(_identifier(self._source), _identifier(self._destination))
        with contextlib.suppress(OSError):
            self._sequencer.sender.delete_port(self._source)


def _is_own(port: SequencerPort) -> bool:
    return port.client_name.startswith(CLIENT_NAME)


def _identifier(address: Address) -> str:
    return f"{address[0]}:{address[1]}"


def _address(identifier: str) -> Address:
    client, port = identifier.split(":")
    return int(client), int(port)
