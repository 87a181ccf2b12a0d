"""The clocks of all devices of a rig: which of them need looking at, and how late each is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from routerd.core.clock.device_clock import DeviceClock
from routerd.core.clock.time_code import TimeCoder
from routerd.core.model.timing import PLAIN_TIMING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator

    from routerd.core.clock.clock import Clock
    from routerd.core.clock.schedule import Schedule
    from routerd.core.model.snapshot import DeviceClockState, Wanted
    from routerd.core.model.timing import Timing
    from routerd.core.output.wire import Output


def _wants(timing: Timing) -> bool:
    return timing.pulse is not None or timing.mtc is not None


class DeviceClocks:
    """The clocks of all devices of a rig: which need looking at, and how late each is.

    `lead_ns` is by how much the earliest device is earlier than one without an offset: all others wait so
    long.
    """

    def __init__(
        self,
        outputs: tuple[Output, ...],
        timings: dict[str, Timing],
        schedule: Schedule,
        in_songs: Collection[str] = (),
    ) -> None:
        """`in_songs`: the devices that want their clock otherwise in some song."""
        self._timings = timings
        wanting = [
            o
            for o in outputs
            if o.clock or o.transport or o.name in in_songs or _wants(timings.get(o.name, PLAIN_TIMING))
        ]
        offsets = [timings.get(o.name, PLAIN_TIMING).offset_ns for o in wanting]
        self.lead_ns = max(0, -min(offsets, default=0))
        self.by_output = {
            output: DeviceClock(
                output, timings.get(output.name, PLAIN_TIMING), offset + self.lead_ns, schedule
            )
            for output, offset in zip(wanting, offsets, strict=True)
        }
        self._shown = tuple(self._pair_up(outputs))
        self._reported: list[tuple[object, ...]] = []
        self._told: dict[str, tuple[bool | None, Wanted | None]] = {}
        self.coders = tuple(
            TimeCoder(output, one.timing.mtc, one.delay_ns, schedule)
            for output, one in self.by_output.items()
            if one.timing.mtc is not None
        )
        self.straight: tuple[Output, ...] = ()
        """The outputs that get the grid's ticks as they come."""
        self.busy: tuple[DeviceClock, ...] = ()
        self.use((), 0)

    def use(self, timings: Iterable[tuple[str, Timing]], now_ns: int) -> None:
        """Have these devices' clocks as a song wants them, all others as the rig says."""
        wanted = dict(timings)
        for output, one in self.by_output.items():
            usual = self._timings.get(output.name, PLAIN_TIMING)
            one.use(wanted.get(output.name, usual), now_ns)
        self.straight = tuple(o for o, one in self.by_output.items() if o.clock and one.plain)
        self.refresh()

    def refresh(self) -> None:
        """Find anew which of them have something to do at a tick."""
        self.busy = tuple(one for one in self.by_output.values() if one.busy)

    def song_entered(self, now_ns: int, clock: Clock) -> None:
        """A song has been entered: start what starts by itself, in this gap where there is room."""
        for one in self.by_output.values():
            one.song_entered(clock)
        self.start_in_gap(now_ns, clock)

    def start_in_gap(self, now_ns: int, clock: Clock) -> None:
        """Start what is wanted for the tick that comes next."""
        for one in self.by_output.values():
            one.start_in_gap(now_ns, clock)
        self.refresh()

    def take_over(self, before: DeviceClocks) -> None:
        """Keep what runs over a change of the rig."""
        self._told = before._told
        for output, one in self.by_output.items():
            old = before.by_output.get(output)
            if old is not None:
                one.take_over(old)
        self.refresh()

    def miss(self, ticks: int) -> None:
        """Ticks were given up: no device has counted them."""
        for one in self.by_output.values():
            one.miss(ticks)

    def find(self, name: str) -> DeviceClock | None:
        """Return the clock of the device of that name, if its port gets transport."""
        for output, one in self.by_output.items():
            if output.transport and any(other.name == name for other in output.wire.outputs):
                return one
        return None

    def changed(self) -> bool:
        """Return whether any stands otherwise than when this was last asked."""
        standings = [one.standing for one in self.by_output.values()]
        if standings == self._reported:
            return False
        self._reported = standings
        return True

    def news(self) -> list[DeviceClockState]:
        """Return the devices that run or wait otherwise than when this was last asked."""
        news = []
        for state in self.states():
            before = self._told.get(state.device, (False if state.running is not None else None, None))
            if (state.running, state.waits_for) != before:
                self._told[state.device] = state.running, state.waits_for
                news.append(state)
        return news

    def states(self) -> tuple[DeviceClockState, ...]:
        """Return where every device stands that gets clock, transport, pulses or time code."""
        return tuple([one.state(name) for name, one in self._shown])

    def _pair_up(self, outputs: tuple[Output, ...]) -> Iterator[tuple[str, DeviceClock]]:
        """Yield each device with its clock; of several on one wire that is the clock of one of them."""
        on_wire = {output.wire: one for output, one in self.by_output.items() if output.clock}
        on_wire |= {output.wire: one for output, one in self.by_output.items() if output.transport}
        for output in outputs:
            one = self.by_output.get(output)
            if one is None and output.device.timed:
                one = on_wire.get(output.wire)
            if one is not None:
                yield output.name, one
