"""More room in the kernel for what arrives at one of our sequencer clients.

A client's pool has 200 cells by default, and a SysEx of 2 KB alone takes 80: what a device sends in one go
while the reading thread waits for the processor is lost, with a line on standard error at best. RtMidi has
no call for it, so it is asked for at the open file of its client. Structure and numbers are those of the
kernel's include/uapi/sound/asequencer.h.
"""

from __future__ import annotations

import contextlib
import fcntl
import struct
from pathlib import Path

INPUT_CELLS = 2000
"""The most that the kernel gives: some 50 KB of SysEx, or 2000 short messages."""

_SEQUENCER = Path("/dev/snd/seq")
_POOL = struct.Struct("@6i64x")
_READ, _WRITE = 0x80000000, 0x40000000


def _request(direction: int, number: int, size: int) -> int:
    return direction | size << 16 | ord("S") << 8 | number


_CLIENT_ID = _request(_READ, 0x01, struct.calcsize("@i"))
_GET_POOL = _request(_READ | _WRITE, 0x4B, _POOL.size)
_SET_POOL = _request(_WRITE, 0x4C, _POOL.size)


def give_room(client: int) -> bool:
    """Give client number `client`, of this process, the largest input pool; False when that is refused."""
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError, ValueError):
            descriptor = int(entry.name)
            if entry.readlink() == _SEQUENCER and _client_of(descriptor) == client:
                _, output, _, room, *_ = _POOL.unpack(
                    fcntl.ioctl(descriptor, _GET_POOL, _POOL.pack(client, 0, 0, 0, 0, 0))
                )
                fcntl.ioctl(descriptor, _SET_POOL, _POOL.pack(client, output, INPUT_CELLS, room, 0, 0))
                return True
    return False


def _client_of(descriptor: int) -> int:
    answer: bytes = fcntl.ioctl(descriptor, _CLIENT_ID, struct.pack("@i", 0))
    return int(struct.unpack("@i", answer)[0])
