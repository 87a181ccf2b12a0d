"""What becomes of a message on each route: the bytes that it sends, or the condition that keeps it out.

The compiled tables say what goes out and nothing of why something does not: that is worked out here, from
the routes as they are written, for whoever asks. What a route sends is what its own table makes of the
message, by itself and from rest: what has been held, moved or switched before does not count. A property
test holds the two together: a route has a reason exactly when its table lets nothing through.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    KIND_OF_STATUS,
    NOTE_ON,
    POLY_PRESSURE,
    SYSEX,
    Kind,
    is_whole,
)
from routerd.core.midi.tuning import note_name
from routerd.core.midi.words import controller_words
from routerd.core.model.rig import Device, WireKind
from routerd.core.model.route import NoteZone, QuantityKind, Route
from routerd.core.output.wire import Wire
from routerd.core.routing.input import BANK_WAIT_NS, Input
from routerd.core.routing.tables import Table, compile_tables
from routerd.core.routing.zones import manager_of, members_of
from routerd.core.units import NEVER_NS


@dataclass(frozen=True, slots=True)
class Fate:
    """What one route makes of a message: `sent`, or, when that is empty, `why` not, in words."""

    route: str
    target: str
    sent: tuple[bytes, ...] = ()
    why: str = ""


class RouteAlone:
    """One route by itself, its table compiled once for many messages of `source` to `target`."""

    def __init__(self, route: Route, source: Device, target: Device) -> None:
        self.route = route
        self._source = source
        self._target = target
        self._way: _Way | None = None

    def fate(self, data: bytes) -> Fate:
        """Return what the route makes of one whole message."""
        why = why_not(self.route, data, self._source, self._target)
        sent = () if why else self.sent(data)
        if not why and not sent:
            why = "it sends something for this only together with other messages"
        return Fate(self.route.name, self.route.target, sent, why)

    def sent(self, data: bytes) -> tuple[bytes, ...]:
        """Return what the route's own table makes of the message, on a wire that holds nothing back."""
        way = self._way or _compiled(self.route, self._source, self._target)
        self._way = None if way.remembers else way  # what remembers is made anew, so that it is at rest
        input_ = Input(self._source)
        input_.table = way.table
        sink: list[tuple[Wire, bytes]] = []
        input_.receive(data, 0, sink)
        input_.send_banks(BANK_WAIT_NS, sink)
        while (deadline_ns := way.wire.deadline_ns) != NEVER_NS:
            way.wire.pump(deadline_ns, sink)
        way.wire.clear(0, [])
        way.wire.receivers.sounding.end()
        return tuple(sent for _, sent in sink)


class _Way(NamedTuple):
    """A compiled route; `remembers`: it has converters, which depend on what came before."""

    table: Table
    wire: Wire
    remembers: bool


def _compiled(route: Route, source: Device, target: Device) -> _Way:
    wire = Wire((replace(target, wire=WireKind.VIRTUAL),), 0)
    wire.connected, wire.takes_pieces = True, False
    heard = {route.source: source.channels}
    compiled = compile_tables([route], {route.source: 0}, {route.target: wire.timed}, heard=heard)
    return _Way(compiled.tables[0], wire, bool(compiled.converters))


def why_not(route: Route, data: bytes, source: Device, target: Device) -> str:
    """Return why nothing of a message passes a route, the first reason of several; "" when it passes."""
    if not is_whole(data):
        return "it is not one whole MIDI message"
    if data[0] >= SYSEX:
        return next(_reasons_of_system(route, data), "")
    if source.channels and data[0] & 0x0F not in source.channels:
        return f"{source.name} has {_channels(source.channels)}; this is on {(data[0] & 0x0F) + 1}"
    if route.zone is not None:
        return next(_reasons_of_zone(route, route.zone, data), "")
    return next(_reasons(route, data, target), "")


