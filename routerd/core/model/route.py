"""What a route is: from a device to a device, what is let through and how it is changed.

Also the curves that shape a velocity or a value: tuples of points (in, out), both 0 to 127, joined by
straight lines, level before the first and behind the last. No standard gives a formula (a loudness curve
is the receiver's choice, M1 p. 10), so the named shapes are a house choice. Channels are 0–15, programs
0–127; -1 means any on the way in and unchanged on the way out. Ranges include their ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from routerd.core.midi.messages import Kind

Points = tuple[tuple[int, int], ...]

FULL = 16_383
"""Largest 14-bit value. It is 129 × 127, so that 7 bits become 14 and come back unchanged."""

SHAPES: dict[str, Points] = {
    "linear": (),
    "soft": ((0, 0), (16, 37), (32, 55), (64, 84), (96, 107), (127, 127)),
    "hard": ((0, 0), (20, 3), (43, 16), (72, 48), (100, 84), (127, 127)),
}
"""soft: light playing already sounds loud; hard: only heavy playing does."""


def bend_by(points: Points, value: int) -> int:
    """Return what `value` (0 to FULL) becomes by a curve, 0 to FULL."""
    if not points:
        return value
    before, level = 0, points[0][1]
    for point, height in points:
        start, end = 129 * before, 129 * point
        if value <= end:
            if value == end:
                return 129 * height
            return 129 * level + 129 * (2 * (value - start) * (height - level) + point - before) // (
                2 * (end - start)
            )
        before, level = point, height
    return 129 * points[-1][1]


class QuantityKind(StrEnum):
    """What a map reads or writes: a value of 7 or 14 bits, or something that happens."""

    CC = "cc"
    FINE = "fine"
    PRESSURE = "pressure"
    PITCH_BEND = "pitch-bend"
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
    {QuantityKind.CC, QuantityKind.FINE, QuantityKind.RPN, QuantityKind.NRPN, QuantityKind.NOTE}
)
"""Kinds with a number of their own; `fine` is a controller 0–31 with its lower half 32 above (M1 p. 11)."""
SEQUENCE_KINDS = frozenset(
    {QuantityKind.START, QuantityKind.STOP, QuantityKind.CONTINUE, QuantityKind.RETRIGGER}
)
SOURCE_KINDS = NUMBERED | {QuantityKind.PRESSURE, QuantityKind.PITCH_BEND}
TARGET_KINDS = frozenset(QuantityKind) - {QuantityKind.NOTE}
_FINE_KINDS = frozenset(
    {QuantityKind.FINE, QuantityKind.PITCH_BEND, QuantityKind.RPN, QuantityKind.NRPN, QuantityKind.VOLUME}
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that has a value; `number` is the controller, note or parameter (0–16383)."""

    kind: QuantityKind
    number: int = 0

    @property
    def max(self) -> int:
        """Largest value: 127 or 16383."""
        return FULL if self.kind in _FINE_KINDS else 127


class Switching(StrEnum):
    """How a map treats its source: as a value, or as a switch that is on from the middle of its range."""

    NONE = ""
    MOMENTARY = "momentary"
    LATCH = "latch"


@dataclass(frozen=True, slots=True)
class Remap:
    """One quantity made into another; ranges are in the quantities' own units."""

    source: Quantity
    target: Quantity
    source_range: tuple[int, int]
    target_range: tuple[int, int]
    """What it becomes at the two ends; the first may be the higher."""
    curve: Points = ()
    deadband: int = 0
    """Changes of the source smaller than this are ignored, except at the ends of its range."""
    pickup: bool = False
    """Whether nothing is sent until the source meets the value that the target has."""
    switching: Switching = Switching.NONE
    channels: tuple[int, ...] = ()
    """Where it goes out instead of the route's channel."""


class Side(StrEnum):
    """Which of the two zones of a port: the manager channel of the lower is 0, of the upper 15."""

    LOWER = "lower"
    UPPER = "upper"


@dataclass(frozen=True, slots=True)
class NoteZone:
    """A zone of channels with one note each (MPE 1.0, 2.1–2.4) and where it goes.

    A lower zone has its manager channel on 0 and members upwards, an upper one on 15 and downwards.
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
    """From a device to a device. Several routes may share a name: they are replaced and switched together."""

    name: str
    source: str
    target: str
    kinds: frozenset[Kind]
    """The kinds of message let through."""
    from_channel: int = -1
    to_channel: int = -1
    note_low: int = 0
    note_high: int = 127
    """Ends of the range of notes let through, before transposing."""
    transpose: int = 0
    """Semitones."""
    velocity_fixed: int = 0
    """What every press gets (1–127); 0 for none."""
    velocity_max: int = 0
    """No press gets more (1–127); 0 for none."""
    velocity_low: int = 1
    velocity_high: int = 127
    """Ends of the range of velocities let through, as played."""
    velocity_curve: Points = ()
    blocked_channels: frozenset[int] = frozenset()
    blocked_cc: frozenset[int] = frozenset()
    """Controllers (0–127) kept back."""
    programs: tuple[tuple[int, int], ...] = ()
    """Pairs (in, out); all others stay."""
    sysex_prefixes: tuple[bytes, ...] = ()
    """A SysEx passes when it begins with one of these, if there are any."""
    bend_from: int = 0
    bend_to: int = 0
    """Pitch bend ranges in semitones of the device that is played and of the one that sounds; 0 for none."""
    chord: tuple[int, ...] = ()
    """Semitones from the key that is pressed; empty for the key alone."""
    drone: tuple[int, ...] = ()
    """Notes (0–127) that a key switches on and off."""
    maps: tuple[Remap, ...] = ()
    zone: NoteZone | None = None
    chase: bool = False
    """Whether its target gets the present positions of pedals, wheels, bend and pressure when it comes into
    force."""


@cache
def velocity_map(
    fixed: int = 0, maximum: int = 0, low: int = 1, high: int = 127, points: Points = ()
) -> bytes:
    """Return the map of velocities: range, then a fixed value or curve and cap; 0 for none.

    A press stays a press: 1 to 127 never becomes 0, and 0 stays 0, a release (M1 p. 10). 255 stands for a
    velocity that is not let through.
    """
    out = [0]
    for velocity in range(1, 128):
        shaped = fixed or min(max(1, (bend_by(points, 129 * velocity) + 64) // 129), maximum or 127)
        out.append(shaped if low <= velocity <= high else 255)
    return bytes(out)


def scale(value: int, source: tuple[int, int], target: tuple[int, int], points: Points = ()) -> int:
    """Return where `value` lies in `target` as it lies in `source` (low, high), bent by a curve.

    Outside `source` it counts as the nearer end; `target` may run downwards.
    """
    low, high = source
    place = (2 * FULL * (min(max(value, low), high) - low) + high - low) // (2 * (high - low))
    start, end = target
    return start + (2 * (end - start) * bend_by(points, place) + FULL) // (2 * FULL)
