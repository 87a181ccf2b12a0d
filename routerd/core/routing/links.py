"""What is known of cables: outputs that an input hears, proven by a probe that came back; see `loops`.

`Links` owns that knowledge, and what a message comes to over it by the routes in force. It asks nothing and
withholds nothing.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from routerd.core.midi.messages import SYSEX
from routerd.core.routing.converters import Converter
from routerd.core.units import DIN_BYTE_NS, NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

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


class Links:
    """All links that are known now. `known` is by output and input; it is changed here only."""

    __slots__ = ("_closing", "known")

    def __init__(self) -> None:
        self.known: dict[tuple[Wire, Input], Link] = {}
        self._closing: dict[tuple[Input, int], tuple[Link, ...]] = {}
        """By input and status byte: links that close a loop for such a message."""

    def add(self, wire: Wire, input: Input) -> Link:
        """Return the link of an output to an input that has just been proven for the first time."""
        link = self.known[wire, input] = Link(wire, input)
        self._closing.clear()
        return link

    def drop_unproven(self, wire: Wire, asked_ns: int) -> Iterator[Input]:
        """Forget each link of an output that no probe has proven since it was asked about; yield its
        input."""
        for key, link in list(self.known.items()):
            if key[0] is wire and link.proven_ns < asked_ns:
                del self.known[key]
                self._closing.clear()
                yield link.input

    def drop(self, gone: set[object]) -> None:
        """Forget the links of outputs and inputs that are there no more."""
        for key in [key for key in self.known if gone & set(key)]:
            del self.known[key]
        self.rerouted()

    def rerouted(self) -> None:
        """Routes have changed: find anew what closes a loop."""
        self._closing.clear()

    def expect(self, wire: Wire, data: bytes, now_ns: int) -> None:
        """Expect a message back where that output is heard."""
        for link in self.known.values():
            if link.wire is wire:
                link.expect(data, now_ns)

    def explaining(self, input: Input, data: bytes, sent_ns: int) -> Link | None:
        """Return the link over which a message that went out at `sent_ns` or later may have come."""
        for (wire, heard_by), link in self.known.items():
            if heard_by is input and wire.sent.get(data, LONG_AGO_NS) >= sent_ns:
                return link
        return None

    def is_looped(self, input: Input) -> bool:
        """Return whether some message that comes in there goes round."""
        return any(self.closing(input, status) for status in range(0x80, SYSEX + 1))

    def closing(self, input: Input, status: int) -> tuple[Link, ...]:
        """Return the links into an input that close a loop for a message with that status byte."""
        found = self._closing.get((input, status))
        if found is None:
            closed_over = reached(input, status, self.known.values())
            found = tuple(
                link for link in self.known.values() if link.input is input and link.wire in closed_over
            )
            self._closing[input, status] = found
        return found


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
