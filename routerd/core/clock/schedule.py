"""What shall go out at a time of its own: ticks of devices with an offset, pulses, clicks, time code.

A heap by time; of one time, in the order in which things were put there. Bounded by what a tick puts into it.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.midi.messages import SYSEX, is_release
from routerd.core.units import NEVER_NS

if TYPE_CHECKING:
    from routerd.core.output.wire import Output

NO_TICK = -1
"""Number of what is no tick."""


class Timed(NamedTuple):
    """`data` goes to `output` at `at_ns`; `tick` is a tick's number, else NO_TICK."""

    at_ns: int
    order: int
    output: Output
    data: bytes
    tick: int


class Schedule:
    """Put with `put`, take with `take_due`; `next_ns` is when there is something to take."""

    def __init__(self) -> None:
        self.next_ns = NEVER_NS
        self._heap: list[Timed] = []
        self._order = 0

    def __len__(self) -> int:
        return len(self._heap)

    def put(self, at_ns: int, output: Output, data: bytes, tick: int = NO_TICK) -> None:
        """Have `data` sent at `at_ns`."""
        self._order += 1
        heapq.heappush(self._heap, Timed(at_ns, self._order, output, data, tick))
        self.next_ns = self._heap[0].at_ns

    @property
    def next_data(self) -> bytes:
        """What is to be taken next; raises IndexError when there is nothing."""
        return self._heap[0].data

    @property
    def next_output(self) -> Output:
        """Where it goes; raises IndexError when there is nothing."""
        return self._heap[0].output

    def take(self) -> Timed:
        """Take what comes next; raises IndexError when there is nothing."""
        timed = heapq.heappop(self._heap)
        self.next_ns = self._heap[0].at_ns if self._heap else NEVER_NS
        return timed

    def next_realtime_ns(self, output: Output) -> int:
        """Return when the next tick or transport byte of `output` goes out."""
        next_ns = NEVER_NS
        for at_ns, _, for_output, data, _ in self._heap:  # asked at every tick: no generator
            if for_output is output and at_ns < next_ns and data[0] >= 0xF8:
                next_ns = at_ns
        return next_ns

    def cancel(self, output: Output, data: bytes, from_ns: int) -> None:
        """Forget what would send `data` to `output` from `from_ns` on."""
        self._keep([t for t in self._heap if t.output is not output or t.data != data or t.at_ns < from_ns])

    def hush(self) -> None:
        """Forget what would begin to sound; ticks, transport and releases stay."""
        self._keep([t for t in self._heap if t.data[0] >= SYSEX or is_release(t.data)])

    def drop(self, outputs: set[Output]) -> None:
        """Forget everything for these outputs."""
        self._keep([t for t in self._heap if t.output not in outputs])

    def _keep(self, kept: list[Timed]) -> None:
        heapq.heapify(kept)
        self._heap = kept
        self.next_ns = kept[0].at_ns if kept else NEVER_NS
