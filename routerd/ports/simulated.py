"""Simulated ports: every device of a rig is there, with the timing of its wire, and nothing else is needed.

A simulated output models what happens behind the port: bytes leave a DIN wire one after another,
320 µs each (M1 p. 1), and a message has arrived when its last byte has left. USB and virtual ports
deliver at once. The far end, where the devices are, is a UDP socket on 127.0.0.1, so that an observer
in another process can use the kernel's receive stamps; `far_end` describes its datagrams and has its client.

More lines than most: ports, what is done to them from the far end, and who listens there are one state.
"""

from __future__ import annotations

import contextlib
import pickle
import socket
import threading
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass
from time import monotonic_ns

from routerd.core.errors import PortError
from routerd.core.midi.messages import MESSAGE_LENGTH
from routerd.core.model.rig import Device, Usb, port_in, port_out, sharing
from routerd.core.units import DIN_BYTE_NS
from routerd.ports.base import CONNECTED, Changed, Condition, PortInfo, Received
from routerd.ports.far_end import AT, LONGEST_DATAGRAM, LoopbackCables
from routerd.ports.patterns import match_port
from routerd.ports.reception import Reception

MOST_LISTENERS = 8
_RECEIVE_BUFFER = 1024 * 1024
_WILDCARDS = str.maketrans("", "", "*?[]")
_Address = tuple[str, int]


