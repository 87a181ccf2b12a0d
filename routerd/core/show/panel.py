"""The panel: what hands and feet do to switches, and what LEDs show them.

Owns how far every press has come, and what every LED was last told. A press that means something is
carried out as a command; one that is refused is reported and changes nothing.

Invariants: LEDs are told only what has changed, and all of it when their device comes back; a switch that
chatters is reported once, and once again when it is quiet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.errors import CommandError
from routerd.core.model.controls import Led, Shows
from routerd.core.model.timing import State
from routerd.core.show.switches import Presses, described

if TYPE_CHECKING:
    from routerd.core.model.controls import Control, Turn
    from routerd.core.output.wire import Output, Wire
    from routerd.core.show.armed import ArmedChange
    from routerd.core.show.commands import Commands
    from routerd.core.show.compiler import CompiledRig
    from routerd.core.show.effects import Effects
    from routerd.core.show.routes_in_force import RoutesInForce
    from routerd.core.show.songs import Songs
    from routerd.core.show.transport import Transport


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
    """All LEDs of a rig, and what each was last told."""

    def __init__(self, leds: Iterable[Led], outputs: Mapping[str, Output]) -> None:
        self._leds = [(led, outputs[led.device]) for led in leds]
        self._told: list[bool | None] = [None] * len(self._leds)

    def forget(self, wire: Wire) -> None:
        """A port has been away: tell all its LEDs again."""
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
        "_armed",
        "_board",
        "_commands",
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
        commands: Commands,
    ) -> None:
        self._effects = effects
        self._armed = armed
        self._transport = transport
        self._routes = routes
        self._songs = songs
        self._commands = commands
        self._board = Board((), {})
        self._lit_revision = -1
        """The revision that LEDs show."""
        self.presses = Presses()

    def use(self, book: CompiledRig) -> None:
        """Take the LEDs of another book; all of them are told how things stand."""
        self._board = Board(book.rig.leds, {output.name: output for output in book.outputs})

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
                self._commands.apply(self._routes.mutes.toggled(control.command))
                self.light()
            except CommandError as error:
                action = control.command.action.value
                self._effects.event("refused", device=control.device, action=action, why=str(error))

    def _report_switches(self) -> None:
        """Report the switches that have begun to chatter, or are heard again."""
        for (device, what), chatters in self.presses.news:
            kind = "chattering" if chatters else "quiet-again"
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
        """A port is there again: tell all its LEDs how things stand."""
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
