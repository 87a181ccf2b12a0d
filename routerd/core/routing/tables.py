"""From routes to tables: what a message of a device becomes, looked up by its status byte.

A table is a tuple of 128 entries, one per status byte 80H–FFH, each a tuple of legs. A leg
says where one copy of the message goes and what its bytes become:

    (output or converter, status out, map of the first data byte, map of the second data byte)

The maps are 128 bytes; a value above 127 means that the message is not let through. Note
range, transpose and chords are first maps, velocity is a second one; so are controllers and programs
that get another number or range. What needs more is a converter, which stands where the output would:
options that a route does not use cost nothing. Everything is worked out when songs are loaded; equal
maps, equal route lists and the converters of equal routes are shared.

More than 350 lines: each kind of route says here what its legs are, so that nothing has to be worked out per
message.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    HOLD_CONTROLLERS,
    NOTE_OFF,
    NOTE_ON,
    PARAMETER_DATA,
    PARAMETER_SELECT,
    POLY_PRESSURE,
    PROGRAM,
    STATUSES_OF_KIND,
    SYSEX,
    SYSTEM_STATUSES,
    Kind,
)
from routerd.core.model.route import QuantityKind, Remap, Switching, scale, velocity_map
from routerd.core.output.wire import Wire
from routerd.core.routing.converters import (
    BendScaler,
    Converter,
    Drone,
    ParameterReader,
    PrefixFilter,
    Remapper,
    parameter_of,
)
from routerd.core.routing.zones import ZoneManager, ZoneSqueezer, manager_of, members_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from routerd.core.model.route import NoteZone, Route
    from routerd.core.output.wire import Output

BLOCKED = 255
IDENTITY = bytes(range(128))

Leg = tuple["Output | Converter", int, bytes, bytes]
Table = tuple[tuple[Leg, ...], ...]
Names = tuple[tuple[str, ...], ...]
Converters = dict[object, Converter]
"""By what makes two of them the same."""

WIDE = 6
"""An entry of more legs is looked up by the first data byte too, so that other zones cost nothing."""


class WideEntry(tuple[Leg, ...]):  # noqa: SLOT001 - a tuple with a field cannot have slots
    """An entry of many legs, and those of them that let each first data byte through."""

    by_first: tuple[tuple[Leg, ...], ...]


def entry_of(legs: Iterable[Leg]) -> tuple[Leg, ...]:
    """Return the entry of a table for these legs."""
    entry = tuple(legs)
    if len(entry) <= WIDE:
        return entry
    wide = WideEntry(entry)
    shared: dict[tuple[int, ...], tuple[Leg, ...]] = {}
    rows = []
    for first in range(128):
        numbers = tuple(i for i, leg in enumerate(entry) if leg[2][first] < 128)
        rows.append(shared.setdefault(numbers, tuple(entry[i] for i in numbers)))
    wide.by_first = tuple(rows)
    return wide


EMPTY: Table = ((),) * 128
NO_NAMES: Names = ((),) * 128

_NOTE_STATUSES = (NOTE_OFF, NOTE_ON, POLY_PRESSURE)
"""Messages whose first data byte is a note number (M1 Table II)."""
_POSITIONS = frozenset({CONTROLLER, CHANNEL_PRESSURE, BEND})
_PARAMETERS = PARAMETER_SELECT | PARAMETER_DATA
_PARAMETER_KINDS = frozenset({QuantityKind.RPN, QuantityKind.NRPN})


class Compiled(NamedTuple):
    """A route list worked out: tables and, alike in shape, the names of the legs' routes, by input."""

    tables: tuple[Table, ...]
    names: tuple[Names, ...]
    converters: frozenset[Converter]
    chases: tuple[tuple[tuple[int, Leg], ...], ...] = ()
    """By input: status byte and leg of what gets the present positions of controls on entry."""


