"""Two clients of the ALSA sequencer: one has the ports that send, one connects, listens and asks.

The second hears the kernel's announcements, lists ports, connects, and asks how connections and programs
stand, so that nothing of that is in the way of what is sent.

Which USB device a sound card is, sysfs knows: /sys/class/sound/cardN/device leads to an interface of a USB
device; the folder above is the device, named after its bus and ports ("1-1.2"), with the serial number in a
file. Not every device has a serial number.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from routerd.core.errors import PortError
from routerd.core.model.rig import ANY_USB, Usb
from routerd.ports.base import CLIENT_NAME, CONNECTED, Condition, PortInfo
from routerd.ports.sequencer import (
    ANNOUNCEMENTS,
    CLIENT_EXIT,
    DESTINATION,
    NO_EXPORT,
    NO_QUEUE,
    NOTHING,
    PORT_EXIT,
    SOURCE,
    Address,
    SequencerClient,
    SequencerPort,
    why_not,
)

LIST_EVERY_S = 1
"""How often ports are compared with what they were: older kernels (6.1) announce no renaming."""

_EVERY_PORT = -1
_DISCONNECTED = Condition("disconnected", "another program has disconnected it")


@dataclass(slots=True)
class Room:
    """How many cells of a program's input are free at least: one for a short message (see `sequencer`)."""

    cells: float = 0


class AlsaSequencer:
    """Both clients. `changed` is called on a thread of our own when something has come or gone."""

    def __init__(self, changed: Callable[[], None]) -> None:
        """Connect; raises PortError when the kernel has no sequencer or does not let us at it."""
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
        try:
            self.manager.enlarge_input()
            # No third program may disconnect it, as `aconnect -x` does with everything that it may.
            ear = self.manager.create_port("announcements", DESTINATION | NO_EXPORT)
            self.manager.connect(ANNOUNCEMENTS, ear)
        except OSError as error:
            raise PortError(why_not(error)) from error
        self.go_on()

    @cached_property
    def queue(self) -> int:
        """The queue whose clock stamps what comes in, started when first asked for, or NO_QUEUE.

        Then messages came when they are read.
        """
        with contextlib.suppress(OSError):
            return self.manager.start_queue()
        return NO_QUEUE

    def go_on(self) -> None:
        """Hear announcements on a thread from now on: at first, and in a forked process."""
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

    def _ports(self) -> list[SequencerPort]:
        self._take_announcements()  # so that what has left before is known to have left
        try:
            return list(self.manager.ports())
        except OSError as error:
            raise PortError(f"the ALSA sequencer does not list its ports: {error}") from error

    def _info(self, port: SequencerPort) -> PortInfo:
        # A port that left and came back is another port, though it has the same name and address.
        departed = self._departures[port.address] + self._departures[port.address[0], _EVERY_PORT]
        usb = self._usb_of(port)
        handle = f"{departed} {port.address[0]}:{port.address[1]}"
        return PortInfo(f"{port.client_name}:{port.name}", handle, usb.serial, usb.path)

    def _usb_of(self, port: SequencerPort) -> Usb:
        """Return which USB device a client stands for. The files are read once as long as it stays."""
        client = port.address[0]
        key = client, self._departures[client, _EVERY_PORT]
        if key not in self._usb:
            self._usb = {known: usb for known, usb in self._usb.items() if known[0] != client}
            self._usb[key] = ANY_USB if port.card < 0 else usb_of_card(port.card)
        return self._usb[key]

    def connect(self, source: Address, destination: Address) -> None:
        """Connect two ports; raises PortError when one has gone."""
        try:
            self.manager.connect(source, destination)
        except OSError as error:
            if error.errno != errno.EBUSY:  # they are connected
                raise PortError(f"ALSA does not connect it: {error.strerror}") from error

    def disconnect(self, source: Address, destination: Address) -> None:
        """End a connection, if it is there."""
        with contextlib.suppress(OSError):  # one of them has gone, and the connection with it
            self.manager.disconnect(source, destination)

    def wake(self, address: Address) -> None:
        """Have whoever reads at a port of ours read something that is no message."""
        with contextlib.suppress(OSError):  # there is no room: so there is something to read
            self.manager.tell(address, NOTHING)

    def room_of(self, client: int) -> Room:
        """Return the room of that program, which all our outputs to it share."""
        return self._rooms.setdefault(client, Room())

    def condition(self, source: Address, destination: Address) -> Condition:
        """Return whether two ports are connected."""
        return CONNECTED if self.manager.is_connected(source, destination) else _DISCONNECTED

    def close(self) -> None:
        """Let go of the sequencer; harmless when called twice."""
        if self._thread.is_alive():
            os.eventfd_write(self._closing, 1)
            self._thread.join(1)
            os.close(self._closing)
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
        listed: list[SequencerPort] = []
        while True:
            ready = [descriptor for descriptor, _ in waiting.poll(LIST_EVERY_S * 1000)]
            if self._closing in ready:
                return
            self._take_announcements()
            before, listed = listed, self._list_quietly()
            if ready or listed != before:
                self._changed()

    def _list_quietly(self) -> list[SequencerPort]:
        with contextlib.suppress(OSError):
            return list(self.manager.ports())
        return []


def address_of(info: PortInfo) -> Address:
    """Return the address in a handle."""
    client, port = info.handle.split(" ")[1].split(":")
    return int(client), int(port)


def _is_own(port: SequencerPort) -> bool:
    return port.client_name.startswith(CLIENT_NAME)


_CARDS = Path("/sys/class/sound")
_USB = "usb"


def usb_of_card(number: int, cards: Path = _CARDS) -> Usb:
    """Return which USB device sound card `number` is; ANY_USB for a card that is none, or has just gone."""
    try:
        interface = (cards / f"card{number}" / "device").resolve(strict=True)
        if (interface / "subsystem").resolve(strict=True).name != _USB:
            return ANY_USB
    except OSError:
        return ANY_USB
    device = interface.parent
    try:
        serial = (device / "serial").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        serial = ""
    return Usb(serial, device.name)
