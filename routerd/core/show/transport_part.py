"""Transport and tempo of the show: start and stop, the source that is followed, devices by themselves."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from routerd.core.clock.device_clock import Wanted
from routerd.core.clock.tap import rounding_of
from routerd.core.clock.transport import Command as TransportCommand
from routerd.core.clock.transport import State, TempoBy
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.follow.source import Heard, Source
from routerd.core.midi.messages import (
    SONG_POSITION,
    song_position,
)
from routerd.core.model.timing import StartMode
from routerd.core.show.compiler import CompiledSong
from routerd.core.units import (
    BPM_MAX,
    BPM_MIN,
    NS_PER_S,
    SPP_MAX,
    TICKS_PER_SPP_UNIT,
    format_bpm,
)

if TYPE_CHECKING:
    from routerd.core.clock.device_clock import DeviceClock
    from routerd.core.routing.input import Input

from routerd.core.show.state import ShowState


class ShowTransport(ShowState):
    """The layer above the state."""

    __slots__ = ()

    def _step_taken(self) -> None:
        """Tell a change of meter, and tempo as often as once a beat."""
        clock = self.clock
        before, after = clock.map.steps[self._step], clock.map.steps[clock.step]
        self._step = clock.step
        if (before.beats, before.unit) != (after.beats, after.unit):
            self.effects.event("meter", meter=f"{after.beats}/{after.unit}")
            self.effects.revision += 1
        if clock.mapped and clock.next_is_beat() and before.bpm != after.bpm:
            self.effects.event("tempo", bpm=format_bpm(clock.bpm), by=clock.tempo_by.value)
            self.effects.revision += 1

    def _start(self, now_ns: int) -> None:
        """Send the Start or Continue whose time has come, behind any song position that still waits."""
        waits = any(output.wire.holds(SONG_POSITION) for output in self._transported)
        waits = waits or self.clock.next_tick <= self._position_tick
        data = b"" if waits else self.clock.take_start(now_ns)
        if waits:
            self.clock.postpone()
        if data:
            self._put_transport(data, now_ns)
            self._devices.start_in_gap(now_ns, self.clock)
            self.effects.revision += 1
        self._set_gates()
        for output in self._transported:
            output.wire.pump(now_ns, self.effects.sink)

    def _follow(self, device: str) -> None:
        """Follow that device from now on, or lead; raises NotFoundError."""
        if device == (self._source.name if self._source else ""):
            return
        source = None
        input = self._input_of(device)
        if input is not None:
            rig = self.book.rig
            timing = next(d.timing for d in rig.devices if d.name == device)
            source = Source(input, timing, self.clock, self._devices.lead_ns, rig.hold_s * NS_PER_S)
        self._use_source(source)
        self.effects.event("clock-source", device=device or None)

    def _input_of(self, device: str) -> Input | None:
        """Return what a device sends to, None for no device; raises NotFoundError."""
        input = next((input for input in self.book.inputs if input.name == device), None)
        if device and input is None:
            raise NotFoundError(f"there is no device {device!r} with an input to follow")
        return input

    def _use_source(self, source: Source | None) -> None:
        self._source = source
        self._source_input = None if source is None else source.input
        self._steer(source is not None and source.steering)

    def _steer(self, steered: bool) -> None:
        """Let a source decide about tempo, or lead on with the tempo that there is."""
        clock = self.clock
        if steered:
            clock.tempo_by = TempoBy.SOURCE
        elif clock.steered:
            clock.bpm = round(clock.segment.bpm, 2)
        clock.steered = steered
        self.effects.revision += 1

    def _tempo_by_hand(self, bpm: Fraction) -> None:
        self._refuse_while_steered()
        if not BPM_MIN <= bpm <= BPM_MAX:
            raise CommandError(f"tempo {format_bpm(bpm)} is outside {BPM_MIN} to {BPM_MAX} BPM")
        self._set_tempo(bpm, TempoBy.HAND)

    def _song_tempo(self) -> None:
        """Take the song's own tempo again, where the song is."""
        self._refuse_while_steered()
        clock, on = self.clock, self._on
        if on.song is None:
            raise CommandError("no song is on")
        step = clock.map.steps[clock.step]
        if not clock.map.moves:
            self._set_tempo(on.section.bpm or on.song.song.bpm)
        else:  # a start takes the map's own rate anyway
            runs = clock.state is not State.STOPPED
            self._set_tempo(step.bpm, rate_bpm=step.rate_bpm if runs else None)

    def _tap(self, argument: int | str | None, now_ns: int) -> None:
        """Take a tap; `argument` is the step that the tempo is rounded to, as text."""
        self._refuse_while_steered()
        bpm = self._taps.tap(now_ns, rounding_of(argument))
        if bpm is not None:
            self._set_tempo(bpm, TempoBy.HAND)

    def _retrigger(self, argument: str) -> None:
        """Restart one device's sequence: "bar NAME" or "cycle NAME"; raises CommandError."""
        at, _, name = argument.partition(" ")
        one = self._restartable(argument)
        if at == Wanted.CYCLE.value and not (one.cycle_ticks and one.running):
            raise CommandError(
                f"device {name!r} has no sequence that runs; its timing states no length, or it is stopped"
            )
        one.start_at(Wanted.CYCLE if at == Wanted.CYCLE.value else Wanted.BAR)
        self._devices.look()
        self.effects.event("retrigger", device=name, at=at)
        self.effects.revision += 1

    def _restartable(self, argument: str) -> DeviceClock:
        """Return the device that is to be restarted; raises CommandError when it never can be."""
        name = argument.partition(" ")[2]
        one = self._devices.find(name)
        if one is None:
            raise NotFoundError(f"there is no device {name!r} that gets transport")
        if one.timing.start is StartMode.NEVER:
            raise CommandError(f"device {name!r} is never started: its timing says so")
        return one

    def _take_click_and_code(self, song: CompiledSong) -> None:
        for coder in self._devices.coders:
            coder.hour = (self._on.place.index or 0) + 1 if coder.of_set else 0
        click = song.song.timing.click
        output = (
            None if click is None else next((o for o in self.book.outputs if o.name == click.device), None)
        )
        one = None if output is None else self._devices.by_output.get(output)
        self._metronome.use(click, output, self._devices.lead_ns if one is None else one.delay_ns)

    def _click(self, argument: int | str | None) -> None:
        """Click without transport, or stop that: "on", "off", or the other of the two."""
        if self._metronome.output is None:
            raise CommandError("this song has no click")
        self._metronome.alone = argument == "on" or (argument != "off" and not self._metronome.alone)
        self.effects.revision += 1
        self.effects.event("click", on=self._metronome.alone)

    def _start_from_top(self, _: int | str | None, now_ns: int) -> None:
        """Start, after the song's count-in if it has one."""
        clock = self.clock
        if clock.state is State.STOPPED and self._metronome.count_in(clock):
            self.effects.revision += 1
            self.effects.event("count-in", to_tick=self._metronome.counting_to)
        elif not self._metronome.counting_to:
            self._transport(TransportCommand.START, now_ns)

    def _stop(self, now_ns: int) -> None:
        """Stop, and forget what is armed: nobody who stops expects a change to go through afterwards."""
        self._transport(TransportCommand.STOP, now_ns)
        self._disarm("stop")

    def _refuse_while_steered(self) -> None:
        if self._source is not None and self.clock.steered:
            raise CommandError(
                f"tempo follows {self._source.name!r}, which is {self._source.state.value}; "
                "choose another clock source first"
            )

    def _hear_source(self, data: bytes, at_ns: int) -> None:
        source, clock = self._source, self.clock
        if source is None:
            return
        now_ns = self.effects.now_ns
        heard = source.hear(data, at_ns, now_ns)
        if heard is Heard.MOVED:
            self._set_gates()
        elif heard is Heard.STOP:
            source.following.stopped()
            self._stop(now_ns)
        elif heard is Heard.JUMPED:
            self._transport(TransportCommand.STOP, now_ns)
        elif heard in (Heard.START, Heard.CONTINUE):
            self._hear_start(source, heard, now_ns)
        elif heard is Heard.POSITION and clock.state is State.STOPPED:
            clock.locate(source.position_ticks)
            self._send_position(source.position_ticks, now_ns)
            self.effects.revision += 1
        elif heard is Heard.POSITION:
            self._ignored(source, heard)
        self._look_at_source()

    def _hear_start(self, source: Source, heard: Heard, now_ns: int) -> None:
        """Start or go on with the source's next tick (M1 p. 30).

        Ignored while transport runs (M1 pp. 31-32), unless the source's Start always means the top.
        """
        clock = self.clock
        if clock.state is not State.STOPPED:
            if heard is not Heard.START or not source.restarts:
                self._ignored(source, heard)
                return
            if clock.state is State.STARTING and clock.position_ticks == 0:
                return  # at the top it is already
            self._put_stop(now_ns)  # a follower that runs would ignore Start as well
        at_top = heard is Heard.START or clock.position_ticks == 0  # the same (M1 p. 28)
        source.following.started(0 if at_top else clock.position_ticks)
        self._transport(TransportCommand.START if at_top else TransportCommand.CONTINUE, now_ns)
        earliest_ns = max(now_ns, self._wires_free_ns())
        source.following.bring_forward(earliest_ns)
        clock.give_room(earliest_ns)
        self._set_gates()

    def _ignored(self, source: Source, heard: Heard) -> None:
        if source.reports_ignored(self.effects.now_ns):
            kind = f"{heard.name.lower()}-ignored"
            self.effects.event(kind, device=source.name, why="transport is running")

    def _come_in(self, now_ns: int) -> None:
        """Start where time code is, from the tick that comes next."""
        at_top = self.clock.position_ticks == 0
        self._transport(TransportCommand.START if at_top else TransportCommand.CONTINUE, now_ns)

    def _look_at_source(self) -> None:
        source = self._source
        if source is None or not source.changed():
            return
        self._steer(source.steering)
        bpm = format_bpm(round(self.clock.segment.bpm, 2))
        self.effects.event("follow", device=source.name, state=source.state.value, bpm=bpm)

    def _transport(self, command: TransportCommand, now_ns: int) -> None:
        was = self.clock.state
        if command is TransportCommand.STOP:
            self._metronome.stop()
            told = self._put_stop(now_ns)
            for one in self._devices.by_output.values():
                one.stop_own(now_ns, told=told)
        else:
            self.clock.request(command, now_ns, self._wires_free_ns())  # its byte comes in the gap
        self._set_gates()
        if self.clock.state is not was:
            self._transport_changed()
            for output in self._transported:  # a Start that was taken back may have held something up
                output.wire.pump(now_ns, self.effects.sink)

    def _put_stop(self, now_ns: int) -> bool:
        """Stop the clock and those that are started with transport; return whether they were told."""
        data = self.clock.request(TransportCommand.STOP, now_ns, now_ns)
        if data:
            self._put_transport(data, now_ns)
        return bool(data)

    def _wires_free_ns(self) -> int:
        """Return when the last of the wires that carry transport will be idle."""
        return max((output.wire.busy_until_ns for output in self._transported), default=self.effects.now_ns)

    def _continue(self, argument: int | str | None, now_ns: int) -> None:
        position = self._position_of(argument)
        if position is not None:
            self._transport(TransportCommand.STOP, now_ns)
            self.clock.locate(position)
            self._send_position(position, now_ns)
        if (
            self.clock.position_ticks == 0
        ):  # the same as Start (M1 p. 28), wherever the followers stood before
            self._transport(TransportCommand.START, now_ns)
        else:
            self._transport(TransportCommand.CONTINUE, now_ns)

    def _send_position(self, position: int, now_ns: int) -> None:
        """Tell a song position, which is sent only while stopped (M1 p. 27)."""
        data = song_position(position // TICKS_PER_SPP_UNIT)
        for output in self._transported:
            one = self._devices.by_output[output]
            if one.delay_ns:
                self.schedule.put(now_ns + one.delay_ns, output, data)
                self._position_tick = self.clock.next_tick + 1  # by then its wire has had room for it
            elif one.timing.start is StartMode.TRANSPORT:
                output.offer(data, now_ns, self.effects.sink)

    def _position_of(self, argument: int | str | None) -> int | None:
        """Return the position of a bar; a Song Position Pointer counts sixteenths (M1 p. 27), so a bar that
        does not begin on one cannot be told to the followers."""
        if argument is None:
            return None
        if not isinstance(argument, int) or argument < 1:
            raise CommandError(f"bar {argument!r} is not a whole number from 1")
        position = self.clock.map.tick_of_bar(argument - 1)
        if position % TICKS_PER_SPP_UNIT or position // TICKS_PER_SPP_UNIT > SPP_MAX:
            raise CommandError(f"bar {argument} has no song position pointer in this meter")
        return position

    def _put_transport(self, data: bytes, now_ns: int) -> None:
        for output in self._transported:
            if self._devices.by_output[output].transport(data, now_ns, self.clock):
                output.put_realtime(data, now_ns, self.effects.sink)

    def _transport_changed(self) -> None:
        self.effects.revision += 1
        self.effects.event(
            "transport", state=self.clock.state.value, position_ticks=self.clock.position_ticks
        )
