"""Where the time of a tick goes: from when the clock thread wanted to wake until the last port has it.

    python -m tests.bench.tick_parts [--seconds 30]

routerd's worker with six clocked simulated ports at 240 BPM, heard by another process, and cyclictest of the
same interval beside it. The worker is the real one; what it calls is noted on the way, which costs it a µs.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Any

from routerd.core.model.rig import Device, Rig
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.core.units import parse_bpm
from routerd.engine.realtime import PORT_PRIORITY, calm_interpreter, make_thread_realtime, prepare_process
from routerd.engine.worker import SPIN_NS, Worker
from routerd.ports.simulated import SimulatedPorts
from tests.bench.ticks import BPM, cyclictest, histogram, percentile

PORTS = 6
HEAR = "import socket, sys\ns = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)\n"
HEAR += "s.sendto(b'L', ('127.0.0.1', int(sys.argv[1])))\nwhile s.recv(99): pass"


class Noted:
    """The lock that a clock thread sleeps on; notes when it woke."""

    def __init__(self, lock: Any) -> None:
        self._lock = lock
        self.woke_ns = 0
        self.release = lock.release

    def acquire(self, timeout: float) -> bool:
        """Wait as the lock does."""
        got: bool = self._lock.acquire(timeout=timeout)
        self.woke_ns = time.monotonic_ns()
        return got


def measure(seconds: float) -> dict[str, list[float]]:
    """Return what each part took, in µs."""
    devices = tuple(Device(f"port {i}", output_pattern=f"port {i}", clock=True) for i in range(PORTS))
    compiler = Compiler(Rig("bench", devices))
    compiler.add(Song("one", "One", parse_bpm(str(BPM))))
    book = compiler.finish(SetList("all", ("one",)))
    system = SimulatedPorts()
    system.provide(devices)
    system.watch(lambda: None)
    hearing = subprocess.Popen([sys.executable, "-c", HEAR, str(system.address[1])])
    worker = Worker(Show(time.monotonic_ns()), lambda: None)
    wake = Noted(worker._wake)
    worker._wake = wake  # type: ignore[assignment]
    found: dict[str, list[float]] = {name: [] for name in PARTS}
    last: list[int] = [0, 0, 0]

    def guard(function: Callable[[int], None], now_ns: int) -> None:
        begin_ns = time.monotonic_ns()
        function(now_ns)
        if worker._effects.sink and wake.woke_ns > last[0]:
            last[:] = wake.woke_ns, begin_ns, time.monotonic_ns()

    def mark(_tick: int) -> None:
        woke_ns, begin_ns, ready_ns = last
        due_ns = worker.show.ticks.due_ns
        if due_ns - woke_ns < 2 * SPIN_NS:
            notes.append((due_ns, woke_ns, begin_ns, ready_ns))

    notes: list[tuple[int, int, int, int]] = []
    worker._guard = guard  # type: ignore[method-assign]
    worker.mark = mark
    worker.call(lambda now_ns: worker.show.load(book, 1, now_ns))
    clock = threading.Thread(target=worker.run, daemon=True)
    clock.start()
    for wire in book.wires:
        (info,) = (one for one in system.outputs() if one.handle == wire.outputs[0].name)
        worker.ports[wire] = system.open_output(info)
        worker.call(partial(worker.show.output_opened, wire, False))
    time.sleep(1)
    notes.clear()
    worker.take_records()
    time.sleep(seconds)
    worker.stop()
    clock.join()
    by_due: dict[int, list[int]] = {}
    for record in worker.take_records()[0]:
        by_due.setdefault(record.due_ns, []).append(record.sent_ns)
    for due_ns, woke_ns, begin_ns, ready_ns in notes:
        sent = by_due.get(due_ns, [])
        if len(sent) != PORTS:
            continue
        first, last_sent = sent[0], sent[-1]
        values: tuple[float, ...] = (
            woke_ns - (due_ns - SPIN_NS),
            begin_ns - woke_ns,
            ready_ns - begin_ns,
            due_ns - ready_ns,
            first - due_ns,
            (last_sent - first) / (PORTS - 1),
            last_sent - first,
            last_sent - due_ns,
        )
        for name, value in zip(PARTS, values, strict=True):
            found[name].append(value / 1000)
    hearing.kill()
    hearing.wait()
    system.close()
    return found


PARTS = (
    "wakes after it wanted to",
    "has interpreter and show",
    "has worked the tick out",
    "then watches the clock for",
    "the first port has it after its time by",
    "each further port takes",
    "the last has it after the first by",
    "the last has it after its time by",
)


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30)
    seconds = parser.parse_args().seconds
    prepare_process()
    make_thread_realtime(PORT_PRIORITY)
    calm_interpreter()
    reference = cyclictest(seconds) if shutil.which("cyclictest") else None
    found = measure(seconds)
    if reference is not None:
        found["cyclictest beside it"] = histogram(reference.communicate()[0])
    print(f"{'µs':42}{'p1':>9}{'p50':>9}{'p99':>9}{'p99.9':>9}")
    for name, values in found.items():
        print(f"{name:42}" + "".join(f"{percentile(values, one):9.1f}" for one in (0.01, 0.5, 0.99, 0.999)))


if __name__ == "__main__":
    main()
