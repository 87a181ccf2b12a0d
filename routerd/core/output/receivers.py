"""What the devices behind a wire are on, as far as it is known from what has been sent there.

`Receivers` owns that knowledge and nothing else: which sound a channel is on, which parameter is selected,
where controllers and bend stand, what players have moved, and which notes sound. It sends nothing and knows
no time; `wire.Wire` decides when bytes go out. Devices that share a wire share this too, since each hears
every channel. Invariants: a channel that is missing is not known; when what waits is dropped, all but the
notes and what players have moved is forgotten (`forget_settings`), so that nothing is taken for sent that was
not.

What a player has moved is in `moved`, with who moved it; `midi.rest` says where it goes when nobody moves it
any more. What is still held when a route ends rings on, bent as it is: it waits in `unrested` until the last
of it has been released. Hold pedals are in neither: they come up the way they went down (`routing.input`).
"""

from __future__ import annotations

from routerd.core.midi.messages import (
    BEND,
    CHANNEL_PRESSURE,
    CONTROLLER,
    POLY_PRESSURE,
    Selected,
    bend_value,
    is_note,
    is_press,
    note_off,
)
from routerd.core.midi.rest import moved_key, rest_of
from routerd.core.model.route import Quantity, QuantityKind

Mover = object
"""Who has moved or latched something: an input or a converter. Here only its identity matters."""


def note_key(data: bytes) -> int:
    """Return the key of a note in `SoundingNotes.presses`: status byte of its release and number."""
    return (data[0] & 0xEF) << 7 | data[1]


class SoundingNotes:
    """The notes that sound on one port.

    Keys of two channels may be folded to one, chords overlap, several players share a device. A note sounds
    as long as any press that leads to it is held: the last release ends it. A new press of a note that
    sounds strikes it again, with a release before it, so that presses and releases of a note take turns on
    the wire and a device that stacks voices is left with none.
    """

    __slots__ = ("loose", "presses")

    def __init__(self) -> None:
        self.presses: dict[int, int] = {}
        """How many presses lead to each note, by `note_key`."""
        self.loose: dict[int, None] = {}
        """Notes that a patch has started: nobody is going to release them but panic."""

    def press(self, data: bytes) -> bytes | None:
        """Count a press; return the release that goes before it when its note sounds."""
        key = note_key(data)
        count = self.presses.get(key, 0)
        self.presses[key] = count + 1
        return note_off(data[0] & 0x0F, data[1]) if count else None

    def release(self, data: bytes) -> bool:
        """Count a release; False when another press still leads to its note."""
        key = note_key(data)
        left = self.presses.pop(key, 1) - 1
        if left:
            self.presses[key] = left
        return not left

    def note_patch(self, data: bytes) -> None:
        """Take note of what a patch does to notes."""
        if is_press(data):
            self.loose[note_key(data)] = None
        elif is_note(data):
            self.loose.pop(note_key(data), None)

    def end(self) -> list[bytes]:
        """Return the releases of all that sounds, and forget it."""
        keys = dict.fromkeys((*self.presses, *self.loose))
        self.presses.clear()
        self.loose.clear()
        return [note_off(key >> 7 & 0x0F, key & 0x7F) for key in keys]


class Receivers:
    """What the devices behind one wire are on."""

    __slots__ = ("moved", "patched", "presses", "selected", "sounding", "unrested", "values")

    def __init__(self) -> None:
        self.sounding = SoundingNotes()
        self.presses = self.sounding.presses
        """Its dictionary, for the way of a message."""
        self.selected: Selected = {}
        """The parameter that each channel is on."""
        self.patched: dict[int, tuple[bytes, ...]] = {}
        """The sound that each channel is on, see `patches`."""
        self.values: dict[int, int] = {}
        """What patches and maps have set, and, where the wire reports every message, anything else; by
        `quantity_key`."""
        self.moved: dict[int, tuple[Mover, bytes]] = {}
        """What players have moved, by whom and where to; by `rest.moved_key`."""
        self.unrested: dict[int, Mover] = {}
        """What goes to rest as soon as nothing rings there, and who has moved it."""

    def note(self, data: bytes) -> None:
        """Take note of where a message leaves a controller, bend or the pressure of a channel.

        A new upper half of a 14-bit controller clears the lower one (M1 p. 12).
        """
        values, status = self.values, data[0]
        kind, channel = status & 0xF0, status & 0x0F
        if kind == CONTROLLER:
            number, value = data[1], data[2]
            values[status << 7 | number] = value
            if number < 64:
                fine = _FINE | (number & 31) << 4 | channel
                values[fine] = value << 7 if number < 32 else values.get(fine, 0) & ~127 | value
        elif kind == BEND:
            values[_BEND | channel] = bend_value(data)
        elif kind == CHANNEL_PRESSURE:
            values[_PRESSURE | channel] = data[1]

    def note_rest(self, data: bytes) -> None:
        """Take note of a message that puts something to rest: converters must not take it for where they left
        it."""
        self.note(data)
        self.values.pop(data[0] << 7, None)

    def take_rest(self) -> list[bytes]:
        """Return what puts everything to rest that players have moved, and forget it."""
        keys = (*self.moved, *self.unrested)
        self.moved.clear()
        self.unrested.clear()
        return rest_of(keys)

    def take_key_pressures(self) -> list[bytes]:
        """Return what ends the pressures of single keys, which end with their notes, and forget them."""
        keys = [key for key in self.moved if key >> 7 & 0xF0 == POLY_PRESSURE]
        for key in keys:
            del self.moved[key]
        return rest_of(keys)

    def is_left(self, data: bytes) -> bool:
        """Return whether a message moves what nobody moves now: it is on its way to rest."""
        return (key := moved_key(data)) >= 0 and key not in self.moved

    def forget_settings(self) -> None:
        """What waited has been dropped: which sound, parameter and value a channel is on is not known."""
        self.selected.clear()
        self.patched.clear()
        self.values.clear()


def quantity_key(channel: int, target: Quantity) -> int:
    """Return the key of a quantity in `Receivers.values`; that of a controller is its first two bytes."""
    if target.kind is QuantityKind.CC:
        return (CONTROLLER | channel) << 7 | target.number
    return _kind_key(target.kind) | target.number << 4 | channel


def _kind_key(kind: QuantityKind) -> int:
    return (list(QuantityKind).index(kind) + 1) << 20


_FINE, _PRESSURE, _BEND = map(_kind_key, (QuantityKind.FINE, QuantityKind.PRESSURE, QuantityKind.PITCH_BEND))
