"""What a process had read when it died is passed on by its copy, and nothing twice: it dies at every line."""

from __future__ import annotations

import contextlib
import itertools
import mmap
import os
import socket
import struct
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType, SimpleNamespace
from typing import Any, cast

import pytest

import routerd.ports
from routerd.ports.alsa import AlsaInput, QueueTime
from routerd.ports.base import Received
from routerd.ports.jack_link import JackLink
from routerd.ports.jack_process import IN_HEAD, LARGEST
from routerd.ports.reception import Reception
from routerd.ports.sequencer import EVENT, READ_BYTES, EventEncoder
from routerd.ports.simulated import SimulatedPorts
from routerd.ports.sysex_assembly import SysexAssembly
from tests.ports.test_simulated import KEYS

PLAYED = [
    bytes.fromhex(text) for text in ("90 3c 40", "f8", "90 3c 00", "c0 00", "f0 7d 00 00 f7", "80 3e 00")
]
"""Some end with zeros, as memory that has been cleared does."""


class Journal:
    """What has been taken, and when it came, in memory that outlives the process which takes it."""

    def __init__(self) -> None:
        self._memory = mmap.mmap(-1, mmap.PAGESIZE)
        self._size = 0

    def take(self, data: bytes, at_ns: int) -> None:
        """Take a message: at once, as no line of it is traced."""
        entry = struct.pack("=q", at_ns) + data.ljust(8, b"\xff")
        place = self._memory.find(bytes(16))
        self._memory[place : place + 16] = entry

    def entries(self) -> list[tuple[int, bytes]]:
        """Return arrivals and messages."""
        found = [self._memory[place : place + 16] for place in range(0, 16 * len(PLAYED) * 2, 16)]
        return [(*struct.unpack("=q", one[:8]), one[8:].rstrip(b"\xff")) for one in found if any(one)]


def dies_after(lines: int, body: Callable[[], None]) -> bool:
    """Run it in a copy of this process that ends before a line of the ports is run; return whether it did."""
    pid = os.fork()
    if pid == 0:
        left = itertools.count(lines, -1)
        ours = str(Path(routerd.ports.__file__).parent)

        def trace(frame: FrameType, event: str, _: object) -> Any:
            if not frame.f_code.co_filename.startswith(ours):
                return None
            if event == "line" and next(left) == 0:
                os._exit(1)
            return trace

        sys.settrace(trace)
        with contextlib.suppress(BlockingIOError):
            body()
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 1


Ports = tuple[Callable[[], None], Callable[[set[int]], None]]
"""What reads until all has been read, and what goes on in the copy until then."""


@contextlib.contextmanager
def simulated(received: Received) -> Iterator[Ports]:
    ports = SimulatedPorts()
    ports.provide([KEYS])
    ports.open_input(ports.inputs()[0], received)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far_end:
        for data in PLAYED:
            far_end.sendto(b"Ikeys\0" + data, ports.address)

    def read() -> None:
        while True:
            ports._take(socket.MSG_DONTWAIT)

    yield read, ports.go_on
    ports.close()


@contextlib.contextmanager
def jack(received: Received) -> Iterator[Ports]:
    link, (ours, its) = JackLink.__new__(JackLink), socket.socketpair()
    link._into, into = os.pipe()
    for number, data in enumerate(PLAYED):
        os.write(into, IN_HEAD.pack(1, len(data), 1000 + number) + data)
    os.close(into)
    link.inputs, link._lists, link._control = {1: received}, {}, ours
    link._reception = Reception(LARGEST)
    yield link._receive, link.go_on
    for end in (ours, its):
        end.close()


@contextlib.contextmanager
def alsa(received: Received) -> Iterator[Ports]:
    port = AlsaInput.__new__(AlsaInput)
    events, into = os.pipe()
    encoder = EventEncoder((20, 0), (128, 0))
    for event in map(encoder.encode, PLAYED):
        os.write(into, event + bytes(-len(event) % EVENT.size))  # as the kernel lays them out for its reader
    os.set_blocking(events, False)
    port.assembly, port._queue_time = SysexAssembly(), QueueTime()
    port._reception, port._open, port.faults = Reception(READ_BYTES), True, 0
    port._client = cast("Any", SimpleNamespace(descriptor=events, close=lambda: None))
    port._received = received
    yield port._read, port.go_on
    os.close(events)
    os.close(into)


@pytest.mark.parametrize("system", [simulated, jack, alsa])
def test_whatever_line_a_process_dies_at_each_message_is_taken_once(
    system: Callable[[Received], contextlib.AbstractContextManager[Ports]],
) -> None:
    for lines in itertools.count():
        journal, before = Journal(), threading.enumerate()
        with system(journal.take) as (read, go_on):
            died = dies_after(lines, read)
            go_on({at_ns for at_ns, _ in journal.entries()})
            for thread in threading.enumerate():
                if thread not in before and thread.name in ("jack inputs", "alsa input"):
                    thread.join()
        assert [data for _, data in journal.entries()] == PLAYED, f"died after {lines} lines"
        if not died:
            break
    assert lines > 5 * len(PLAYED)
