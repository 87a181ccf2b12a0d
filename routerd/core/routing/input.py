"""The way in from a device: what its messages become, and what it holds down; and the port on which it is
heard.

A release follows the way of its press: an `Input` remembers, for every note and hold pedal that its device
presses, which outputs got the press and as what. Whatever changes in between (song, section, routes, panic),
the release goes the same way once. It sends nothing by itself when routes change: what sounds goes on
sounding until its own release. A `Feed` is the port, with the several inputs of devices that share it.

Rules: Note On with velocity 0 is a Note Off (M1 p. 10); hold pedals are on from 64 (M1 Table III). Bank
select waits for its program change, so that nothing comes between the two on the way out (M1 p. 13);
a device that sends it alone has it sent on before its next message on that channel, or after BANK_WAIT_NS.

More than 350 lines: what is held and where it goes are one state, and a message passes few functions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from routerd.core.midi.messages import (
    ACTIVE_SENSING,
    BANK_SELECT,
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    HOLD_CONTROLLERS,
    MESSAGE_LENGTH,
    NOTE_OFF,
    NOTE_ON,
    PARAMETER_DATA,
    PARAMETER_SELECT,
    POLY_PRESSURE,
    PROGRAM,
    SENSING_LOST_NS,
    SYSEX,
    SYSTEM_RESET,
    TICK,
    Selected,
    is_complete,
    is_whole,
    note_selection,
    selection,
)
from routerd.core.midi.rest import MOVED_CONTROLLERS, NOT_POSITIONS, moved_key
from routerd.core.model.controls import NO_CONTROLS, Turn
from routerd.core.output.wire import Output
from routerd.core.routing.tables import EMPTY, Leg, Table, WideEntry

if TYPE_CHECKING:
    from collections.abc import Iterable

    from routerd.core.model.controls import Controls, Switch
    from routerd.core.model.rig import Device
    from routerd.core.output.wire import Sink, Wire
    from routerd.core.routing.converters import Converter

Received = Callable[[bytes, int], None]
"""Called with a message and its arrival in ns."""

Way = tuple["Output | Converter", int, int]
"""Where a press went: output or converter, status byte of the release (or of the controller), number out."""


PEDAL_DOWN = 64
NO_NUMBER = 0xFFFF
"""Of an input that is in no rig."""

BANK_WAIT_NS = 10_000_000
_SPECIAL = HOLD_CONTROLLERS | BANK_SELECT | PARAMETER_SELECT | PARAMETER_DATA
"""Controllers that are more than a value of their own."""
_DEFAULT_RELEASE_VELOCITY = 64


class Input:
    """The way in from one device, with the table of the current section and what is held."""

    __slots__ = (
        "_fast_path",
        "banks",
        "banks_since_ns",
        "chased",
        "controls",
        "controls_down",
        "device",
        "heard_ns",
        "held_notes",
        "held_pedals",
        "malformed",
        "name",
        "note_sysex",
        "number",
        "pedals",
        "positions",
        "received",
        "selected",
        "senses",
        "shares",
        "table",
        "withheld",
    )

    def __init__(self, device: Device) -> None:
        self.device = device
        self.name = device.name
        self.number = NO_NUMBER
        """Its place among the inputs of the compiled rig in force."""
        self.shares: tuple[Input, ...] = (self,)
        """All that hear the same port, itself among them."""
        self.table: Table = EMPTY
        self.heard_ns = 0
        """When its device sent something last."""
        self.senses = False
        """Whether its device has sent Active Sensing."""
        self.controls = NO_CONTROLS
        """What stands for an action."""
        self.controls_down: set[int] = set()
        """Switches that are down, so that their release is not routed whatever they mean by then."""
        self.pedals: dict[int, bytes] = {}
        """What the values of controllers become first, by (status byte << 7) | number."""
        self.chased = False
        """Whether some route wants to know where its device's controls stand."""
        self.positions: dict[int, bytes] = {}
        """Where they stand, if so: the last message of each, by (status byte << 7) | controller."""
        self.received = 0
        """Messages of its device so far; counted by whoever brings them."""
        self.malformed = 0
        """Messages that were not whole, legal MIDI."""
        self.withheld = 0
        """Messages that a loop has brought back and that were not routed again, see `loops`."""
        self.held_notes: dict[int, tuple[Way, ...]] = {}
        """By channel × 128 + note."""
        self.held_pedals: dict[int, tuple[Way, ...]] = {}
        """By channel × 128 + controller number."""
        self.banks: dict[int, list[bytes]] = {}
        """Bank select that waits for its program change, by channel."""
        self.banks_since_ns = 0
        self.selected: Selected = {}
        """The parameter that the device stands on."""
        self.note_sysex: Callable[[Wire, bytes, int], None] = lambda *_: None
        """Called with each SysEx that is routed and where it goes: it goes out in pieces."""
        self._fast_path = True
        """Whether the table alone decides what becomes of a message."""

    def _update_fast_path(self) -> None:
        controls = self.controls
        self._fast_path = not (
            controls.by_key
            or controls.by_message
            or self.controls_down
            or self.pedals
            or self.banks
            or self.chased
        )

    def receive(self, data: bytes, now_ns: int, sink: Sink) -> Turn | None:
        """Route one message, or return what it does to a switch.

        What is not whole, legal MIDI goes nowhere and is counted. System common and real-time messages
        end here: the rig's clock is this one, and System Reset is never passed on (M1 p. 33).
        """
        # 1. A whole message may stand for an action, a SysEx of a controller too: before anything is
        #    looked up by its status byte. On the fast path nothing does, and one attribute says so.
        fast = self._fast_path
        if not fast and (exact := self.controls.by_message.get(data)) is not None:
            return Turn((self.name, data), exact, True, True)
        # 2. System messages have no channel and hold nothing down: they have a way of their own.
        if not data or (status := data[0]) >= SYSEX:
            self._receive_system(data, now_ns, sink)
            return None
        # 3. What is not whole goes nowhere. Both data bytes are looked at in one test: with one data byte
        #    they are the same one. From here on tables of 128 can be looked up without a check.
        if len(data) != MESSAGE_LENGTH[status] or (data[1] | data[-1]) & 0x80:
            self.malformed += 1
            return None
        self.heard_ns = now_ns
        # 4. Off the fast path, in this order: a pedal is first made what it should have been; a switch is
        #    carried out and not routed, nor is the release of one that has lost its meaning since; what
        #    remains shows where a control stands; and a bank select that waits goes out before anything but
        #    its other half.
        if not fast:
            if (values := self.pedals.get((status << 7) | data[1])) is not None:
                data = bytes((status, data[1], values[data[2]]))
            switch = self.controls.by_key.get((status << 7) | data[1])
            if switch is not None or (self.controls_down and _switch_key(data) in self.controls_down):
                return self._turn(switch, data)
            if self.chased and status >= CONTROLLER:
                self.positions[status << 7 | (data[1] if status < PROGRAM else 0)] = data
            if self.banks and not (status & 0xF0 == CONTROLLER and data[1] in BANK_SELECT):
                self._send_bank(status & 0x0F, now_ns, sink)
        # 5. By what it holds down: notes and hold pedals are remembered, all else only passes. A Note On with
        #    velocity 0 is a Note Off (M1 p. 10).
        if status >= POLY_PRESSURE:
            _WAYS[status & 0xF0](self, data, now_ns, sink)
        elif status >= NOTE_ON and data[2]:
            self.press(data, now_ns, sink)
        else:
            self.release(data, now_ns, sink)
        return None

    def use_pedals(self, pedals: dict[int, bytes]) -> None:
        """Take other maps of what controllers become first."""
        self.pedals = pedals
        self._update_fast_path()

    def use_chase(self, chased: bool) -> None:
        """Keep positions from now on, or no more."""
        self.chased = chased
        if not chased:
            self.positions.clear()
        self._update_fast_path()

    def chase(self, status: int, leg: Leg, now_ns: int, sink: Sink) -> None:
        """Send the present positions of controls over one leg of the table."""
        target, status_out, firsts, seconds = leg
        if not target.output.connected:
            return
        for data in list(self.positions.values()):
            if data[0] != status:
                continue
            number, is_controller = data[1], status < PROGRAM
            if is_controller and (number in NOT_POSITIONS or (status << 7) | number in self.controls.by_key):
                continue
            out = bytes((status_out, firsts[number], *(seconds[value] for value in data[2:])))
            if max(out[1:]) > 127:
                continue
            if type(target) is not Output:
                target.offer(out, now_ns, sink)
                continue
            target.offer(out, now_ns, sink)  # what the player does next must not be overtaken by it
            if is_controller and number in HOLD_CONTROLLERS:
                key = (status & 0x0F) << 7 | number
                way = (target, status_out, out[1])
                if data[2] >= PEDAL_DOWN and way not in self.held_pedals.get(key, ()):
                    self.held_pedals[key] = (*self.held_pedals.get(key, ()), way)
            elif (moved := moved_key(out)) >= 0:
                target.moved[moved] = (self, out)

    def _receive_controller(self, data: bytes, now_ns: int, sink: Sink) -> None:
        if data[1] in _SPECIAL:
            self._receive_special(data, now_ns, sink)
        else:
            self._pass(data, now_ns, sink)

    def _receive_program(self, data: bytes, now_ns: int, sink: Sink) -> None:
        for target, status_out, _, _ in self.table[data[0] - 0x80]:
            target.output.patched.pop(status_out & 0x0F, None)
        self._pass(data, now_ns, sink)

    def _pass(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send what holds nothing down: controllers, pressure, bend, program changes."""
        first = data[1]
        is_long = len(data) == 3
        second = data[2] if is_long else 0
        is_controller = data[0] < PROGRAM
        moves = data[0] >= CHANNEL_PRESSURE
        legs = self.table[data[0] - 0x80]
        if type(legs) is WideEntry:
            legs = legs.by_first[first]
        for target, status_out, firsts, seconds in legs:
            first_out = firsts[first]
            second_out = seconds[second]
            if first_out < 128 and second_out < 128:
                out = bytes((status_out, first_out, second_out) if is_long else (status_out, first_out))
                if (wire := target.direct) is not None:
                    sink.append((wire, out))
                else:
                    target.offer(out, now_ns, sink)
                    if type(target) is not Output:
                        continue
                if is_controller:
                    if first_out in MOVED_CONTROLLERS:
                        target.moved[status_out << 7 | first_out] = (self, out)
                elif moves:
                    target.moved[status_out << 7] = (self, out)

    def _receive_system(self, data: bytes, now_ns: int, sink: Sink) -> None:
        if not is_whole(data):
            self.malformed += 1
            return
        self.heard_ns = now_ns
        if data[0] == ACTIVE_SENSING:
            self.senses = True
        elif data[0] != SYSTEM_RESET:
            for target, _, _, _ in self.table[data[0] - 0x80]:
                if data[0] == SYSEX:
                    self.note_sysex(target.output.wire, data, now_ns)
                if data[0] < TICK:
                    target.output.patched.clear()
                    target.offer(data, now_ns, sink)
                else:
                    target.output.put_realtime(data, now_ns, sink)

    def _receive_special(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Route a hold pedal, a bank select, or a part of a registered or non-registered parameter."""
        status, number, value = data
        channel = status & 0x0F
        if number in HOLD_CONTROLLERS:
            self.pedal(data, now_ns, sink)
        elif number in BANK_SELECT:
            if not self.banks:
                self.banks_since_ns = now_ns
            self.banks.setdefault(channel, []).append(data)
            self._fast_path = False
        elif number in PARAMETER_SELECT:
            note_selection(self.selected, channel, number, value)
            for target, status_out, firsts, seconds in self.table[status - 0x80]:
                if isinstance(target, Output) and firsts[number] < 128 and seconds[value] < 128:
                    note_selection(target.selected, status_out & 0x0F, firsts[number], seconds[value])
            self._pass(data, now_ns, sink)
        else:
            self._select_again(status, number, now_ns, sink)
            self._pass(data, now_ns, sink)

    def _select_again(self, status: int, number: int, now_ns: int, sink: Sink) -> None:
        """Put every receiver back on this device's parameter, where another has taken it off."""
        parameter = self.selected.get(status & 0x0F)
        if parameter is None or not is_complete(parameter):
            return
        for target, status_out, firsts, _ in self.table[status - 0x80]:
            if isinstance(target, Output) and firsts[number] < 128 and firsts[parameter[0]] == parameter[0]:
                channel = status_out & 0x0F
                if target.selected.get(channel) != parameter:
                    target.selected[channel] = parameter
                    for out in selection(channel, parameter):
                        target.offer(out, now_ns, sink)

    def _send_bank(self, channel: int, now_ns: int, sink: Sink) -> None:
        for data in self.banks.pop(channel, ()):
            self._pass(data, now_ns, sink)
        self._update_fast_path()

    def send_banks(self, now_ns: int, sink: Sink) -> None:
        """Send on what has waited too long for its program change."""
        if now_ns - self.banks_since_ns >= BANK_WAIT_NS:
            for channel in list(self.banks):
                self._send_bank(channel, now_ns, sink)

    def _receive_pressure(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Route the pressure of a key: where its note has gone, when the device holds it."""
        status, note, value = data
        ways = self.held_notes.get((status & 0x0F) << 7 | note)
        for target, status_out, notes, values in self.table[status - 0x80]:
            note_out = notes[note]
            if note_out < 128 and values[value] < 128:
                way = (target, NOTE_OFF | (status_out & 0x0F), note_out)
                if ways is None or way in ways:
                    out = bytes((status_out, note_out, values[value]))
                    target.offer(out, now_ns, sink)
                    if type(target) is Output and target.connected:
                        target.moved[status_out << 7 | note_out] = (self, out)

    def _turn(self, switch: Switch | None, data: bytes) -> Turn | None:
        """Return what a control's message does: it goes down or comes up, or nothing new.

        A program change has no release: it is reported as a press every time.
        """
        kind = data[0] & 0xF0
        key = _switch_key(data)
        if kind == PROGRAM:
            return Turn((self.name, key), switch, True, True)
        down = data[2] >= PEDAL_DOWN if kind == CONTROLLER else kind == NOTE_ON and data[2] > 0
        if down is (key in self.controls_down):
            return None
        (self.controls_down.add if down else self.controls_down.discard)(key)
        self._update_fast_path()
        return Turn((self.name, key), switch, down)

    def swallow_release(self, data: bytes) -> None:
        """Let the release of this press go nowhere."""
        if 0x80 <= data[0] < PROGRAM:
            self.controls_down.add(_switch_key(data))
            self._fast_path = False

    def forget_switches(self) -> None:
        """The device has gone: no switch of it is down any more."""
        self.controls_down.clear()
        self._update_fast_path()

    def press(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Route a Note On with velocity above 0."""
        # 1. Pressed again without a release in between: the first press ends now, the way it took, because
        #    there will be one release for both.
        status, note, velocity = data[0], data[1], data[2]
        key = ((status & 0x0F) << 7) | note
        held = self.held_notes
        if key in held:
            for way in held[key]:
                way[0].play(release_bytes(way), now_ns, sink)
        # 2. The legs of this status byte, and of many legs only those that this note may pass.
        legs = self.table[status - 0x80]
        if type(legs) is WideEntry:
            legs = legs.by_first[note]
        # 3. Each leg that lets note and velocity through is a way, which the release will take.
        ways: tuple[Way, ...] = ()
        for target, status_out, notes, velocities in legs:
            note_out = notes[note]
            velocity_out = velocities[velocity]
            if note_out < 128 and velocity_out < 128:
                release_status = status_out & 0xEF
                ways += ((target, release_status, note_out),)
                out = bytes((status_out, note_out, velocity_out))
                # 4. `Wire.play` written out for the usual case, a wire that is free and a note that does not
                #    sound there yet: what it costs is mostly finding its code in the processor's caches.
                if (wire := target.direct) is not None:
                    presses = target.presses
                    out_key = release_status << 7 | note_out
                    if out_key not in presses:
                        presses[out_key] = 1
                        sink.append((wire, out))
                        continue
                target.play(out, now_ns, sink)
        # 5. Also when there are none: its release must not go by a table that is in force by then.
        held[key] = ways

    def release(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Route a Note Off, or a Note On with velocity 0, the way of its press.

        A release whose press was never seen goes by the current table: it may end a note that was
        pressed before routerd started.
        """
        status, note, velocity = data[0], data[1], data[2]
        if status >= NOTE_ON:
            velocity = _DEFAULT_RELEASE_VELOCITY
        ways = self.held_notes.pop(((status & 0x0F) << 7) | note, None)
        if ways is None:
            ways = self._ways_of_unseen(status, note)
        for target, status_out, note_out in ways:
            out = bytes((status_out, note_out, velocity))
            if (wire := target.direct) is not None:  # as `play` does, without the way there
                presses = target.presses
                out_key = status_out << 7 | note_out
                if left := presses.pop(out_key, 1) - 1:
                    presses[out_key] = left
                else:
                    sink.append((wire, out))
            else:
                target.play(out, now_ns, sink)

    def _ways_of_unseen(self, status: int, note: int) -> tuple[Way, ...]:
        """Return where a release goes whose press was never seen: not to what other presses hold."""
        ways = ways_of(self.table[(status & 0x0F) | (NOTE_OFF - 0x80)], note)
        return tuple(way for way in ways if (way[1] << 7 | way[2]) not in way[0].presses)

    def pedal(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Route a hold pedal: down by the current table, up also the way that it went down.

        A pedal with positions between (half damper) passes through several values below PEDAL_DOWN on its way
        up; a way is forgotten only when 0 has gone there, so that nothing is left half sustained.
        """
        status, number, value = data
        key = ((status & 0x0F) << 7) | number
        held = self.held_pedals.get(key, ())
        sent: list[Way] = []
        for output, status_out, numbers, values in self.table[status - 0x80]:
            number_out = numbers[number]
            value_out = values[value]
            if number_out < 128 and value_out < 128:
                sent.append((output, status_out, number_out))
                output.offer(bytes((status_out, number_out, value_out)), now_ns, sink)
        if value >= PEDAL_DOWN:
            self.held_pedals[key] = tuple(dict.fromkeys((*held, *sent)))
            return
        for way in held:
            if way not in sent:
                output, status_out, number_out = way
                output.offer(bytes((status_out, number_out, value)), now_ns, sink)
        if value == 0:
            self.held_pedals.pop(key, None)

    def use_controls(self, controls: Controls, now_ns: int, sink: Sink) -> None:
        """Take new controls. What is held and has become one is released now: its release is not routed."""
        if controls is self.controls:
            return
        self.controls = controls
        self._update_fast_path()
        for key in self.positions.keys() & controls.by_key.keys():
            del self.positions[key]
        for held, status in ((self.held_notes, NOTE_ON), (self.held_pedals, CONTROLLER)):
            for key in [key for key in held if (status << 7) | key in controls.by_key]:
                for way in held.pop(key):
                    way[0].play(release_bytes(way), now_ns, sink)

    def holds(self, release: bytes) -> bool:
        """Return whether the press of this release of a key or pedal has been let in."""
        held = self.held_pedals if release[0] >= CONTROLLER else self.held_notes
        return bool(held.get((release[0] & 0x0F) << 7 | release[1]))

    def is_lost(self, now_ns: int) -> bool:
        """Return whether the cable counts as lost since, see `messages.SENSING_LOST_NS`; reported once."""
        if self.senses and now_ns - self.heard_ns > SENSING_LOST_NS:
            self.senses = False
            return True
        return False

    def sounds(self) -> bool:
        """Return whether something that was pressed here has not been released."""
        return any(self.held_notes.values()) or any(self.held_pedals.values())

    def let_go(self, now_ns: int, sink: Sink) -> None:
        """Release what is held; the releases that the device sends later go nowhere."""
        for held in (self.held_notes, self.held_pedals):
            for key, ways in held.items():
                held[key] = ()
                for way in ways:
                    way[0].play(release_bytes(way), now_ns, sink)

    def let_go_of(self, status: int, number: int, now_ns: int, sink: Sink) -> None:
        """The same for one note, or one hold pedal where the status byte is that of a controller."""
        held = self.held_pedals if status >= CONTROLLER else self.held_notes
        key = (status & 0x0F) << 7 | number
        ways, held[key] = held.get(key, ()), ()
        for way in ways:
            way[0].play(release_bytes(way), now_ns, sink)

    def forget(self, output: Output) -> list[bytes]:
        """Take `output` out of what is held and return the releases that it will miss."""
        missed: list[bytes] = []
        for held in (self.held_notes, self.held_pedals):
            for key, ways in held.items():
                gone = [way for way in ways if way[0].output is output]
                if gone:
                    held[key] = tuple(way for way in ways if way not in gone)
                for way in gone:
                    missed += output.missed(way[0].convert(release_bytes(way)))
        return missed


def _switch_key(data: bytes) -> int:
    """Return what distinguishes switches: kind (a note's press and release alike), channel, number."""
    return ((data[0] & 0xEF if data[0] < 0xA0 else data[0]) << 7) | data[1]


_WAYS: dict[int, Callable[[Input, bytes, int, Sink], None]] = {  # of what is no note
    POLY_PRESSURE: Input._receive_pressure,
    CONTROLLER: Input._receive_controller,
    PROGRAM: Input._receive_program,
    CHANNEL_PRESSURE: Input._pass,
    BEND: Input._pass,
}


def ways_of(legs: tuple[Leg, ...], number: int) -> tuple[Way, ...]:
    """Return where a message with that first data byte goes by these legs."""
    if isinstance(legs, WideEntry):
        legs = legs.by_first[number]
    return tuple(
        (output, status_out, numbers[number])
        for output, status_out, numbers, _ in legs
        if numbers[number] < 128
    )


def release_bytes(way: Way) -> bytes:
    """Return the message that ends what went that way: a Note Off, or the pedal up."""
    _, status, number = way
    return bytes((status, number, 0 if status >= CONTROLLER else _DEFAULT_RELEASE_VELOCITY))


def rings(source: object, inputs: Iterable[Input], wire: Wire, channel: int) -> bool:
    """Return whether what that player pressed there has not been released. A converter may be anybody's."""
    return any(
        way[0].output.wire is wire and (way[0] is source or (way[1] & 0x0F) == channel)
        for input in inputs
        for held in (input.held_notes, input.held_pedals)
        for ways in held.values()
        for way in ways
    )


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """One port that is listened to. `channels` are, by input, those of its device (0–15); () are all."""

    inputs: tuple[Input, ...]
    channels: tuple[tuple[int, ...], ...]

    @property
    def device(self) -> Device:
        """The device whose entry in the rig names the port; all others of the feed name the same."""
        return self.inputs[0].device

    def heard_by(self, status: int) -> tuple[Input, ...]:
        """Return who hears a message that begins so: one with a channel, those that have the channel.

        A release on nobody's channel goes to the first: by such messages `loops` finds cables.
        """
        if not 0x80 <= status < SYSEX:
            return self.inputs
        channel = status & 0x0F
        heard = tuple(
            input
            for input, channels in zip(self.inputs, self.channels, strict=True)
            if not channels or channel in channels
        )
        return heard if heard or status >= NOTE_ON else self.inputs[:1]

    def receiver(self, receiver_of: Callable[[Input], Received]) -> Received:
        """Return what the port calls with each message; `receiver_of` an input is what takes it for that."""
        if self.channels == ((),):
            return receiver_of(self.inputs[0])
        each = {input: receiver_of(input) for input in self.inputs}
        every = tuple(tuple(each[input] for input in self.heard_by(status)) for status in range(0x100))

        def received(data: bytes, at_ns: int) -> None:
            for one in every[data[0] if data else 0]:
                one(data, at_ns)

        return received