class SimulatedPorts:
    """The port system of a rig whose devices are simulated. `ignored` counts datagrams of no use."""

    kind = "simulated"

    def __init__(self, udp_port: int = 0, now_ns: Callable[[], int] = monotonic_ns) -> None:
        """Take 127.0.0.1:`udp_port` (0: any that is free); raises PortError when it is taken."""
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._socket.bind(("127.0.0.1", udp_port))
        except OSError as error:
            self._socket.close()
            raise PortError(
                f"cannot take UDP port {udp_port} for simulated ports: {error.strerror}"
            ) from error
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
        self.address: _Address = self._socket.getsockname()
        self._reception = Reception(LONGEST_DATAGRAM)
        self.ignored = 0
        self.malformed = 0  # what arrives is handed on as it is
        self.dropped = 0
        """Arrivals that could not be sent to some listener."""
        self._now_ns = now_ns
        self._devices: dict[str, Device] = {}
        self._input_of: dict[str, str] = {}
        self._output_of: dict[str, str] = {}
        """By device: the first of those that share its port."""
        self._faults = _Faults(set(), set(), {})
        self._open_inputs: dict[str, SimulatedInput] = {}
        self._open_outputs: dict[str, SimulatedOutput] = {}
        self._listeners: tuple[tuple[_Address, str], ...] = ()
        self._changed: Changed = lambda: None
        self._closing = False
        self.tell_copy: Callable[[bytes], None] | None = None
        self._receiver: threading.Thread | None = None
        self._cables: LoopbackCables | None = None

    def provide(self, devices: Iterable[Device]) -> None:
        """Have ports for these devices, and for no others; what is open and stays is left alone."""
        self._devices = {device.name: device for device in devices}
        for first_of, port_of in ((self._input_of, port_in), (self._output_of, port_out)):
            first_of.clear()
            for group in sharing(self._devices.values(), port_of):
                first_of.update({device.name: group[0].name for device in group})
        self._faults.keep(self._devices)

    def allow_late(self, quarter_ns: int) -> None:
        """Do nothing: what waits for a device that stands still is what tests ask for."""

    def inputs(self) -> list[PortInfo]:
        """List the ports of devices that routerd reads from, in the order of the rig."""
        return self._list(self._input_of, lambda device: (device.input_pattern, device.input_usb))

    def outputs(self) -> list[PortInfo]:
        """List the ports of devices that routerd writes to, in the order of the rig."""
        return self._list(self._output_of, lambda device: (device.output_pattern, device.output_usb))

    def _list(
        self, first_of: dict[str, str], wanted_by: Callable[[Device], tuple[str, Usb]]
    ) -> list[PortInfo]:
        wanted = {name: wanted_by(self._devices[name]) for name in dict.fromkeys(first_of.values())}
        return [
            PortInfo(port_name(pattern, name), name, usb.serial, usb.path)
            for name, (pattern, usb) in wanted.items()
            if name not in self._faults.pulled
        ]

    def open_input(self, info: PortInfo, received: Received, name: str = "") -> SimulatedInput:  # noqa: ARG002
        """Have `received` called, on the receiver's thread, with what the device plays."""
        self._check(info)
        port = SimulatedInput(info, received, self._faults, self._open_inputs)
        self._open_inputs[info.handle] = port
        return port

    def open_output(self, info: PortInfo, name: str = "") -> SimulatedOutput:  # noqa: ARG002
        """Open the wire to a device, idle."""
        self._check(info)
        wire = self._devices[info.handle].wire
        byte_ns = DIN_BYTE_NS if wire == "din" else 0
        port = SimulatedOutput(
            info,
            byte_ns,
            self._now_ns,
            self._send_arrival,
            faults=self._faults,
            registry=self._open_outputs,
        )
        heard_by = self._devices[info.handle].loopback
        if heard_by:
            cables = self._cables = self._cables or LoopbackCables(self._arrive)
            port.loop = lambda data, at_ns: cables.carry(heard_by, data, at_ns)
        self._open_outputs[info.handle] = port
        return port

    def _arrive(self, device: str, data: bytes, at_ns: int) -> None:
        port = self._open_inputs.get(self._input_of.get(device, device))
        if port is not None:
            port.received(data, at_ns)

    def _check(self, info: PortInfo) -> None:
        if info.handle not in self._devices or info.handle in self._faults.pulled:
            raise PortError(f"port {info.name!r} has gone")
        if info.handle in self._faults.refusing:
            raise PortError(f"port {info.name!r} refuses to be opened")

    def watch(self, changed: Changed) -> None:
        """Begin to hear the far end; its thread inherits the scheduling of the one that calls."""
        self._changed = changed
        if self._receiver is None:
            with contextlib.suppress(BlockingIOError):  # who has asked already hears from the beginning
                while True:
                    self._take(socket.MSG_DONTWAIT)
            self._receiver = threading.Thread(target=self._receive, name="simulated ports", daemon=True)
            self._receiver.start()

    def close(self) -> None:
        """Close every port and the socket; harmless when called twice."""
        if self._closing:
            return
        self._closing = True
        if self._receiver is not None:
            self._socket.sendto(b"", self.address)  # wakes the receiver
            self._receiver.join(1)
        if self._cables is not None:
            self._cables.close()
        for input_port in list(self._open_inputs.values()):
            input_port.close()
        for output_port in list(self._open_outputs.values()):
            output_port.close()
        self._socket.close()

    # A copy in a forked process, which has the same socket

    def hear(self, told: bytes) -> None:
        """Take what was asked of the original."""
        self._obey(*pickle.loads(told))  # noqa: S301 - from this very program, in memory that is its own

    def go_on(self, known: Container[int]) -> None:
        """Hear the far end from here on."""
        data, passed_on = self._reception.left(known)
        datagram = data.rstrip(b"\0")
        head, nul, message = datagram.partition(b"\0")
        if not passed_on and datagram:  # a zero at the end of a message is data
            length = MESSAGE_LENGTH[message[0]] if message else 0
            self._play(head + nul + message.ljust(length, b"\0"), monotonic_ns())
        self._reception.clear(len(data))
        self._receiver = None
        self.watch(self._changed)
        if self._cables is not None:
            self._cables.go_on()

    # The way out

    def _send_arrival(self, device: str, head: bytes, at_ns: int, data: bytes) -> None:
        for listener, only in self._listeners:
            if only and only != device:
                continue
            try:
                self._socket.sendto(head + AT.pack(at_ns) + data, socket.MSG_DONTWAIT, listener)
            except OSError:
                self.dropped += 1

    # The receiver's thread

    def _receive(self) -> None:
        while not self._closing:
            self._take()

    def _take(self, flags: int = 0) -> None:
        length, sender = self._socket.recvfrom_into(self._reception.buffer, 0, flags)
        at_ns = monotonic_ns()
        datagram = self._reception.taken(length)
        if not self._play(datagram, at_ns):
            self._be_told(datagram, sender)
        self._reception.clear(length)

    def _be_told(self, datagram: bytes, sender: _Address) -> None:
        if self._obey(datagram, sender):
            if datagram[:1] == b"L":
                self._socket.sendto(b"L", socket.MSG_DONTWAIT, sender)
            if self.tell_copy is not None:
                self.tell_copy(pickle.dumps((datagram, sender)))
        elif not self._closing:
            self.ignored += 1

    def _play(self, datagram: bytes, at_ns: int) -> bool:
        if datagram[:1] != b"I":
            return False
        name, nul, data = datagram[1:].partition(b"\0")
        device = name.decode(errors="replace")
        port = self._open_inputs.get(self._input_of.get(device, device))
        if port is None or not nul or not data or port.info.handle in self._faults.pulled:
            return False
        if port.condition() is not CONNECTED:
            return False
        self._reception.note(at_ns)
        port.received(data, at_ns)
        return True

    def _obey(self, datagram: bytes, sender: _Address) -> bool:
        name = datagram[1:].decode(errors="replace")
        others = tuple(one for one in self._listeners if one[0] != sender)
        if datagram == b"Q":
            self._listeners = others
            return True
        if datagram == b"L" or (datagram[:1] == b"L" and name in self._devices):
            self._listeners = (*others, (sender, self._output_of.get(name, name)))[-MOST_LISTENERS:]
            return True
        kind = datagram[:1]
        if kind not in _FAULTS or not (name in self._devices or (kind in (b"S", b"C") and not name)):
            return False
        ends = {self._input_of.get(name, name), self._output_of.get(name, name)}
        for device in sorted(ends) if name else list(self._devices):
            self._bring(kind, device)
        self._changed()
        return True

    def _bring(self, kind: bytes, device: str) -> None:
        """Do to a device what the datagram asks for."""
        faults = self._faults
        if kind == b"U":
            faults.pulled.add(device)
            if device in self._open_outputs:
                self._open_outputs[device].gone = True
        elif kind == b"P":
            faults.pulled.discard(device)
        elif kind == b"R":
            faults.refusing.add(device)
        elif kind == b"S":
            faults.waiting.setdefault(device, [])
        elif kind == b"C":
            faults.refusing.discard(device)
            for data in faults.waiting.pop(device, ()):
                self._send_arrival(device, _head(device), self._now_ns(), data)
        else:
            for port in (self._open_inputs.get(device), self._open_outputs.get(device)):
                if port is not None:
                    port.disconnected = True


