"""Hears ticks from outside: a UDP socket with the kernel's receive stamps, in a process of its own.

    python -m tests.bench.observer ADDRESS_PORT DEVICE SECONDS [until-eof]

joins the far end of simulated ports, keeps the kernel's stamp (SO_TIMESTAMPNS) of every tick that
reaches DEVICE, and prints them as JSON: [[datagram's own arrival in ns of CLOCK_MONOTONIC, kernel stamp
brought over to CLOCK_MONOTONIC], ...]. With until-eof it ends as soon as its standard input does.
"""

from __future__ import annotations

import json
import select
import sys
import time

from routerd.core.midi.messages import TICK_BYTES
from routerd.ports.far_end import FarEnd


def realtime_minus_monotonic_ns() -> int:
    """Return CLOCK_REALTIME − CLOCK_MONOTONIC, the best of some tries (least time between the readings)."""
    best = (1 << 62, 0)
    for _ in range(1000):
        before_ns = time.monotonic_ns()
        wall_ns = time.time_ns()
        after_ns = time.monotonic_ns()
        best = min(best, (after_ns - before_ns, wall_ns - (before_ns + after_ns) // 2))
    return best[1]


def main() -> None:
    """See the module's head."""
    port, device, seconds = int(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    watch_input = sys.argv[4:] == ["until-eof"]
    stamps: list[tuple[int, int]] = []
    offset_ns = realtime_minus_monotonic_ns()
    with FarEnd(("127.0.0.1", port), kernel_stamps=True) as far_end:
        far_end.listen(device=device)
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            arrival = far_end.receive(0.2)
            if arrival is not None and arrival.device == device and arrival.data == TICK_BYTES:
                stamps.append((arrival.arrival_ns, arrival.kernel_ns - offset_ns))
            if watch_input and select.select([sys.stdin], [], [], 0)[0] and not sys.stdin.read(1):
                break
    print(json.dumps(stamps))


if __name__ == "__main__":
    main()
