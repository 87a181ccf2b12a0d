"""Who decides about tempo: the song, a hand, or a clock source that is followed.

Owns the choice of the clock source and the taps. A source that is heard moves the grid by itself (see
`core.follow`); what its Start, Stop and positions mean for the show is decided here.

Invariants: while a source steers, nobody else sets the tempo; a source is chosen only while its device
has an input in the rig; when it falls silent for good, or another is chosen, its last tempo goes on.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from routerd.core.clock.clock import TransportCommand
from routerd.core.clock.metronome import TapTempo
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.follow.source import Heard, Source
from routerd.core.model import events
from routerd.core.model.actions import ROUNDING_MIN_BPM
from routerd.core.model.timing import State, TempoBy
from routerd.core.show.compiler import EMPTY_RIG
from routerd.core.units import BPM_MAX, BPM_MIN, NS_PER_S, format_bpm, shown_bpm

if TYPE_CHECKING:
    from routerd.core.routing.input import Input
    from routerd.core.show.armed import ArmedChange
    from routerd.core.show.compiler import CompiledRig
    from routerd.core.show.effects import Effects
    from routerd.core.show.place import Standing
    from routerd.core.show.transport import Transport

_IGNORED: dict[Heard, Literal["start", "continue", "position"]] = {
    Heard.START: "start",
    Heard.CONTINUE: "continue",
    Heard.POSITION: "position",
}


class Tempo:
    """Sets the tempo of the clock, or lets a source do it."""

    __slots__ = ("_armed", "_compiled", "_effects", "_taps", "_transport", "source", "source_input")

    def __init__(self, effects: Effects, transport: Transport, armed: ArmedChange) -> None:
        self._effects = effects
        self._transport = transport
        self._armed = armed
        self._compiled = EMPTY_RIG
        self._taps = TapTempo()
        self.source: Source | None = None
        """Who is followed; None: routerd leads."""
        self.source_input: Input | None = None

    def use(self, compiled: CompiledRig) -> None:
        """Take another compiled rig, once transport has it: the source's lead before the latest device, and
        its holdover."""
        self._compiled = compiled
        if self.source is None:
            return
        self.source.lead(self._transport.devices.lead_ns)
        self.source.follower.holdover_ns = compiled.rig.holdover_s * NS_PER_S
        if self.source.input not in compiled.inputs:
            self._choose(None)  # its device has left the rig
            self._effects.event(events.ClockSource, device=None)

    # Set by song or hand

    def set(self, bpm: Fraction, by: TempoBy = TempoBy.SONG, rate_bpm: Fraction | None = None) -> None:
        """Change tempo, unless a source decides about it. `rate_bpm`: the rate now, where tempo moves."""
        clock = self._transport.clock
        rate_bpm = rate_bpm or bpm
        if clock.steered or (rate_bpm, bpm, by) == (clock.segment.bpm, clock.bpm, clock.tempo_by):
            return
        if rate_bpm != clock.segment.bpm:
            clock.set_tempo(rate_bpm)
        clock.bpm, clock.tempo_by = bpm, by
        self._effects.revision += 1
        self._transport.report_tempo(bpm, by, max(self._effects.now_ns, clock.segment.anchor_ns))

    def set_by_hand(self, bpm: Fraction) -> None:
        """Take a tempo that somebody has set; raises CommandError."""
        self._refuse_while_steered()
        self.check(bpm)
        self.set(bpm, TempoBy.HAND)

    def check(self, bpm: Fraction) -> None:
        """Raise CommandError when no song can have that tempo."""
        if not BPM_MIN <= bpm <= BPM_MAX:
            raise CommandError(f"tempo {format_bpm(bpm)} is outside {BPM_MIN} to {BPM_MAX} BPM")

    def set_by_song(self, on: Standing) -> None:
        """Take the song's own tempo again, where the song is; raises CommandError."""
        self._refuse_while_steered()
        if on.song is None:
            raise CommandError("no song is on")
        clock = self._transport.clock
        step = clock.map.steps[clock.step]
        if not clock.map.moves:
            self.set(on.section.bpm or on.song.song.bpm)
        else:  # a start takes the map's own rate anyway
            runs = clock.state is not State.STOPPED
            self.set(step.bpm, rate_bpm=step.rate_bpm if runs else None)

    def tap(self, rounded_to: Fraction | None) -> None:
        """Take a tap; the tempo is rounded to a multiple of so many BPM. Raises CommandError."""
        self._refuse_while_steered()
        bpm = self._taps.tap(self._effects.now_ns, rounded_to or ROUNDING_MIN_BPM)
        if bpm is not None:
            self.set(bpm, TempoBy.HAND)

    def _refuse_while_steered(self) -> None:
        if self.source is not None and self._transport.clock.steered:
            raise CommandError(
                f"tempo follows {self.source.name!r}, which is {self.source.state.value}; "
                "choose another clock source first"
            )

    # Choosing a clock source

    def follow(self, device: str | None) -> None:
        """Follow that device from now on, or lead with none; raises NotFoundError."""
        if device == (self.source.name if self.source else None):
            return
        source = None
        input = self.input_of(device)
        if input is not None:
            rig, transport = self._compiled.rig, self._transport
            timing = next(d.timing for d in rig.devices if d.name == device)
            lead_ns = transport.devices.lead_ns
            source = Source(input, timing, transport.clock, lead_ns, rig.holdover_s * NS_PER_S)
        self._choose(source)
        self._effects.event(events.ClockSource, device=device)

    def input_of(self, device: str | None) -> Input | None:
        """Return what a device sends to, None for no device; raises NotFoundError."""
        if device is None:
            return None
        input = next((input for input in self._compiled.inputs if input.name == device), None)
        if input is None:
            known = ", ".join(input.name for input in self._compiled.inputs[:12]) or "none"
            raise NotFoundError(f"there is no device {device!r} with an input to follow; there are {known}")
        return input

    def _choose(self, source: Source | None) -> None:
        self.source = source
        self.source_input = None if source is None else source.input
        self._steer(source is not None and source.steering)

    def _steer(self, steered: bool) -> None:
        """Let a source decide about tempo, or lead on with the tempo that there is."""
        clock = self._transport.clock
        if steered:
            clock.tempo_by = TempoBy.SOURCE
        elif clock.steered:
            clock.bpm = round(clock.segment.bpm, 2)
        clock.steered = steered
        self._effects.revision += 1

    # What the source sends

    def on_message(self, data: bytes, at_ns: int) -> None:
        """Take a system message of the source."""
        source, transport = self.source, self._transport
        if source is None:
            return
        heard = source.hear(data, at_ns, self._effects.now_ns)
        if heard is Heard.MOVED:
            transport.set_gates()
        elif heard is Heard.STOP:
            source.following.stopped()
            transport.stop()
            self._armed.disarm("stop")
        elif heard is Heard.JUMPED:
            transport.stop()
        elif heard in (Heard.START, Heard.CONTINUE):
            self._on_start(source, heard)
        elif heard is Heard.POSITION and transport.clock.state is State.STOPPED:
            transport.locate(source.position_ticks)
            self._effects.revision += 1
        elif heard is Heard.POSITION:
            self._ignore(source, heard)
        self.poll_source()

    def _on_start(self, source: Source, heard: Heard) -> None:
        """Start or go on with the source's next tick (M1 p. 30).

        Ignored while transport runs (M1 pp. 31-32), unless the source's Start always means the top.
        """
        transport, clock = self._transport, self._transport.clock
        if clock.state is not State.STOPPED:
            if heard is not Heard.START or not source.restarts:
                self._ignore(source, heard)
                return
            if clock.state is State.STARTING and clock.position_ticks == 0:
                return  # at the top it is already
            transport.stop_clock()  # a follower that runs would ignore Start as well
        at_top = heard is Heard.START or clock.position_ticks == 0  # the same (M1 p. 28)
        source.following.started(0 if at_top else clock.position_ticks)
        transport.request(TransportCommand.START if at_top else TransportCommand.CONTINUE)
        earliest_ns = max(self._effects.now_ns, transport.wires_free_ns())
        source.following.bring_forward(earliest_ns)
        clock.give_room(earliest_ns)
        transport.set_gates()

    def _ignore(self, source: Source, heard: Heard) -> None:
        if source.reports_ignored(self._effects.now_ns):
            self._effects.event(
                events.TransportIgnored, source.name, _IGNORED[heard], why="transport is running"
            )

    def start_with_time_code(self) -> None:
        """In the gap before a tick: start where time code is, if it is with that tick that it comes in."""
        if self.source is not None and self.source.comes_in(self._transport.clock.next_tick):
            self._transport.resume()

    def pass_time(self) -> None:
        """Let a source fall silent."""
        if self.source is not None:
            self.source.follower.pass_time(self._effects.now_ns)
            self.poll_source()

    def poll_source(self) -> None:
        """Report when the source is followed more or less closely than before."""
        source = self.source
        if source is None or not source.changed():
            return
        self._steer(source.steering)
        bpm = shown_bpm(round(self._transport.clock.segment.bpm, 2))
        self._effects.event(events.Following, source.name, source.state, bpm)
