"""What the engine records of messages for the server to count and to look at: bounded, never waited for.

Routing times are counted in cells, eight to each doubling, so that a time is known to within an eighth
of itself; counting takes no memory however many messages come. Whole messages are kept only while the server
has asked for them (a tap), each packed as the link wants it at once; what overflows is dropped and counted.
"""

from __future__ import annotations

from collections import deque

from routerd.link.frames import INPUT_BIT, pack_tap

TAP_LIMIT = 20_000
"""Messages that wait for the event loop, which fetches them twenty times a second."""

_LONGEST_TAPPED = 65_000

CELLS = 8 * 40
"""Times of up to 2**40 ns, 18 minutes; longer ones are counted as that long."""


class Recorder:
    """Filled by the real-time worker, emptied by the event loop."""

    __slots__ = ("_cells", "_taps", "dropped", "on")

    def __init__(self) -> None:
        self.on = False
        self._taps: deque[bytes] = deque()
        self.dropped = 0
        self._cells = [0] * CELLS

    def routed(self, took_ns: int) -> None:
        """Count a message that went straight through, from its arrival until the last port had it."""
        self._cells[cell_of(took_ns)] += 1

    def came_in(self, input_number: int, data: bytes, at_ns: int) -> None:
        """Keep a message of a device; called only while `on`."""
        self._keep(at_ns, INPUT_BIT | input_number, data)

    def went_out(self, output: int, data: bytes, at_ns: int) -> None:
        """Keep a message, or a piece of a SysEx, that a port has taken; called only while `on`."""
        self._keep(at_ns, output, data)

    def _keep(self, at_ns: int, way: int, data: bytes) -> None:
        if len(self._taps) >= TAP_LIMIT or len(data) > _LONGEST_TAPPED:
            self.dropped += 1
            return
        self._taps.append(pack_tap(at_ns, way, data))

    def take_taps(self) -> list[bytes]:
        """Return the messages so far, as the link packs them."""
        taps = self._taps
        return [taps.popleft() for _ in range(len(taps))]

    def take_times(self) -> list[tuple[int, int]]:
        """Return the upper edge in ns and the count of every cell that was hit since the last call."""
        cells, self._cells = self._cells, [0] * CELLS
        return [(upper_ns(number), count) for number, count in enumerate(cells) if count]


def cell_of(took_ns: int) -> int:
    """Return the cell that counts a time."""
    if took_ns < 16:
        return max(0, took_ns)
    exponent = took_ns.bit_length() - 4
    return min(CELLS - 1, (exponent << 3) + (took_ns >> exponent))


def upper_ns(cell: int) -> int:
    """Return the longest time that a cell counts."""
    if cell < 16:
        return cell
    exponent = (cell >> 3) - 1
    return (((cell & 7) + 9) << exponent) - 1
