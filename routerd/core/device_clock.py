"""The clock of one device that wants it otherwise: later or earlier, at another rate, as pulses, by its own
start.

A device's ticks are the grid's, moved by `delay_ns`; the device that shall be earliest has no delay, and all
others are later by as much, so nothing has to be foretold and a tempo change reaches every device in one
shape. At each tick of the grid its part of the stretch up to the next tick is put into the schedule: `rate`
own ticks for each, counted from the song's position 0 so that they fall on it.

Own starts and retriggers: Stop a quarter of the gap before the wanted tick, Start in the middle of it, which
keeps 1 ms from both ticks at every tempo up to BPM_MAX (M1 p. 30). A sequence of n sixteenths comes round
every 6·n ticks (24 ticks to the quarter note, M1 p. 30).
"""

from __future__ import annotations

from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from routerd.core.messages import (
    CONTINUE_BYTES,
    START_BYTES,
    STOP_BYTES,
    TICK_BYTES,
    controller,
    note_off,
    note_on,
)
from routerd.core.time_code import TimeCoder
from routerd.core.timing import PLAIN_TIMING, StartMode
from routerd.core.transport import State
from routerd.core.units import TICKS_PER_QUARTER, TICKS_PER_SPP_UNIT

if TYPE_CHECKING:
    from routerd.core.clock import Clock, Tick
    from routerd.core.schedule import Schedule
    from routerd.core.timing import Pulse, Timing
    from routerd.core.wire import Outlet


_ANEW = 16
"""So far the numbers of own ticks go back where they begin anew: by more than can wait in the schedule."""


class Wanted(Enum):
    """When a device shall be started by itself."""

    NEXT = "next"
    BAR = "bar"
    CYCLE = "cycle"


