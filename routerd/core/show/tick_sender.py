"""Ticks on their way out: those of the grid, those that a device has at a time of its own, and what is timed.

Owns which wires get the grid's ticks as they come, and what is recorded of each tick. A tick goes out
first and alone; the gap behind it, in which all else has its turn, is the show's next call.

Invariants: `number` and `due_ns` are those of the tick of the grid that was taken last; `stamps` has only
wires that have ticks of their own or are being caught up; whoever reads a tick off `sink` finds its
record here until the next call.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.midi.messages import TICK, TICK_BYTES
from routerd.core.model import events
from routerd.core.units import TICKS_PER_QUARTER

if TYPE_CHECKING:
    from routerd.core.clock.clock import Tick
    from routerd.core.output.wire import Wire
    from routerd.core.show.compiler import CompiledRig, CompiledSong
    from routerd.core.show.effects import Effects
    from routerd.core.show.tempo import Tempo
    from routerd.core.show.transport import Transport

NO_SONG = 0xFFFF
"""Song number in tick records while no song is on."""


class TickSender:
    """Sends ticks; `number`, `due_ns`, `stamps` and `song_number` are for who records them."""

    __slots__ = (
        "_caught_up",
        "_clocked",
        "_effects",
        "_tempo",
        "_transport",
        "due_ns",
        "in_gap",
        "number",
        "own",
        "song_number",
        "stamps",
    )

    def __init__(self, effects: Effects, transport: Transport, tempo: Tempo) -> None:
        self._effects = effects
        self._transport = transport
        self._tempo = tempo
        self.number = -1
        self.due_ns = effects.now_ns
        self.song_number = NO_SONG
        """Of the song that is on; set by who enters it."""
        self.stamps: dict[Wire, tuple[int, int] | None] = {}
        """Number and due time of the last tick of wires with a clock of their own; None: not one of the
        grid."""
        self.in_gap = False
        """Whether a tick of the grid has gone out, and what waits for the gap behind it has not been done."""
        self.own: list[Wire] = []
        """Wires that have got a tick of their own, and not yet what waited for it."""
        self._clocked: tuple[Wire, ...] = ()
        self._caught_up: list[Wire] = []
        """Wires that have got late ticks since the last one of the grid."""

    def use(self, compiled: CompiledRig) -> None:
        """Forget the wires that a new compiled rig does not have."""
        wires = set(compiled.wires)
        for wire in [wire for wire in self.stamps if wire not in wires]:
            del self.stamps[wire]

    def use_timings(self, song: CompiledSong | None) -> None:
        """Give every device the clock that a song wants for it."""
        devices = self._transport.devices
        devices.use(() if song is None else song.song.timing.devices, self._effects.now_ns)
        self._clocked = tuple(output.wire for output in devices.straight)
        for wire in self._clocked:
            self.stamps.pop(wire, None)

    def send_tick(self) -> None:
        """Take the tick of the grid that is due, and send it."""
        transport, effects = self._transport, self._effects
        clock, now_ns, sink = transport.clock, effects.now_ns, effects.sink
        was = clock.state
        tick = clock.take_tick(now_ns)
        self.number, self.due_ns, missed = tick
        for wire in self._clocked:
            wire.put_realtime(TICK_BYTES, now_ns, sink)
        if self._caught_up:
            self._end_catching_up()
        if missed:
            transport.devices.miss(missed)
            transport.metronome.miss(missed)
        if transport.devices.busy or transport.devices.coders or transport.metronome.output is not None:
            self._tick_devices(tick)
        transport.set_gates()
        self.in_gap = True
        if missed:
            first = tick.number - missed
            effects.event(events.TicksMissed, count=missed, from_tick=first, to_tick=tick.number - 1)
            effects.revision += 1
        if clock.state is not was:
            transport.report()
        if clock.step != transport.reported_step:
            transport.report_step()
        elif tick.number % TICKS_PER_QUARTER == 0 and (clock.steered or self._tempo.source is not None):
            effects.revision += 1  # so that others see where the grid has been moved to

    def _tick_devices(self, tick: Tick) -> None:
        """Pass a tick of the grid to those that make their own out of it."""
        transport = self._transport
        devices, clock = transport.devices, transport.clock
        for one in devices.busy:
            one.tick(tick, clock)
        devices.refresh()
        for coder in devices.coders:
            coder.tick(tick, clock)
        transport.metronome.tick(tick, clock)

    def send_timed_ticks(self) -> bool:
        """Send the ticks that are due by the schedule, alone and one to a device, so that each is recorded as
        what it is; False when something else comes first."""
        schedule, now_ns, sink = self._transport.schedule, self._effects.now_ns, self._effects.sink
        sent: list[Wire] = []
        while schedule.next_ns <= now_ns and schedule.next_data is TICK_BYTES:
            if schedule.next_output.wire in sent:
                break  # after a stall several are late
            timed = schedule.take()
            wire = timed.output.wire
            sent.append(wire)
            self.stamps[wire] = timed.tick, timed.at_ns
            if wire in self._clocked:  # one of the song before, in which it had another rate
                self.stamps[wire] = None
                self._caught_up.append(wire)
            wire.put_realtime(TICK_BYTES, now_ns, sink)
            self.own.append(wire)
        if sent:
            self._transport.set_gates()
        return bool(sent)

    def send_timed_messages(self) -> None:
        """Send what else is due by the schedule, up to the next tick in it."""
        schedule, now_ns, sink = self._transport.schedule, self._effects.now_ns, self._effects.sink
        while schedule.next_ns <= now_ns and schedule.next_data is not TICK_BYTES:
            timed = schedule.take()
            if timed.data[0] >= TICK:
                timed.output.put_realtime(timed.data, now_ns, sink)
            else:
                timed.output.offer(timed.data, now_ns, sink)
        self._transport.set_gates()

    def send_waiting(self) -> bool:
        """Send what has waited for ticks; return whether the gap behind a tick of the grid begins."""
        now_ns, sink = self._effects.now_ns, self._effects.sink
        if self.own:
            own, self.own = self.own, []
            for wire in own:
                wire.pump(now_ns, sink)
        if not self.in_gap:
            return False
        self.in_gap = False
        for wire in self._clocked:
            wire.pump(now_ns, sink)
        return True

    def catch_up(self, wire: Wire, ticks: int) -> None:
        """Send ticks that a wire has missed, at once; they are not recorded as ticks of the grid."""
        self.stamps[wire] = None
        self._caught_up.append(wire)
        for _ in range(ticks):
            wire.put_realtime(TICK_BYTES, self._effects.now_ns, self._effects.sink)

    def _end_catching_up(self) -> None:
        """Ticks are those of the grid again."""
        for wire in self._caught_up:
            self.stamps.pop(wire, None)
        self._caught_up.clear()
