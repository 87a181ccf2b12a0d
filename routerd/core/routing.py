"""From routes to tables: what a message of a device becomes, looked up by its status byte.

A table is a tuple of 128 entries, one per status byte 80H–FFH, each a tuple of legs. A leg
says where one copy of the message goes and what its bytes become:

    (outlet, status out, map of the first data byte, map of the second data byte)

The maps are 128 bytes; a value above 127 means that the message is not let through. Note
range and transpose are a first map, velocity is a second one. Everything is worked out when
songs are loaded; equal maps and equal route lists share one object.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from routerd.core.messages import STATUSES_OF_KIND, SYSEX, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from routerd.core.model import Route
    from routerd.core.wire import Outlet

BLOCKED = 255
IDENTITY = bytes(range(128))

Leg = tuple["Outlet", int, bytes, bytes]
Table = tuple[tuple[Leg, ...], ...]

EMPTY: Table = ((),) * 128

_NOTE_STATUSES = (0x80, 0x90, 0xA0)
"""Messages whose first data byte is a note number (M1 Table II)."""


@cache
def note_map(low: int, high: int, transpose: int) -> bytes:
    """Return the map of note numbers: inside `low` to `high` shifted, outside (or shifted out) blocked."""
    return bytes(
        note + transpose if low <= note <= high and 0 <= note + transpose <= 127 else BLOCKED
        for note in range(128)
    )


@cache
def velocity_map(fixed: int, most: int) -> bytes:
    """Return the map of velocities. 0 stays 0: it is a release (M1 p. 10). 0 in `fixed`, `most` is none."""
    return bytes([0, *((fixed or min(velocity, most or 127)) for velocity in range(1, 128))])


def legs_of(route: Route, outlet: Outlet) -> list[tuple[int, Leg]]:
    """Return the legs of one route with the status bytes (80H–F0H) that they stand under."""
    legs: list[tuple[int, Leg]] = []
    channels = range(16) if route.from_channel < 0 else (route.from_channel,)
    notes = note_map(route.note_low, route.note_high, route.transpose)
    velocities = velocity_map(route.velocity_fixed, route.velocity_most)
    for kind in sorted(route.kinds):
        if kind is Kind.SYSEX:
            legs.append((SYSEX, (outlet, SYSEX, IDENTITY, IDENTITY)))
            continue
        for base in STATUSES_OF_KIND[kind]:
            first = notes if base in _NOTE_STATUSES else IDENTITY
            second = velocities if base == 0x90 else IDENTITY
            for channel in channels:
                out = channel if route.to_channel < 0 else route.to_channel
                legs.append((base | channel, (outlet, base | out, first, second)))
    return legs


def compile_tables(
    routes: Iterable[Route], inlet_numbers: Mapping[str, int], outlets: Mapping[str, Outlet]
) -> tuple[Table, ...]:
    """Return one table per inlet, in the order of their numbers (0 to n − 1)."""
    entries: list[dict[int, list[Leg]]] = [{} for _ in inlet_numbers]
    for route in routes:
        by_status = entries[inlet_numbers[route.source]]
        for status, leg in legs_of(route, outlets[route.target]):
            by_status.setdefault(status, []).append(leg)
    return tuple(
        tuple(tuple(by_status.get(status, ())) for status in range(0x80, 0x100)) if by_status else EMPTY
        for by_status in entries
    )
