"""The ALSA sequencer: which ports it has, who is connected to whom, and what it announces.

RtMidi moves the bytes on ALSA, and alsa-midi does everything around it: its calls let the Python
interpreter go, and it hears the sequencer's announcements, so that nothing is polled. It also sends
SysEx, because RtMidi takes only whole messages, and the kernel drops what outruns a port's buffer
without a word (github.com/thestk/rtmidi/issues/214): in pieces nothing outruns anything.

Coming in, SysEx of a device has no limit; a program that hands over more than about 5 kB as one event
loses it in the kernel (seen with 6 000 bytes), because RtMidi's input holds 200 cells of 28 bytes.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Callable

import alsa_midi
import rtmidi
from alsa_midi import (
    Address,
    ALSAError,
    ClientExitEvent,
    PortCaps,
    PortExitEvent,
    SequencerClient,
    SysExEvent,
)

from routerd.core.errors import PortError
from routerd.core.messages import SYSEX, SYSEX_END
from routerd.core.model import ANY_USB, Usb
from routerd.ports.alsa_room import give_room
from routerd.ports.base import CONNECTED, Condition, PortInfo
from routerd.ports.patchbay import CLIENT_NAME, OWN_PORT, built_without
from routerd.ports.system import RtMidiPorts
from routerd.ports.usb_identity import usb_of_card

_ANNOUNCEMENTS = Address(0, 1)
_ANY_TYPE = 0
_EVERY_PORT = -1


def open_alsa() -> RtMidiPorts:
    """Return the ports of ALSA; raises PortError when RtMidi was built without it."""
    if rtmidi.API_LINUX_ALSA not in rtmidi.get_compiled_api():
        raise PortError(built_without("ALSA", "libasound2-dev", "jack"))
    return RtMidiPorts("alsa", rtmidi.API_LINUX_ALSA, AlsaSequencer)


class AlsaSequencer:
    """A patchbay: the kernel's sequencer. A port's identifier is its address, "client:port".

    `changed` is called on a thread of our own when something has come or gone.
    """

    alive = True

    def __init__(self, changed: Callable[[], None]) -> None:
        """Connect; raises PortError when the kernel has no sequencer or does not let us at it."""
        self.name = f"{CLIENT_NAME}-{os.getpid()}"
        self._changed = changed
        self._closing = False
        self._departures: Counter[tuple[int, int]] = Counter()
        self._usb: dict[tuple[int, int], Usb] = {}
        try:
            self._client = SequencerClient(CLIENT_NAME)
            self._hearer = SequencerClient(f"{CLIENT_NAME}-announcements")
            # alsa-midi deletes a port that nobody refers to any more
            self._ear = self._hearer.create_port("announcements", PortCaps.WRITE | PortCaps.SUBS_WRITE)
            self._hearer.subscribe_port(_ANNOUNCEMENTS, self._ear)
            self._sender = SequencerClient(f"{CLIENT_NAME}-sysex")
            self._sender_port = self._sender.create_port("sysex", PortCaps.READ)
        except ALSAError as error:
            raise PortError(
                f"the ALSA sequencer cannot be used: {error}; load snd-seq, and be in the group audio"
            ) from error
        self._thread = threading.Thread(target=self._hear, name="alsa announcements", daemon=True)
        self._thread.start()

    def sources(self) -> list[PortInfo]:
        """List what can be read from; raises PortError."""
        return self._list(of_others=True, input=True)

    def destinations(self) -> list[PortInfo]:
        """List what can be written to; raises PortError."""
        return self._list(of_others=True, output=True)

    def own(self, client_name: str) -> str:
        """Return the identifier of the port that RtMidi has opened as that client; raises PortError."""
        for info in self._list(of_others=False):
            if info.name == f"{client_name}:{OWN_PORT}":
                identifier = info.handle.split(" ")[1]
                give_room(_address(identifier)[0])  # what is refused costs nothing but room
                return identifier
        raise PortError(f"the port of {client_name} has gone")

    def _list(self, of_others: bool, **direction: bool) -> list[PortInfo]:
        try:
            listed = self._client.list_ports(type=_ANY_TYPE, sort=False, **direction)
        except (ALSAError, UnicodeDecodeError) as error:
            raise PortError(f"the ALSA sequencer does not list its ports: {error}") from error
        return [self._info(port) for port in listed if port.client_name.startswith(CLIENT_NAME) != of_others]

    def _info(self, port: alsa_midi.PortInfo) -> PortInfo:
        # A port that left and came back is another port, though it has the same name and address.
        departed = self._departed(port.client_id, port.port_id)
        usb = self._usb_of(port.client_id)
        name = f"{port.client_name}:{port.name}"
        return PortInfo(name, f"{departed} {port.client_id}:{port.port_id}", usb.serial, usb.path)

    def _usb_of(self, client: int) -> Usb:
        """Return which USB device a client stands for. The files are read once as long as it stays."""
        key = client, self._departures[client, _EVERY_PORT]
        if key not in self._usb:
            self._usb = {known: usb for known, usb in self._usb.items() if known[0] != client}
            try:
                card = self._client.get_client_info(client).card_id
            except (ALSAError, UnicodeDecodeError):
                card = None  # it has just gone
            self._usb[key] = ANY_USB if card is None else usb_of_card(card)
        return self._usb[key]

    def _departed(self, client: int, port: int) -> int:
        return self._departures[client, port] + self._departures[client, _EVERY_PORT]

    def connect(self, source: str, destination: str) -> None:
        """Connect two ports; raises PortError when one has gone."""
        try:
            self._client.subscribe_port(_address(source), _address(destination))
        except ALSAError as error:
            raise PortError(f"ALSA does not connect {source} to {destination}: {error}") from error

    def disconnect(self, source: str, destination: str) -> None:
        """Part two ports, if both are there."""
        try:
            self._client.unsubscribe_port(_address(source), _address(destination))
        except ALSAError:
            return  # one of them has gone, and the connection with it

    def condition(self, source: str, destination: str) -> Condition:
        """Return that it stands: nothing here watches the sequencer's announcements of partings yet."""
        del source, destination
        return CONNECTED

    def writer(self, send_message: Callable[[bytes], None], destination: str) -> AlsaWriter:
        """Return what writes to a connected RtMidi output."""
        return AlsaWriter(send_message, self._send_piece, destination)

    def _send_piece(self, data: bytes, destination: tuple[int, int]) -> None:
        try:
            self._sender.event_output_direct(SysExEvent(data), port=self._sender_port, dest=destination)
            self._sender.drain_output()  # alsa-midi 1.0.4 only buffers what it says it sends directly
        except ALSAError:
            self._sender.drop_output_buffer()  # else it would stand in the way of every later piece
            raise

    def close(self) -> None:
        """Let go of the sequencer; harmless when called twice."""
        if self._closing:
            return
        self._closing = True
        self._client.close()  # is announced, and so wakes the thread
        self._thread.join(1)
        self._sender.close()
        self._hearer.close()

    # On a thread of our own

    def _hear(self) -> None:
        while not self._closing:
            try:
                event = self._hearer.event_input()
            except ALSAError:
                event = None  # more was announced than could be kept; all that is lost is which ports left
            if isinstance(event, PortExitEvent):
                self._departures[event.addr.client_id, event.addr.port_id] += 1
            elif isinstance(event, ClientExitEvent):
                self._departures[event.addr.client_id, _EVERY_PORT] += 1
            if not self._closing:
                self._changed()


class AlsaWriter:
    """Writes to one destination: short messages by RtMidi, SysEx and its pieces by alsa-midi."""

    takes_pieces = True

    def __init__(
        self,
        send_message: Callable[[bytes], None],
        send_piece: Callable[[bytes, tuple[int, int]], None],
        destination: str,
    ) -> None:
        self._send_message = send_message
        self._send_piece = send_piece
        self._destination = _address(destination)

    def write(self, data: bytes) -> None:
        """Hand over one whole message, or a piece of a SysEx; raises PortError."""
        try:
            if data[0] < 0x80 or data[0] in (SYSEX, SYSEX_END):
                self._send_piece(data, self._destination)
            else:
                self._send_message(data)
        except (ALSAError, rtmidi.RtMidiError) as error:
            raise PortError(f"ALSA does not take a message: {error}") from error


def _address(identifier: str) -> tuple[int, int]:
    client, port = identifier.split(":")
    return int(client), int(port)
