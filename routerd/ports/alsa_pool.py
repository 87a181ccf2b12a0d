"""More room in the kernel for what arrives at one of our sequencer clients.

A client's pool has 200 cells by default, and a SysEx of 2 KB alone takes 80: what a device sends in one go
while the reading thread waits for the processor is lost, with a line on standard error at best. RtMidi has
no call for it, so it is asked for at the open file of its client.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from routerd.ports.sequencer import DEVICE, client_of, enlarge_input

INPUT_CELLS = 2000
"""The most that the kernel gives: some 50 KB of SysEx, or 2000 short messages."""


def give_room(client: int) -> bool:
    """Give client number `client`, of this process, the largest input pool; False when that is refused."""
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError, ValueError):
            descriptor = int(entry.name)
            if entry.readlink() == Path(DEVICE) and client_of(descriptor) == client:
                enlarge_input(descriptor, client, INPUT_CELLS)
                return True
    return False
