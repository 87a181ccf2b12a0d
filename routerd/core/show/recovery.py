"""What had gone and is there again: a port, or the whole engine, with every device put right.

Owns which devices do not know yet that an engine died. A port that goes leaves behind what its
devices were holding, as owed to them; a port that comes gets that first, then how transport stands, then
its sounds.

After an engine has died the show goes on on the same grid, in the same place.

Nobody knows what sounded, and the devices have missed some ticks. So each, as soon as its port is open, is
silenced as by panic and put on its patches; and when transport was running, what the rig's `after-restart`
says comes before that:

- silent: Stop, and the position of the bar line before; transport stands there until somebody goes on;
- play: Stop, the position of a bar line to come, at least LOCATE_NS away, and Continue in the gap before it.
  A Song Position Pointer is sent only while stopped, and Continue takes up from the tick that follows
  (M1 pp. 27-30). Transport itself has never stopped: bars, tempo map and click go on as if nothing had been;
- catch-up: the ticks that fell out, at once, so that who counts ticks is at the place again; when they are
  more than CATCH_UP_MOST, as play.

What a device runs by a start of its own is started again where its sequence would come round, else on a
bar line.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from routerd.core.errors import NotFoundError
from routerd.core.midi.messages import CONTINUE_BYTES, START_BYTES, STOP_BYTES, is_release, song_position
from routerd.core.model import events
from routerd.core.model.rig import AfterRestart
from routerd.core.model.snapshot import Wanted
from routerd.core.model.timing import StartMode, State
from routerd.core.output.wire import DOUBTFUL_NS
from routerd.core.show.routes_in_force import SILENCE
from routerd.core.units import NS_PER_MS, SPP_MAX, TICKS_PER_QUARTER, TICKS_PER_SPP_UNIT

if TYPE_CHECKING:
    from collections.abc import Iterable

    from routerd.core.clock.device_clock import DeviceClock
    from routerd.core.output.wire import Wire
    from routerd.core.routing.input import Input
    from routerd.core.show.crash_state import Kept
    from routerd.core.show.effects import Effects
    from routerd.core.show.panel import Panel
    from routerd.core.show.routes_in_force import RoutesInForce
    from routerd.core.show.songs import Songs
    from routerd.core.show.tempo import Tempo
    from routerd.core.show.tick_sender import TickSender
    from routerd.core.show.transport import Transport

LOCATE_NS = 200 * NS_PER_MS
"""What a device gets at least to find a position, for which it may need some time (M1 p. 28)."""

CATCH_UP_MOST = 4 * TICKS_PER_QUARTER

_BARS_LOOKED_AT = 8
"""Within so many bars one begins on a sixteenth, whatever the meter: a bar has at least three ticks."""


class Recovery:
    """Puts devices right whose port has come, and takes up what another engine has left."""

    __slots__ = (
        "_effects",
        "_panel",
        "_returns",
        "_routes",
        "_songs",
        "_tempo",
        "_ticks",
        "_transport",
        "_unaware",
    )

    def __init__(
        self,
        *,
        effects: Effects,
        transport: Transport,
        tempo: Tempo,
        ticks: TickSender,
        routes: RoutesInForce,
        songs: Songs,
        panel: Panel,
    ) -> None:
        self._effects = effects
        self._transport = transport
        self._tempo = tempo
        self._ticks = ticks
        self._routes = routes
        self._songs = songs
        self._panel = panel
        self._returns: Kept | None = None
        """Where the engine before this one stood when it died."""
        self._unaware: set[Wire] = set()
        """Wires whose devices do not know of it yet."""

    @property
    def _after_restart(self) -> AfterRestart:
        return self._songs.on.compiled.rig.after_restart

    # An engine has died

    def go_on(self, kept: Kept) -> int:
        """Take up what another engine has left, once a compiled rig is in force and before any tick; return
        the gap in ns, from the last tick that went out to the next one."""
        transport, clock = self._transport, self._transport.clock
        last_ns = transport.take_up(kept)
        self._ticks.number = clock.next_tick - 1
        self._returns = kept
        self._unaware = set(self._songs.on.compiled.wires)
        with contextlib.suppress(NotFoundError):
            self._tempo.follow(kept.source or None)
        if kept.clock.running and self._after_restart is AfterRestart.SILENT:
            position = max(0, clock.position_ticks)
            clock.stand(clock.map.tick_of_bar(clock.map.bar_at(position)))
        transport.set_gates()
        gap_ns = clock.next_due_ns - last_ns
        self._effects.revision += 1
        self._effects.event(events.Resumed, gap_ms=round(gap_ns / NS_PER_MS), transport=clock.state)
        return gap_ns

    # Outputs come and go

    def output_opened(self, wire: Wire, *, takes_pieces: bool) -> None:
        """A port is there, and its devices get what they have missed.

        After `go_on` that is as the head of this module says. When only the port had gone, those that ran are
        sent where transport stands; while it runs, all of them are, and join in.
        """
        missed = 0
        if wire in self._unaware and self._returns is not None:
            self._unaware.discard(wire)
            missed = self._owe_what_an_engine_left(wire, self._returns)
        else:
            if wire.ran or self._transport.clock.state is State.RUNNING:
                wire.owed = [*self._where(wire), *wire.owed]
            wire.ran = False
        self._serve(wire, takes_pieces=takes_pieces)
        if missed and wire.clock:
            self._ticks.catch_up(wire, missed)

    def _owe_what_an_engine_left(self, wire: Wire, kept: Kept) -> int:
        """Owe a wire silence and, where devices ran, their place; return the ticks that it gets instead."""
        one = self._transport.devices.by_output.get(wire.timed)
        stop: list[bytes] = []
        missed: int | None = None
        if kept.clock.running and one is not None:
            stopped = self._transport.clock.state is State.STOPPED
            if self._after_restart is AfterRestart.CATCH_UP and not stopped:
                missed = self._missed(one, kept)
            if missed is not None:
                one.running = True
            elif wire.transport:
                stop = self._place_as_sent(one)
        wire.owed = [*stop, *SILENCE, *wire.owed]
        return missed or 0

    def _serve(self, wire: Wire, *, takes_pieces: bool) -> None:
        """Send all that the devices on a wire need, in the order in which they need it."""
        effects = self._effects
        now_ns, sink = effects.now_ns, effects.sink
        wire.connected, wire.takes_pieces = True, takes_pieces
        wire.busy_until_ns = now_ns
        self._transport.set_gates()
        # 1. What is owed: what ends what they were left with, before anything else sounds.
        owed, wire.owed = wire.owed, []
        for data in owed:
            wire.offer(data, now_ns, sink)
        # 2. Whether their own keys play them, which their memory may have forgotten.
        for output in wire.outputs:
            for data in output.local_control():
                wire.offer(data, now_ns, sink)
        # 3. Their sounds, and behind them, as a program change resets controls, what moves and holds there.
        if self._songs.on.song is not None:
            self._songs.send_patches(wire)
            self._routes.bring_along(wire)
        self._routes.reroute_loops()
        self._panel.light_again(wire)
        for output in wire.outputs:
            effects.event(events.PortOpened, output.name, "output", wire.number)

    def output_lost(self, wire: Wire, unsent: Iterable[bytes], why: str, since_ns: int | None) -> None:
        """A port has gone: what its devices were holding is ended when it comes back.

        `unsent` are messages that its port did not take any more; `why` is a line for people; since
        `since_ns`, or now, nothing may have got through.
        """
        now_ns = self._effects.now_ns
        wire.ran = wire.ran or self._may_run(wire)
        self._routes.lose_output(wire, [data for data in unsent if is_release(data)])
        for output in wire.outputs:
            self._effects.event(
                events.PortClosed,
                device=output.name,
                direction="output",
                output=wire.number,
                why=why,
                since_ns=since_ns or now_ns,
            )

    def _may_run(self, wire: Wire) -> bool:
        """Return whether what is on a wire may run: transport that was sent last may not have arrived."""
        one = self._transport.devices.by_output.get(wire.timed)
        since_ns = self._effects.now_ns - DOUBTFUL_NS
        transport = (START_BYTES, CONTINUE_BYTES, STOP_BYTES)
        doubtful = any(data in wire.sent and wire.sent[data] > since_ns for data in transport)
        return doubtful or (one is not None and one.running)

    # Inputs come and go

    def input_opened(self, input: Input) -> None:
        """A device can be heard (again)."""
        self._routes.reroute_loops()
        self._effects.event(events.PortOpened, input.name, "input", output=None)

    def input_lost(self, input: Input, why: str) -> None:
        """A device cannot be heard any more, so its releases will not come: what it holds ends now."""
        self._routes.lose_input(input)
        self._panel.lose_input(input.name)
        now_ns = self._effects.now_ns
        self._effects.event(events.PortClosed, input.name, "input", output=None, why=why, since_ns=now_ns)

    # Where devices are sent

    def _where(self, wire: Wire) -> list[bytes]:
        """Return what puts the transport of the devices on a wire right."""
        one = self._transport.devices.by_output.get(wire.timed)
        return [] if one is None or not wire.transport else self._place_as_sent(one)

    def _missed(self, one: DeviceClock, kept: Kept) -> int | None:
        """Return how many ticks of its own a device has missed; None when they are too many."""
        clock = self._transport.clock
        behind = one.delay_ns
        last_ns = clock.segment.due_ns(kept.last_tick)
        from_tick = clock.segment.tick_at(last_ns - behind) + 1
        to_tick = clock.segment.tick_at(self._effects.now_ns - behind) + 1
        if to_tick - from_tick > CATCH_UP_MOST:
            return None
        return one.own_ticks(from_tick - clock.origin_tick, to_tick - clock.origin_tick)

    def _place_as_sent(self, one: DeviceClock) -> list[bytes]:
        """Return what a device that ran gets before anything else, and have it join in where it shall."""
        clock, mode = self._transport.clock, one.timing.start
        ran = one.running or (self._returns is not None and one.output.name in self._returns.started)
        one.running = False
        if mode is StartMode.NEVER:
            return []
        if mode is not StartMode.TRANSPORT:
            if ran and clock.state is not State.STOPPED:
                one.start_at(Wanted.CYCLE if one.cycle_ticks else Wanted.BAR)
                self._transport.devices.refresh()
            return [STOP_BYTES]
        position = clock.position_ticks
        if clock.state is not State.STOPPED:
            tick = self._bar_to_join()
            one.join_at(tick)
            self._transport.devices.refresh()
            position = tick - clock.origin_tick
        if position % TICKS_PER_SPP_UNIT or not 0 <= position // TICKS_PER_SPP_UNIT <= SPP_MAX:
            return [STOP_BYTES]  # a place that cannot be sent: the device goes on from where it stands
        return [STOP_BYTES, song_position(position // TICKS_PER_SPP_UNIT)]

    def _bar_to_join(self) -> int:
        """Return the first tick of a bar that is far enough away and, if there is one, can be sent."""
        clock = self._transport.clock
        first = tick = clock.next_bar(clock.segment.tick_at(self._effects.now_ns + LOCATE_NS) + 1)
        for _ in range(_BARS_LOOKED_AT):
            if (tick - clock.origin_tick) % TICKS_PER_SPP_UNIT == 0:
                return tick
            tick = clock.next_bar(tick + 1)
        return first
