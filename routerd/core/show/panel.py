"""The panel: what hands and feet do besides playing: switches and LEDs, learn mode, a note to tune by.

Owns how far every press has come, what every LED was last sent, the round of learning, and the note that
somebody tunes by. A press that means something is carried out as a command; one that is refused is reported
and changes nothing.

Invariants:

- LEDs get only what has changed, and all of it when their device comes back;
- a switch that chatters is reported once, and once again when it is quiet;
- while learn mode is on, nothing that it looks at is routed or carried out; it ends by itself, and what it
  has learnt is shown until the next round. What routerd plays or sends itself is not looked at;
- one note to tune by at a time, until it is ended or its time is over. An input of no device holds it, so
  that panic and a lost port end it like any other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

from routerd.core.errors import CommandError
from routerd.core.midi.messages import ACTIVE_SENSING, CONTROLLER, NOTE_OFF, NOTE_ON, PROGRAM, TICK, is_whole
from routerd.core.model import events
from routerd.core.model.actions import Learns
from routerd.core.model.controls import Led, Shows
from routerd.core.model.snapshot import LearningState, TuningNote
from routerd.core.model.timing import State
from routerd.core.show.switches import Presses, described
from routerd.core.units import NEVER_NS, NS_PER_S

if TYPE_CHECKING:
    from routerd.core.model.commands import Command
    from routerd.core.model.controls import Control, Turn
    from routerd.core.output.wire import Output, Wire
    from routerd.core.routing.input import Input
    from routerd.core.show.armed import ArmedChange
    from routerd.core.show.compiler import CompiledRig
    from routerd.core.show.effects import Effects
    from routerd.core.show.routes_in_force import RoutesInForce
    from routerd.core.show.songs import Songs
    from routerd.core.show.transport import Transport


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
        """Look at a message; return whether it was one to learn from and is used up by that."""
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
    """Learns for the show. `on` is whether messages are looked at, until `until_ns`; nothing is learnt from
    what comes in while `deaf`.
    """

    __slots__ = ("_effects", "deaf", "learner", "on", "until_ns")

    def __init__(self, effects: Effects) -> None:
        self._effects = effects
        self.learner: Learner | None = None
        self.on = False
        self.deaf = False
        self.until_ns = NEVER_NS

    @property
    def state(self) -> LearningState | None:
        """What a snapshot shows of the round that goes on, or went on last."""
        return None if self.learner is None else self.learner.state

    def learn(self, what: Learns) -> None:
        """Begin to learn a control or pedal, or end it with nothing."""
        if what is Learns.NOTHING:
            self.end("asked")
            return
        self.learner = Learner(what, self._effects.now_ns + LEARN_NS)
        self.on, self.until_ns = True, self.learner.until_ns
        self._effects.event(events.Learning, learns=what)
        self._effects.revision += 1

    def end(self, why: Literal["asked", "time"]) -> None:
        """Look at no more messages; `why` is "asked" or "time"."""
        learner = self.learner
        if learner is not None and not learner.over:
            learner.over = True
            heard = bool(learner.message)
            self._effects.event(events.LearningEnded, learns=learner.learns, why=why, heard=heard)
            self._effects.revision += 1
        self.on, self.until_ns = False, NEVER_NS

    def uses(self, input: Input, data: bytes) -> bool:
        """Look at a message; return whether it has been used up by that."""
        learner = self.learner
        if self.deaf or learner is None or not learner.hears(input.name, data):
            return False
        if learner.over:
            self.on, self.until_ns = False, NEVER_NS
            input.swallow_release(data)
            self._effects.event(events.Learnt, device=input.name, message=data.hex(" ").upper())
        self._effects.revision += 1
        return True


def is_press(data: bytes) -> bool:
    """Return whether a message can be what a foot or finger does to a control, not the end of it."""
    if not is_whole(data) or data[0] in (TICK, ACTIVE_SENSING) or _is_answer(data):
        return False
    kind = data[0] & 0xF0
    if kind == NOTE_ON:
        return data[2] > 0
    if kind == CONTROLLER:
        return data[2] >= 64
    return kind == PROGRAM or data[0] >= 0xF0


def _is_answer(data: bytes) -> bool:
    """Return whether a message answers a question that no hand asks: an Identity Reply, M1 p. 40."""
    return data[:2] == b"\xf0\x7e" and data[3:5] == b"\x06\x02"


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
            self._report(self.note, on=True)

    def end(self) -> None:
        """End the note, if it sounds."""
        if self.note is not None:
            self._report(self.note, on=False)
        self._input.let_go(self._effects.now_ns, self._effects.sink)
        self._input.held_notes.clear()
        self.note, self.until_ns = None, NEVER_NS
        self._effects.revision += 1

    def _report(self, note: TuningNote, *, on: bool) -> None:
        self._effects.event(events.TuningNote, note.device, note.channel, note.note, on=on)

    def forget(self) -> None:
        """Panic has ended it, if there was one."""
        if self.note is not None:
            self.end()


class Facts(NamedTuple):
    """How everything stands; numbers from 1, 0 for none. `open_steps` are still to be done by hand."""

    running: bool
    armed: bool
    song: int
    section: int
    section_name: str
    last_song: bool
    open_steps: int


_LIT: dict[Shows, Callable[[Facts, int | str], bool]] = {
    Shows.RUNNING: lambda facts, _: facts.running,
    Shows.STOPPED: lambda facts, _: not facts.running,
    Shows.ARMED: lambda facts, _: facts.armed,
    Shows.SONG: lambda facts, argument: facts.song == argument,
    Shows.SECTION: lambda facts, argument: argument in (facts.section, facts.section_name),
    Shows.LAST_SONG: lambda facts, _: facts.last_song,
    Shows.CHECKLIST: lambda facts, _: facts.open_steps > 0,
}


class Board:
    """All LEDs of a rig, and what each was last sent."""

    def __init__(self, leds: Iterable[Led], outputs: Mapping[str, Output]) -> None:
        self._leds = [(led, outputs[led.device]) for led in leds]
        self._told: list[bool | None] = [None] * len(self._leds)

    def forget(self, wire: Wire) -> None:
        """A port has been away: set all its LEDs again."""
        for index, (_, output) in enumerate(self._leds):
            if output.wire is wire:
                self._told[index] = None

    def update(self, facts: Facts) -> list[tuple[Output, bytes]]:
        """Return what has to be sent so that every LED that can be reached shows `facts`."""
        sends: list[tuple[Output, bytes]] = []
        for index, (led, output) in enumerate(self._leds):
            lit = _LIT[led.shows](facts, led.argument)
            if output.connected and lit is not self._told[index]:
                self._told[index] = lit
                sends.append((output, bytes((led.status, led.number, led.on if lit else led.off))))
        return sends


class Panel:
    """Reads switches and lights LEDs; `presses.next_due_ns` is when `pass_time` has something to do."""

    __slots__ = (
        "_apply",
        "_armed",
        "_board",
        "_effects",
        "_lit_revision",
        "_routes",
        "_songs",
        "_transport",
        "presses",
    )

    def __init__(
        self,
        *,
        effects: Effects,
        armed: ArmedChange,
        transport: Transport,
        routes: RoutesInForce,
        songs: Songs,
        apply: Callable[[Command], None],
    ) -> None:
        self._effects = effects
        self._armed = armed
        self._transport = transport
        self._routes = routes
        self._songs = songs
        self._apply = apply
        self._board = Board((), {})
        self._lit_revision = -1
        """The revision that LEDs show."""
        self.presses = Presses()

    def use(self, compiled: CompiledRig) -> None:
        """Take the LEDs of another compiled rig; all of them get how things stand."""
        self._board = Board(compiled.rig.leds, {output.name: output for output in compiled.outputs})

    # Switches

    def turn(self, turn: Turn) -> None:
        """Take one edge of a switch."""
        self._carry_out(self.presses.turn(turn, self._effects.now_ns))
        if self.presses.news:
            self._report_switches()

    def pass_time(self) -> None:
        """Carry out what time alone decides: that a press is a long one, or no double one."""
        self._carry_out(self.presses.due(self._effects.now_ns))
        self._report_switches()

    def lose_input(self, device: str) -> None:
        """A device cannot be heard any more: forget its switches."""
        self.presses.forget(device)
        self._report_switches()

    def _carry_out(self, controls: list[Control]) -> None:
        for control in controls:
            try:
                self._apply(self._routes.mutes.toggled(control.command))
                self.light()
            except CommandError as error:
                action = control.command.action.value
                self._effects.event(events.Refused, action, control.device, why=str(error))

    def _report_switches(self) -> None:
        """Report the switches that have begun to chatter, or are heard again."""
        for (device, what), chatters in self.presses.news:
            kind = events.Chattering if chatters else events.QuietAgain
            self._effects.event(kind, device=device, switch=described(what))
            self._effects.revision += 1
        self.presses.news.clear()

    # LEDs

    def light(self) -> None:
        """Let every LED show how things stand, if anything may have changed."""
        effects = self._effects
        if effects.revision == self._lit_revision:
            return
        self._lit_revision = effects.revision
        for output, data in self._board.update(self._facts()):
            output.offer(data, effects.now_ns, effects.sink)

    def light_again(self, wire: Wire) -> None:
        """A port is there again: have all its LEDs show how things stand."""
        self._board.forget(wire)
        self._lit_revision = -1
        self.light()

    def _facts(self) -> Facts:
        on = self._songs.on
        return Facts(
            running=self._transport.clock.state is not State.STOPPED,
            armed=self._armed.change is not None,
            song=0 if on.place.index is None else on.place.index + 1,
            section=on.section_number,
            section_name=on.section.name if on.section_number else "",
            last_song=on.place.next_index is None,
            open_steps=self._songs.open_steps,
        )