class DeviceClock:
    """See the module's head. `running` and `started_tick` (of the grid) tell where the device's own sequence
    is."""

    def __init__(self, outlet: Outlet, timing: Timing, delay_ns: int, schedule: Schedule) -> None:
        self.outlet = outlet
        self.timing = timing
        self.delay_ns = delay_ns
        self.running = False
        self.started_tick = 0
        self.cycle_ticks = timing.sequence_steps * TICKS_PER_SPP_UNIT
        self._schedule = schedule
        self._wanted: Wanted | None = None
        self._not_before_tick = 0
        self._joins = False
        """Whether what is wanted is Continue from a position that the device was told, not Start."""
        self._starting = False
        self._own_number = 0
        self._own_origin = 0
        """The tick of the grid that own ticks are counted from."""
        if outlet is outlet.wire.timed:
            outlet.wire.own_rate = timing.rate != 1

    @property
    def plain(self) -> bool:
        """Whether the device gets its ticks straight from the grid."""
        t = self.timing
        return not self.delay_ns and t.rate == 1 and t.pulse is None

    @property
    def busy(self) -> bool:
        """Whether `tick` has something to do."""
        return not self.plain or self._wanted is not None or self._starting

    def tick(self, tick: Tick, clock: Clock) -> None:
        """Take a tick of the grid that has just gone out."""
        until_ns = clock.next_due_ns
        at_ns = tick.due_ns + self.delay_ns
        span_ns = until_ns - tick.due_ns
        position = tick.number - clock.origin_tick
        if self._starting:
            self._starting = False
            self.running = True
            self.started_tick = clock.origin_tick if self._joins else tick.number
            self._joins = False
        if not self.plain:
            if self.outlet.clock:
                self._put_ticks(tick.number, position, at_ns, span_ns)
            if self.timing.pulse is not None and clock.state is State.RUNNING and position >= 0:
                self._put_pulses(self.timing.pulse, position, at_ns, span_ns)
        if self._wanted is not None and self._comes_up(clock):
            self._wanted = None
            if self.running:
                self._schedule.put(at_ns + span_ns // 4, self.outlet, STOP_BYTES)
            start = CONTINUE_BYTES if self._joins else START_BYTES
            self._schedule.put(at_ns + span_ns // 2, self.outlet, start)
            self._cancel_ticks(at_ns + span_ns // 4)
            self._starting = True

    def start_at(self, wanted: Wanted) -> None:
        """Start the device by itself when the wanted tick comes, from the top, stopping it before if it
        runs."""
        self._wanted = wanted
        self._not_before_tick = 0
        self._joins = False

    def join_at(self, tick: int) -> None:
        """Have the device, which stands at the position of that tick, the first of a bar, go on with it."""
        self._wanted = Wanted.BAR
        self._not_before_tick = tick
        self._joins = True

    def take_over(self, old: DeviceClock) -> None:
        """Stand where the same device stood in another book."""
        self.running, self.started_tick = old.running, old.started_tick
        if self.timing.start is old.timing.start:
            self._wanted, self._starting = old._wanted, old._starting
            self._not_before_tick, self._joins = old._not_before_tick, old._joins

    def own_ticks(self, from_position: int, to_position: int) -> int:
        """Return how many ticks of its own the device gets from one position up to before another."""
        rate = self.timing.rate
        return max(0, _first_from(to_position, rate) - _first_from(from_position, rate))

    def miss(self, ticks: int) -> None:
        """Ticks were given up: the device has not counted them."""
        self.started_tick += ticks
        self._not_before_tick += ticks
        self._own_number += int(ticks * self.timing.rate)  # missing at its own rate too
        self._own_origin += ticks

    def transport(self, data: bytes, now_ns: int, clock: Clock) -> bool:
        """Pass transport on as far as the start mode lets it; True when it goes out now, by the caller."""
        if self.timing.start is not StartMode.TRANSPORT:
            return False
        at_ns = now_ns + self.delay_ns
        if self._joins:
            self._schedule.cancel(self.outlet, CONTINUE_BYTES, now_ns)
            self._wanted, self._joins, self._starting = None, False, False
        if (
            self.timing.rate > 1 and data != STOP_BYTES
        ):  # own ticks between here and the first one are left out
            self._cancel_ticks(at_ns)
        self.running = data != STOP_BYTES
        self.started_tick = clock.origin_tick
        if self.delay_ns:
            self._schedule.put(at_ns, self.outlet, data)
        return not self.delay_ns

    def stop_own(self, now_ns: int) -> None:
        """Stop what was started by itself."""
        mode = self.timing.start
        self._wanted = None
        if (self.running or self._starting) and mode not in (StartMode.TRANSPORT, StartMode.NEVER):
            self._schedule.cancel(self.outlet, START_BYTES, now_ns)
            self._schedule.put(now_ns + self.delay_ns, self.outlet, STOP_BYTES)
            self.running = False
        self._starting = False

    def song_entered(self) -> None:
        """Start by itself on entering a song, where the device's start mode says so."""
        if self.timing.start is StartMode.ENTRY:
            self._wanted = Wanted.NEXT
        elif self.timing.start is StartMode.BAR:
            self._wanted = Wanted.BAR

    def to_plain(self) -> dict[str, Any]:
        """Return where the device stands, as plain values."""
        return {
            "device": self.outlet.name,
            "running": self.running,
            "started_tick": self.started_tick,
            "cycle_ticks": self.cycle_ticks,
            "waits_for": None if self._wanted is None else self._wanted.value,
        }

    def _comes_up(self, clock: Clock) -> bool:
        """Tell whether the next tick is the wanted one."""
        if clock.next_tick < self._not_before_tick:
            return False
        if self._wanted is Wanted.BAR:
            return clock.next_is_bar()
        if self._wanted is Wanted.CYCLE:
            return (clock.next_tick - self.started_tick) % self.cycle_ticks == 0
        return True

    def _put_ticks(self, number: int, position: int, at_ns: int, span_ns: int) -> None:
        if self.timing.rate == 1:
            self._schedule.put(at_ns, self.outlet, TICK_BYTES, number)
            return
        origin, rate = number - position, self.timing.rate
        if self._own_origin != origin:
            self._own_origin = origin
            self._own_number -= _ANEW
        for part in _parts(position, rate):
            self._own_number += 1
            self._schedule.put(at_ns + int(part * span_ns), self.outlet, TICK_BYTES, self._own_number)

    def _cancel_ticks(self, from_ns: int) -> None:
        """Leave out what would be too close to a Start."""
        self._schedule.cancel(self.outlet, TICK_BYTES, from_ns)
        self._own_number -= _ANEW

    def _put_pulses(self, pulse: Pulse, position: int, at_ns: int, span_ns: int) -> None:
        rate = pulse.per_quarter / TICKS_PER_QUARTER
        length_ns = min(pulse.length_ns, int(span_ns / rate) // 2)
        if position == 0 and pulse.reset >= 0:
            self._put_pulse(pulse, pulse.reset, at_ns, length_ns)
        for part in _parts(position, rate):
            number = pulse.note if pulse.note >= 0 else pulse.controller
            self._put_pulse(pulse, number, at_ns + int(part * span_ns), length_ns)

    def _put_pulse(self, pulse: Pulse, number: int, at_ns: int, length_ns: int) -> None:
        if pulse.note >= 0:
            on, off = note_on(pulse.channel, number, pulse.value), note_off(pulse.channel, number)
        else:
            on, off = controller(pulse.channel, number, pulse.value), controller(pulse.channel, number, 0)
        self._schedule.put(at_ns, self.outlet, on)
        self._schedule.put(at_ns + length_ns, self.outlet, off)


def _parts(position: int, rate: Fraction) -> list[Fraction]:
    """Return where in the stretch from `position` to the next tick own ticks lie, 0 to 1."""
    numbers = range(_first_from(position, rate), _first_from(position + 1, rate))
    return [Fraction(n) / rate - position for n in numbers]


def _first_from(position: int, rate: Fraction) -> int:
    """Return the number of the first own tick at `position` or after."""
    return -(-position * rate.numerator // rate.denominator)


def _wants(timing: Timing) -> bool:
    return timing.pulse is not None or timing.time_code is not None


class DeviceClocks:
    """The clocks of all devices of a rig: which need looking at, and how late each is.

    `lead_ns` is by how much the earliest device is earlier than one without an offset: all others wait so
    long.
    """

    def __init__(self, outlets: tuple[Outlet, ...], timings: dict[str, Timing], schedule: Schedule) -> None:
        wanting = [o for o in outlets if o.clock or o.transport or _wants(timings.get(o.name, PLAIN_TIMING))]
        offsets = [timings.get(o.name, PLAIN_TIMING).offset_ns for o in wanting]
        self.lead_ns = max(0, -min(offsets, default=0))
        self.by_outlet = {
            outlet: DeviceClock(
                outlet, timings.get(outlet.name, PLAIN_TIMING), offset + self.lead_ns, schedule
            )
            for outlet, offset in zip(wanting, offsets, strict=True)
        }
        self.coders = tuple(
            TimeCoder(outlet, one.timing.time_code, one.delay_ns, schedule)
            for outlet, one in self.by_outlet.items()
            if one.timing.time_code is not None
        )
        self.straight = tuple(o for o, one in self.by_outlet.items() if o.clock and one.plain)
        """The outlets that get the grid's ticks as they come."""
        self.busy: tuple[DeviceClock, ...] = ()
        self.look()

    def look(self) -> None:
        """Find anew which of them have something to do at a tick."""
        self.busy = tuple(one for one in self.by_outlet.values() if one.busy)

    def take_over(self, before: DeviceClocks) -> None:
        """Keep what runs over a change of the book."""
        for outlet, one in self.by_outlet.items():
            old = before.by_outlet.get(outlet)
            if old is not None:
                one.take_over(old)
        self.look()

    def miss(self, ticks: int) -> None:
        """Ticks were given up: no device has counted them."""
        for one in self.by_outlet.values():
            one.miss(ticks)

    def find(self, name: str) -> DeviceClock | None:
        """Return the clock of the device of that name, if its port gets transport."""
        for outlet, one in self.by_outlet.items():
            if outlet.transport and any(other.name == name for other in outlet.wire.outlets):
                return one
        return None

    def to_plain(self) -> list[dict[str, Any]]:
        """Return where those stand that have a sequence or a start of their own."""
        return [
            one.to_plain()
            for one in self.by_outlet.values()
            if one.cycle_ticks or one.timing.start is not StartMode.TRANSPORT or one.busy
        ]
