"""What sounds on a port: how many presses lead to each note.

Keys of two channels may be folded to one, chords overlap, several players share a device. A note sounds as
long as any press that leads to it is held: the last release ends it. A new press of a note that sounds
strikes it again, with a release before it, so that presses and releases of a note take turns on the wire
and a device that stacks voices is left with none.
"""

from __future__ import annotations

from routerd.core.midi.messages import is_note, is_press, note_off


def note_key(data: bytes) -> int:
    """Return the key of a note in `Sounding.presses`: status byte of its release and number."""
    return (data[0] & 0xEF) << 7 | data[1]


class Sounding:
    """The notes of one port."""

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
