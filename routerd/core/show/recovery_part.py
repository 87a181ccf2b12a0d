"""Going on where an engine has died: on the same grid, in the same place, with every device put right.

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
from typing import TYPE_CHECKING, Any

from routerd.core.clock.transport import State
from routerd.core.errors import NotFoundError
from routerd.core.midi.messages import STOP_BYTES, song_position
from routerd.core.model.rig import AfterRestart
from routerd.core.model.snapshot import Wanted
from routerd.core.model.timing import StartMode
from routerd.core.show.commands_part import SILENCE, ShowCommands
from routerd.core.units import NS_PER_MS, SPP_MAX, TICKS_PER_QUARTER, TICKS_PER_SPP_UNIT

if TYPE_CHECKING:
    from routerd.core.clock.device_clock import DeviceClock
    from routerd.core.output.wire import Wire
    from routerd.core.show.compiler import CompiledBook
    from routerd.core.show.crash_state import Kept

LOCATE_NS = 200 * NS_PER_MS
"""What a device gets at least to find a position, for which it may need some time (M1 p. 28)."""

CATCH_UP_MOST = 4 * TICKS_PER_QUARTER

_BARS_LOOKED_AT = 8
"""Within so many bars one begins on a sixteenth, whatever the meter: a bar has at least three ticks."""


class ShowReturn(ShowCommands):
    """The layer above what can be asked."""

    __slots__ = ()

    def go_on(self, kept: Kept, now_ns: int) -> int:
        """Take up what another engine has left, after `load` and before any tick; return the gap in ns.

        The gap is that from the last tick that went out to the next one.
        """
        now_ns = self.effects.enter(now_ns)
        clock = self.transport.clock
        last_ns = self.transport.take_up(kept)
        self.ticks.number = clock.next_tick - 1
        self._returns = kept
        self._to_tell = set(self.book.wires)
        with contextlib.suppress(NotFoundError):
            self.tempo.follow(kept.source)
        if kept.clock.running and self._after_restart is AfterRestart.SILENT:
            position = max(0, clock.position_ticks)
            clock.stand(clock.map.tick_of_bar(clock.map.bar_at(position)))
        self.transport.set_gates()
        gap_ns = clock.next_due_ns - last_ns
        self.effects.revision += 1
        self.effects.event("resumed", gap_ms=round(gap_ns / NS_PER_MS), transport=clock.state.value)
        return gap_ns

    def complete(self, book: CompiledBook, generation: int, now_ns: int, place: dict[str, Any]) -> None:
        """Put the whole book in place of one that lacked songs, with what the place says of those."""
        before = self.book.subjects
        self.load(book, generation, now_ns)
        self._ticks.restore(place.get("checked"), {n: s.song.checklist for n, s in book.songs.items()})
        self.mutes.restore(place.get("muted"), place.get("soloed"), book.subjects - before)
        self._install(self._on.section)
        armed = place.get("armed")
        if self.armed.change is None and isinstance(armed, dict):
            self._arm_again(armed, same_song=self._on.identifier == place.get("song"))
        self.effects.revision += 1

    @property
    def _after_restart(self) -> AfterRestart:
        return self.book.rig.after_restart

    def output_opened(self, wire: Wire, takes_pieces: bool, now_ns: int) -> None:
        """A port is there, and its devices are told what they have missed.

        After `go_on` that is as the head of this module says. When only the port had gone, those that ran are
        told where transport stands; while it runs, all of them are, and join in.
        """
        if wire not in self._to_tell or self._returns is None:
            if wire.ran or self.transport.clock.state is State.RUNNING:
                wire.owed = [*self._where(wire, max(now_ns, self.effects.now_ns)), *wire.owed]
            wire.ran = False
            super().output_opened(wire, takes_pieces, now_ns)
            return
        self._to_tell.discard(wire)
        kept, one = self._returns, self.transport.devices.by_output.get(wire.timed)
        stop: list[bytes] = []
        missed: int | None = None
        if kept.clock.running and one is not None:
            if (
                self._after_restart is AfterRestart.CATCH_UP
                and self.transport.clock.state is not State.STOPPED
            ):
                missed = self._missed(one, kept, max(now_ns, self.effects.now_ns))
            if missed is not None:
                one.running = True
            elif wire.transport:
                stop = self._place_told(one, max(now_ns, self.effects.now_ns))
        wire.owed = [*stop, *SILENCE, *wire.owed]
        super().output_opened(wire, takes_pieces, now_ns)
        if missed and wire.clock:
            self.ticks.catch_up(wire, missed)

    def _where(self, wire: Wire, now_ns: int) -> list[bytes]:
        """Return what puts the transport of the devices on a wire right."""
        one = self.transport.devices.by_output.get(wire.timed)
        return [] if one is None or not wire.transport else self._place_told(one, now_ns)

    def _missed(self, one: DeviceClock, kept: Kept, now_ns: int) -> int | None:
        """Return how many ticks of its own a device has missed; None when they are too many."""
        clock = self.transport.clock
        behind = one.delay_ns
        last_ns = clock.segment.due_ns(kept.last_tick)
        from_tick = clock.segment.tick_at(last_ns - behind) + 1
        to_tick = clock.segment.tick_at(now_ns - behind) + 1
        if to_tick - from_tick > CATCH_UP_MOST:
            return None
        return one.own_ticks(from_tick - clock.origin_tick, to_tick - clock.origin_tick)

    def _place_told(self, one: DeviceClock, now_ns: int) -> list[bytes]:
        """Return what a device that ran is told before anything else, and have it join in where it shall."""
        clock, mode = self.transport.clock, one.timing.start
        ran = one.running or (self._returns is not None and one.output.name in self._returns.started)
        one.running = False
        if mode is StartMode.NEVER:
            return []
        if mode is not StartMode.TRANSPORT:
            if ran and clock.state is not State.STOPPED:
                one.start_at(Wanted.CYCLE if one.cycle_ticks else Wanted.BAR)
                self.transport.devices.look()
            return [STOP_BYTES]
        position = clock.position_ticks
        if clock.state is not State.STOPPED:
            tick = self._bar_to_join(now_ns)
            one.join_at(tick)
            self.transport.devices.look()
            position = tick - clock.origin_tick
        if position % TICKS_PER_SPP_UNIT or not 0 <= position // TICKS_PER_SPP_UNIT <= SPP_MAX:
            return [STOP_BYTES]  # a place that cannot be told: the device goes on from where it stands
        return [STOP_BYTES, song_position(position // TICKS_PER_SPP_UNIT)]

    def _bar_to_join(self, now_ns: int) -> int:
        """Return the first tick of a bar that is far enough away and, if there is one, can be told."""
        clock = self.transport.clock
        first = tick = clock.next_bar(clock.segment.tick_at(now_ns + LOCATE_NS) + 1)
        for _ in range(_BARS_LOOKED_AT):
            if (tick - clock.origin_tick) % TICKS_PER_SPP_UNIT == 0:
                return tick
            tick = clock.next_bar(tick + 1)
        return first