def _reasons_of_system(route: Route, data: bytes) -> Iterator[str]:
    kind = KIND_OF_STATUS.get(data[0])
    if kind is None:
        yield "active sensing, system reset and undefined bytes pass no route"
    elif route.zone is not None:
        yield "a zone takes messages of its channels only"
    elif kind not in route.kinds:
        yield _why_no_kind(route, kind)
    elif kind is Kind.SYSEX and route.sysex_prefixes and not data.startswith(route.sysex_prefixes):
        begins = " or ".join(prefix.hex(" ").upper() for prefix in route.sysex_prefixes)
        yield f"it takes SysEx that begins with {begins} only"


def _reasons_of_zone(route: Route, zone: NoteZone, data: bytes) -> Iterator[str]:
    channel, kind = data[0] & 0x0F, KIND_OF_STATUS[data[0] & 0xF0]
    channels = (manager_of(zone.upper), *members_of(zone.upper, zone.members))
    if channel not in channels:
        yield f"its zone has {_channels(channels)}; this is on {channel + 1}"
    if kind not in route.kinds:
        yield _why_no_kind(route, kind)
    yield from _reasons_of_note(route, data)


def _reasons(route: Route, data: bytes, target: Device) -> Iterator[str]:
    channel, kind = data[0] & 0x0F, KIND_OF_STATUS[data[0] & 0xF0]
    if route.from_channel not in (-1, channel):
        yield f"it takes channel {route.from_channel + 1} only; this is on {channel + 1}"
    if channel in route.blocked_channels:
        yield f"it blocks channel {channel + 1}"
    is_mapped = _is_mapped(route, data)
    if not is_mapped:
        if kind not in route.kinds:
            yield _why_no_kind(route, kind)
        yield from _reasons_of_note(route, data)
        if kind is Kind.CC and data[1] in route.blocked_cc:
            yield f"it blocks {controller_words(data[1])}"
    out = channel if route.to_channel < 0 else route.to_channel
    if target.channels and out not in target.channels:
        yield f"{target.name} has {_channels(target.channels)}; this would go out on {out + 1}"


def _why_no_kind(route: Route, kind: Kind) -> str:
    passed = ", ".join(sorted(route.kinds)) or "nothing"
    return f"it passes {passed}; this is {kind}"


def _reasons_of_note(route: Route, data: bytes) -> Iterator[str]:
    """Yield why a press, a release or the pressure of a key does not pass."""
    if data[0] & 0xF0 > POLY_PRESSURE:
        return
    note, is_press = data[1], data[0] & 0xF0 == NOTE_ON and data[2] > 0
    if route.drone and not is_press:
        yield "a drone is switched by presses; this is none"
    if not route.note_low <= note <= route.note_high:
        low, high = note_name(route.note_low), note_name(route.note_high)
        yield f"it takes notes {low} to {high}; this is {note_name(note)}"
    if is_press and not route.velocity_low <= data[2] <= route.velocity_high:
        yield f"it takes velocities {route.velocity_low} to {route.velocity_high}; this is {data[2]}"
    tones = [note + route.transpose + interval for interval in route.chord or (0,)]
    if not route.drone and not any(0 <= tone <= 127 for tone in tones):
        yield f"transposed it would be note {tones[0]}, and notes go from 0 to 127"


def _is_mapped(route: Route, data: bytes) -> bool:
    """Return whether one of the route's maps takes a message, or makes it part of a value."""
    status, number = data[0] & 0xF0, data[1]
    for remap in route.maps:
        kind, of = remap.source.kind, remap.source.number
        is_one = {
            QuantityKind.CC: status == CONTROLLER and number == of,
            QuantityKind.FINE: status == CONTROLLER and number in (of, of + 32),
            QuantityKind.PRESSURE: status == CHANNEL_PRESSURE,
            QuantityKind.PITCH_BEND: status == BEND,
            QuantityKind.NOTE: status < POLY_PRESSURE and number == of,
            QuantityKind.RPN: status == CONTROLLER and number in (6, 38, 96, 97, 100, 101),
            QuantityKind.NRPN: status == CONTROLLER and number in (6, 38, 96, 97, 98, 99),
        }
        if is_one.get(kind, False):
            return True
    return False


def _channels(channels: Iterable[int]) -> str:
    numbers = [str(channel + 1) for channel in sorted(channels)]
    return f"channel {numbers[0]} only" if len(numbers) == 1 else f"channels {', '.join(numbers)} only"
