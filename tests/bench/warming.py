"""A message after a pause, with and without the warming of its way, beside a bare callback; ticks likewise.

    python -m tests.bench.warming [--messages 1000] [--pause 0.05]

Processes take turns, alike in scheduling and in how the interpreter is shared: a thread that hands on what it
reads from a pipe (bare), and the same thread with routerd's worker behind it, its clock at 120 BPM with six
clocked ports, a route with split, transpose and velocity curve: warmed as the engine does it, not warmed,
and with the way gone through just before each message, on the same thread (hot), which is the least that
could be had. Told are the time from the pipe's being read until the message is in the other one, how late
ticks were, and what share of a processor each process took. Messages are presses and releases in turn.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import statistics
import threading
import time
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import Connection
from typing import Any

from routerd.core.midi.messages import Kind, note_off, note_on
from routerd.core.model.rig import Device, Rig
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.core.units import parse_bpm
from routerd.engine.realtime import PORT_PRIORITY, calm_interpreter, make_thread_realtime, prepare_process
from routerd.engine.warming import make_warmer
from routerd.engine.worker import Worker
from routerd.ports.base import CONNECTED, Condition, PortInfo

NAMES = ("bare", "not warmed", "warmed", "hot")
FIRST = 20
"""So many messages are not counted."""

ROUTE = Route(
    "split", "keys", "synth", frozenset({Kind.NOTES}), to_channel=3, note_low=36, note_high=96, transpose=12,
    velocity_curve=((0, 0), (64, 90), (127, 127)),
)  # fmt: skip


@dataclass
class Port:
    """An output port that writes into a file and notes when it has."""

    descriptor: int
    at_ns: int = 0
    info = PortInfo("", "")
    takes_pieces = False

    def send(self, data: bytes) -> None:
        """Write and note."""
        os.write(self.descriptor, data)
        self.at_ns = time.monotonic_ns()

    def condition(self) -> Condition:
        """Be well."""
        return CONNECTED

    def close(self) -> None:
        """Do nothing."""


def make_worker(out: Port) -> tuple[Worker, Any]:
    """Return a worker whose clock thread runs, and what takes a message."""
    clocked = [Device(f"modular {i}", output_pattern=f"modular {i}", clock=True) for i in range(6)]
    devices = (Device("keys", input_pattern="keys"), Device("synth", output_pattern="synth"), *clocked)
    compiler = Compiler(Rig("bench", devices))
    compiler.add(Song("one", "One", parse_bpm("120"), routes=(ROUTE,)))
    book = compiler.finish(SetList("all", ("one",)))
    worker = Worker(Show(time.monotonic_ns()), lambda: None)
    worker.call(lambda now_ns: worker.show.load(book, 1, now_ns))
    threading.Thread(target=worker.run, daemon=True).start()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for wire in book.wires:
        worker.ports[wire] = out if wire.outputs[0].name == "synth" else Port(nowhere)
        worker.call(partial(worker.show.output_opened, wire, False))
    return worker, worker.receiver(book.inputs[0])


def work(name: str, come: int, go: int, told: Connection) -> None:
    """Be one of the processes; tell what was measured at the end."""
    prepare_process()
    make_thread_realtime(PORT_PRIORITY)
    calm_interpreter()
    out = Port(go)
    late_us: list[float] = []
    times_us: list[float] = []
    if name == "bare":
        worker, receive = None, lambda data, _: out.send(data)
    else:
        worker, receive = make_worker(out)
    warm = make_warmer(time.monotonic_ns())
    if worker is not None and name != "not warmed":
        worker.warm = warm
    told.send("ready")
    while (data := os.read(come, 3)) != b"end":
        if name == "hot":
            for _ in range(4):
                warm(time.monotonic_ns())
        begin_ns = time.monotonic_ns()
        receive(data, begin_ns)
        times_us.append((out.at_ns - begin_ns) / 1000)
        if worker is not None:
            late_us += [(record.sent_ns - record.due_ns) / 1000 for record in worker.take_records()[0]]
            worker.outbox.clear()
    told.send((times_us[FIRST:], late_us[6 * FIRST :], time.process_time()))
    os._exit(0)


def measure(messages: int, pause_s: float) -> dict[str, tuple[list[float], list[float], float]]:
    """Play to each in turn, a message in every `pause_s` to each.

    Returns the times and how late ticks were, in µs, and the share of a processor.
    """
    ends: dict[str, tuple[int, int, Connection]] = {}
    for name in NAMES:
        (come, play), (hear, go) = os.pipe(), os.pipe()
        here, there = multiprocessing.Pipe()
        fork = multiprocessing.get_context("fork")
        fork.Process(target=work, args=(name, come, go, there), daemon=True).start()
        here.recv()
        ends[name] = play, hear, here
    begin_s = time.monotonic()
    for count in range(messages + FIRST):
        for play, hear, _ in ends.values():
            time.sleep(pause_s / len(NAMES))
            note = 40 + count // 2 % 40
            os.write(play, note_off(0, note, 64) if count % 2 else note_on(0, note, 64))
            os.read(hear, 3)
    span_s = time.monotonic() - begin_s
    found = {}
    for name, (play, _, here) in ends.items():
        os.write(play, b"end")
        times, late, used_s = here.recv()
        found[name] = sorted(times), sorted(late), used_s / span_s
    return found


def at(values: list[float], share: float) -> float:
    """Return the value that this share of sorted values does not exceed."""
    return values[min(len(values) - 1, int(len(values) * share))]


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--messages", type=int, default=1000)
    parser.add_argument("--pause", type=float, default=0.05)
    options = parser.parse_args()
    found = measure(options.messages, options.pause)
    bare = found["bare"][0]
    columns = ("median", "p99", "/ bare", "/ bare")
    print(f"{'µs':12}{''.join(f'{one:>9}' for one in columns)}{'ticks late, p50, p99, p99.9':>36}{'CPU':>8}")
    for name, (times, late, share) in found.items():
        median, most = statistics.median(times), at(times, 0.99)
        ratios = f"{median / statistics.median(bare):8.2f}x{most / at(bare, 0.99):8.2f}x"
        ticks = "".join(f"{at(late, one):12.1f}" for one in (0.5, 0.99, 0.999)) if late else " " * 36
        print(f"{name:12}{median:9.1f}{most:9.1f}{ratios}{ticks}{share:8.1%}")


if __name__ == "__main__":
    main()
