"""The routes in force: what reaches whom now, and what sounds or stands somewhere because of it.

Owns who is muted, the tables that inputs have, what loops have been found, what a song holds by itself,
which positions of controls are brought along, and what waits to go to rest (see `core.routing`).

Invariants:

- an input's table is that of the section in force, without what is muted; what is pressed keeps its own way;
- what players have moved is either still movable over a route in force, at rest, or in a wire's `unrested`;
- `unrested` is set while anything waits for the last note to be released, and only then;
- what a device that is away is owed is in its wire's `owed`, in the order in which it is to be sent.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.errors import NotFoundError
from routerd.core.midi.messages import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    PARAMETER_SELECT,
    RESET_CONTROLLERS,
    SUSTAIN,
    controller,
)
from routerd.core.midi.rest import is_at_rest, rest_of
from routerd.core.model import events
from routerd.core.model.actions import Action, Subject
from routerd.core.model.rig import Device
from routerd.core.output.patches import Holding
from routerd.core.routing.input import Input, rings
from routerd.core.routing.loops import Loops
from routerd.core.routing.mutes import Mutes, muting, others
from routerd.core.routing.tables import EMPTY, leads
from routerd.core.show.compiler import EMPTY_RIG

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from routerd.core.model.controls import Controls
    from routerd.core.output.patches import Held
    from routerd.core.output.receivers import Mover
    from routerd.core.output.wire import Wire
    from routerd.core.routing.tables import Leg
    from routerd.core.show.compiler import CompiledRig, CompiledSection
    from routerd.core.show.effects import Effects

SILENCE = tuple(
    controller(channel, number, 0)
    for channel in range(16)
    for number in (SUSTAIN, ALL_SOUND_OFF, RESET_CONTROLLERS, ALL_NOTES_OFF)
)
"""All Notes Off comes after the explicit Note Offs, it is no substitute for them (M1 p. 20)."""


class RoutesInForce:
    """Puts the routes of a section into force, and rights what they leave behind."""

    __slots__ = (
        "_chased",
        "_compiled",
        "_effects",
        "_holding",
        "_section",
        "_sensed",
        "_to_chase",
        "loops",
        "mutes",
        "tuner",
        "unrested",
    )

    def __init__(self, effects: Effects) -> None:
        self._effects = effects
        self._compiled = EMPTY_RIG
        self._section: CompiledSection | None = None
        """What is in force; None while no song is on."""
        self._holding = Holding()
        self._chased: list[tuple[Input, int, Leg]] = []
        """Legs in force, by status byte, that get positions of controls on entry."""
        self._to_chase: list[tuple[Input, int, Leg]] = []
        """Those that have just come into force."""
        self._sensed: tuple[Wire, ...] = ()
        self.mutes = Mutes()
        self.loops = Loops()
        self.tuner = Input(Device("tuning"))
        """Of no device: holds the note that somebody tunes by."""
        self.unrested = False
        """Whether something goes to rest as soon as nothing rings there."""

    # A compiled rig comes into force

    def use(self, compiled: CompiledRig) -> None:
        """Take another compiled rig; the routes of a section of it are put into force later."""
        before, self._compiled = self._compiled, compiled
        self._retire_removed(before, compiled)
        self.mutes.keep(compiled.subjects)
        self.loops.use(compiled.inputs, compiled.wires)
        for feed in compiled.feeds:
            for input in feed.inputs:
                input.note_sysex, input.shares = self.loops.note_sysex, feed.inputs
        for input, pedals in zip(compiled.inputs, compiled.pedals, strict=True):
            input.use_chase(input.name in compiled.chased)
            input.use_pedals(pedals)
        self._sensed = tuple(wire for wire in compiled.wires if wire.senses)

    def _retire_removed(self, before: CompiledRig, compiled: CompiledRig) -> None:
        """Release what leaves. What an absent port is owed passes to the one that takes over its device."""
        now_ns, sink = self._effects.now_ns, self._effects.sink
        successors = {output.name: output.wire for output in compiled.outputs if output not in before.outputs}
        for wire in before.wires:
            if wire not in compiled.wires:
                self._holding.forget(wire)
                wire.retire(self._forget(wire, (*before.inputs, self.tuner)), now_ns, sink)
                heirs = (successors[output.name] for output in wire.outputs if output.name in successors)
                if (heir := next(heirs, None)) is not None:
                    heir.owed += wire.owed
        for input in before.inputs:
            if input not in compiled.inputs:
                input.let_go(now_ns, sink)

    def _forget(self, wire: Wire, inputs: Iterable[Input]) -> list[bytes]:
        """Take what is held on a wire out of what these inputs hold, and return the releases."""
        return [data for input in inputs for output in wire.outputs for data in input.forget(output)]

    def use_controls(self, controls: tuple[Controls, ...]) -> None:
        """Let the messages of every input mean what a song, or the rig, wants."""
        for input, meaning in zip(self._compiled.inputs, controls, strict=True):
            input.use_controls(meaning, self._effects.now_ns, self._effects.sink)

    # Entering and leaving sections

    def enter(self, section: CompiledSection) -> None:
        """Put a section's routes into force, and release what is held if it wants that."""
        if section.cuts:
            for input in self._compiled.inputs:
                input.let_go(self._effects.now_ns, self._effects.sink)
        self.install(section)

    def install(self, section: CompiledSection) -> None:
        """Put a section's routes into force: one reference swapped for each input, then what that ends."""
        now_ns, sink = self._effects.now_ns, self._effects.sink
        self._section = section
        for input, table in zip(self._compiled.inputs, self.mutes.tables(section.routes), strict=True):
            input.table = table
        self.reroute_loops()
        self._end_latched(section.routes.converters)
        self.abandon()
        self._plan_chase(section.routes.chases)
        self._holding.keep(self._wanted_holds(), now_ns, sink)

    def _end_latched(self, stays: Collection[Mover]) -> None:
        """End what is latched on, but by these converters: nobody could switch it off any more."""
        for output in self._compiled.outputs:
            if output.latched:
                output.end_latched(stays, self._effects.now_ns, self._effects.sink)

    def install_again(self) -> None:
        """Put the section in force into force again: mutes have changed."""
        if self._section is not None:
            self.install(self._section)

    def leave(self) -> None:
        """Have no routes in force: no song is on."""
        self._section = None
        for input in self._compiled.inputs:
            input.table = EMPTY
        self._end_latched(())
        self.abandon()
        self._holding.keep((), self._effects.now_ns, self._effects.sink)
        self.reroute_loops()

    def bring_along(self, wire: Wire | None = None) -> None:
        """Behind the patches: send positions, to one wire or where routes are new, and press what is held.

        One wire is one whose port is there again: what players move there goes back to where it stands now.
        """
        moved = dict(wire.receivers.moved) if wire is not None else {}
        self._chase(wire)
        for key, one in moved.items():
            if wire is not None and wire.receivers.moved[key] is one and (key & 0x7F) not in PARAMETER_SELECT:
                wire.offer(one[1], self._effects.now_ns, self._effects.sink)
        self._holding.begin(self._wanted_holds(), self._effects.now_ns, self._effects.sink)

    def _wanted_holds(self) -> list[Held]:
        holds = () if self._section is None else self._section.holds
        return [held for held in holds if self.mutes.hears(Subject(held.output.name))]

    def _plan_chase(self, chases: tuple[tuple[tuple[int, Leg], ...], ...]) -> None:
        """Note which legs with `chase` are in force now, and which of them are new; by input."""
        in_force = [
            (input, status, leg)
            for input, legs in zip(self._compiled.inputs, chases, strict=False)
            for status, leg in legs
            if leg in input.table[status - 0x80]
        ]
        self._to_chase = [one for one in in_force if one not in self._chased]
        self._chased = in_force

    def _chase(self, wire: Wire | None) -> None:
        """Send positions over the routes that have just come into force, or over all that lead to a wire."""
        chases = self._to_chase if wire is None else self._chased
        for input, status, leg in chases:
            if wire is None or leg[0].output.wire is wire:
                input.chase(status, leg, self._effects.now_ns, self._effects.sink)
        self._to_chase = []

    # Mutes and loops

    def mute(self, action: Action, subject: Subject) -> None:
        """Mute, solo or neither. What sounds on a device that is not heard any more ends now."""
        self.check_subject(subject)
        self.mutes.change(action, subject)
        self.install_again()
        now_ns, sink = self._effects.now_ns, self._effects.sink
        for output in self._compiled.outputs:
            if not self.mutes.hears(Subject(output.name)):
                output.end_latched((), now_ns, sink)
                for input in self._compiled.inputs:
                    for data in input.forget(output):
                        output.offer(data, now_ns, sink)
        self.rest()
        self.bring_along()
        self._effects.revision += 1
        self._effects.event(muting(action, subject))

    def check_subject(self, subject: Subject) -> None:
        """Raise NotFoundError when there is no such device or route."""
        if subject not in self._compiled.subjects:
            raise NotFoundError(f"there is no {subject}; {others(subject, self._compiled.subjects)}")

    def lets_in(self, input: Input, data: bytes) -> bool:
        """Return whether a message that looks like one of ours that has come back is to be routed."""
        is_let_in = self.loops.lets_in(input, data, self._effects.now_ns, self._effects.sink)
        self.report_loops()
        return is_let_in

    def reroute_loops(self) -> None:
        """Look anew for where a loop could be, as routes or ports have changed."""
        self.loops.rerouted()
        self.report_loops()

    def report_loops(self) -> None:
        """Report loops that have been found or have gone."""
        for event in self.loops.events:
            self._effects.event(event)
            self._effects.revision += 1
        self.loops.events.clear()

    # Rest

    def abandon(self, gone: Input | None = None) -> None:
        """Put to rest what players have moved where no route lets them any more; `gone` moves nothing now."""
        inputs = self._compiled.inputs
        for wire in self._compiled.wires:
            for key, (source, data) in list(wire.receivers.moved.items()):
                if isinstance(source, Input):
                    stays = source is not gone and source in inputs and leads(source.table, wire, key)
                else:
                    stays = self._is_heard(source)
                if not stays:
                    del wire.receivers.moved[key]
                    if not wire.connected or not is_at_rest(key, data):  # one that is away has not heard it
                        wire.receivers.unrested[key] = source
        self.rest()

    def _is_heard(self, converter: object) -> bool:
        entries = (legs for input in self._compiled.inputs for legs in input.table)
        return any(leg[0] is converter for legs in entries for leg in legs)

    def rest(self) -> None:
        """Put to rest what waits for it, where nothing rings any more."""
        self.unrested = False
        for wire in self._compiled.wires:
            keys = []
            for key, source in list(wire.receivers.unrested.items()):
                inputs = (source,) if isinstance(source, Input) else self._compiled.inputs
                if key in wire.receivers.moved:  # somebody moves it again
                    del wire.receivers.unrested[key]
                elif rings(source, inputs, wire, key >> 7 & 0x0F):
                    self.unrested = True
                else:
                    del wire.receivers.unrested[key]
                    keys.append(key)
            for data in rest_of(keys):
                if wire.connected:
                    wire.offer(data, self._effects.now_ns, self._effects.sink)
                elif data not in wire.owed:
                    wire.owed.append(data)
                wire.receivers.note_rest(data)

    # Cables, ports and panic

    def poll_cables(self, next_tick_ns: int) -> None:
        """Once a tick: bank select that waits alone, loops, and Active Sensing both ways."""
        now_ns, sink = self._effects.now_ns, self._effects.sink
        for input in self._compiled.inputs:
            if input.banks:
                input.send_banks(now_ns, sink)
            if input.is_lost(now_ns):
                self._effects.event(events.SensingLost, device=input.name)
                input.let_go(now_ns, sink)
                self.abandon(input)
        if self.loops.busy:
            self.loops.poll(now_ns, sink)
            self.report_loops()
        for wire in self._sensed:
            wire.sense(now_ns, 2 * next_tick_ns - now_ns, sink)  # until the tick after the next, about

    def lose_output(self, wire: Wire, missed: list[bytes]) -> None:
        """A port has gone: note what its devices were holding, as owed to them behind `missed`."""
        missed = missed + self._forget(wire, (*self._compiled.inputs, self.tuner))
        self._holding.forget(wire)
        wire.lose(self._effects.now_ns, missed)
        self.loops.drop((wire,))
        self.report_loops()

    def lose_input(self, input: Input) -> None:
        """A device cannot be heard any more: what it holds ends now."""
        input.let_go(self._effects.now_ns, self._effects.sink)
        input.forget_switches()
        input.positions.clear()
        self.abandon(input)
        self.loops.drop((input,))
        self.report_loops()

    def panic(self, *, ending: bool) -> None:
        """End all that sounds, forget what waits, silence every channel; `ending`: as the service ends."""
        now_ns, sink = self._effects.now_ns, self._effects.sink
        # 1. What waits on a wire would come too late; the releases among it have to come all the same.
        for wire in self._compiled.wires:
            for data in wire.clear(now_ns, sink):
                wire.offer(data, now_ns, sink)
        # 2. Everything that is held is released note by note, as All Notes Off is no substitute (M1 p. 20).
        for input in (*self._compiled.inputs, self.tuner):
            input.let_go(now_ns, sink)
        for output in self._compiled.outputs:
            output.end_latched((), now_ns, sink)
        self._holding.forget()
        # 3. Then what sounds although nobody here holds it, and every channel. Who is away gets it later.
        for wire in self._compiled.wires:
            ended = [*wire.receivers.sounding.end(), *wire.receivers.take_rest()]
            if not wire.connected:
                wire.owed += ended
                continue
            for data in (*ended, *SILENCE):
                wire.offer(data, now_ns, sink)
        self._effects.event(events.Panic, ending=ending)
