"""From a message's arrival to its way out: routerd beside a bare python-rtmidi callback that hands it on.

    python -m tests.bench.latency [--rounds 20] [--least]

Needs jackd; starts a server of its own with the dummy driver (period 10.7 ms). Two processes, alike in
scheduling and in how the interpreter is shared: (a) a callback that sends what it gets, (b) routerd's input,
worker with its clock thread, a route with split, transpose and velocity curve, and output. A third plays to
them in turn:

- cold: a message every 50 ms, to one and the other alternately, as somebody plays;
- warm: 400 messages within half a second to one, then to the other, as a fader sends.

With `--least` a third process takes its turn, the least that a router in Python does: a callback that looks
a message up in the same table, remembers what is held, and sends. It knows no clock, no second input, no
controls and no port that is slow or away.

Told are the time from the beginning of the input's callback until the output port has the message, and (cold)
from the player's sending to the listener's hearing, in which JACK's period is contained twice. What a
processor has not done for a while it does slowly, because nothing of it is in its caches any more: that is
the difference between cold and warm.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import queue
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import rtmidi

from routerd.core.midi.messages import NOTE_ON, SYSEX, Kind, note_off, note_on
from routerd.core.model.rig import Device, Rig
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.output.wire import Wire
from routerd.core.routing.tables import compile_tables
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.core.units import parse_bpm
from routerd.engine.realtime import PORT_PRIORITY, calm_interpreter, make_thread_realtime, prepare_process
from routerd.engine.warming import make_warmer
from routerd.engine.worker import Worker
from routerd.ports import open_system
from routerd.ports.base import OutputPort, PortInfo
from tests.system.dummy_server import DummyServer

JACK = rtmidi.API_UNIX_JACK
NAMES = ["bare", "routed"]
COLD_S, COLD_NOTES, WARM_S, WARM_NOTES = 0.05, 20, 0.5, 400
FIRST = 20
"""So many messages of each kind are not counted: they find nothing where it will be."""
ROUTE = Route(
    "split", "keys", "synth", frozenset({Kind.NOTES}), to_channel=3, note_low=36, note_high=96, transpose=12,
    velocity_curve=((0, 0), (64, 90), (127, 127)),
)  # fmt: skip


class Bare:
    """The reference: a callback that sends what it gets."""

    name = "bare"

    def __init__(self) -> None:
        self.times_ns: list[tuple[int, int]] = []
        self.input = rtmidi.MidiIn(JACK, name=f"{self.name} in")
        self.output = rtmidi.MidiOut(JACK, name=f"{self.name} out")
        self.output.open_port(number(self.output, f"Hear {self.name}"))
        self.input.set_callback(self.hand_on)
        self.input.open_port(number(self.input, f"Play {self.name}"))

    def hand_on(self, event: tuple[list[int], float], _data: Any) -> None:
        """Be the callback."""
        begin_ns = time.monotonic_ns()
        self.output.send_message(event[0])
        self.times_ns.append((begin_ns, time.monotonic_ns()))


class Least(Bare):
    """A callback that routes notes by the same table, and nothing else; see the module's head."""

    name = "least"

    def __init__(self) -> None:
        outputs = {"synth": Wire((Device("synth", output_pattern="x"),), 0).outputs[0]}
        (self.table,) = compile_tables((ROUTE,), {"keys": 0}, outputs).tables
        self.held: dict[int, list[tuple[int, int]]] = {}
        super().__init__()

    def hand_on(self, event: tuple[list[int], float], _data: Any) -> None:
        """Be the callback."""
        begin_ns = time.monotonic_ns()
        status, note, velocity = event[0]
        key = (status & 0x0F) << 7 | note
        if status >= NOTE_ON and velocity:
            ways = []
            for _, status_out, notes, velocities in self.table[status - 0x80]:
                note_out, velocity_out = notes[note], velocities[velocity]
                if note_out < 128 and velocity_out < 128:
                    ways.append((status_out & 0xEF, note_out))
                    self.output.send_message((status_out, note_out, velocity_out))
            self.held[key] = ways
        else:
            for status_out, note_out in self.held.pop(key, ()):
                self.output.send_message((status_out, note_out, velocity))
        self.times_ns.append((begin_ns, time.monotonic_ns()))


class Stamping:
    """An output port that notes when it has each message."""

    takes_pieces = False

    def __init__(self, port: OutputPort) -> None:
        self.info = port.info
        self.stamps_ns: list[int] = []
        self._send = port.send
        self.close = port.close

    def send(self, data: bytes) -> None:
        """Send and note."""
        self._send(data)
        self.stamps_ns.append(time.monotonic_ns())


class Routed:
    """routerd's own way from port to port, with its clock thread."""

    def __init__(self) -> None:
        self.begins_ns: list[int] = []
        self.system = open_system("jack")
        devices = (Device("keys", input_pattern="x"), Device("synth", output_pattern="x"))
        compiler = Compiler(Rig("bench", devices))
        compiler.add(Song("one", "One", parse_bpm("120"), routes=(ROUTE,)))
        book = compiler.finish(SetList("all", ("one",)))
        self.worker = Worker(Show(time.monotonic_ns()), lambda: None)
        self.worker.warm = make_warmer(time.monotonic_ns())
        self.worker.call(lambda now_ns: self.worker.show.load(book, 1, now_ns))
        input, wire = book.inputs[0], book.wires[0]
        threading.Thread(target=self.worker.run, daemon=True).start()
        self.port = Stamping(self.system.open_output(find(self.system.outputs, "Hear routed")))
        self.worker.ports[wire] = self.port
        self.worker.call(lambda now_ns: self.worker.show.output_opened(wire, False, now_ns))
        receive = self.worker.receiver(input)

        def received(data: bytes, at_ns: int) -> None:  # the stamp is the first thing that the callback takes
            receive(data, at_ns)
            self.begins_ns.append(at_ns)

        self.system.open_input(find(self.system.inputs, "Play routed"), received)

    @property
    def times_ns(self) -> list[tuple[int, int]]:
        """When each message came and went; every one goes on."""
        return list(zip(self.begins_ns, self.port.stamps_ns, strict=True))