@cache
def note_map(low: int, high: int, transpose: int) -> bytes:
    """Return the map of note numbers: inside `low` to `high` shifted, outside (or shifted out) blocked."""
    return bytes(
        note + transpose if low <= note <= high and 0 <= note + transpose <= 127 else BLOCKED
        for note in range(128)
    )


@cache
def _without(numbers: frozenset[int], base: bytes = IDENTITY) -> bytes:
    return bytes(BLOCKED if number in numbers else base[number] for number in range(128))


@cache
def _only(numbers: frozenset[int], becomes: int = -1) -> bytes:
    return bytes(
        (number if becomes < 0 else becomes) if number in numbers else BLOCKED for number in range(128)
    )


class _Compiler:
    """The legs of one route."""

    def __init__(
        self, route: Route, output: Output, converters: Converters, heard: tuple[int, ...] = ()
    ) -> None:
        """`heard` are the channels of the device that is played, () for all."""
        self.route = route
        self.output = output
        self.converters = converters
        channels = range(16) if route.from_channel < 0 else (route.from_channel,)
        self.channels = [
            channel
            for channel in channels
            if channel not in route.blocked_channels and channel in (heard or range(16))
        ]
        self.maps = route.maps

    def legs(self) -> Iterator[tuple[int, Leg]]:
        """Yield status byte and leg."""
        kinds = self.route.kinds
        if self.route.zone is not None:
            yield from self._zone_legs(self.route.zone)
            return
        for kind in sorted(kinds):
            for status in SYSTEM_STATUSES.get(kind, ()):
                yield status, (self._system_target(status), status, IDENTITY, IDENTITY)
        for kind, bases in STATUSES_OF_KIND.items():
            if kind in kinds:
                for base in bases:
                    yield from self._channel_legs(base)
        yield from self._map_legs()

    def _system_target(self, status: int) -> Output | Converter:
        prefixes = self.route.sysex_prefixes
        if status != SYSEX or not prefixes:
            return self.output
        return self._converter((PrefixFilter, prefixes), lambda: PrefixFilter(self.output, prefixes))

    def _converter(self, identity: object, make: Callable[[], Converter]) -> Converter:
        """Return the converter of that identity on this way, made now or for an equal route before.

        What holds notes or pedals with no key down has the channel in its identity: it ends with that.
        """
        key = (self.route.source, self.route.name, self.output, identity)
        found = self.converters.get(key)
        if found is None:
            found = self.converters[key] = make()
        return found

    def _spread(
        self, base: int, target: Output | Converter, first: bytes, second: bytes
    ) -> Iterator[tuple[int, Leg]]:
        to_channel = self.route.to_channel
        theirs = self.output.device.channels or range(16)
        for channel in self.channels:
            out = channel if to_channel < 0 else to_channel
            if out in theirs:
                yield base | channel, (target, base | out, first, second)

    def _channel_legs(self, base: int) -> Iterator[tuple[int, Leg]]:
        route = self.route
        if base in _NOTE_STATUSES:
            yield from self._note_legs(base)
            return
        first, target = IDENTITY, self.output
        if base == CONTROLLER:
            first = _without(route.blocked_cc | self._mapped_controllers())
        elif base == PROGRAM:
            table = dict(route.programs)
            first = bytes(table.get(program, program) for program in range(128))
        elif any(_STATUS_OF_SOURCE.get(remap.source.kind) == base for remap in self.maps):
            return
        elif base == BEND and route.bend_to:
            ranges = route.bend_from, route.bend_to
            scaler = self._converter((BendScaler, ranges), lambda: BendScaler(self.output, *ranges))
            yield from self._spread(base, scaler, first, IDENTITY)
            return
        yield from self._spread(base, target, first, IDENTITY)

    def _velocities(self) -> bytes:
        route = self.route
        return velocity_map(
            route.velocity_fixed,
            route.velocity_max,
            route.velocity_low,
            route.velocity_high,
            route.velocity_curve,
        )

    def _note_legs(self, base: int) -> Iterator[tuple[int, Leg]]:
        route = self.route
        second = self._velocities() if base == NOTE_ON else IDENTITY
        mapped = frozenset(r.source.number for r in self.maps if r.source.kind is QuantityKind.NOTE)
        if route.drone:
            if base == NOTE_ON:
                notes = tuple(note + route.transpose for note in route.drone)
                identity = (Drone, notes, route.to_channel)
                drone = self._converter(identity, lambda: Drone(self.output, notes))
                first = _without(mapped, note_map(route.note_low, route.note_high, 0))
                yield from self._spread(base, drone, first, second)
            return
        for interval in route.chord or (0,):
            first = note_map(route.note_low, route.note_high, route.transpose + interval)
            yield from self._spread(base, self.output, _without(mapped, first), second)

    def _zone_legs(self, zone: NoteZone) -> Iterator[tuple[int, Leg]]:
        """Yield the legs of a zone: plain ones where every member has a channel of its own."""
        manager, members = manager_of(zone.upper), members_of(zone.upper, zone.members)
        targets = members_of(zone.to_upper, zone.to_members)
        is_move = len(targets) >= len(members)
        squeezer = self._converter((ZoneSqueezer, zone), lambda: ZoneSqueezer(self.output, zone))
        makes = self._converter((ZoneManager, zone), lambda: ZoneManager(self.output, zone))
        outs = dict(zip((manager, *members), (manager_of(zone.to_upper), *targets), strict=False))
        for kind, bases in STATUSES_OF_KIND.items():
            if kind not in self.route.kinds:
                continue
            for base in bases:
                first, second = self._zone_maps(base)
                for channel in (one for one in (manager, *members) if one in self.channels):
                    if not is_move:
                        yield base | channel, (squeezer, base | channel, first, second)
                    elif base == CONTROLLER and channel == manager:
                        out = base | outs[channel]
                        yield base | channel, (makes, out, _only(_PARAMETERS), IDENTITY)
                        yield base | channel, (self.output, out, _without(_PARAMETERS), IDENTITY)
                    else:
                        yield base | channel, (self.output, base | outs[channel], first, second)

    def _zone_maps(self, base: int) -> tuple[bytes, bytes]:
        route = self.route
        first = IDENTITY
        if base in _NOTE_STATUSES:
            first = note_map(route.note_low, route.note_high, route.transpose)
        return first, self._velocities() if base == NOTE_ON else IDENTITY

    def _mapped_controllers(self) -> frozenset[int]:
        numbers: set[int] = set()
        for remap in self.maps:
            kind, number = remap.source.kind, remap.source.number
            if kind is QuantityKind.CC:
                numbers.add(number)
            elif kind is QuantityKind.FINE:
                numbers |= {number, number + 32}
            elif kind in _PARAMETER_KINDS:
                numbers |= _PARAMETERS
        return frozenset(numbers)

    def _map_legs(self) -> Iterator[tuple[int, Leg]]:
        parameters: dict[tuple[int, int, int], tuple[Remapper, ...]] = {}
        for remap in self.maps:
            kind, number = remap.source.kind, remap.source.number
            if kind in _PARAMETER_KINDS:
                key = parameter_of(remap.source)
                parameters[key] = (*parameters.get(key, ()), Remapper(self.output, remap))
            elif kind is QuantityKind.NOTE:
                yield from self._spread(NOTE_ON, self._remapper(remap), _only(frozenset({number})), IDENTITY)
            elif kind is QuantityKind.FINE:
                halves = _only(frozenset({number, number + 32}))
                yield from self._spread(CONTROLLER, self._remapper(remap), halves, IDENTITY)
            elif kind is not QuantityKind.CC:
                yield from self._spread(_STATUS_OF_SOURCE[kind], self._remapper(remap), IDENTITY, IDENTITY)
            elif _is_plain(remap):
                yield from self._plain_map(remap)
            else:
                yield from self._spread(
                    CONTROLLER, self._remapper(remap), _only(frozenset({number})), IDENTITY
                )
        if parameters:
            others = Kind.CC in self.route.kinds
            reader = self._converter(
                (ParameterReader, self.maps, others),
                lambda: ParameterReader(self.output, parameters, others),
            )
            first = _only(_PARAMETERS - self.route.blocked_cc)
            yield from self._spread(CONTROLLER, reader, first, IDENTITY)

    def _remapper(self, remap: Remap) -> Converter:
        identity = (remap, self.route.to_channel)
        return self._converter(identity, lambda: Remapper(self.output, remap))

    def _plain_map(self, remap: Remap) -> Iterator[tuple[int, Leg]]:
        first = _only(frozenset({remap.source.number}), remap.target.number)
        second = bytes(
            scale(value, remap.source_range, remap.target_range, remap.curve) for value in range(128)
        )
        if not remap.channels:
            yield from self._spread(CONTROLLER, self.output, first, second)
            return
        for channel in self.channels:
            for out in remap.channels:
                yield CONTROLLER | channel, (self.output, CONTROLLER | out, first, second)


