"""The clock of one device that wants it otherwise: later or earlier, at another rate, as pulses, by its own
start.

A device's ticks are the grid's, moved by `delay_ns`; the device that shall be earliest has no delay, and all
others are later by as much, so nothing has to be predicted and a tempo change reaches every device in one
shape. At each tick of the grid its part of the stretch up to the next tick is put into the schedule: `rate`
own ticks for each, counted from the song's position 0 so that they fall on it.

Own starts and retriggers: Stop a quarter of the gap before the wanted tick, Start in the middle of it, which
keeps 1 ms from both ticks at every tempo up to BPM_MAX (M1 p. 30). What is wanted for a gap that has begun
(`start_in_gap`) goes there if there is room left. A sequence of n sixteenths comes round every 6·n ticks (24
ticks to the quarter note, M1 p. 30).

A song may want another timing of a device while it is on (`use`).
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.midi.messages import (
    CONTINUE_BYTES,
    START_BYTES,
    START_LEAD_NS,
    STOP_BYTES,
    TICK_BYTES,
    controller,
    note_off,
    note_on,
)
from routerd.core.model.snapshot import DeviceClockState, Wanted
from routerd.core.model.timing import StartMode, State
from routerd.core.units import TICKS_PER_QUARTER, TICKS_PER_SPP_UNIT

if TYPE_CHECKING:
    from routerd.core.clock.clock import Clock, Tick
    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.timing import Pulse, Timing
    from routerd.core.output.wire import Output


_ANEW = 16
"""So far the numbers of own ticks go back where they begin anew: by more than can wait in the schedule."""


class DeviceClock:
    """See the module's head. `running` and `started_tick` (of the grid) show where the device's own sequence
    is."""

    def __init__(self, output: Output, timing: Timing, delay_ns: int, schedule: Schedule) -> None:
        self.output = output
        self.timing = timing
        self.delay_ns = delay_ns
        self.running = False
        self.started_tick = 0
        self.cycle_ticks = 0
        self._schedule = schedule
        self._wanted: Wanted | None = None
        self._not_before_tick = 0
        self._joins = False
        """Whether what is wanted is Continue from a position that the device was sent, not Start."""
        self._with_transport = False
        """Whether what is wanted waits for transport to run, too."""
        self._starting = False
        self._own_number = 0
        self._own_origin = 0
        """The tick of the grid that own ticks are counted from."""
        self._take(timing)

    def _take(self, timing: Timing) -> None:
        self.timing = timing
        self.cycle_ticks = timing.sequence_steps * TICKS_PER_SPP_UNIT
        if self.output is self.output.wire.timed:
            self.output.wire.own_rate = timing.rate != 1

    def use(self, timing: Timing, now_ns: int) -> None:
        """Have its clock as `timing` says from now on; its offset and time code stay.

        What runs goes on, unless the device is not to be started at all.
        """
        before = self.timing
        if timing == before:
            return
        self._take(timing)
        self._own_number -= _ANEW
        if timing.start is not before.start:
            self._wanted = None
            if timing.start is StartMode.NEVER:
                self.stop_own(now_ns, transport_stopped=False)

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
        # The stretch from this tick to the next, `delay_ns` later, is this call's to fill; what is put into
        # the schedule goes out at its own time.
        until_ns = clock.next_due_ns
        at_ns = tick.due_ns + self.delay_ns
        span_ns = until_ns - tick.due_ns
        position = tick.number - clock.origin_tick
        # 1. A Start that was put into the gap before has been sent by now: its sequence plays from this
        #    tick. One that joins began where transport did, so its cycles are counted from there.
        if self._starting:
            self._starting = False
            self.running = True
            self.started_tick = clock.origin_tick if self._joins else tick.number
            self._joins = False
        # 2. Own ticks and pulses of the stretch. Those of a device that is plain go out with the grid's.
        if not self.plain:
            if self.output.clock:
                self._put_ticks(tick.number, position, at_ns, span_ns)
            pulse, runs = self.timing.pulse, clock.state is State.RUNNING
            if pulse is not None and position >= 0 and (runs or pulse.always):
                self._put_pulses(pulse, position, at_ns, span_ns, resets=runs)
        # 3. Last, as it takes own ticks that would be too close to a Start out of the schedule again: Stop
        #    and Start for the tick that comes next, if that is the wanted one.
        if self._wanted is not None and self._comes_up(clock):
            self._put_start(at_ns + span_ns // 4, at_ns + span_ns // 2)

    def start_in_gap(self, now_ns: int, clock: Clock) -> None:
        """Start before the tick that comes next, if that is the wanted one and there is room."""
        if self._wanted is None or not self._comes_up(clock):
            return
        if self._starting:
            self._wanted = None
            return
        at_ns = clock.last_due_ns + self.delay_ns
        span_ns = clock.next_due_ns - clock.last_due_ns
        earliest_ns = now_ns + self.delay_ns  # behind a Stop of this moment
        stop_ns = max(earliest_ns, at_ns + span_ns // 4)
        start_ns = max(earliest_ns, at_ns + span_ns // 2)
        if start_ns <= at_ns + span_ns - START_LEAD_NS:
            self._put_start(stop_ns, start_ns)

    def _put_start(self, stop_ns: int, start_ns: int) -> None:
        self._wanted = None
        if self.running:
            self._schedule.put(stop_ns, self.output, STOP_BYTES)
        self._schedule.put(start_ns, self.output, CONTINUE_BYTES if self._joins else START_BYTES)
        self._cancel_ticks(stop_ns)
        self._starting = True

    def start_at(self, wanted: Wanted) -> None:
        """Start the device by itself when the wanted tick comes, from the top, stopping it before if it
        runs."""
        self._want(wanted)

    def _want(self, wanted: Wanted, *, with_transport: bool = False) -> None:
        self._wanted = wanted
        self._not_before_tick = 0
        self._joins = False
        self._with_transport = with_transport

    def join_at(self, tick: int) -> None:
        """Have the device, which stands at the position of that tick, the first of a bar, go on with it."""
        self._want(Wanted.BAR)
        self._not_before_tick = tick
        self._joins = True

    def take_over(self, old: DeviceClock) -> None:
        """Stand where the same device stood in another rig."""
        self.running, self.started_tick = old.running, old.started_tick
        if self.timing.start is old.timing.start:
            self._wanted, self._starting = old._wanted, old._starting
            self._not_before_tick, self._joins = old._not_before_tick, old._joins
            self._with_transport = old._with_transport

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
        # 1. A device with starts of its own gets none of transport's; it may be due to start by itself with
        #    it.
        if self.timing.start is not StartMode.TRANSPORT:
            if data != STOP_BYTES:
                self._start_with_transport()
            return False
        at_ns = now_ns + self.delay_ns
        # 2. What transport does now overrides a Continue that was to join it.
        if self._joins:
            self._schedule.cancel(self.output, CONTINUE_BYTES, now_ns)
            self._wanted, self._joins, self._starting = None, False, False
        # 3. A device at a higher rate has own ticks between here and its first one: they would be counted as
        #    the song's, so they are left out.
        if self.timing.rate > 1 and data != STOP_BYTES:
            self._cancel_ticks(at_ns)
        # 4. It goes out now by the caller, or later by the schedule, as late as its ticks are.
        self.running = data != STOP_BYTES
        self.started_tick = clock.origin_tick
        if self.delay_ns:
            self._schedule.put(at_ns, self.output, data)
        return not self.delay_ns

    def stop_own(self, now_ns: int, *, transport_stopped: bool) -> None:
        """Stop what was started by itself; `transport_stopped`: those that go with transport have been
        stopped with it."""
        self._wanted = None
        if self._starting:
            self._schedule.cancel(self.output, START_BYTES, now_ns)
        alone = not transport_stopped if self.timing.start is StartMode.TRANSPORT else True
        if alone and (self.running or self._starting):
            self._schedule.cancel(self.output, START_BYTES, now_ns)
            self._schedule.put(now_ns + self.delay_ns, self.output, STOP_BYTES)
            self.running = False
        self._starting = False

    def song_entered(self, clock: Clock) -> None:
        """Start by itself on entering a song, where the device's start mode says so.

        A device that is started with transport, and has not been, comes in with a song that is entered
        while transport runs.
        """
        mode = self.timing.start
        if mode is StartMode.ENTRY:
            self._want(Wanted.NEXT)
        elif mode is StartMode.BAR or (
            mode is StartMode.TRANSPORT and self.output.transport and not self.running and clock.playing
        ):
            self._want(Wanted.BAR, with_transport=True)

    def _start_with_transport(self) -> None:
        """Transport has started or goes on: so does what starts by itself."""
        if self.timing.start is StartMode.BAR:
            self._want(Wanted.BAR, with_transport=True)
        elif self.timing.start is StartMode.ENTRY and not self.running and not self._starting:
            self._want(Wanted.NEXT)

    @property
    def standing(self) -> tuple[object, ...]:
        """What `state` is made from, for comparison."""
        return self.timing, self.running, self.started_tick, self._wanted

    def state(self, device: str) -> DeviceClockState:
        """Return where a device stands that has this clock, as a snapshot shows it."""
        timing = self.timing
        wanted = Wanted.NEXT if self._starting else self._wanted
        started = self.output.transport or timing.start not in (StartMode.TRANSPORT, StartMode.NEVER)
        return DeviceClockState(
            device,
            timing.rate if self.output.clock else None,
            self.running if started or self.running else None,
            self.started_tick,
            self.cycle_ticks,
            wanted,
        )

    def _comes_up(self, clock: Clock) -> bool:
        """Return whether the next tick is the wanted one."""
        if clock.next_tick < self._not_before_tick or (self._with_transport and not clock.playing):
            return False
        if self._wanted is Wanted.BAR:
            return clock.next_is_bar()
        if self._wanted is Wanted.CYCLE:
            return (clock.next_tick - self.started_tick) % self.cycle_ticks == 0
        return True

    def _put_ticks(self, number: int, position: int, at_ns: int, span_ns: int) -> None:
        if self.timing.rate == 1:
            self._schedule.put(at_ns, self.output, TICK_BYTES, number)
            return
        origin, rate = number - position, self.timing.rate
        if self._own_origin != origin:
            self._own_origin = origin
            self._own_number -= _ANEW
        for part in _parts(position, rate):
            self._own_number += 1
            self._schedule.put(at_ns + int(part * span_ns), self.output, TICK_BYTES, self._own_number)

    def _cancel_ticks(self, from_ns: int) -> None:
        """Leave out what would be too close to a Start."""
        self._schedule.cancel(self.output, TICK_BYTES, from_ns)
        self._own_number -= _ANEW

    def _put_pulses(self, pulse: Pulse, position: int, at_ns: int, span_ns: int, *, resets: bool) -> None:
        rate = pulse.per_quarter / TICKS_PER_QUARTER
        length_ns = min(pulse.length_ns, int(span_ns / rate) // 2)
        if position == 0 and resets and pulse.reset >= 0:
            self._put_pulse(pulse, pulse.reset, at_ns, length_ns)
        for part in _parts(position, rate):
            number = pulse.note if pulse.note >= 0 else pulse.cc
            self._put_pulse(pulse, number, at_ns + int(part * span_ns), length_ns)

    def _put_pulse(self, pulse: Pulse, number: int, at_ns: int, length_ns: int) -> None:
        if pulse.note >= 0:
            on, off = note_on(pulse.channel, number, pulse.value), note_off(pulse.channel, number)
        else:
            on, off = controller(pulse.channel, number, pulse.value), controller(pulse.channel, number, 0)
        self._schedule.put(at_ns, self.output, on)
        self._schedule.put(at_ns + length_ns, self.output, off)


def _parts(position: int, rate: Fraction) -> list[Fraction]:
    """Return where in the stretch from `position` to the next tick own ticks lie, 0 to 1."""
    numbers = range(_first_from(position, rate), _first_from(position + 1, rate))
    return [Fraction(n) / rate - position for n in numbers]


def _first_from(position: int, rate: Fraction) -> int:
    """Return the number of the first own tick at `position` or after."""
    return -(-position * rate.numerator // rate.denominator)
