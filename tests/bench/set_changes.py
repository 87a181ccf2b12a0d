"""How soon a foot switch is answered, and whether anything about the set delays a tick.

    python -m tests.bench.set_changes [--presses 400]

In one process, so that every instant is on one clock: the worker with its clock thread, ports that stamp
what they are given, and presses handed in as an input port's thread does. Six runs in turn, a small and a
large library, each without another process that writes the state, with one that writes it as often as the
service does at most, and with one that writes it without a pause. cyclictest (Debian rt-tests) of the same
interval runs beside each in the same seconds, so that what the machine's own disk does to whoever keeps time
shows. Judge by the ratios, on a machine that does nothing else. What a system's port adds is not in it.
"""

from __future__ import annotations

import argparse
import gc
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from fractions import Fraction
from pathlib import Path
from time import monotonic_ns

from routerd.core.midi.messages import CONTROLLER, PROGRAM, Kind
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Patch, Section, Song
from routerd.core.show.compiler import CompiledRig, Compiler
from routerd.core.show.show import Show
from routerd.engine.realtime import PORT_PRIORITY, SWITCH_INTERVAL_S, make_thread_realtime, prepare_process
from routerd.engine.worker import Worker
from routerd.server.state_keeper import SETTLE_S
from tests.bench.ticks import cyclictest, figures, histogram

PEDALS = Device("pedals", input_pattern="pedals")
KEYS = Device("keys", input_pattern="keys")
SYNTHS = tuple(
    Device(f"synth-{n}", output_pattern="x", wire=WireKind.USB, clock=True, transport=True) for n in range(8)
)
WRITER = """
import sys
import time
from pathlib import Path
from routerd.core.model.set_list import SetList
from routerd.server.state import Origin
from routerd.server.state import State, StateFolder
folder = StateFolder(Path(sys.argv[1]), print)
order = SetList("x", tuple(f"song-{n}" for n in range(60)))
n = 0
while True:
    n += 1
    resume = ResumePoint("song-1", n % 9)
    folder.write_state(State(order, Origin("x", order), resume, "running"))
    time.sleep(float(sys.argv[2]))
"""
WRITING = {"": None, "written as by the service": SETTLE_S, "written without a pause": 0.0}
"""What is written beside, and the pause between two writes in seconds."""

PRESS_S = 0.021
"""How long a press takes on the average, with the pause behind it."""


def a_song(number: int) -> Song:
    """Return a song that puts every synth on a sound of its own."""
    routes = tuple(Route(f"r{d.name}", "keys", d.name, frozenset({Kind.NOTES, Kind.CC})) for d in SYNTHS)
    patches = tuple(
        Patch(device.name, program=(number + index) % 128, cc=((7, number % 128),))
        for index, device in enumerate(SYNTHS)
    )
    name = f"song-{number}"
    return Song(name, name, Fraction(240), routes=routes, patches=patches, sections=(Section("a", routes),))


def a_compiled_rig(library: int, tonight: int) -> CompiledRig:
    """Return a compiled rig of that many songs and a set of the first of them."""
    controls = (
        Control("pedals", CONTROLLER, 80, Command(Action.NEXT), debounce_ms=0),
        Control("pedals", CONTROLLER, 81, Command(Action.PREVIOUS), debounce_ms=0),
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

    book = a_compiled_rig(library, tonight)

    def load(now_ns: int) -> None:
        show.load(book, 1, now_ns)
        for wire in show.compiled.wires:
            worker.ports[wire] = port  # type: ignore[assignment]
            show.output_opened(wire, True, now_ns)

    ready = threading.Event()
    worker.call(load, ready.set)
    ready.wait()
    gc.collect()
    gc.freeze()
    gc.disable()  # as the engine does
    time.sleep(0.5)
    worker.take_records()
    press = worker.receiver(next(input for input in show.compiled.inputs if input.name == "pedals"))
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


def row(label: str, values: dict[str, float]) -> None:
    """Print one row of figures."""
    print(f"  {label:28}" + "".join(f"{values[key]:10.1f}" for key in ("p50", "p99", "p99.9", "p100")))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--presses", type=int, default=400)
    presses = parser.parse_args().presses
    if shutil.which("cyclictest") is None:
        sys.exit("cyclictest is missing: apt-get install rt-tests")
    prepare_process()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    print(f"{'µs':>30}{'p50':>10}{'p99':>10}{'p99.9':>10}{'max':>10}")
    for library, tonight in ((3, 3), (500, 60)):
        quiet: list[dict[str, float]] = []
        for what, pause_s in WRITING.items():
            with tempfile.TemporaryDirectory() as folder:
                command = [sys.executable, "-c", WRITER, str(Path(folder) / "state"), str(pause_s)]
                writer = None if pause_s is None else subprocess.Popen(command)
                reference = cyclictest(presses * PRESS_S)
                try:
                    answers, late = run(library, tonight, presses)
                finally:
                    if writer is not None:
                        writer.kill()
                        writer.wait()
                beside, _ = reference.communicate()
            found = [figures(late), figures(histogram(beside))]
            quiet = quiet or found
            print(f"{tonight} of {library} songs{', state ' + what if what else ''}")
            row("press to first patch byte", figures(answers))
            row("ticks late", found[0])
            row("cyclictest beside", found[1])
            for label, one, base in zip(("ticks", "cyclictest"), found, quiet, strict=True):
                if what:
                    row(f"{label}: × no writing", {key: one[key] / max(1.0, base[key]) for key in one})


if __name__ == "__main__":
    main()
