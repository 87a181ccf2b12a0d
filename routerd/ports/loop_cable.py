"""Loop cables of simulated ports: what leaves an output arrives at an input when its wire has carried it.

One thread delivers everything in the order of arrival. A SysEx that was handed over in pieces arrives whole
with its last one, as an input port gives it; real-time bytes between the pieces arrive by themselves.
"""

from __future__ import annotations

import heapq
import itertools
import threading
from collections.abc import Callable
from time import monotonic_ns

from routerd.core.midi.messages import SYSEX, SYSEX_END

Deliver = Callable[[str, bytes, int], None]
"""Called with the device that hears, a whole message, and its arrival in ns of CLOCK_MONOTONIC."""

MOST_WAITING = 10_000


class LoopCables:
    """Carries messages from outputs to inputs. `dropped` counts what was too much at once."""

    def __init__(self, deliver: Deliver) -> None:
        """The thread begins at once, with the scheduling of whoever makes this."""
        self.dropped = 0
        self._deliver = deliver
        self._numbers = itertools.count()
        self._waiting: list[tuple[int, int, str, bytes]] = []
        self._pieces: dict[str, bytes] = {}
        self._stir = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="loop cables", daemon=True)
        self._thread.start()

    def carry(self, device: str, data: bytes, at_ns: int) -> None:
        """Have bytes arrive at the input of `device` at `at_ns`; returns at once."""
        if data[0] in (SYSEX, SYSEX_END) or data[0] < 0x80:
            data = self._pieces.pop(device, b"") + data
        if data[0] == SYSEX and data[-1] != SYSEX_END:
            self._pieces[device] = data
            return
        with self._stir:
            if len(self._waiting) >= MOST_WAITING:
                self.dropped += 1
                return
            heapq.heappush(self._waiting, (at_ns, next(self._numbers), device, data))
            self._stir.notify()

    def close(self) -> None:
        """Deliver nothing more."""
        with self._stir:
            self._closing = True
            self._stir.notify()
        self._thread.join(1)

    def _run(self) -> None:
        while True:
            with self._stir:
                while not self._closing and (left_ns := self._left_ns()) != 0:
                    self._stir.wait(None if left_ns is None else left_ns / 1e9)
                if self._closing:
                    return
                _, _, device, data = heapq.heappop(self._waiting)
            self._deliver(device, data, monotonic_ns())

    def _left_ns(self) -> int | None:
        """Return how long until the next arrival, 0 when it is due, None without one."""
        return max(0, self._waiting[0][0] - monotonic_ns()) if self._waiting else None
