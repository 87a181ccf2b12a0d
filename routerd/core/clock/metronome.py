"""The metronome: when the click of the song that is on sounds, and the count-in before it.

It clicks while transport runs (unless the song wants a count-in only), while a count-in goes on, and by
itself when it was asked for alone. A count-in of n bars begins with the next tick and ends before tick
`counting_to`, in the gap before which the show starts transport.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.clock.click import Clicker
from routerd.core.clock.transport import State

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock, Tick
    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.timing import Click
    from routerd.core.output.wire import Output


class Metronome:
    """`counting_to` is 0 while no count-in goes on; `alone` clicks without transport."""

    def __init__(self, schedule: Schedule) -> None:
        self.alone = False
        self.counting_to = 0
        self.output: Output | None = None
        """Where it clicks; None when the song that is on has no click."""
        self._clicker: Clicker | None = None
        self._schedule = schedule

    def use(self, click: Click | None, output: Output | None, delay_ns: int) -> None:
        """Take the click of a song."""
        self._clicker = None
        self.output = None if click is None else output
        if click is not None and output is not None:
            self._clicker = Clicker(click, output, delay_ns, self._schedule)
        else:
            self.alone = False
            self.counting_to = 0

    def count_in(self, clock: Clock) -> bool:
        """Begin to count in; False when the song wants none, or it is being counted in already."""
        if self._clicker is None or not self._clicker.click.count_in_bars or self.counting_to:
            return False
        clock.begin_song(clock.map)
        if clock.map.moves and clock.mapped:
            clock.set_tempo(clock.map.steps[0].rate_bpm)
        self.counting_to = clock.next_tick + self._clicker.click.count_in_bars * clock.bar_ticks
        return True

    def counted_in(self, clock: Clock) -> bool:
        """Tell, in the gap before a tick, whether the song begins with that tick."""
        if not self.counting_to or clock.next_tick < self.counting_to:
            return False
        self.counting_to = 0
        return True

    def stop(self) -> None:
        """Forget a count-in."""
        self.counting_to = 0

    def miss(self, ticks: int) -> None:
        """Ticks were given up: a count-in is as much longer."""
        if self.counting_to:
            self.counting_to += ticks

    def tick(self, tick: Tick, clock: Clock) -> None:
        """Take a tick of the grid."""
        clicker = self._clicker
        if clicker is None:
            return
        runs = clock.state is State.RUNNING and not clicker.click.only_count_in
        if runs or self.counting_to or self.alone:
            clicker.tick(tick, clock, clock.bar_origin_tick)
