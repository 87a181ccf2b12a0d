"""Zones of channels with one note each (MPE 1.0, 2.1–2.4): moved, squeezed into fewer channels, or folded.

A zone's member channels each carry one note with its own bend, pressure and timbre (controller 74); its
manager channel speaks for all. With room for every member a zone is moved by plain legs, and only its
configuration message needs `ZoneManager`. With less room, or one channel, `ZoneSqueezer` gives each note a
channel: a free one, the longest free first, else the one with fewest notes. Where notes share a channel, the
expression is that of the note pressed last; when it ends, that of the note pressed before it comes back.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    DATA_MSB,
    NOTE_OFF,
    NOTE_ON,
    PARAMETER_DATA,
    PARAMETER_SELECT,
    PROGRAM,
    RPN,
    Parameter,
    Selected,
    bend_value,
    is_complete,
    note_selection,
    selection,
)
from routerd.core.model.route import FULL
from routerd.core.routing.converters import NOTHING, Converter, on_parameter

if TYPE_CHECKING:
    from routerd.core.model.route import NoteZone
    from routerd.core.output.wire import Output

TIMBRE = 74
CONFIGURATION: Parameter = (RPN, 0, 6)
"""Registered parameter 6 on a manager channel; its upper value is the number of members (MPE 1.0, 2.1.1)."""
BEND_RANGE: Parameter = (RPN, 0, 0)
MEMBER_BEND = 48
MANAGER_BEND = 2
"""Semitones that a configuration message sets (MPE 1.0, 2.4)."""
CENTRE = 8192
_PARAMETERS = PARAMETER_SELECT | PARAMETER_DATA


def manager_of(upper: bool) -> int:
    """Return the manager channel of a zone."""
    return 15 if upper else 0


def members_of(upper: bool, count: int) -> list[int]:
    """Return the member channels of a zone, nearest to its manager first."""
    return [14 - i for i in range(count)] if upper else [1 + i for i in range(count)]


def configuration(upper: bool, members: int) -> tuple[bytes, ...]:
    """Return the messages that make a zone of so many members, or none when 0."""
    channel = manager_of(upper)
    data = bytes((CONTROLLER | channel, DATA_MSB, members))
    return *selection(channel, CONFIGURATION), data


class ZoneManager(Converter):
    """The parameters of a manager channel; its configuration message is rewritten for the zone it goes to."""

    __slots__ = ("_selected", "_zone")

    def __init__(self, output: Output, zone: NoteZone) -> None:
        super().__init__(output)
        self._zone = zone
        self._selected: Selected = {}

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Keep a selection back until data shows what it is for."""
        status, number, value = data
        channel = status & 0x0F
        if number in PARAMETER_SELECT:
            note_selection(self._selected, channel, number, value)
            return NOTHING
        parameter = self._selected.get(channel)
        if parameter is None or not is_complete(parameter):
            return (data,)
        if parameter == CONFIGURATION:
            if number != DATA_MSB or not self._zone.to_members:
                return NOTHING
            self.output.selected.pop(channel, None)
            return configuration(self._zone.to_upper, min(value, self._zone.to_members))
        return on_parameter(self.output, channel, parameter, data)


