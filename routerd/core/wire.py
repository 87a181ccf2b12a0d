"""One device's output: what may go out when, so that a tick always finds its wire idle.

An outlet models the wire behind a port. A DIN wire takes 320 µs a byte (M1 p. 1) and an
interface buffers what it is given, so bytes handed over too soon make a later tick late
where no timer shows it. Therefore, on a DIN wire:

- a message goes out only when its last byte leaves the wire before the next tick is due,
  else it waits for that tick (at most its own length);
- a SysEx is cut into pieces that fit the gap, where the port takes pieces (real-time bytes
  may stand inside a SysEx, M1 p. 30);
- not more than HORIZON_NS of traffic is handed over ahead.

A USB or virtual port takes short messages as they come; its SysEx goes in pieces at a bounded
pace, because a port's buffer is finite and the operating system drops what overruns it.
Order on a port is kept. Time comes in as an argument; what goes out is appended to `sink`
as (outlet, bytes). The queue is bounded: beyond QUEUE_LIMIT messages, those that are not
releases are dropped and counted.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from routerd.core.messages import (
    ALL_SOUND_OFF,
    CONTROLLER,
    HOLD_CONTROLLERS,
    NOTE_OFF,
    NOTE_ON,
    SYSEX,
    SYSEX_END,
)
from routerd.core.model import WireKind
from routerd.core.units import DIN_BYTE_NS

if TYPE_CHECKING:
    from routerd.core.model import Device

NEVER_NS = 1 << 62
"""A deadline that does not come."""

HORIZON_NS = 3_000_000
"""How much traffic is handed to an interface ahead of its wire."""

QUEUE_LIMIT = 4096

PIECE_LIMIT = 256
"""Longest SysEx piece on a port without a slow wire; well under the buffer of any ALSA port."""

SHORT_BYTE_NS = {WireKind.DIN: DIN_BYTE_NS, WireKind.USB: 0, WireKind.VIRTUAL: 0}
BULK_BYTE_NS = {WireKind.DIN: DIN_BYTE_NS, WireKind.USB: 10_000, WireKind.VIRTUAL: 2_000}
"""Pace of SysEx by wire. USB: 100 kB/s, a tenth of what full-speed USB carries (house choice)."""

Sink = list[tuple["Outlet", bytes]]


class Outlet:
    """The way out to one device. `number` is what tick records call it by."""

    __slots__ = (
        "_bulk_byte_ns",
        "_byte_ns",
        "_deadline_ns",
        "_queue",
        "_sent_of_head",
        "busy_until_ns",
        "clock",
        "connected",
        "device",
        "dropped",
        "gate_ns",
        "name",
        "number",
        "owed",
        "takes_pieces",
        "transport",
        "ungated",
    )

    def __init__(self, device: Device, number: int) -> None:
        self.device = device
        self.name = device.name
        self.number = number
        self.clock = device.clock
        self.transport = device.transport
        self.connected = False
        self.takes_pieces = True
        self.gate_ns = NEVER_NS
        """When the next tick must find the wire idle."""
        self.busy_until_ns = 0
        self.owed: list[bytes] = []
        """Releases that the device has missed while it was away."""
        self.dropped = 0
        self.ungated = 0
        """Messages that had to cross a tick because the port takes no pieces."""
        self._byte_ns = SHORT_BYTE_NS[device.wire]
        self._bulk_byte_ns = BULK_BYTE_NS[device.wire]
        self._queue: deque[bytes] = deque()
        self._sent_of_head = 0
        self._deadline_ns = NEVER_NS

    @property
    def queued(self) -> int:
        """Messages that wait."""
        return len(self._queue)

    def holds(self, status: int) -> bool:
        """Tell whether a message with that status byte waits."""
        return any(data[0] == status for data in self._queue)

    def next_deadline_ns(self) -> int:
        """Return when `pump` has something to do; a wait for a tick is not one."""
        return self._deadline_ns

    def put_realtime(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send a tick or transport byte at once, past everything that waits (M1 p. 30)."""
        if not self.connected:
            return
        sink.append((self, data))
        if self._byte_ns:
            self.busy_until_ns = max(now_ns, self.busy_until_ns) + self._byte_ns

    def offer(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send one whole message as soon as order and wire allow."""
        if not self.connected:
            return
        queue = self._queue
        if not self._byte_ns and not queue and data[0] != SYSEX:
            sink.append((self, data))
            return
        if len(queue) >= QUEUE_LIMIT and not is_release(data):
            self.dropped += 1
            return
        queue.append(data)
        if len(queue) == 1:
            self.pump(now_ns, sink)

    def pump(self, now_ns: int, sink: Sink) -> None:
        """Send what the wire has room for now, and note when to look again."""
        queue = self._queue
        self._deadline_ns = NEVER_NS
        while queue:
            data = queue[0]
            bulk = data[0] == SYSEX
            byte_ns = self._bulk_byte_ns if bulk else self._byte_ns
            start_ns = max(now_ns, self.busy_until_ns)
            if byte_ns and start_ns - now_ns >= HORIZON_NS:
                self._deadline_ns = start_ns - HORIZON_NS // 2
                return
            if not bulk:
                if not self._fits(len(data), byte_ns, start_ns):
                    return
                queue.popleft()
                sink.append((self, data))
                if byte_ns:
                    self.busy_until_ns = start_ns + len(data) * byte_ns
            elif not self._pump_sysex(data, start_ns, sink):
                return

    def _fits(self, length: int, byte_ns: int, start_ns: int) -> bool:
        """Tell whether that many bytes leave the wire idle when the next tick is due."""
        return not self._byte_ns or start_ns + length * byte_ns <= self.gate_ns

    def _pump_sysex(self, data: bytes, start_ns: int, sink: Sink) -> bool:
        """Send a piece of the SysEx at the head of the queue; False when it must wait for the tick."""
        byte_ns = self._bulk_byte_ns
        done = self._sent_of_head
        if self.takes_pieces:
            length = min(len(data) - done, PIECE_LIMIT)
            if self._byte_ns:
                length = min(length, (self.gate_ns - start_ns) // byte_ns, 1 + HORIZON_NS // byte_ns)
                if length < 1:
                    return False
        else:
            length = len(data)
            if not self._fits(length, byte_ns, start_ns):
                self.ungated += 1
        sink.append((self, data[done : done + length]))
        self.busy_until_ns = start_ns + length * byte_ns
        self._sent_of_head = done + length
        if self._sent_of_head == len(data):
            self._queue.popleft()
            self._sent_of_head = 0
        return True

    def lose(self, now_ns: int, missed: list[bytes]) -> None:
        """The device has gone: owe it the releases of `missed` and those that still wait; forget the rest."""
        self.owed += missed + self.clear(now_ns, [])
        self.connected = False
        self.busy_until_ns = now_ns

    def part(self, owed: list[bytes], now_ns: int, sink: Sink) -> None:
        """Leave the rig: send all releases now, past wire and gate, because nobody pumps this way again."""
        owed = owed + self.clear(now_ns, sink)
        if self.connected:
            sink += [(self, data) for data in owed]
        else:
            self.owed += owed

    def clear(self, now_ns: int, sink: Sink) -> list[bytes]:
        """Forget what waits and return the releases among it, which the device still needs.

        A SysEx that is partly out is ended, so that the device is not left in it.
        """
        if self._sent_of_head and self.connected:
            sink.append((self, bytes((SYSEX_END,))))
            self.busy_until_ns = max(now_ns, self.busy_until_ns) + self._byte_ns
        releases = [data for data in self._queue if is_release(data)]
        self._queue.clear()
        self._sent_of_head = 0
        self._deadline_ns = NEVER_NS
        return releases


def is_release(data: bytes) -> bool:
    """Tell whether losing this message (or piece of a SysEx) could leave a note sounding."""
    kind = data[0] & 0xF0
    if kind == NOTE_ON:
        return data[2] == 0
    if kind == CONTROLLER:
        return data[1] >= ALL_SOUND_OFF or (data[1] in HOLD_CONTROLLERS and data[2] < 64)
    return kind == NOTE_OFF
