"""What a route is: from a device to a device, what is let through and how it is changed.

Part of the vocabulary (see `model`); in a module of its own because a route has the most to say.
Channels are 0–15, programs 0–127; -1 means any on the way in and unchanged on the way out. Ranges
include their ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from routerd.core.midi.messages import Kind
from routerd.core.model.curves import FULL, Points
from routerd.core.model.plain import Readers, read_fields, read_messages, read_pairs


class QuantityKind(StrEnum):
    """What a map reads or writes: a value of 7 or 14 bits, or something that happens."""

    CONTROLLER = "controller"
    FINE = "fine"
    PRESSURE = "pressure"
    BEND = "bend"
    RPN = "rpn"
    NRPN = "nrpn"
    NOTE = "note"
    PROGRAM = "program"
    VOLUME = "master-volume"
    START = "start"
    STOP = "stop"
    CONTINUE = "continue"
    RETRIGGER = "retrigger"


NUMBERED = frozenset(
    {QuantityKind.CONTROLLER, QuantityKind.FINE, QuantityKind.RPN, QuantityKind.NRPN, QuantityKind.NOTE}
)
"""Kinds with a number of their own; `fine` is a controller 0–31 with its lower half 32 above (M1 p. 11)."""
SEQUENCE_KINDS = frozenset(
    {QuantityKind.START, QuantityKind.STOP, QuantityKind.CONTINUE, QuantityKind.RETRIGGER}
)
SOURCE_KINDS = NUMBERED | {QuantityKind.PRESSURE, QuantityKind.BEND}
TARGET_KINDS = frozenset(QuantityKind) - {QuantityKind.NOTE}
_FINE_KINDS = frozenset(
    {QuantityKind.FINE, QuantityKind.BEND, QuantityKind.RPN, QuantityKind.NRPN, QuantityKind.VOLUME}
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that has a value; `number` is the controller, note or parameter (0–16383)."""

    kind: QuantityKind
    number: int = 0

    @property
    def most(self) -> int:
        """Largest value: 127 or 16383."""
        return FULL if self.kind in _FINE_KINDS else 127


class Switching(StrEnum):
    """How a map treats its source: as a value, or as a switch that is on from the middle of its range."""

    NONE = ""
    MOMENTARY = "momentary"
    LATCH = "latch"


@dataclass(frozen=True, slots=True)
class Remap:
    """One quantity made into another. Ranges are in the quantities' own units; `target_range` may fall.

    `deadband`: changes of the source smaller than this are ignored, except at the ends of its range.
    `take_over`: nothing is sent until the source meets the value that the target has. `channels`: where
    it goes out instead of the route's channel.
    """

    source: Quantity
    target: Quantity
    source_range: tuple[int, int]
    target_range: tuple[int, int]
    curve: Points = ()
    deadband: int = 0
    take_over: bool = False
    switching: Switching = Switching.NONE
    channels: tuple[int, ...] = ()


class Side(StrEnum):
    """Which of the two zones of a port: masters are channel 0 and channel 15."""

    LOWER = "lower"
    UPPER = "upper"


@dataclass(frozen=True, slots=True)
class NoteZone:
    """A zone of channels with one note each (MPE 1.0, 2.1–2.4) and where it goes.

    A lower zone has its master on channel 0 and members upwards, an upper one on 15 and downwards.
    `to_members` 0 folds everything to channel `to_channel`, whose bend range is `to_bend` semitones.
    """

    upper: bool
    members: int
    to_upper: bool
    to_members: int
    to_channel: int = 0
    to_bend: int = 2


@dataclass(frozen=True, slots=True)
class Route:
    """From a device to a device.

    `velocity_fixed` and `velocity_most` are 1–127, or 0 for none. `programs` are pairs (in, out). A SysEx
    passes when it begins with one of `sysex_prefixes`, if there are any. `bend_from` and `bend_to` are bend
    ranges in semitones, 0 for none. `chord` are semitones from the key that is pressed, empty for the key
    alone; `drone` are notes that a key switches on and off. Several routes may share a name: they are
    replaced and switched together.
    """

    name: str
    source: str
    target: str
    kinds: frozenset[Kind]
    from_channel: int = -1
    to_channel: int = -1
    note_low: int = 0
    note_high: int = 127
    transpose: int = 0
    velocity_fixed: int = 0
    velocity_most: int = 0
    velocity_low: int = 1
    velocity_high: int = 127
    velocity_curve: Points = ()
    blocked_channels: frozenset[int] = frozenset()
    blocked_controllers: frozenset[int] = frozenset()
    programs: tuple[tuple[int, int], ...] = ()
    sysex_prefixes: tuple[bytes, ...] = ()
    bend_from: int = 0
    bend_to: int = 0
    chord: tuple[int, ...] = ()
    drone: tuple[int, ...] = ()
    maps: tuple[Remap, ...] = ()
    zone: NoteZone | None = None
    chase: bool = False
    """Whether its target gets the present positions of pedals, wheels, bend and pressure when it comes into
    force."""


# Plain values


def route_from_plain(plain: dict[str, Any]) -> Route:
    """Return the route that `to_plain` wrote."""
    return Route(**read_fields(plain, _READERS))


def _quantity(plain: dict[str, Any]) -> Quantity:
    return Quantity(QuantityKind(plain["kind"]), plain.get("number", 0))


_REMAP_READERS: Readers = {
    "source": _quantity,
    "target": _quantity,
    "source_range": tuple,
    "target_range": tuple,
    "curve": read_pairs,
    "switching": Switching,
    "channels": tuple,
}


def _remap(plain: dict[str, Any]) -> Remap:
    return Remap(**read_fields(plain, _REMAP_READERS))


_READERS: Readers = {
    "kinds": lambda value: frozenset(Kind(kind) for kind in value),
    "velocity_curve": read_pairs,
    "blocked_channels": frozenset,
    "blocked_controllers": frozenset,
    "programs": read_pairs,
    "sysex_prefixes": read_messages,
    "chord": tuple,
    "drone": tuple,
    "maps": lambda value: tuple(_remap(plain) for plain in value),
    "zone": lambda value: NoteZone(**value),
}
