"""A port's wire and the outputs on it: what may go out when, so that a tick always finds the wire idle.

A `Wire` models what is behind a port and paces it. An `Output` is one device's output, to which routes lead.
Most wires have one; where a keyboard has several parts, or a box several converters, their outputs share a
wire, its order and its pace. What the devices there are on is `receivers.Receivers`' to know. A DIN wire
takes 320 µs a byte (M1 p. 1) and an interface buffers what it is given, so bytes handed over too soon make a
later tick late where no timer shows it. Therefore, on a DIN wire:

- a message goes out only when its last byte leaves the wire before the next tick is due,
  else it waits for that tick (at most its own length);
- a SysEx is cut into pieces that fit the gap, where the port takes pieces (real-time bytes
  may stand inside a SysEx, M1 p. 30; nothing else may, T-8 note 2, so notes wait for its end);
- not more than HORIZON_NS of what is played is handed over ahead, and of the rest MIN_HORIZON_NS.

What waits, waits in three lanes:

- live: notes, pedals, program changes: in order, first of all;
- values: controllers, pressure, bend. One that comes before its predecessor has left takes its place:
  what floods is thinned to its newest value, and what is played passes it. Both halves of a 14-bit
  controller are one value. Bend, channel pressure and controller 74 go before a note of their channel;
- bulk: SysEx, and whatever sets a sound and comes behind a SysEx. While it lasts, values get a
  VALUE_SHARE of the wire.

So the order on a port is that of arrival, but that what is played does not wait for floods and dumps.
A USB or virtual port takes short messages as they come; its SysEx goes in pieces at a bounded
pace, because a port's buffer is finite and the operating system drops what overruns it.
Time comes in as an argument; what goes out is appended to `sink` as (wire, bytes). The lanes are
bounded, and what finds no room is dropped and counted: in the live lane whatever is no release beyond
QUEUE_LIMIT messages, and releases of which `lanes.is_surplus` says that enough wait beyond twice as many; in
the bulk lane what comes by a route beyond BULK_LIMIT_BYTES.

More than 350 lines: the three lanes and the wire's time are one state, and each message changes both.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from routerd.core.midi.messages import (
    ALL_SOUND_OFF,
    BANK_SELECT,
    CONTINUE,
    CONTROLLER,
    LOCAL_CONTROL,
    NOTE_ON,
    SENSING_BYTES,
    SENSING_EVERY_NS,
    START,
    START_LEAD_NS,
    SYSEX,
    SYSEX_END,
    TICK_BYTES,
    controller,
    is_note,
    is_press,
    is_release,
)
from routerd.core.model.rig import WireKind, timed_device
from routerd.core.output.lanes import (
    PAUSE,
    expression_keys,
    is_surplus,
    pause_ns,
    put_value,
    sets_sound,
    thinning_key,
)
from routerd.core.output.receivers import Mover, Receivers
from routerd.core.units import DIN_BYTE_NS, NEVER_NS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from routerd.core.model.rig import Device


HORIZON_NS = 3_000_000
"""How much of what is played, and of a SysEx that has begun, is handed to an interface ahead of its wire."""

MIN_HORIZON_NS = DIN_BYTE_NS
"""How much of the rest, so that a note finds the wire free soon."""

NOTE_ROOM_NS = 3 * DIN_BYTE_NS
"""A value leaves this much before a tick, so that a note that comes meanwhile need not wait for the tick."""

VALUE_SHARE = 10
"""Values get one byte in so many while bulk waits."""

QUEUE_LIMIT = 4096

DOUBTFUL_NS = 1_000_000_000
"""A port that no longer works is noticed within so long."""

BULK_LIMIT_BYTES = 4 * 1024 * 1024
"""Of what routes put into the bulk lane: 22 minutes of a DIN wire. A song's patches, of 1 MiB at most, go in
past it."""

BULK_PLACE_BYTES = 64
"""What a waiting message counts for besides its bytes: short ones take memory too."""

PIECE_LIMIT = 256
"""Longest SysEx piece on a port without a slow wire; well under the buffer of any ALSA port."""

SHORT_BYTE_NS = {WireKind.DIN: DIN_BYTE_NS, WireKind.USB: 0, WireKind.VIRTUAL: 0}
BULK_BYTE_NS = {WireKind.DIN: DIN_BYTE_NS, WireKind.USB: 10_000, WireKind.VIRTUAL: 2_000}
"""Pace of SysEx by wire. USB: 100 kB/s, a tenth of what full-speed USB carries (house choice)."""

Sink = list[tuple["Wire", bytes]]


class Wire:
    """The way out through one port. `number` is what tick records call it by. `timed` is the output whose
    device's clock settings hold for the port, as ticks and transport reach every device on it; the wire bears
    that device's name.
    """

    __slots__ = (
        "_bulk",
        "_bulk_byte_ns",
        "_bulk_bytes",
        "_byte_ns",
        "_connected",
        "_credit",
        "_free",
        "_live",
        "_newest",
        "_pause_until_ns",
        "_report",
        "_running",
        "_running_status",
        "_sensed_ns",
        "_sent_of_head",
        "_sounding",
        "_tick_ns",
        "busy_until_ns",
        "bytes_sent",
        "clock",
        "deadline_ns",
        "devices",
        "direct",
        "dropped",
        "gate_ns",
        "messages_sent",
        "most_queued",
        "name",
        "number",
        "outputs",
        "owed",
        "own_rate",
        "ran",
        "receivers",
        "senses",
        "sent",
        "takes_pieces",
        "thinned",
        "timed",
        "transport",
        "ungated",
    )

    def __init__(self, devices: Sequence[Device], number: int) -> None:
        """`devices`, at least one, share the port; the wire itself is as the first of them says."""
        first = devices[0]
        self.devices = tuple(devices)
        self.number = number
        self.clock = any(device.clock for device in devices)
        self.transport = any(device.transport for device in devices)
        self.senses = any(device.active_sensing for device in devices)
        """Whether it gets Active Sensing."""
        self.own_rate = self.ran = False
        """Whether its ticks have numbers and times of their own, apart from the grid's; whether its devices
        ran, or may have, when the port was lost."""
        self.direct: Wire | None = None
        """Itself while a short message may go straight to the sink, without being offered."""
        self.takes_pieces = True
        self.gate_ns = NEVER_NS
        """When the next tick must find the wire idle."""
        self.busy_until_ns = 0
        self.owed: list[bytes] = []
        """Releases that were missed while the port was away."""
        self.messages_sent = self.bytes_sent = 0
        """What the port has taken, ticks and pieces of SysEx included; counted by whoever hands it over."""
        self.dropped = self.thinned = self.most_queued = 0
        """`thinned`: values that a newer one has replaced before they went out."""
        self.ungated = 0
        """Messages that had to cross a tick because the port takes no pieces."""
        self.sent: dict[bytes, int] = {}
        """What has gone out of late, and when; see `routing.loops`."""
        self.receivers = Receivers()
        self._sounding = self.receivers.sounding
        self._running_status = first.running_status
        self._byte_ns = SHORT_BYTE_NS[first.wire]
        self._bulk_byte_ns = BULK_BYTE_NS[first.wire]
        self._live: deque[bytes] = deque()
        self._bulk: deque[bytes] = deque()
        self._newest: dict[int, list[bytes]] = {}
        """The lane of values, by `lanes.thinning_key`: what waits of each."""
        self._bulk_bytes = 0
        self._connected = self._free = False
        self._report: Callable[[bytes], None] | None = None
        """Called with every message that is offered, where somebody wants to know what it sets."""
        self.deadline_ns = NEVER_NS
        """When `pump` has something to do; a wait for a tick is not one."""
        self._pause_until_ns, self._tick_ns = NEVER_NS, -START_LEAD_NS
        self._credit = self._running = self._sensed_ns = self._sent_of_head = 0
        self.outputs = tuple(Output(device, self) for device in devices)
        self.timed = self.outputs[self.devices.index(timed_device(devices))]
        self.timed.clock, self.timed.transport = self.clock, self.transport
        self.name = self.timed.name

    @property
    def connected(self) -> bool:
        """Whether the port is there."""
        return self._connected

    @connected.setter
    def connected(self, connected: bool) -> None:
        self._connected = connected
        self._update_free()

    def report_values(self) -> None:
        """Have `receivers` know what every message sets: somebody wants to know where it stands."""
        self._report = self.receivers.note
        self._update_free()

    def _update_free(self) -> None:
        waits = self._live or self._newest or self._bulk
        self._free = self._connected and not self._byte_ns and not waits
        self._let_pass(self if self._free and self._report is None else None)

    def _let_pass(self, direct: Wire | None) -> None:
        """Let the messages of all outputs go straight to the sink, or no more."""
        if direct is not self.direct:
            self.direct = direct
            for output in self.outputs:
                output.direct = direct

    @property
    def queued(self) -> int:
        """Messages that wait."""
        return len(self._live) + sum(map(len, self._newest.values())) + len(self._bulk)

    def holds(self, status: int) -> bool:
        """Return whether a message with that status byte waits."""
        return any(data[0] == status for lane in (self._live, self._bulk) for data in lane)

    def put_realtime(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send a tick or transport byte at once, past everything that waits (M1 p. 30)."""
        if not self.connected:
            return
        sink.append((self, data))
        if data is TICK_BYTES:
            self._tick_ns = now_ns
        if self._byte_ns:
            self.busy_until_ns = max(now_ns, self.busy_until_ns) + self._byte_ns

    def sense(self, now_ns: int, next_ns: int, sink: Sink) -> None:
        """Send Active Sensing if the next occasion, at `next_ns`, would be too late (M1 p. 32)."""
        if next_ns - self._sensed_ns >= SENSING_EVERY_NS:
            self._sensed_ns = now_ns
            self.put_realtime(SENSING_BYTES, now_ns, sink)

    def offer(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send one whole message as soon as order and wire allow."""
        # 1. What it sets is noted even where it has to wait or its port is away: a control that is to pick
        #    the value up asks where the device will be, not where it is.
        if self._report is not None:
            self._report(data)
        # 2. Nothing waits and no slow wire is behind the port: it goes out as it is. `Output.direct` is this
        #    same condition, for those who look before they call.
        if self._free and data[0] < SYSEX:
            sink.append((self, data))
            return
        if not self._connected:
            return
        # 3. A value takes the place of its predecessor, so a flood of any length is one message here.
        key = thinning_key(data)
        if key >= 0:
            self.thinned += put_value(self._newest, key, data)
        # 4. A SysEx is bulk, and behind it whatever sets a sound as it does: a program change that passed a
        #    dump would call up what the dump has not loaded yet.
        elif data[0] == SYSEX or (self._bulk and sets_sound(data)):
            if self._bulk_bytes + len(data) + BULK_PLACE_BYTES > BULK_LIMIT_BYTES:
                self.dropped += 1
                return
            self._put_bulk(data)
        # 5. All else is live, and keeps its order. A full lane drops no release that would end something.
        elif len(self._live) >= QUEUE_LIMIT and self._has_no_room(data):
            self.dropped += 1
            return
        else:
            # 6. What a note begins with goes before it: a bend that came first must not be heard as a slide.
            if self._newest and data[0] & 0xF0 == NOTE_ON:
                for first in expression_keys(data[0] & 0x0F):
                    self._live += self._newest.pop(first, ())
            self._live.append(data)
        self._put(now_ns, sink)

    def play(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send what a route makes: a note as the presses that lead to it say, anything else as offered."""
        if is_press(data):
            before = self._sounding.press(data)
            if before is not None:
                self.offer(before, now_ns, sink)
        elif is_note(data) and not self._sounding.release(data):
            return
        self.offer(data, now_ns, sink)

    def offer_patch(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send one message of a patch: as `offer`, but in order with the rest of the patch."""
        if is_note(data):
            self._sounding.note_patch(data)
        if self._report is not None:
            self._report(data)
        if self._free and PAUSE < data[0] < SYSEX:
            sink.append((self, data))
            return
        if not self._connected:
            return
        self._newest.pop(thinning_key(data), None)
        if self._bulk or data[0] in (SYSEX, PAUSE):
            self._put_bulk(data)
        else:
            self._live.append(data)
        self._put(now_ns, sink)

    def _put_bulk(self, data: bytes) -> None:
        self._bulk.append(data)
        self._bulk_bytes += len(data) + BULK_PLACE_BYTES

    def _bulk_gone(self) -> None:
        self._bulk_bytes -= len(self._bulk.popleft()) + BULK_PLACE_BYTES

    def _has_no_room(self, data: bytes) -> bool:
        """Return whether a message that finds QUEUE_LIMIT others is dropped."""
        return not is_release(data) or (len(self._live) >= 2 * QUEUE_LIMIT and is_surplus(self._live, data))

    def _put(self, now_ns: int, sink: Sink) -> None:
        self._free = False
        self._let_pass(None)
        queued = len(self._live) + len(self._newest) + len(self._bulk)
        self.most_queued = max(self.most_queued, queued)
        # when others wait and there is no deadline, all of them wait for the tick: so does this one
        if queued == 1 or self.deadline_ns != NEVER_NS:
            self.pump(now_ns, sink)

    def pump(self, now_ns: int, sink: Sink) -> None:
        """Send what the wire has room for now, and note when to look again."""
        self.deadline_ns = NEVER_NS
        while self._pump_one(now_ns, sink):
            pass
        self._update_free()

    def _pump_one(self, now_ns: int, sink: Sink) -> bool:
        """Send one message or piece; False when there is none, or none that may go now.

        Who goes first is decided here and nowhere else. What may not go now either sets `_deadline_ns` (the
        wire is ahead of itself: look again then) or does not (it waits for the tick, which pumps).
        """
        # 1. A SysEx that is partly out goes on: nothing but real time may stand inside it (T-8 note 2), so
        #    all else waits for its end in any case. It may run ahead as far as what is played, to be over
        #    soon.
        if self._sent_of_head:
            return self._pump_sysex(now_ns, HORIZON_NS, sink)
        # 2. What is played goes before all that is not. While it waits nothing goes in its stead, because
        #    that would make it wait for longer.
        if self._live:
            return self._pump_live(now_ns, sink)
        # 3. Values go before bulk as long as they have credit, which bulk earns them byte by byte: a fader
        #    that is moved during a dump is heard, and cannot stop the dump. A pause takes no wire, so it is
        #    no bulk.
        bulk = bool(self._bulk) and self._bulk[0][0] != PAUSE
        if self._newest and (not bulk or self._credit >= 3 * VALUE_SHARE):
            if self._pump_value(now_ns, sink):
                return True
            # 4. One that waits for the wire keeps its turn; behind one that waits for the tick, because it
            #    does not fit the gap any more, a shorter piece of bulk may.
            if self.deadline_ns != NEVER_NS:
                return False
        # 5. Bulk has what is left.
        return bool(self._bulk) and self._pump_bulk(now_ns, sink)

    def _pump_value(self, now_ns: int, sink: Sink) -> bool:
        key = next(iter(self._newest))
        if not self._send_run(self._newest[key], now_ns, MIN_HORIZON_NS, NOTE_ROOM_NS, sink):
            return False
        self._credit = max(0, self._credit - VALUE_SHARE * sum(map(len, self._newest.pop(key))))
        return True

    def _pump_bulk(self, now_ns: int, sink: Sink) -> bool:
        if self._bulk[0][0] == SYSEX:
            return self._pump_sysex(now_ns, MIN_HORIZON_NS, sink)
        if self._bulk[0][0] == PAUSE:
            return self._pump_pause(now_ns)
        run = self._bulk_run()
        if not self._send_run(run, now_ns, HORIZON_NS, 0, sink):
            return False
        for _ in run:
            self._bulk_gone()
        return True

    def _pump_pause(self, now_ns: int) -> bool:
        if self._pause_until_ns == NEVER_NS:
            self._pause_until_ns = max(now_ns, self.busy_until_ns) + pause_ns(self._bulk[0])
        if now_ns < self._pause_until_ns:
            self.deadline_ns = min(self.deadline_ns, self._pause_until_ns)
            return False
        self._pause_until_ns = NEVER_NS
        self._bulk_gone()
        return True

    def _pump_live(self, now_ns: int, sink: Sink) -> bool:
        data = self._live[0]
        # a routed Start stands 1 ms from the ticks beside it, too (M1 p. 30): it waits for the next gap when
        # this one is nearly over, and for that 1 ms when it has just begun
        if data[0] in (START, CONTINUE):
            if now_ns + START_LEAD_NS > self.gate_ns:
                return False
            if now_ns < self._tick_ns + START_LEAD_NS:
                self.deadline_ns = self._tick_ns + START_LEAD_NS
                return False
        if not self._send_run((data,), now_ns, HORIZON_NS, 0, sink):
            return False
        self._live.popleft()
        return True

    def _bulk_run(self) -> list[bytes]:
        """Return the head of the bulk lane; bank select and program change are one run (M1 p. 13)."""
        run = []
        for data in self._bulk:
            run.append(data)
            if data[0] & 0xF0 != CONTROLLER or data[1] not in BANK_SELECT:
                break
        return run

    def _send_run(
        self, run: Collection[bytes], now_ns: int, horizon_ns: int, room_ns: int, sink: Sink
    ) -> bool:
        """Send messages one behind the other if they leave the wire idle `room_ns` before the next tick."""
        # 1. No slow wire: the port takes it as it comes.
        if not self._byte_ns:
            sink += [(self, data) for data in run]
            return True
        # 2. Not too far ahead. What has been handed over cannot be taken back, and a tick would queue behind
        #    it. Look again when half of the horizon has gone by, so that the wire never runs empty
        #    meanwhile.
        start_ns = max(now_ns, self.busy_until_ns)
        if start_ns - now_ns >= horizon_ns:
            self.deadline_ns = start_ns - horizon_ns // 2
            return False
        # 3. Its last byte must have left before the tick is due, or it waits for the tick. A run goes out
        #    whole or not at all: nothing may come between bank select and program change (M1 p. 13).
        length_ns, running = 0, self._running
        for data in run:
            length_ns += self._length(data, running) * self._byte_ns
            running = data[0]
        if start_ns + length_ns + room_ns > self.gate_ns:
            return False
        # 4. It goes. System common ends running status, real time does not.
        sink += [(self, data) for data in run]
        self.busy_until_ns = start_ns + length_ns
        self._running = running if running < SYSEX else 0 if running < TICK_BYTES[0] else self._running
        return True

    def _length(self, data: bytes, running: int) -> int:
        """Return the bytes on the wire; a repeated status is left out by an interface that does so."""
        return len(data) - (self._running_status and data[0] == running and running < SYSEX)

    def _pump_sysex(self, now_ns: int, horizon_ns: int, sink: Sink) -> bool:
        """Send a piece of the SysEx at the head of the bulk lane; False when it must wait."""
        # 1. Not too far ahead, as any run.
        data = self._bulk[0]
        byte_ns = self._bulk_byte_ns
        start_ns = max(now_ns, self.busy_until_ns)
        if start_ns - now_ns >= horizon_ns:
            self.deadline_ns = start_ns - horizon_ns // 2
            return False
        # 2. As much as leaves the wire idle when the tick is due, and a horizon's worth at most. A port that
        #    takes no pieces gets it whole, across the tick where it must: that is counted, since the tick is
        #    late then.
        done = self._sent_of_head
        if self.takes_pieces:
            length = min(len(data) - done, PIECE_LIMIT)
            if self._byte_ns:
                length = min(length, (self.gate_ns - start_ns) // byte_ns, 1 + HORIZON_NS // byte_ns)
                if length < 1:
                    return False
        else:
            length = len(data)
            if self._byte_ns and start_ns + length * byte_ns > self.gate_ns:
                self.ungated += 1
        # 3. It goes, ends running status, and earns values their share.
        sink.append((self, data[done : done + length]))
        self.busy_until_ns = start_ns + length * byte_ns
        self._running = 0
        self._credit = min(self._credit + length, 1_000)
        self._sent_of_head = done + length
        if self._sent_of_head == len(data):
            self._bulk_gone()
            self._sent_of_head = 0
        return True

    def begin_again(self, sink: Sink) -> None:
        """A piece of the SysEx that goes out, or has just gone, may be missing: end it, and send it anew."""
        sink.append((self, bytes((SYSEX_END,))))
        self._sent_of_head = 0

    def lose(self, now_ns: int, missed: list[bytes]) -> None:
        """The port has gone: owe it the releases of `missed` and those that still wait; forget the rest.

        What went out within DOUBTFUL_NS may not have arrived, so its releases are owed, too: one too many
        ends nothing that sounds. The pressure of a key ends with its note.
        """
        since_ns = now_ns - DOUBTFUL_NS
        sent = [data for data, at_ns in self.sent.items() if at_ns > since_ns and is_release(data)]
        doubtful = [data for data in sent if data[0] & 0xF0 != CONTROLLER or data[1] < ALL_SOUND_OFF]
        owed = missed + self._take_latched() + self._sounding.end() + self.clear(now_ns, [])
        owed += self.receivers.take_key_pressures()
        self.owed += [data for data in doubtful if data not in owed] + owed
        self.connected = False
        self.busy_until_ns = now_ns

    def retire(self, owed: list[bytes], now_ns: int, sink: Sink) -> None:
        """Leave the rig: send all releases now, past wire and gate, because nobody pumps this way again."""
        owed = (
            owed
            + self._take_latched()
            + self._sounding.end()
            + self.clear(now_ns, sink)
            + self.receivers.take_rest()
        )
        if self.connected:
            sink += [(self, data) for data in owed]
        else:
            self.owed += owed

    def _take_latched(self) -> list[bytes]:
        return [data for output in self.outputs for data in output.take_latched()]

    def clear(self, now_ns: int, sink: Sink) -> list[bytes]:
        """Forget what waits and return the releases among it, and what puts to rest: the device needs them.

        A SysEx that is partly out is ended, so that the device is not left in it.
        """
        if self._sent_of_head and self.connected:
            sink.append((self, bytes((SYSEX_END,))))
            self.busy_until_ns = max(now_ns, self.busy_until_ns) + self._byte_ns
        waiting = (*self._live, *self._bulk, *(data for values in self._newest.values() for data in values))
        releases = [data for data in waiting if is_release(data) or self.receivers.is_left(data)]
        self._live.clear()
        self._newest.clear()
        self._bulk.clear()
        self._bulk_bytes = 0
        self._update_free()
        self.receivers.forget_settings()
        self._sent_of_head = 0
        self._pause_until_ns = NEVER_NS
        self.deadline_ns = NEVER_NS
        return releases


class Output:
    """The output of one device, on a wire of its own or one that it shares."""

    __slots__ = (
        "clock",
        "device",
        "direct",
        "latched",
        "moved",
        "name",
        "offer",
        "offer_patch",
        "patched",
        "play",
        "presses",
        "put_realtime",
        "selected",
        "transport",
        "values",
        "wire",
    )

    def __init__(self, device: Device, wire: Wire) -> None:
        self.device = device
        self.name = device.name
        self.wire = wire
        self.clock = False
        self.transport = False
        """Clock and transport are those of its device, but that of several on a wire only one has them."""
        self.direct: Wire | None = None
        """The wire while a short message may go straight to the sink, without being offered."""
        self.latched: dict[tuple[Mover, int], tuple[bytes, ...]] = {}
        """What sounds or is held with no key down, and the messages that end it."""
        # the wire's own, so that nothing stands between: what is offered, and what its receivers are on
        self.offer = wire.offer
        self.offer_patch = wire.offer_patch
        self.play = wire.play
        self.put_realtime = wire.put_realtime
        receivers = wire.receivers
        self.selected = receivers.selected
        self.patched = receivers.patched
        self.values = receivers.values
        self.presses = receivers.presses
        self.moved = receivers.moved

    @property
    def connected(self) -> bool:
        """Whether its port is there."""
        return self.wire.connected

    def local_control(self) -> list[bytes]:
        """Return what sets whether its own keys play its sounds; nothing where the rig leaves
        that open. It goes to each channel, as such a message is heeded on a basic channel (M1 p. 20)."""
        device = self.device
        if device.local_control is None:
            return []
        value = 127 if device.local_control else 0
        return [controller(channel, LOCAL_CONTROL, value) for channel in device.channels or range(16)]

    @property
    def output(self) -> Output:
        """The output at the end of this way: itself; see `converters`."""
        return self

    def convert(self, data: bytes) -> tuple[bytes, ...]:
        """Return what the device gets of a message: the message; see `converters`."""
        return (data,)

    def end_latched(self, stays: Collection[Mover], now_ns: int, sink: Sink) -> None:
        """End what is held with no key down, but for what these converters hold."""
        for key in [key for key in self.latched if key[0] not in stays]:
            for data in self.latched.pop(key):
                self.play(data, now_ns, sink)

    def take_latched(self) -> list[bytes]:
        """Return the messages that end what is latched, and forget it."""
        releases = self.missed(data for held in self.latched.values() for data in held)
        self.latched.clear()
        return releases

    def missed(self, releases: Iterable[bytes]) -> list[bytes]:
        """Return those of these releases that end something, without sending them."""
        return [data for data in releases if not is_note(data) or self.wire.receivers.sounding.release(data)]