def find(ports: Callable[[], list[PortInfo]], name: str) -> PortInfo:
    """Return the port of that client, once it is listed."""
    while True:
        for port in ports():
            if port.name.startswith(name):
                return port
        time.sleep(0.02)


def number(port: Any, name: str) -> int:
    """Return rtmidi's number of a port."""
    return next(i for i, one in enumerate(port.get_ports()) if one.startswith(name))


def work(name: str, told: Connection) -> None:
    """Be one of the processes; tell what was measured when asked."""
    prepare_process()
    make_thread_realtime(PORT_PRIORITY)
    calm_interpreter()
    kinds: dict[str, type[Bare | Routed]] = {"bare": Bare, "least": Least, "routed": Routed}
    one = kinds[name]()
    told.send("ready")
    told.recv()
    told.send(one.times_ns)
    told.recv()
    os._exit(0)  # the server may be gone by now


def measure(rounds: int, names: Sequence[str] = NAMES) -> dict[str, dict[str, list[float]]]:
    """Play, and return what was measured in µs, by kind and process."""
    heard: dict[str, queue.SimpleQueue[int]] = {name: queue.SimpleQueue() for name in names}
    players, listeners, workers = {}, {}, {}
    for name in names:
        listeners[name] = rtmidi.MidiIn(JACK, name=f"Hear {name}")
        listeners[name].set_callback(
            lambda event, to: to.put(time.monotonic_ns()) if event[0][0] < SYSEX else None,
            heard[name],
        )
        players[name] = rtmidi.MidiOut(JACK, name=f"Play {name}")
        listeners[name].open_virtual_port("port")
        players[name].open_virtual_port("port")
        here, there = multiprocessing.get_context("spawn").Pipe()
        process = multiprocessing.get_context("spawn").Process(target=work, args=(name, there), daemon=True)
        process.start()
        if not here.poll(30) or here.recv() != "ready":
            raise SystemExit(f"{name} did not start")
        workers[name] = here
    time.sleep(0.5)
    kinds, through = play(rounds, players, heard)
    found: dict[str, dict[str, list[float]]] = {"cold": {}, "warm": {}, "through": through}
    for name, told in workers.items():
        told.send("tell")
        times = told.recv()
        if len(times) != len(kinds[name]):
            raise SystemExit(f"{name}: {len(kinds[name])} sent, {len(times)} arrived")
        for kind in ("cold", "warm"):
            inside = [
                (out - come) / 1000
                for (come, out), one in zip(times, kinds[name], strict=True)
                if one == kind
            ]
            found[kind][name] = inside[FIRST:]
        told.send("end")
    for port in (*players.values(), *listeners.values()):
        port.delete()
    return found


def play(
    rounds: int, players: dict[str, Any], heard: dict[str, queue.SimpleQueue[int]]
) -> tuple[dict[str, list[str]], dict[str, list[float]]]:
    """Return the kinds of the messages sent to each, in order, and how long the cold ones took to be heard.

    Presses and releases in turn, so that every message makes one.
    """
    kinds: dict[str, list[str]] = {name: [] for name in players}
    through: dict[str, list[float]] = {name: [] for name in players}
    for _ in range(rounds):
        for count in range(COLD_NOTES):
            for name, player in players.items():
                time.sleep(COLD_S)
                begin_ns = time.monotonic_ns()
                player.send_message(message(count))
                through[name].append((heard[name].get(timeout=5) - begin_ns) / 1000)
                kinds[name].append("cold")
        for name, player in players.items():
            for count in range(WARM_NOTES):
                player.send_message(message(count))
                kinds[name].append("warm" if count >= FIRST else "")
                time.sleep(WARM_S / WARM_NOTES)
            for _ in range(WARM_NOTES):
                heard[name].get(timeout=5)
    return kinds, through


def message(count: int) -> bytes:
    """Return one of the messages that are played."""
    note, velocity = 40 + count // 2 % 40, 1 + count % 127
    return note_off(0, note, velocity) if count % 2 else note_on(0, note, velocity)


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--least", action="store_true")
    options = parser.parse_args()
    names = [*NAMES, "least"] if options.least else NAMES
    with tempfile.TemporaryDirectory() as folder:
        server = DummyServer(Path(folder))
        os.environ |= server.environment
        server.start()
        try:
            measured = measure(options.rounds, names)
        finally:
            server.end()
    print(f"{'µs':12}{'':14}{'median':>10}{'p99':>10}{'max':>10}")
    for what, by_name in measured.items():
        figures = {}
        for name in names:
            times = sorted(by_name[name])
            figures[name] = (statistics.median(times), times[int(len(times) * 0.99)], times[-1])
            print(f"{what:12}{name:14}" + "".join(f"{one:10.1f}" for one in figures[name]))
        for name in names[1:]:
            ratios = [a / b for a, b in zip(figures[name], figures["bare"], strict=True)]
            print(f"{what:12}{f'{name} / bare':14}" + "".join(f"{one:9.2f}x" for one in ratios))


if __name__ == "__main__":
    main()
