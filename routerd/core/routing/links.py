"""Outputs that an input hears, and where a message comes to over them; see `loops`."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from routerd.core.midi.messages import SYSEX
from routerd.core.routing.converters import Converter
from routerd.core.units import DIN_BYTE_NS, NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Collection

    from routerd.core.output.wire import Wire
    from routerd.core.routing.input import Input

LONG_AGO_NS = -(1 << 62)

MAX_EXPECTED = 2048
"""Different messages, and times of one message."""

EARLY_NS = 2 * NS_PER_MS
LATE_NS = 50 * NS_PER_MS


class Link:
    """An input that hears an output."""

    __slots__ = ("expected", "input", "lag_ns", "proven_ns", "wire")

    def __init__(self, wire: Wire, input: Input) -> None:
        self.wire = wire
        self.input = input
        self.lag_ns = 0
        self.proven_ns = LONG_AGO_NS
        """When a probe came back last."""
        self.expected: dict[bytes, deque[int]] = {}
        """What has gone to the output and not come back yet, and when it went."""

    def expect(self, data: bytes, sent_ns: int) -> None:
        """Expect a message that goes to the output."""
        if len(self.expected) > MAX_EXPECTED:
            self.expected.clear()
        self.expected.setdefault(data, deque(maxlen=MAX_EXPECTED)).append(sent_ns)

    def takes(self, data: bytes, now_ns: int) -> bool:
        """Take a message off those expected, if it is one that is due about now."""
        times = self.expected.get(data)
        late_ns = 2 * (self.lag_ns + len(data) * DIN_BYTE_NS) + LATE_NS
        while times and now_ns - times[0] > late_ns:
            times.popleft()
        if not times or now_ns - times[0] < self.lag_ns // 2 - EARLY_NS:
            return False
        times.popleft()
        return True


def reached(input: Input, status: int, links: Collection[Link]) -> set[Wire]:
    """Return the outputs that a message comes to by routes and by links that are proven."""
    found: set[Wire] = set()
    seen = {(input, status)}
    waiting = [(input, status)]
    while waiting:
        one, now = waiting.pop()
        for target, status_out, _, _ in one.table[now - 0x80]:
            wire = target.output.wire
            found.add(wire)
            # a converter may make anything of a message
            becomes = range(0x80, SYSEX) if isinstance(target, Converter) else (status_out,)
            for link in links:
                if link.wire is wire:
                    for status_in in becomes:
                        if (link.input, status_in) not in seen:
                            seen.add((link.input, status_in))
                            waiting.append((link.input, status_in))
    return found
