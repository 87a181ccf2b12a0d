"""LEDs of foot controllers and button boxes: a note or controller that says how something stands.

An LED is told only when it changes, and again when its device comes back. What can be shown is one table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.model.controls import Led, Shows

if TYPE_CHECKING:
    from routerd.core.output.wire import Output, Wire


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