class ZoneSqueezer(Converter):
    """The notes of a zone in fewer channels. Messages come with the channels of the zone that is played."""

    __slots__ = (
        "_bend",
        "_expression",
        "_free",
        "_manager",
        "_manager_bend",
        "_selected",
        "_voices",
        "_zone",
    )

    def __init__(self, output: Output, zone: NoteZone) -> None:
        super().__init__(output)
        self._zone = zone
        self._manager = manager_of(zone.upper)
        targets = members_of(zone.to_upper, zone.to_members) or [zone.to_channel]
        self._free = dict.fromkeys(targets)
        """Channels without a note, the longest free first."""
        self._voices: dict[int, list[tuple[int, int]]] = {channel: [] for channel in targets}
        """By channel out: the notes on it as (channel in, note), the latest last."""
        self._expression: dict[int, dict[int, int]] = {}
        """By channel in: bend, pressure and timbre by kind of message."""
        self._manager_bend = CENTRE
        self._bend = {True: MANAGER_BEND, False: MEMBER_BEND}
        """Bend range in semitones of manager and members."""
        self._selected: Selected = {}

    def convert(self, data: bytes) -> Sequence[bytes]:
        """Follow one message of the zone."""
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == CONTROLLER and data[1] in _PARAMETERS:
            return self._take_parameter(channel, data)
        if kind == BEND and channel == self._manager and not self._zone.to_members:
            self._manager_bend = bend_value(data)
            return [out for target in self._voices for out in self._refresh(target)]
        if kind in (BEND, CHANNEL_PRESSURE) or (kind == CONTROLLER and data[1] == TIMBRE):
            return self._take_expression(channel, kind, data)
        if kind in (CONTROLLER, PROGRAM):  # those of members mean nothing (MPE 1.0, 2.2)
            return (
                (bytes((kind | self._target_manager(), *data[1:])),) if channel == self._manager else NOTHING
            )
        return self._take_note(kind, channel, data)

    def _target_manager(self) -> int:
        return manager_of(self._zone.to_upper) if self._zone.to_members else self._zone.to_channel

    def _take_parameter(self, channel: int, data: bytes) -> Sequence[bytes]:
        _, number, value = data
        if number in PARAMETER_SELECT:
            note_selection(self._selected, channel, number, value)
        elif number == DATA_MSB:
            is_manager = channel == self._manager
            if self._selected.get(channel) == BEND_RANGE and value:
                self._bend[is_manager] = value
            elif self._selected.get(channel) == CONFIGURATION and is_manager:
                self._bend = {True: MANAGER_BEND, False: MEMBER_BEND}
                room = self._zone.to_members
                return configuration(self._zone.to_upper, min(data[2], room)) if room else NOTHING
        return NOTHING

    def _take_expression(self, channel: int, kind: int, data: bytes) -> Sequence[bytes]:
        if channel == self._manager:
            return (bytes((kind | self._target_manager(), *data[1:])),)
        value = bend_value(data) if kind == BEND else data[-1]
        self._expression.setdefault(channel, {})[kind] = value
        on_top = [target for target, notes in self._voices.items() if notes and notes[-1][0] == channel]
        return [out for target in on_top for out in self._refresh(target)]

    def _take_note(self, kind: int, channel: int, data: bytes) -> Sequence[bytes]:
        note = (channel, data[1])
        if kind == NOTE_ON and data[2]:
            target = self._choose(data[1])
            self._voices[target].append(note)
            self._free.pop(target, None)
            return [*self._refresh(target), bytes((NOTE_ON | target, *data[1:]))]
        for target, notes in self._voices.items():
            if note not in notes:
                continue
            if kind not in (NOTE_OFF, NOTE_ON):  # the pressure of this key
                return (bytes((kind | target, *data[1:])),)
            was_on_top = notes[-1] == note
            del notes[len(notes) - 1 - notes[::-1].index(note)]
            if not notes:
                self._free[target] = None
            release = bytes((NOTE_OFF | target, *data[1:]))
            return [release, *self._refresh(target)] if notes and was_on_top else (release,)
        return NOTHING

    def _choose(self, note: int) -> int:
        """Return a channel for a note: free, else without the same note and with few others."""
        if self._free:
            first: int = next(iter(self._free))
            return first

        def crowd(item: tuple[int, list[tuple[int, int]]]) -> tuple[bool, int]:
            return any(one[1] == note for one in item[1]), len(item[1])

        return min(self._voices.items(), key=crowd)[0]

    def _refresh(self, target: int) -> list[bytes]:
        """Return what puts a channel on the expression of its latest note, where it is not there yet."""
        notes = self._voices[target]
        expression = self._expression.get(notes[-1][0], {}) if notes else {}
        bend = expression.get(BEND, CENTRE)
        if not self._zone.to_members:
            offset = (bend - CENTRE) * self._bend[False] + (self._manager_bend - CENTRE) * self._bend[True]
            to_bend = self._zone.to_bend
            bend = min(max(CENTRE + (2 * offset + to_bend) // (2 * to_bend), 0), FULL)
        pressure, timbre = expression.get(CHANNEL_PRESSURE, 0), expression.get(CONTROLLER, 64)
        wanted = (
            ((BEND | target) << 7, bend, bytes((BEND | target, bend & 0x7F, bend >> 7))),
            ((CHANNEL_PRESSURE | target) << 7, pressure, bytes((CHANNEL_PRESSURE | target, pressure))),
            ((CONTROLLER | target) << 7 | TIMBRE, timbre, bytes((CONTROLLER | target, TIMBRE, timbre))),
        )
        values = self.output.values
        changed = [data for key, value, data in wanted if values.get(key) != value]
        values.update({key: value for key, value, _ in wanted})
        return changed
