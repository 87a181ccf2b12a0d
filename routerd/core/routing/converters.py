"""What a route cannot do by looking bytes up: objects that stand in a leg where an output would.

A converter is given the message that the leg's maps have made, as an output would be, and sends what it
makes of it to its output. Presses that went to a converter are released to it, like those of an output.
Equal routes share one converter, so that it keeps its state from song to song. What it leaves sounding
with no key down lies in the output's `latched`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTINUE_BYTES,
    CONTROLLER,
    HOLD_CONTROLLERS,
    NOTE_OFF,
    NOTE_ON,
    NRPN,
    PARAMETER_SELECT,
    PROGRAM,
    RPN,
    START_BYTES,
    STOP_BYTES,
    SYSEX,
    SYSEX_END,
    Parameter,
    Selected,
    bend_value,
    is_complete,
    note_selection,
    parameter_messages,
    parameter_value_after,
    selection,
)
from routerd.core.midi.rest import moved_key
from routerd.core.model.route import FULL, SEQUENCE_KINDS, Quantity, QuantityKind, Remap, Switching, scale
from routerd.core.output.receivers import quantity_key

if TYPE_CHECKING:
    from collections.abc import Sequence

    from routerd.core.output.wire import Output, Sink, Wire

NOTHING: tuple[bytes, ...] = ()

_SEQUENCE = {
    QuantityKind.START: (START_BYTES,),
    QuantityKind.STOP: (STOP_BYTES,),
    QuantityKind.CONTINUE: (CONTINUE_BYTES,),
    QuantityKind.RETRIGGER: (STOP_BYTES, START_BYTES),  # a Start while running is ignored (M1 p. 31)
}


class Converter(ABC):
    """Base: `convert` is the whole idea of each kind."""

    __slots__ = ("moved", "output", "presses")

    direct: Wire | None = None
    """As an output has it; here everything is to be offered."""

    def __init__(self, output: Output) -> None:
        self.output = output
        # as an output has them, so that either can stand in a leg
        self.presses = output.presses
        self.moved = output.moved

    @abstractmethod
    def convert(self, data: bytes) -> Sequence[bytes]:
        """Return what one message becomes."""

    def offer(self, data: bytes, now_ns: int, sink: Sink) -> None:
        """Send what one message becomes."""
        output = self.output
        for out in self.convert(data):
            if (key := moved_key(out)) >= 0:
                self.moved[key] = (self, out)
            output.play(out, now_ns, sink)

    play = offer


class PrefixFilter(Converter):
    """Lets SysEx pass that begins with one of `prefixes`."""

    __slots__ = ("_prefixes",)

    def __init__(self, output: Output, prefixes: tuple[bytes, ...]) -> None:
        super().__init__(output)
        self._prefixes = prefixes

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Pass or block."""
        return (data,) if data.startswith(self._prefixes) else NOTHING


class BendScaler(Converter):
    """Makes the same interval of a bend between devices of different bend ranges."""

    __slots__ = ("_from", "_to")

    def __init__(self, output: Output, from_semitones: int, to_semitones: int) -> None:
        super().__init__(output)
        self._from = from_semitones
        self._to = to_semitones

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Scale about the centre, 8192."""
        value = scale_bend(bend_value(data), self._from, self._to)
        return (bytes((data[0], value & 0x7F, value >> 7)),)


def scale_bend(value: int, from_semitones: int, to_semitones: int) -> int:
    """Return the bend that sounds alike in another bend range; the ends stay ends when both ranges agree."""
    offset = (2 * (value - 8192) * from_semitones + to_semitones) // (2 * to_semitones)
    return min(max(8192 + offset, 0), FULL)


class Drone(Converter):
    """A key that switches held notes on and off."""

    __slots__ = ("_notes",)

    def __init__(self, output: Output, notes: tuple[int, ...]) -> None:
        super().__init__(output)
        self._notes = notes

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Press: on or off; release: nothing."""
        status, _, velocity = data
        if status & 0xF0 != NOTE_ON or not velocity or not self.output.connected:
            return NOTHING
        key = (self, status)  # all its keys switch the one drone
        latched = self.output.latched
        if key in latched:
            return latched.pop(key)
        channel = status & 0x0F
        latched[key] = tuple(bytes((NOTE_OFF | channel, tone, 64)) for tone in self._notes)
        return [bytes((status, tone, velocity)) for tone in self._notes]


