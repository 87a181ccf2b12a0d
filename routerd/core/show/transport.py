"""Transport of the show: the clock, what its start and stop lead to on every device, and the click.

Owns the clock with the grid, the devices' own clocks, the click and the schedule of what goes out at a
time of its own. Who is followed (`tempo`) and when ticks go out (`tick_sender`) is decided elsewhere.

Invariants:

- every wire knows when it must be idle next: whatever moves the next tick or a Start calls `set_gates`;
- a Start or Continue waits for its place between two ticks, and for a song position before it;
- a song position is sent only while stopped (M1 p. 27).
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.clock.clock import Clock, TransportCommand
from routerd.core.clock.device_clocks import DeviceClocks
from routerd.core.clock.metronome import Metronome
from routerd.core.clock.schedule import Schedule
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.midi.messages import SONG_POSITION, song_position
from routerd.core.model import events
from routerd.core.model.actions import At
from routerd.core.model.snapshot import Wanted
from routerd.core.model.timing import StartMode, State
from routerd.core.show.compiler import EMPTY_RIG
from routerd.core.units import NEVER_NS, SPP_MAX, TICKS_PER_SPP_UNIT, shown_bpm

if TYPE_CHECKING:
    from routerd.core.clock.device_clock import DeviceClock
    from routerd.core.clock.tempo_map import TempoMap
    from routerd.core.model.timing import TempoBy
    from routerd.core.output.wire import Output
    from routerd.core.show.compiler import CompiledRig, CompiledSong
    from routerd.core.show.crash_state import Kept
    from routerd.core.show.effects import Effects

DEFAULT_BPM = Fraction(120)


class Transport:
    """Starts, stops and places the clock and all devices that go by it."""

    __slots__ = (
        "_compiled",
        "_effects",
        "_position_tick",
        "clock",
        "devices",
        "metronome",
        "receivers",
        "reported_step",
        "schedule",
    )

    def __init__(
        self, effects: Effects, bpm: Fraction = DEFAULT_BPM, schedule: Schedule | None = None
    ) -> None:
        self._effects = effects
        self._compiled = EMPTY_RIG
        self.clock = Clock(effects.now_ns, bpm)
        self.schedule = Schedule() if schedule is None else schedule
        self.devices = DeviceClocks((), {}, self.schedule)
        self.metronome = Metronome(self.schedule)
        self.receivers: tuple[Output, ...] = ()
        """The outputs that get Start, Stop and song positions."""
        self.reported_step = self.clock.step
        """The step of the tempo map that has been reported."""
        self._position_tick = -1
        """Start and Continue wait for a tick after this one."""

    def use(self, compiled: CompiledRig, song: CompiledSong | None) -> None:
        """Give every device of a compiled rig its clock, in the song that stays on if one does."""
        before, self._compiled = self._compiled, compiled
        self.schedule.drop(set(before.outputs) - set(compiled.outputs))
        timings = {device.name: device.timing for device in compiled.rig.devices}
        in_songs = {name for one in compiled.songs.values() for name, _ in one.song.timing.devices}
        devices = DeviceClocks(compiled.outputs, timings, self.schedule, in_songs)
        if song is not None:
            devices.use(song.song.timing.devices, self._effects.now_ns)
        devices.take_over(self.devices)
        self.devices = devices
        self.receivers = tuple(output for output in compiled.outputs if output.transport)

    def use_click_and_code(self, song: CompiledSong, index: int | None) -> None:
        """Take the click of a song, and the hour of its time code from its place in the set list."""
        for coder in self.devices.coders:
            coder.hour = (index or 0) + 1 if coder.of_set else 0
        click = song.song.timing.click
        outputs = () if click is None else self._compiled.outputs
        output = next((o for o in outputs if click is not None and o.name == click.device), None)
        one = None if output is None else self.devices.by_output.get(output)
        self.metronome.use(click, output, self.devices.lead_ns if one is None else one.delay_ns)

    def begin_song(self, tempo_map: TempoMap) -> None:
        """Let the next tick be the first of a song."""
        self.clock.begin_song(tempo_map)
        self.reported_step = self.clock.step

    def use_map(self, tempo_map: TempoMap) -> None:
        """Take another version of the song's tempo map, where the song stands."""
        self.clock.use_map(tempo_map)
        self.reported_step = self.clock.step

    def take_up(self, kept: Kept) -> int:
        """Go on with another engine's grid; return when its last tick was due."""
        clock, now_ns = self.clock, self._effects.now_ns
        clock.take_up(kept.clock)
        clock.run_on(kept.last_tick + 1, now_ns)
        last_ns = clock.segment.due_ns(min(kept.last_tick, clock.next_tick - 1))
        clock.run_on(clock.next_tick + (1 << 40), now_ns)
        self.reported_step = clock.step
        self.metronome.alone = kept.click_alone and self.metronome.output is not None
        for output, one in self.devices.by_output.items():
            if output.name in kept.started:
                one.started_tick = kept.started[output.name]
        return last_ns

    # Start, stop and place

    def request(self, command: TransportCommand) -> None:
        """Start, continue or stop; what is redundant changes nothing."""
        clock, now_ns = self.clock, self._effects.now_ns
        was = clock.state
        if command is TransportCommand.STOP:
            self.metronome.stop()
            sent = self.stop_clock()
            for one in self.devices.by_output.values():
                one.stop_own(now_ns, transport_stopped=sent)
        else:
            clock.request(command, now_ns, self.wires_free_ns())  # its byte comes in the gap
        self.set_gates()
        if clock.state is not was:
            self.report()
            for output in self.receivers:  # a Start that was taken back may have held something up
                output.wire.pump(now_ns, self._effects.sink)

    def stop(self) -> None:
        """Stop, and forget a count-in."""
        self.request(TransportCommand.STOP)

    def stop_clock(self) -> bool:
        """Stop the clock and those that are started with transport; return whether they were sent it."""
        now_ns = self._effects.now_ns
        data = self.clock.request(TransportCommand.STOP, now_ns, now_ns)
        if data:
            self._send(data)
        return bool(data)

    def start_from_top(self) -> None:
        """Start, after the song's count-in if it has one."""
        clock, metronome = self.clock, self.metronome
        if clock.state is State.STOPPED and metronome.count_in(clock):
            self._effects.revision += 1
            self._effects.event(events.CountIn, to_tick=metronome.counting_to)
        elif not metronome.counting_to:
            self.request(TransportCommand.START)

    def resume(self) -> None:
        """Continue; from position 0 that is the same as Start (M1 p. 28), wherever the followers stood."""
        self.request(TransportCommand.START if self.clock.position_ticks == 0 else TransportCommand.CONTINUE)

    def resume_from(self, bar: int | None) -> None:
        """Continue from a bar (from 1), or from where transport stands; raises CommandError."""
        position = self.position_of(bar)
        if position is not None:
            self.stop()
            self.locate(position)
        self.resume()

    def locate(self, position: int) -> None:
        """Stand at a position, and send it to everybody; only while stopped."""
        self.clock.locate(position)
        data = song_position(position // TICKS_PER_SPP_UNIT)
        now_ns = self._effects.now_ns
        for output in self.receivers:
            one = self.devices.by_output[output]
            if one.delay_ns:
                self.schedule.put(now_ns + one.delay_ns, output, data)
                self._position_tick = self.clock.next_tick + 1  # by then its wire has had room for it
            elif one.timing.start is StartMode.TRANSPORT:
                output.offer(data, now_ns, self._effects.sink)

    def position_of(self, bar: int | None) -> int | None:
        """Return the position of a bar; a Song Position Pointer counts sixteenths (M1 p. 27), so a bar that
        does not begin on one cannot be sent to the followers."""
        if bar is None:
            return None
        if bar < 1:
            raise CommandError(f"bar {bar} is not a whole number from 1")
        position = self.clock.map.tick_of_bar(bar - 1)
        if position % TICKS_PER_SPP_UNIT or position // TICKS_PER_SPP_UNIT > SPP_MAX:
            raise CommandError(f"bar {bar} has no song position pointer in this meter")
        return position

    def send_start(self) -> None:
        """Send the Start or Continue whose time has come, behind any song position that still waits."""
        clock, now_ns = self.clock, self._effects.now_ns
        waits = any(output.wire.holds(SONG_POSITION) for output in self.receivers)
        waits = waits or clock.next_tick <= self._position_tick
        data = b"" if waits else clock.take_start(now_ns)
        if waits:
            clock.postpone()
        if data:
            self._send(data)
            self.devices.start_in_gap(now_ns, clock)
            self._effects.revision += 1
        self.set_gates()
        for output in self.receivers:
            output.wire.pump(now_ns, self._effects.sink)

    def _send(self, data: bytes) -> None:
        for output in self.receivers:
            if self.devices.by_output[output].transport(data, self._effects.now_ns, self.clock):
                output.put_realtime(data, self._effects.now_ns, self._effects.sink)

    def wires_free_ns(self) -> int:
        """Return when the last of the wires that carry transport will be idle."""
        return max((output.wire.busy_until_ns for output in self.receivers), default=self._effects.now_ns)

    def set_gates(self) -> None:
        """Tell every wire when it must be idle next: for a tick, and for a Start that waits."""
        clock = self.clock
        for wire in self._compiled.wires:
            gate_ns = clock.next_due_ns if wire.clock else NEVER_NS
            wire.gate_ns = min(gate_ns, clock.start_at_ns) if wire.transport else gate_ns
        for one in self.devices.busy:
            output, wire = one.output, one.output.wire
            gate_ns = self.schedule.next_realtime_ns(output)
            if output.clock:
                gate_ns = min(gate_ns, clock.next_due_ns + one.delay_ns)
            wire.gate_ns = gate_ns if output is wire.timed else min(gate_ns, wire.gate_ns)

    # What others learn of it

    def report(self) -> None:
        """Report where transport stands now."""
        self._effects.revision += 1
        clock = self.clock
        self._effects.event(events.Transport, state=clock.state, position_ticks=clock.position_ticks)

    def report_step(self) -> None:
        """Report that the tempo map has gone on: a change of meter, and tempo as often as once a beat."""
        clock = self.clock
        before, after = clock.map.steps[self.reported_step], clock.map.steps[clock.step]
        self.reported_step = clock.step
        if (before.beats, before.unit) != (after.beats, after.unit):
            self._effects.event(events.Meter, meter=f"{after.beats}/{after.unit}")
            self._effects.revision += 1
        if clock.mapped and clock.next_is_beat() and before.bpm != after.bpm:
            self.report_tempo(clock.bpm, clock.tempo_by, self._effects.now_ns)
            self._effects.revision += 1

    def report_tempo(self, bpm: Fraction, by: TempoBy, from_ns: int) -> None:
        """Report that another tempo is in force from then on."""
        self._effects.event(events.Tempo, shown_bpm(bpm), rate_bpm=float(bpm), by=by, from_ns=from_ns)

    def poll_devices(self) -> None:
        """Note whether a device has been started, or waits, or has come round: others want to know."""
        if self.devices.changed():
            self._effects.revision += 1
            for one in self.devices.news():
                self._effects.event(events.DeviceClock, one.device, one.running, one.waits_for)

    # Devices by themselves, and the click

    def retrigger(self, name: str, at: At) -> None:
        """Restart one device's sequence; raises CommandError."""
        one = self.restartable(name)
        if at is At.CYCLE and not (one.cycle_ticks and one.running):
            raise CommandError(
                f"device {name!r} has no sequence that runs; its timing states no length, or it is stopped"
            )
        one.start_at(Wanted.CYCLE if at is At.CYCLE else Wanted.BAR)
        self.devices.refresh()
        self._effects.event(events.Retrigger, device=name, waits_for=at)
        self._effects.revision += 1

    def restartable(self, name: str) -> DeviceClock:
        """Return the device that is to be restarted; raises CommandError when it never can be."""
        one = self.devices.find(name)
        if one is None:
            raise NotFoundError(f"there is no device {name!r} that gets transport")
        if one.timing.start is StartMode.NEVER:
            raise CommandError(f"device {name!r} is never started, by its timing")
        return one

    def click(self, *, on: bool | None) -> None:
        """Click without transport, or stop that; None is the other of the two."""
        metronome = self.metronome
        if metronome.output is None:
            raise CommandError("this song has no click")
        metronome.alone = not metronome.alone if on is None else on
        self._effects.revision += 1
        self._effects.event(events.Click, on=metronome.alone)
