"""Rest: where what a player moved on a device goes when the route over which it was moved ends.

Rest is what Reset All Controllers leaves behind by RP-015 of the MIDI Manufacturers Association: bend
centred, pressure 0, modulation 0, expression 127, pedals up, parameter numbers null; volume, pan, sound and
effects stay. The list is from memory, as the text could not be had; manuals of instruments that print theirs
have the same.

A wire notes in `moved` what has been moved there and by whom. Hold pedals are not among it: they come up the
way they went down (see `notes`). What is still held when a route ends rings on, bent as it is: rest comes
when the last of it has been released.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    PARAMETER_SELECT,
    POLY_PRESSURE,
    PROGRAM,
    controller,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from routerd.core.output.wire import Wire
    from routerd.core.routing.converters import Converter
    from routerd.core.routing.input import Input

MODULATION, EXPRESSION, PORTAMENTO, SOFT = 1, 11, 65, 67
_REST = {MODULATION: 0, EXPRESSION: 127, PORTAMENTO: 0, SOFT: 0}
MOVED_CONTROLLERS = frozenset(_REST) | PARAMETER_SELECT
"""Controllers that rest says something of, but for hold pedals."""

NOT_POSITIONS = frozenset({0, 6, 32, 38, *range(96, 102), *range(120, 128)})
"""Controllers that are no position of anything: bank select, parameters, channel mode."""

NULL = ((101, 127), (100, 127))


def moved_key(data: bytes) -> int:
    """Return what a message moves, as a wire's `moved` has it; -1 for what rest says nothing of."""
    status = data[0]
    kind = status & 0xF0
    if kind == CONTROLLER:
        return status << 7 | data[1] if data[1] in MOVED_CONTROLLERS else -1
    if kind in (BEND, CHANNEL_PRESSURE):
        return status << 7
    return status << 7 | data[1] if kind == POLY_PRESSURE else -1


def rest_of(keys: Iterable[int]) -> list[bytes]:
    """Return the messages that put to rest what these keys stand for."""
    messages: dict[bytes, None] = {}
    for key in keys:
        status, number = key >> 7, key & 0x7F
        kind, channel = status & 0xF0, status & 0x0F
        if kind == BEND:
            messages[bytes((status, 0, 64))] = None  # centre is 00 40 (M1 p. 19)
        elif kind == CHANNEL_PRESSURE:
            messages[bytes((status, 0))] = None
        elif kind == POLY_PRESSURE:
            messages[bytes((status, number, 0))] = None
        elif number in PARAMETER_SELECT:
            messages.update({controller(channel, *half): None for half in NULL})
        else:
            messages[controller(channel, number, _REST[number])] = None
    return list(messages)


def is_at_rest(key: int, data: bytes) -> bool:
    """Return whether the message that moved something last has left it at rest."""
    return data in rest_of((key,)) and (key & 0x7F) not in PARAMETER_SELECT


def leads(source: Input, wire: Wire, key: int) -> bool:
    """Return whether the routes in force let a player move that."""
    status, number = key >> 7, key & 0x7F
    kind = status & 0xF0
    by_number = kind < PROGRAM
    return any(
        status_out == status and target.output.wire is wire and (not by_number or number in firsts)
        for legs in source.table[kind - 0x80 : kind - 0x80 + 16]
        for target, status_out, firsts, _ in legs
    )


def rings(source: Input | Converter, inputs: Iterable[Input], wire: Wire, channel: int) -> bool:
    """Return whether what that player pressed there has not been released. A converter may be anybody's."""
    return any(
        way[0].output.wire is wire and (way[0] is source or (way[1] & 0x0F) == channel)
        for input in inputs
        for held in (input.held_notes, input.held_pedals)
        for ways in held.values()
        for way in ways
    )