class Remapper(Converter):
    """One quantity made into another, see `routes.Remap`."""

    __slots__ = ("_accepted", "_met", "_msb", "_on", "_remap", "_source", "_target")

    def __init__(self, output: Output, remap: Remap) -> None:
        super().__init__(output)
        self._remap = remap
        self._source = remap.source
        self._target = remap.target
        self._accepted: dict[int, int] = {}
        """By channel: the source's value that was heeded last."""
        self._met: dict[int, int] = {}
        """By channel: where the source stood last, in the target's units."""
        self._msb: dict[int, int] = {}
        self._on: dict[int, bool] = {}
        if remap.pickup:
            output.wire.report_values()

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Read the source's value from a message; parameters come by `follow` instead."""
        channel = data[0] & 0x0F
        kind = self._source.kind
        if kind is QuantityKind.CC:
            value = data[2]
        elif kind is QuantityKind.PRESSURE:
            value = data[1]
        elif kind is QuantityKind.PITCH_BEND:
            value = bend_value(data)
        elif kind is QuantityKind.NOTE:
            value = 127 if data[0] & 0xF0 == NOTE_ON and data[2] else 0
        elif data[1] == self._source.number:  # a new upper half clears the lower (M1 p. 12)
            value = self._msb[channel] = data[2] << 7
        else:
            value = self._msb.get(channel, 0) | data[2]
        return self.follow(channel, value, data[0] & 0x0F)

    def follow(self, channel: int, value: int, channel_out: int) -> Sequence[bytes]:
        """Return what goes out when the source on `channel` stands at `value`."""
        remap = self._remap
        if remap.deadband and not self._heeds(channel, value):
            return NOTHING
        if remap.switching is not Switching.NONE or self._target.kind in SEQUENCE_KINDS:
            switched = self._switch(channel, value)
            if switched is None:
                return NOTHING
            if self._target.kind in SEQUENCE_KINDS:
                return _SEQUENCE[self._target.kind] if switched else NOTHING
            out = remap.target_range[switched]
        else:
            out = scale(value, remap.source_range, remap.target_range, remap.curve)
        messages: list[bytes] = []
        for target_channel in remap.channels or (channel_out,):
            if not remap.pickup or self._meets(channel, target_channel, out):
                messages += self._write(target_channel, out)
        self._met[channel] = out
        return messages

    def _heeds(self, channel: int, value: int) -> bool:
        accepted = self._accepted.get(channel)
        at_end = value <= self._remap.source_range[0] or value >= self._remap.source_range[1]
        if accepted is not None and not at_end and abs(value - accepted) < self._remap.deadband:
            return False
        self._accepted[channel] = value
        return True

    def _switch(self, channel: int, value: int) -> bool | None:
        """Return the new state of the switch, or None when it has none."""
        low, high = self._remap.source_range
        down = 2 * value > low + high
        if down is self._on.get(channel, False):
            return None
        self._on[channel] = down
        if self._remap.switching is not Switching.LATCH:
            return down
        if not down:
            return None
        key = self._key(self._remap.channels[0] if self._remap.channels else channel)
        return self.output.values.get(key, -1) != self._remap.target_range[1]

    def _meets(self, channel: int, target_channel: int, out: int) -> bool:
        """Return whether the source has met the value that the target has, or need not."""
        current = self.output.values.get(self._key(target_channel))
        before = self._met.get(channel)
        if current is None or current in (before, out):
            return True
        return before is not None and (before < current) is not (out < current)

    def _key(self, channel: int) -> int:
        return quantity_key(channel, self._target)

    def _write(self, channel: int, value: int) -> Sequence[bytes]:
        target = self._target
        kind, number = target.kind, target.number
        self.output.values[self._key(channel)] = value
        if kind is QuantityKind.CC:
            if number in HOLD_CONTROLLERS:
                self._hold(channel, value)
            return (bytes((CONTROLLER | channel, number, value)),)
        if kind is QuantityKind.FINE:
            status = CONTROLLER | channel
            return bytes((status, number, value >> 7)), bytes((status, number + 32, value & 0x7F))
        if kind is QuantityKind.PITCH_BEND:
            return (bytes((BEND | channel, value & 0x7F, value >> 7)),)
        if kind is QuantityKind.VOLUME:  # universal real time, all devices, lower half first (M1 p. 57)
            return (bytes((SYSEX, 0x7F, 0x7F, 4, 1, value & 0x7F, value >> 7, SYSEX_END)),)
        if kind in (QuantityKind.PRESSURE, QuantityKind.PROGRAM):
            status = CHANNEL_PRESSURE if kind is QuantityKind.PRESSURE else PROGRAM
            if status == PROGRAM:
                self.output.patched.pop(channel, None)
            return (bytes((status | channel, value)),)
        parameter = parameter_of(target)
        self.output.selected[channel] = parameter
        return parameter_messages(channel, parameter, value)

    def _hold(self, channel: int, value: int) -> None:
        key = (self, channel)
        if value >= 64 and self.output.connected:
            self.output.latched[key] = (bytes((CONTROLLER | channel, self._target.number, 0)),)
        else:
            self.output.latched.pop(key, None)


def parameter_of(quantity: Quantity) -> Parameter:
    """Return the parameter that a quantity of kind RPN or NRPN is."""
    kind = RPN if quantity.kind is QuantityKind.RPN else NRPN
    return kind, quantity.number >> 7, quantity.number & 0x7F


def on_parameter(output: Output, channel: int, parameter: Parameter, data: bytes) -> Sequence[bytes]:
    """Return a data message, behind what selects its parameter where the receiver is not on that."""
    if output.selected.get(channel) == parameter:
        return (data,)
    output.selected[channel] = parameter
    return *selection(channel, parameter), data


class ParameterReader(Converter):
    """Reads (N)RPN as whole quantities: those that are mapped go to their maps, all others pass."""

    __slots__ = ("_maps", "_pass_others", "_selected", "_values")

    def __init__(
        self, output: Output, maps: dict[Parameter, tuple[Remapper, ...]], pass_others: bool
    ) -> None:
        super().__init__(output)
        self._maps = maps
        self._pass_others = pass_others
        self._selected: Selected = {}
        self._values: dict[tuple[int, Parameter], int] = {}

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Keep a selection back until data shows what it is for."""
        status, number, value = data
        channel = status & 0x0F
        if number in PARAMETER_SELECT:
            note_selection(self._selected, channel, number, value)
            return NOTHING
        parameter = self._selected.get(channel)
        if parameter is None or not is_complete(parameter):
            return (data,) if self._pass_others else NOTHING
        maps = self._maps.get(parameter)
        if maps is not None:
            now = parameter_value_after(self._values.get((channel, parameter), 0), number, value)
            self._values[channel, parameter] = now
            return [out for one in maps for out in one.follow(channel, now, channel)]
        if not self._pass_others:
            return NOTHING
        return on_parameter(self.output, channel, parameter, data)
