"""The metronome: when the click of the song that is on sounds, the count-in before it, and tap tempo.

It clicks while transport runs (unless the song wants a count-in only), while a count-in goes on, and by
itself when it was asked for alone. A count-in of n bars begins with the next tick and ends before tick
`counting_to`, in the gap before which the show starts transport.
"""

from __future__ import annotations

import itertools
from collections import deque
from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.midi.messages import note_off, note_on
from routerd.core.model.timing import ClickPlays, State
from routerd.core.units import BPM_MAX, BPM_MIN, NS_PER_MINUTE

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock, Tick
    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.timing import Click
    from routerd.core.output.wire import Output

CLICK_NS = 30_000_000
"""How long a click is held; no longer than half way to the next."""


TAPS_KEPT = 9
MIN_TAPS = 3
TAP_OUTLIER_PART = Fraction(1, 4)
LONGEST_TAP_NS = NS_PER_MINUTE // 24
"""A longer pause than at 24 BPM starts over."""


class Clicker:
    """Metronome notes from the clock's bars on `output`, `delay_ns` later than the grid.

    The first beat of a bar has the accent's note; beats between have the other; what lies between beats (the
    subdivision) is the other note at two thirds of the velocity. Notes go into the schedule at the tick that
    they fall on or after, so a subdivision that is no whole number of ticks lies exactly between.
    """

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
        off_ns = at_ns + min(CLICK_NS, longest_ns)
        self._schedule.put(off_ns, self.output, note_off(click.channel, note))


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
        runs = clock.state is State.RUNNING and clicker.click.plays is ClickPlays.THROUGHOUT
        if runs or self.counting_to or self.alone:
            clicker.tick(tick, clock, clock.bar_origin_tick)


class TapTempo:
    """A tempo from the last taps, one to the quarter note.

    The median of the recent intervals decides what belongs together; what is further from it than
    TAP_OUTLIER_PART is left out, and the rest is averaged. A pause starts over.
    """

    def __init__(self) -> None:
        self._taps: deque[int] = deque(maxlen=TAPS_KEPT)

    def tap(self, at_ns: int, rounded_to: Fraction = Fraction(1, 100)) -> Fraction | None:
        """Take a tap; return the tempo rounded to a multiple of `rounded_to` BPM, or None as long as none is
        clear.

        Tempos outside BPM_MIN to BPM_MAX are None too.
        """
        if self._taps and not 0 < at_ns - self._taps[-1] <= LONGEST_TAP_NS:
            self._taps.clear()
        self._taps.append(at_ns)
        if len(self._taps) < MIN_TAPS:
            return None
        taps = list(self._taps)
        intervals = sorted(b - a for a, b in itertools.pairwise(taps))
        middle = intervals[len(intervals) // 2]
        near = [one for one in intervals if abs(one - middle) <= middle * TAP_OUTLIER_PART]
        bpm = Fraction(NS_PER_MINUTE * len(near), sum(near))
        bpm = round(bpm / rounded_to) * rounded_to
        return bpm if BPM_MIN <= bpm <= BPM_MAX else None
