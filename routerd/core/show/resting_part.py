"""What players have moved: at rest where routes end, brought along where a route asks; see `resting`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.midi.messages import PARAMETER_SELECT
from routerd.core.midi.rest import is_at_rest, rest_of
from routerd.core.routing.input import Input, leads, rings
from routerd.core.routing.mutes import DEVICE
from routerd.core.show.state import ShowState

if TYPE_CHECKING:
    from routerd.core.output.patches import Held
    from routerd.core.output.wire import Wire
    from routerd.core.routing.tables import Leg


class ShowResting(ShowState):
    """The layer above the state."""

    __slots__ = ()

    def _bring_along(self, wire: Wire | None = None) -> None:
        """Behind the patches: send positions, to one wire or where routes are new, and press what is held.

        One wire is one whose port is there again: what players move there goes back to where it stands now.
        """
        moved = dict(wire.receivers.moved) if wire is not None else {}
        self._chase(wire)
        for key, one in moved.items():
            if wire is not None and wire.receivers.moved[key] is one and (key & 0x7F) not in PARAMETER_SELECT:
                wire.offer(one[1], self.effects.now_ns, self.effects.sink)
        self._holding.begin(self._wanted_holds(), self.effects.now_ns, self.effects.sink)

    def _wanted_holds(self) -> list[Held]:
        holds = self._on.section.holds if self._on.song is not None else ()
        return [held for held in holds if self.mutes.hears(DEVICE + held.output.name)]

    def _plan_chase(self, chases: tuple[tuple[tuple[int, Leg], ...], ...]) -> None:
        """Note which legs with `chase` are in force now, and which of them are new; by input."""
        in_force = [
            (input, status, leg)
            for input, legs in zip(self.book.inputs, chases, strict=False)
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
                input.chase(status, leg, self.effects.now_ns, self.effects.sink)
        self._to_chase = []

    def _abandon(self, gone: Input | None = None) -> None:
        """Put to rest what players have moved where no route lets them any more; `gone` moves nothing now."""
        for wire in self.book.wires:
            for key, (source, data) in list(wire.receivers.moved.items()):
                if isinstance(source, Input):
                    stays = source is not gone and source in self.book.inputs and leads(source, wire, key)
                else:
                    stays = self._is_heard(source)
                if not stays:
                    del wire.receivers.moved[key]
                    if not wire.connected or not is_at_rest(key, data):  # one that is away has not heard it
                        wire.receivers.unrested[key] = source
        self._rest()

    def _is_heard(self, converter: object) -> bool:
        return any(leg[0] is converter for input in self.book.inputs for legs in input.table for leg in legs)

    def _rest(self) -> None:
        """Put to rest what waits for it, where nothing rings any more."""
        self._unrested = False
        for wire in self.book.wires:
            keys = []
            for key, source in list(wire.receivers.unrested.items()):
                inputs = (source,) if isinstance(source, Input) else self.book.inputs
                if key in wire.receivers.moved:  # somebody moves it again
                    del wire.receivers.unrested[key]
                elif rings(source, inputs, wire, key >> 7 & 0x0F):
                    self._unrested = True
                else:
                    del wire.receivers.unrested[key]
                    keys.append(key)
            self._send_rest(wire, rest_of(keys))

    def _send_rest(self, wire: Wire, messages: list[bytes]) -> None:
        for data in messages:
            if wire.connected:
                wire.offer(data, self.effects.now_ns, self.effects.sink)
            elif data not in wire.owed:
                wire.owed.append(data)
            wire.receivers.note_rest(data)
