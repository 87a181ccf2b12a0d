"""How long panic takes until the last port has its last message.

    python -m tests.bench.panic [--presses 200]

Eight devices on ports without a slow wire, two notes and a pedal held on each, clock running: from the foot
switch's message, handed in as an input port's thread does, until the last of the 536 messages is with its
port. What a system's port adds is not in it; on JACK each takes less than 5 000 bytes a period.
"""

from __future__ import annotations

import argparse
import gc
import statistics
import threading
import time
from fractions import Fraction
from time import monotonic_ns

from routerd.core.midi.messages import CONTROLLER, Kind
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.engine.realtime import PORT_PRIORITY, calm_interpreter, make_thread_realtime, prepare_process
from routerd.engine.worker import Worker

KEYS = Device("keys", input_pattern="keys")
SYNTHS = tuple(Device(f"synth-{n}", output_pattern="x", wire=WireKind.USB, clock=True) for n in range(8))
LAST = bytes((CONTROLLER | 15, 123, 0))
SILENCED_S = 0.05
"""After a panic, before the next."""


class StampingPort:
    """Takes messages; `ended_ns` is when it got the last one of a panic."""

    takes_pieces = True

    def __init__(self) -> None:
        self.messages = 0
        self.ended_ns = 0

    def send(self, data: bytes) -> None:
        """Take a message."""
        self.messages += data[0] < 0xF8
        if data == LAST:
            self.ended_ns = monotonic_ns()

    def close(self) -> None:
        """Nothing to close."""


def measure(presses: int) -> tuple[list[float], int]:
    """Return how long each panic took in ms, and the messages of one."""
    show = Show(monotonic_ns())
    worker = Worker(show, lambda: None)
    clock = threading.Thread(target=worker.run)
    clock.start()
    make_thread_realtime(PORT_PRIORITY)
    routes = tuple(Route(d.name, "keys", d.name, frozenset({Kind.NOTES, Kind.CC})) for d in SYNTHS)
    compiler = Compiler(
        Rig(
            "bench", (KEYS, *SYNTHS), (Control("keys", CONTROLLER, 80, Command(Action.PANIC), debounce_ms=0),)
        )
    )
    compiler.add(Song("one", "One", Fraction(120), routes=routes))
    book = compiler.finish(SetList("x", ("one",)))
    ports = [StampingPort() for _ in SYNTHS]

    def load(now_ns: int) -> None:
        show.load(book, 1, now_ns)
        for wire, port in zip(book.wires, ports, strict=True):
            worker.ports[wire] = port  # type: ignore[assignment]
            show.output_opened(wire, True, now_ns)

    ready = threading.Event()
    worker.call(load, ready.set)
    ready.wait()
    calm_interpreter()
    play = worker.receiver(book.inputs[0])
    took, messages = [], 0
    for _ in range(presses):
        for data in (b"\x90\x3c\x40", b"\x90\x40\x40", b"\xb0\x40\x7f"):
            play(data, monotonic_ns())
        time.sleep(SILENCED_S)
        before = sum(port.messages for port in ports)
        begin_ns = monotonic_ns()
        play(b"\xb0\x50\x7f", begin_ns)
        time.sleep(SILENCED_S)
        messages = sum(port.messages for port in ports) - before
        took.append((max(port.ended_ns for port in ports) - begin_ns) / 1e6)
        for data in (b"\xb0\x50\x00", b"\x80\x3c\x40", b"\x80\x40\x40", b"\xb0\x40\x00"):
            play(data, monotonic_ns())
    worker.stop()
    clock.join()
    gc.enable()
    return took, messages


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--presses", type=int, default=200)
    prepare_process()
    took, messages = measure(parser.parse_args().presses)
    took.sort()
    print(f"{messages} messages to {len(SYNTHS)} devices, {len(took)} times, in ms:", end=" ")
    print(f"median {statistics.median(took):.2f}, p99 {took[int(len(took) * 0.99)]:.2f}, most {took[-1]:.2f}")


if __name__ == "__main__":
    main()
