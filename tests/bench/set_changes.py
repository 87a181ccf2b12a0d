"""How soon a foot switch is answered, and whether anything about the set delays a tick.

    python -m tests.bench.set_changes [--presses 400]

In one process, so that every instant is on one clock: the worker with its clock thread, ports that stamp
what they are given, and presses handed in as an input port's thread does. Four runs in turn, a small and a
large library, with and without another process that writes the state as fast as it can: compare the rows of
one run, on a machine that does nothing else. What an operating system port adds is not in it.
"""

from __future__ import annotations

import argparse
import gc
import os
import subprocess
import sys
import tempfile
import threading
import time
from fractions import Fraction
from pathlib import Path
from time import monotonic_ns

from routerd.core.arming import Action
from routerd.core.compiler import CompiledBook, Compiler
from routerd.core.controls import Control
from routerd.core.messages import CONTROLLER, PROGRAM, Kind
from routerd.core.model import Device, Patch, Rig, Section, SetList, Song, WireKind
from routerd.core.routes import Route
from routerd.core.show import Show
from routerd.engine.realtime import PORT_PRIORITY, SWITCH_INTERVAL_S, make_thread_realtime, prepare_process
from routerd.engine.worker import Worker
from tests.bench.ticks import figures

PEDALS = Device("pedals", input_pattern="pedals")
KEYS = Device("keys", input_pattern="keys")
SYNTHS = tuple(
    Device(f"synth-{n}", output_pattern="x", wire=WireKind.USB, clock=True, transport=True) for n in range(8)
)
WRITER = """
import sys
from pathlib import Path
from routerd.core.model import SetList
from routerd.desk.order import Origin
from routerd.desk.state import State, StateFolder
folder = StateFolder(Path(sys.argv[1]), print)
order = SetList("x", tuple(f"song-{n}" for n in range(60)))
n = 0
while True:
    n += 1
    place = {"song": "song-1", "section": n % 9, "bpm": None}
    folder.write_state(State(order, Origin("x", order), place, "running"))
"""


def a_song(number: int) -> Song:
    """Return a song that puts every synth on a sound of its own."""
    routes = tuple(
        Route(f"r{d.name}", "keys", d.name, frozenset({Kind.NOTES, Kind.CONTROLLERS})) for d in SYNTHS
    )
    patches = tuple(
        Patch(device.name, program=(number + index) % 128, controllers=((7, number % 128),))
        for index, device in enumerate(SYNTHS)
    )
    name = f"song-{number}"
    return Song(name, name, Fraction(240), routes=routes, patches=patches, sections=(Section("a", routes),))


def a_book(library: int, tonight: int) -> CompiledBook:
    """Return a compiled book of that many songs and a set of the first of them."""
    controls = (
        Control("pedals", CONTROLLER, 80, Action.NEXT, guard_ms=0),
        Control("pedals", CONTROLLER, 81, Action.PREVIOUS, guard_ms=0),
    )
    compiler = Compiler(Rig("bench", (PEDALS, KEYS, *SYNTHS), controls))
    for number in range(library):
        compiler.add(a_song(number))
    return compiler.finish(SetList("x", tuple(f"song-{number}" for number in range(tonight))))


class StampingPort:
    """Takes messages and remembers when the first program change after a press was."""

    takes_pieces = True

    def __init__(self) -> None:
        self.first_patch_ns = 0

    def send(self, data: bytes) -> None:
        """Take a message."""
        if data[0] & 0xF0 == PROGRAM and not self.first_patch_ns:
            self.first_patch_ns = monotonic_ns()

    def close(self) -> None:
        """Nothing to close."""


def run(library: int, tonight: int, presses: int) -> tuple[list[float], list[float]]:
    """Return how long presses took to the first patch byte, and how late ticks were, in µs."""
    gc.enable()
    gc.collect()
    show = Show(monotonic_ns())
    worker = Worker(show, lambda: None)
    clock = threading.Thread(target=worker.run)
    clock.start()
    make_thread_realtime(PORT_PRIORITY)  # as an input thread of the engine is
    port = StampingPort()

    book = a_book(library, tonight)

    def load(now_ns: int) -> None:
        show.load(book, 1, now_ns)
        for outlet in show.book.outlets:
            worker.ports[outlet] = port  # type: ignore[assignment]
            show.output_opened(outlet, True, now_ns)

    ready = threading.Event()
    worker.call(load, ready.set)
    ready.wait()
    gc.collect()
    gc.freeze()
    gc.disable()  # as the engine does
    time.sleep(0.5)
    worker.take_records()
    press = worker.receiver(next(inlet for inlet in show.book.inlets if inlet.name == "pedals"))
    answers, position, forward = [], 0, True
    for number in range(presses):
        forward = position == 0 or (forward and position < tonight - 1)
        position += 1 if forward else -1
        port.first_patch_ns = 0
        pressed_ns = monotonic_ns()
        press(bytes((CONTROLLER, 80 if forward else 81, 127)), pressed_ns)
        time.sleep(0.017 + (number % 7) * 0.0013)  # every phase of the tick interval
        answers.append((port.first_patch_ns - pressed_ns) / 1000)
        press(bytes((CONTROLLER, 80 if forward else 81, 0)), monotonic_ns())
    records, _ = worker.take_records()
    worker.stop()
    clock.join()
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))  # what is started next must not inherit it
    return answers, [(record.sent_ns - record.due_ns) / 1000 for record in records]


def cell(values: list[float]) -> str:
    """Return the figures of one cell of the table."""
    return "  ".join(f"{key} {value:.0f}" for key, value in figures(values).items() if key != "n")


def main() -> None:
    """Measure and print."""
    prepare_process()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=400)
    presses = parser.parse_args().presses
    sys.setswitchinterval(0.0001)
    print(f"{'':34}{'press to first patch byte, µs':>40}{'lateness of ticks, µs':>40}")
    for library, tonight in ((3, 3), (500, 60)):
        for writing in (False, True):
            with tempfile.TemporaryDirectory() as folder:
                command = [sys.executable, "-c", WRITER, str(Path(folder) / "state")]
                writer = subprocess.Popen(command) if writing else None
                try:
                    answers, late = run(library, tonight, presses)
                finally:
                    if writer is not None:
                        writer.kill()
                        writer.wait()
            what = f"{tonight} of {library} songs{', state written' if writing else ''}"
            print(f"{what:34}{cell(answers):>40}{cell(late):>40}")


if __name__ == "__main__":
    main()
