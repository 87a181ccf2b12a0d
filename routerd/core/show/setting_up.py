"""Setting up: learn mode, and the note that somebody tunes by.

Learn mode: the next message that is received becomes a control, or shows how far a pedal goes. While it
is on, nothing that it looks at is routed or carried out. It ends by itself. `Learning` owns the round
that goes on, or went on last: what it has learnt is shown until the next.

Tuning: one note at a time, on one device, until it is ended or its time is over; `Tuner` owns it. It is
held by an input of no device, so that panic and a lost port end it like any other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from routerd.core.midi.messages import ACTIVE_SENSING, CONTROLLER, NOTE_OFF, NOTE_ON, PROGRAM, TICK, is_whole
from routerd.core.model.actions import Learns
from routerd.core.model.snapshot import LearningState, TuningNote
from routerd.core.units import NEVER_NS, NS_PER_S

if TYPE_CHECKING:
    from routerd.core.output.wire import Output
    from routerd.core.routing.input import Input
    from routerd.core.show.effects import Effects


LEARN_NS = 60 * NS_PER_S
"""How long it waits for a message; house choice: long enough to walk to the pedals."""


@dataclass(slots=True)
class Learner:
    """One round of learning, from being asked to having learnt; `device` and `message` are what was heard.

    A pedal goes on being heard until the time is over: `low` and `high` are the ends it has reached.
    """

    learns: Learns
    until_ns: int
    device: str = ""
    message: bytes = b""
    low: int = 127
    high: int = 0
    over: bool = False

    def hears(self, device: str, data: bytes) -> bool:
        """Look at a message; tell whether it was one to learn from and is used up by that."""
        if self.learns is Learns.PEDAL:
            return self._hears_pedal(device, data)
        if not is_press(data):
            return False
        self.device, self.message, self.over = device, data, True
        return True

    def _hears_pedal(self, device: str, data: bytes) -> bool:
        if len(data) != 3 or data[0] & 0xF0 != CONTROLLER or data[2] > 127:
            return False
        if self.message and (device, data[:2]) != (self.device, self.message[:2]):
            return False
        self.device, self.message = device, data
        self.low, self.high = min(self.low, data[2]), max(self.high, data[2])
        return True

    @property
    def state(self) -> LearningState:
        """What a snapshot shows of it."""
        pedal = self.learns is Learns.PEDAL and self.message != b""
        low, high = (self.low, self.high) if pedal else (None, None)
        return LearningState(self.learns, self.over, self.device, self.message, low, high)


class Learning:
    """Learns for the show. `on` is whether messages are looked at, until `until_ns`."""

    __slots__ = ("_effects", "learner", "on", "until_ns")

    def __init__(self, effects: Effects) -> None:
        self._effects = effects
        self.learner: Learner | None = None
        self.on = False
        self.until_ns = NEVER_NS

    @property
    def state(self) -> LearningState | None:
        """What a snapshot shows of the round that goes on, or went on last."""
        return None if self.learner is None else self.learner.state

    def learn(self, what: Learns) -> None:
        """Begin to learn a control or pedal, or end it with nothing."""
        if what is Learns.NOTHING:
            self.end()
            return
        self.learner = Learner(what, self._effects.now_ns + LEARN_NS)
        self.on, self.until_ns = True, self.learner.until_ns
        self._effects.revision += 1

    def end(self) -> None:
        """Look at no more messages."""
        if self.learner is not None and not self.learner.over:
            self.learner.over = True
            self._effects.revision += 1
        self.on, self.until_ns = False, NEVER_NS

    def uses(self, input: Input, data: bytes) -> bool:
        """Look at a message; return whether it has been used up by that."""
        learner = self.learner
        if learner is None or not learner.hears(input.name, data):
            return False
        if learner.over:
            self.on, self.until_ns = False, NEVER_NS
            input.swallow_release(data)
            self._effects.event("learnt", device=input.name, message=data.hex(" ").upper())
        self._effects.revision += 1
        return True


def is_press(data: bytes) -> bool:
    """Return whether a message can be what a foot or finger does to a control, not the end of it."""
    if not is_whole(data) or data[0] in (TICK, ACTIVE_SENSING):
        return False
    kind = data[0] & 0xF0
    if kind == NOTE_ON:
        return data[2] > 0
    if kind == CONTROLLER:
        return data[2] >= 64
    return kind == PROGRAM or data[0] >= 0xF0


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
