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
from typing import TYPE_CHECKING, Any

from routerd.core.clock.clock import Clock
from routerd.core.clock.device_clocks import DeviceClocks
from routerd.core.clock.metronome import Metronome
from routerd.core.clock.schedule import Schedule
from routerd.core.clock.tap import Taps
from routerd.core.clock.transport import State, TempoBy
from routerd.core.errors import CommandError
from routerd.core.follow.source import Source
from routerd.core.model.arming import Armed, Command
from routerd.core.model.checklist import Ticks
from routerd.core.model.rig import Device
from routerd.core.model.set_list import SetList
from routerd.core.output.wire import NEVER_NS, Output, Wire
from routerd.core.routing.holding import Holding
from routerd.core.routing.input import Input
from routerd.core.routing.loops import Loops
from routerd.core.routing.mutes import Mutes
from routerd.core.show.compiler import EMPTY_BOOK, CompiledBook, PatchSends
from routerd.core.show.effects import Effects
from routerd.core.show.learning import Learner
from routerd.core.show.leds import Facts
from routerd.core.show.place import Standing
from routerd.core.show.presses import Presses
from routerd.core.units import (
    format_bpm,
)

if TYPE_CHECKING:
    from routerd.core.routing.tables import Leg
    from routerd.core.show.crash_state import Kept


NO_SONG = 0xFFFF
"""Song number in tick records while no song is on."""

DEFAULT_BPM = Fraction(120)


class ShowState:
    """Everything that a show remembers; see `show` for how it is used."""

    __slots__ = (
        "_after_tick",
        "_armed",
        "_caught_up",
        "_chased",
        "_clocked",
        "_devices",
        "_holding",
        "_learner",
        "_lit_revision",
        "_metronome",
        "_on",
        "_order_revision",
        "_position_tick",
        "_presses",
        "_returns",
        "_sensed",
        "_sent",
        "_set_list",
        "_source",
        "_source_input",
        "_step",
        "_taps",
        "_ticked",
        "_ticks",
        "_to_chase",
        "_to_tell",
        "_transported",
        "_tuner",
        "_tuning",
        "_tuning_until_ns",
        "_unrested",
        "clock",
        "effects",
        "generation",
        "loops",
        "mutes",
        "schedule",
        "song_number",
        "stamps",
        "tick_due_ns",
        "tick_number",
    )

    _chased: list[tuple[Input, int, Leg]]
    """Legs in force, by status byte, that get positions of controls on entry."""
    _to_chase: list[tuple[Input, int, Leg]]
    """Those that have just come into force."""
    _unrested: bool
    """Whether something goes to rest as soon as nothing rings there."""

    def __init__(self, now_ns: int, bpm: Fraction = DEFAULT_BPM, schedule: Schedule | None = None) -> None:
        self.effects = Effects(now_ns)
        self.generation = 0
        self.mutes = Mutes()
        self.clock = Clock(now_ns, bpm)
        self.tick_number = -1
        self.tick_due_ns = now_ns
        self.song_number = NO_SONG
        self._after_tick = False
        self._on = Standing(EMPTY_BOOK)
        self._set_list = SetList("", ())
        self._order_revision = 0
        self._armed: Armed | None = None
        self._source: Source | None = None
        self._source_input: Input | None = None
        self._step = self.clock.step
        self.schedule = Schedule() if schedule is None else schedule
        self.stamps: dict[Wire, tuple[int, int] | None] = {}
        """Number and due time of the last tick of wires with a clock of their own; None: not one of the
        grid."""
        self._devices = DeviceClocks((), {}, self.schedule)
        self._ticked: list[Wire] = []
        self._position_tick = -1
        """Start and Continue wait for a tick after this one."""
        self._metronome = Metronome(self.schedule)
        self._taps = Taps()
        self._tuner = Input(Device("tuning"))
        """Holds the note that somebody tunes by."""
        self._tuning: dict[str, Any] | None = None
        self._tuning_until_ns = NEVER_NS
        self._presses = Presses()
        self._learner: Learner | None = None
        self._ticks = Ticks()
        self._lit_revision = -1
        self.loops = Loops()
        self._chased, self._to_chase, self._unrested = [], [], False
        self._holding = Holding()
        self._sent = self.loops.sent
        self._clocked: tuple[Wire, ...] = ()
        self._sensed: tuple[Wire, ...] = ()
        self._transported: tuple[Output, ...] = ()
        self._returns: Kept | None = None
        """Where the engine before this one stood when it died."""
        self._to_tell: set[Wire] = set()
        """Wires whose devices have not been told of it yet."""
        self._caught_up: list[Wire] = []
        """Wires that have got late ticks since the last one of the grid."""

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

    def _set_gates(self) -> None:
        """Tell every wire when it must be idle next: for a tick, and for a Start that waits."""
        clock = self.clock
        for wire in self.book.wires:
            gate_ns = clock.next_due_ns if wire.clock else NEVER_NS
            wire.gate_ns = min(gate_ns, clock.start_at_ns) if wire.transport else gate_ns
        for one in self._devices.busy:
            output, wire = one.output, one.output.wire
            gate_ns = self.schedule.next_realtime_ns(output)
            if output.clock:
                gate_ns = min(gate_ns, clock.next_due_ns + one.delay_ns)
            wire.gate_ns = gate_ns if output is wire.timed else min(gate_ns, wire.gate_ns)

    def _send(self, patches: PatchSends, now_ns: int, only: Wire | None = None) -> None:
        for patch in patches:
            if only is None or patch.output.wire is only:
                patch.send(now_ns, self.effects.sink)

    def _set_tempo(self, bpm: Fraction, by: TempoBy = TempoBy.SONG, rate_bpm: Fraction | None = None) -> None:
        """Change tempo, unless a source decides about it. `rate_bpm`: the rate now, where tempo moves."""
        clock = self.clock
        rate_bpm = rate_bpm or bpm
        if clock.steered or (rate_bpm, bpm, by) == (clock.segment.bpm, clock.bpm, clock.tempo_by):
            return
        if rate_bpm != clock.segment.bpm:
            clock.set_tempo(rate_bpm)
        clock.bpm, clock.tempo_by = bpm, by
        self.effects.revision += 1
        self.effects.event("tempo", bpm=format_bpm(bpm), by=by.value)

    def _take_armed(self) -> Command:
        if self._armed is None:
            raise CommandError("nothing is armed")
        command, self._armed = self._armed.command, None
        self.effects.revision += 1
        return command

    def _disarm(self, by: str) -> None:
        """Forget what is armed, if anything; `by` says what made it so."""
        if self._armed is not None:
            command = self._take_armed()
            self.effects.event("disarmed", action=command.action.value, argument=command.argument, by=by)

    def _look_at_devices(self) -> None:
        """Note whether a device has been started, or waits, or has come round: others want to know."""
        if self._devices.changed():
            self.effects.revision += 1

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
            running=self.clock.state is not State.STOPPED,
            armed=self._armed is not None,
            song=0 if on.place.index is None else on.place.index + 1,
            section=on.section_number,
            section_name=on.section.name if on.section_number else "",
            last_song=on.place.next_index is None,
            open_items=0
            if on.song is None
            else len(self._ticks.open(on.song.song.identifier, on.song.song.checklist)),
        )
