"""The note that somebody tunes by: one at a time, on one device, until it is ended or its time is over.

Owns that note. It is held by an input of no device, so that panic and a lost port end it like any other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.midi.messages import NOTE_OFF, NOTE_ON
from routerd.core.model.snapshot import TuningNote
from routerd.core.units import NEVER_NS, NS_PER_S

if TYPE_CHECKING:
    from routerd.core.output.wire import Output
    from routerd.core.routing.input import Input
    from routerd.core.show.effects import Effects


class Tuner:
    """Sounds the note; `note` is what sounds, None while nothing does."""

    __slots__ = ("_effects", "_input", "note", "until_ns")

    def __init__(self, effects: Effects, input: Input) -> None:
        self._effects = effects
        self._input = input
        self.note: TuningNote | None = None
        self.until_ns = NEVER_NS

    def sound(self, output: Output, channel: int, note: int, velocity: int, *, for_s: int) -> None:
        """Sound a note on a device instead of the one before; velocity 0 only ends that."""
        self.end()
        if velocity:
            now_ns = self._effects.now_ns
            self._input.held_notes[0] = ((output, NOTE_OFF | channel, note),)
            output.play(bytes((NOTE_ON | channel, note, velocity)), now_ns, self._effects.sink)
            self.until_ns = now_ns + for_s * NS_PER_S
            self.note = TuningNote(output.name, channel + 1, note, self.until_ns)

    def end(self) -> None:
        """End the note, if it sounds."""
        self._input.let_go(self._effects.now_ns, self._effects.sink)
        self._input.held_notes.clear()
        self.note, self.until_ns = None, NEVER_NS
        self._effects.revision += 1

    def forget(self) -> None:
        """Panic has ended it, if there was one."""
        if self.note is not None:
            self.end()