_STATUS_OF_SOURCE = {QuantityKind.PRESSURE: CHANNEL_PRESSURE, QuantityKind.PITCH_BEND: BEND}


def _is_plain(remap: Remap) -> bool:
    """Return whether a map from one controller to another needs no state."""
    return (
        remap.target.kind is QuantityKind.CC
        and not remap.pickup
        and not remap.deadband
        and remap.switching is Switching.NONE
        and (remap.target.number in HOLD_CONTROLLERS) <= (remap.source.number in HOLD_CONTROLLERS)
    )


def compile_tables(
    routes: Iterable[Route],
    input_numbers: Mapping[str, int],
    outputs: Mapping[str, Output],
    converters: Converters | None = None,
    heard: Mapping[str, tuple[int, ...]] | None = None,
) -> Compiled:
    """Return one table per input, in the order of their numbers (0 to n − 1).

    `heard` are the channels of each device that is played; one that is not there or () has all.
    """
    known: Converters = {} if converters is None else converters
    entries: list[dict[int, list[tuple[Leg, str]]]] = [{} for _ in input_numbers]
    chases: list[list[tuple[int, Leg]]] = [[] for _ in input_numbers]
    for route in routes:
        by_status = entries[input_numbers[route.source]]
        source = (heard or {}).get(route.source, ())
        for status, leg in _Compiler(route, outputs[route.target], known, source).legs():
            by_status.setdefault(status, []).append((leg, route.name))
            if route.chase and status & 0xF0 in _POSITIONS:
                chases[input_numbers[route.source]].append((status, leg))
    return Compiled(
        tuple(
            tuple(entry_of(leg for leg, _ in by_status.get(status, ())) for status in range(0x80, 0x100))
            if by_status
            else EMPTY
            for by_status in entries
        ),
        tuple(
            tuple(tuple(name for _, name in by_status.get(status, ())) for status in range(0x80, 0x100))
            if by_status
            else NO_NAMES
            for by_status in entries
        ),
        frozenset(
            leg[0]
            for by_status in entries
            for legs in by_status.values()
            for leg, _ in legs
            if isinstance(leg[0], Converter)
        ),
        tuple(tuple(one) for one in chases),
    )


def leads(table: Table, wire: Wire, key: int) -> bool:
    """Return whether a table lets its player move that."""
    status, number = key >> 7, key & 0x7F
    kind = status & 0xF0
    by_number = kind < PROGRAM
    return any(
        status_out == status and target.output.wire is wire and (not by_number or number in firsts)
        for legs in table[kind - 0x80 : kind - 0x80 + 16]
        for target, status_out, firsts, _ in legs
    )