_FAULTS = (b"U", b"P", b"D", b"S", b"R", b"C")


@dataclass(frozen=True, slots=True)
class _Faults:
    """Devices that are pulled or refuse, and what waits for those that stand still."""

    pulled: set[str]
    refusing: set[str]
    waiting: dict[str, list[bytes]]

    def keep(self, devices: Container[str]) -> None:
        """Forget all other devices."""
        for names in (self.pulled, self.refusing, self.waiting):
            for name in [name for name in names if name not in devices]:
                names.discard(name) if isinstance(names, set) else names.pop(name)

    def condition(self, device: str, *, disconnected: bool) -> Condition:
        """Return how a port to that device stands."""
        if device in self.waiting:
            return _STALLED
        return _DISCONNECTED if disconnected else CONNECTED


_DISCONNECTED = Condition("disconnected", "another program has disconnected it")
_STALLED = Condition("stalled", "the device stands still")


class SimulatedInput:
    """What a device plays into routerd. `disconnected` once another program has taken the connection away."""

    def __init__(
        self, info: PortInfo, received: Received, faults: _Faults, registry: dict[str, SimulatedInput]
    ) -> None:
        self.info = info
        self.received = received
        self.disconnected = False
        self._faults = faults
        self._registry = registry

    def condition(self) -> Condition:
        """Return what the far end has done to it."""
        return self._faults.condition(self.info.handle, disconnected=self.disconnected)

    def close(self) -> None:
        """Stop receiving; harmless when called twice."""
        if self._registry.get(self.info.handle) is self:
            del self._registry[self.info.handle]


class SimulatedOutput:
    """A wire to a device. `free_ns` is when its last byte so far has left.

    What is sent to one that is `disconnected` goes nowhere.
    """

    takes_pieces = True

    def __init__(
        self,
        info: PortInfo,
        byte_ns: int,
        now_ns: Callable[[], int],
        send_arrival: Callable[[str, bytes, int, bytes], None],
        *,
        faults: _Faults,
        registry: dict[str, SimulatedOutput],
    ) -> None:
        self.info = info
        self.disconnected = False
        self.free_ns = 0
        self.loop: Callable[[bytes, int], None] | None = None
        """Called with what arrives, and when: a loopback cable."""
        self._byte_ns = byte_ns
        self._now_ns = now_ns
        self._send_arrival = send_arrival
        self._faults = faults
        self.gone = False
        self._registry = registry
        self._head = _head(info.handle)

    def send(self, data: bytes) -> None:
        """Put the bytes on the wire behind what is there; raises PortError when the port refuses them."""
        device, faults = self.info.handle, self._faults
        if self.gone:
            raise PortError(f"port {self.info.name!r} has gone")
        if device in faults.refusing:
            raise PortError(f"port {self.info.name!r} refuses a message")
        if self.disconnected:
            return
        waiting = faults.waiting.get(device)
        if waiting is not None:
            waiting.append(data)
            return
        self.free_ns = max(self._now_ns(), self.free_ns) + len(data) * self._byte_ns
        self._send_arrival(self.info.handle, self._head, self.free_ns, data)
        if self.loop is not None:
            self.loop(data, self.free_ns)

    def condition(self) -> Condition:
        """Return what the far end has done to it."""
        return self._faults.condition(self.info.handle, disconnected=self.disconnected)

    def close(self) -> None:
        """Close; harmless when called twice. What waits for a device that stands still stays with it."""
        self.gone = True
        if self._registry.get(self.info.handle) is self:
            del self._registry[self.info.handle]


def _head(device: str) -> bytes:
    return b"O" + device.encode() + b"\0"


def port_name(pattern: str, device_name: str) -> str:
    """Return a name that `pattern` finds: itself without wildcards, else the device's, else as it stands."""
    for name in (pattern.translate(_WILDCARDS).strip(), device_name):
        if name and match_port(pattern, [PortInfo(name, "")]):
            return name
    return pattern
