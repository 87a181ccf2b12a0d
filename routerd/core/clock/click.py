"""The click: metronome notes from the clock's bars, to one device.

The first beat of a bar has the accent's note; beats between have the other; what lies between beats (the
subdivision) is the other note at two thirds of the velocity. Notes go into the schedule at the tick that they
fall on or after, so a subdivision that is no whole number of ticks lies exactly between.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.midi.messages import note_off, note_on

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock, Tick
    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.timing import Click
    from routerd.core.output.wire import Output

LENGTH_NS = 30_000_000
"""How long a click is held; no longer than half way to the next."""


class Clicker:
    """Clicks on `output`, `delay_ns` later than the grid. `counting_to` is the tick that a count-in ends
    before."""

    def __init__(self, click: Click, output: Output, delay_ns: int, schedule: Schedule) -> None:
        self.click = click
        self.output = output
        self.delay_ns = delay_ns
        self._schedule = schedule

    def tick(self, tick: Tick, clock: Clock, bar_tick: int) -> None:
        """Take a tick of the grid; bars are counted from tick `bar_tick`."""
        within = (tick.number - bar_tick) % clock.bar_ticks
        spacing = Fraction(clock.beat_ticks, self.click.subdivision)
        first = -(-within // spacing)
        span_ns = clock.next_due_ns - tick.due_ns
        while (at := first * spacing) < within + 1:
            at_ns = tick.due_ns + self.delay_ns + int((at - within) * span_ns)
            self._put(at, clock.beat_ticks, at_ns, int(spacing * span_ns) // 2)
            first += 1

    def _put(self, at: Fraction, beat_ticks: int, at_ns: int, longest_ns: int) -> None:
        click = self.click
        note, velocity = click.note, click.velocity
        if at == 0:
            note, velocity = click.accent, click.accent_velocity
        elif at % beat_ticks:
            velocity = max(1, velocity * 2 // 3)
        self._schedule.put(at_ns, self.output, note_on(click.channel, note, velocity))
        off_ns = at_ns + min(LENGTH_NS, longest_ns)
        self._schedule.put(off_ns, self.output, note_off(click.channel, note))
