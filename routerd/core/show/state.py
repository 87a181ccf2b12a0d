"""The show's state, and the few moves that every part of it makes.

The show is one object in layers, each in a module of its own and each knowing only those below it:

    show            time, messages, what others see
    show_return     going on where an engine has died
    show_commands   what can be asked, at once or armed
    show_songs      songs, sections, books, ports
    show_resting    what players have moved
    show_transport  start and stop, the source that is followed, devices by themselves
    show_state      this

Layers, not parts that talk to one another: they share one state and one order of events.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.clock.schedule import Schedule
from routerd.core.clock.transport import State
from routerd.core.model.checklist import Ticks
from routerd.core.model.rig import Device
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import TuningNote
from routerd.core.output.patches import Holding
from routerd.core.output.wire import Wire
from routerd.core.routing.input import Input
from routerd.core.routing.loops import Loops
from routerd.core.routing.mutes import Mutes
from routerd.core.show.armed import ArmedChange
from routerd.core.show.compiler import EMPTY_BOOK, CompiledBook, PatchSends
from routerd.core.show.effects import Effects
from routerd.core.show.learning import Learner
from routerd.core.show.leds import Facts
from routerd.core.show.place import Standing
from routerd.core.show.presses import Presses
from routerd.core.show.tempo import Tempo
from routerd.core.show.tick_sender import TickSender
from routerd.core.show.transport import DEFAULT_BPM, Transport
from routerd.core.units import NEVER_NS

if TYPE_CHECKING:
    from routerd.core.routing.tables import Leg
    from routerd.core.show.crash_state import Kept


class ShowState:
    """Everything that a show remembers; see `show` for how it is used."""

    __slots__ = (
        "_chased",
        "_holding",
        "_learner",
        "_lit_revision",
        "_on",
        "_order_revision",
        "_presses",
        "_returns",
        "_sensed",
        "_sent",
        "_set_list",
        "_ticks",
        "_to_chase",
        "_to_tell",
        "_tuner",
        "_tuning",
        "_tuning_until_ns",
        "_unrested",
        "armed",
        "effects",
        "generation",
        "loops",
        "mutes",
        "tempo",
        "ticks",
        "transport",
    )

    _chased: list[tuple[Input, int, Leg]]
    """Legs in force, by status byte, that get positions of controls on entry."""
    _to_chase: list[tuple[Input, int, Leg]]
    """Those that have just come into force."""
    _unrested: bool
    """Whether something goes to rest as soon as nothing rings there."""

    def __init__(self, now_ns: int, bpm: Fraction = DEFAULT_BPM, schedule: Schedule | None = None) -> None:
        self.effects = Effects(now_ns)
        self.armed = ArmedChange(self.effects)
        self.transport = Transport(self.effects, bpm, schedule)
        self.tempo = Tempo(self.effects, self.transport, self.armed)
        self.ticks = TickSender(self.effects, self.transport, self.tempo)
        self.generation = 0
        self.mutes = Mutes()
        self._on = Standing(EMPTY_BOOK)
        self._set_list = SetList("", ())
        self._order_revision = 0
        self._tuner = Input(Device("tuning"))
        """Holds the note that somebody tunes by."""
        self._tuning: TuningNote | None = None
        self._tuning_until_ns = NEVER_NS
        self._presses = Presses()
        self._learner: Learner | None = None
        self._ticks = Ticks()
        self._lit_revision = -1
        self.loops = Loops()
        self._chased, self._to_chase, self._unrested = [], [], False
        self._holding = Holding()
        self._sent = self.loops.sent
        self._sensed: tuple[Wire, ...] = ()
        self._returns: Kept | None = None
        """Where the engine before this one stood when it died."""
        self._to_tell: set[Wire] = set()
        """Wires whose devices have not been told of it yet."""

    @property
    def book(self) -> CompiledBook:
        """The book in force."""
        return self._on.book

    def _loops_rerouted(self) -> None:
        self.loops.rerouted()
        self._tell_loops()

    def _tell_loops(self) -> None:
        events = self.loops.events
        for kind, fields in events:
            self.effects.event(kind, **fields)
            self.effects.revision += 1
        events.clear()

    @property
    def _every_input(self) -> tuple[Input, ...]:
        return (*self.book.inputs, self._tuner)

    def _send(self, patches: PatchSends, now_ns: int, only: Wire | None = None) -> None:
        for patch in patches:
            if only is None or patch.output.wire is only:
                patch.send(now_ns, self.effects.sink)

    def _light(self) -> None:
        """Let every lamp show how things stand, if anything may have changed."""
        if self.effects.revision == self._lit_revision:
            return
        self._lit_revision = self.effects.revision
        for output, data in self.book.board.update(self._facts()):
            output.offer(data, self.effects.now_ns, self.effects.sink)

    def _facts(self) -> Facts:
        on = self._on
        return Facts(
            running=self.transport.clock.state is not State.STOPPED,
            armed=self.armed.change is not None,
            song=0 if on.place.index is None else on.place.index + 1,
            section=on.section_number,
            section_name=on.section.name if on.section_number else "",
            last_song=on.place.next_index is None,
            open_items=0
            if on.song is None
            else len(self._ticks.open(on.song.song.identifier, on.song.song.checklist)),
        )
