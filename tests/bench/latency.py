"""From a message's arrival to its way out: routerd beside a bare python-rtmidi callback that hands it on.

    python -m tests.bench.latency

Needs jackd; starts a server of its own with the dummy driver. In turn, 600 times each, a program plays a note
into (a) a callback that sends what it gets, (b) routerd's input, worker, a route with split, transpose and
velocity curve, and output. Measured in the same process: the time within the callback, until the output port
has taken the message; and from the player's sending to the listener's hearing, in which JACK's own period
(10.7 ms here) is contained twice.
"""

from __future__ import annotations

import os
import queue
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import rtmidi

from routerd.core.compiler import Compiler
from routerd.core.messages import NOTE_ON, Kind, note_on
from routerd.core.model import Device, Rig, SetList, Song
from routerd.core.routes import Route
from routerd.core.show import Show
from routerd.core.units import parse_bpm
from routerd.engine.worker import Worker
from routerd.ports import open_system
from routerd.ports.base import OutputPort, PortInfo
from tests.system.dummy_server import DummyServer

COUNT = 600
JACK = rtmidi.API_UNIX_JACK
ROUTE = Route(
    "split", "keys", "synth", frozenset({Kind.NOTES}), to_channel=3, note_low=36, note_high=96, transpose=12,
    velocity_curve=((0, 0), (64, 90), (127, 127)),
)  # fmt: skip


class Bare:
    """The reference: a callback that sends what it gets."""

    def __init__(self) -> None:
        self.inside_ns: list[int] = []
        self.input = rtmidi.MidiIn(JACK, name="Bare in")
        self.output = rtmidi.MidiOut(JACK, name="Bare out")
        self.output.open_virtual_port("port")
        self.input.set_callback(self.hand_on)
        self.input.open_virtual_port("port")

    def hand_on(self, event: tuple[list[int], float], _data: Any) -> None:
        """Be the callback."""
        begin_ns = time.perf_counter_ns()
        self.output.send_message(event[0])
        self.inside_ns.append(time.perf_counter_ns() - begin_ns)


class Routed:
    """routerd's own way from port to port, with its clock thread."""

    def __init__(self, source: PortInfo | None = None) -> None:
        self.inside_ns: list[int] = []
        self.system = open_system("jack")
        devices = (Device("keys", input_pattern="x"), Device("synth", output_pattern="x"))
        compiler = Compiler(Rig("bench", devices))
        compiler.add(Song("one", "One", parse_bpm("120"), routes=(ROUTE,)))
        book = compiler.finish(SetList("all", ("one",)))
        self.worker = Worker(Show(time.monotonic_ns()), lambda: None)
        self.worker.call(lambda now_ns: self.worker.show.load(book, 1, now_ns))
        self.inlet, self.outlet = book.inlets[0], book.outlets[0]
        self.thread = threading.Thread(target=self.worker.run, daemon=True)
        self.thread.start()

    def open(self, source: PortInfo, target: PortInfo) -> None:
        """Open the ports."""
        port: OutputPort = self.system.open_output(target)
        self.worker.ports[self.outlet] = port
        self.worker.call(lambda now_ns: self.worker.show.output_opened(self.outlet, True, now_ns))
        receive = self.worker.receiver(self.inlet)

        def received(data: bytes, at_ns: int) -> None:
            begin_ns = time.perf_counter_ns()
            receive(data, at_ns)
            self.inside_ns.append(time.perf_counter_ns() - begin_ns)

        self.system.open_input(source, received)


def find(ports: list[PortInfo], name: str) -> PortInfo:
    """Return the port of that client."""
    return next(port for port in ports if port.name.startswith(name))


def number(port: Any, name: str) -> int:
    """Return rtmidi's number of a port."""
    return next(i for i, one in enumerate(port.get_ports()) if one.startswith(name))


def measure() -> dict[str, dict[str, list[float]]]:
    """Play, and return what was measured in µs."""
    heard: dict[str, queue.SimpleQueue[int]] = {name: queue.SimpleQueue() for name in ("bare", "routed")}
    bare, routed = Bare(), Routed()
    players, listeners = {}, {}
    for name in ("bare", "routed"):
        listener = rtmidi.MidiIn(JACK, name=f"Hear {name}")
        listener.set_callback(
            lambda event, to: to.put(time.monotonic_ns()) if event[0][0] & 0xF0 == NOTE_ON else None,
            heard[name],
        )
        player = rtmidi.MidiOut(JACK, name=f"Play {name}")
        listeners[name], players[name] = listener, player
    players["bare"].open_port(number(players["bare"], "Bare in"))
    listeners["bare"].open_port(number(listeners["bare"], "Bare out"))
    players["routed"].open_virtual_port("port")
    listeners["routed"].open_virtual_port("port")
    time.sleep(0.5)
    routed.open(find(routed.system.inputs(), "Play routed"), find(routed.system.outputs(), "Hear routed"))
    time.sleep(0.5)
    through: dict[str, list[float]] = {"bare": [], "routed": []}
    for count in range(COUNT):
        for name, player in players.items():
            while not heard[name].empty():
                heard[name].get()
            begin_ns = time.monotonic_ns()
            player.send_message(note_on(0, 40 + count % 40, 64))
            through[name].append((heard[name].get(timeout=5) - begin_ns) / 1000)
            time.sleep(0.001)
    routed.worker.stop()
    routed.system.close()
    inside = {"bare": bare.inside_ns, "routed": routed.inside_ns}
    return {
        name: {"inside": [ns / 1000 for ns in inside[name][20:]], "through": through[name][20:]}
        for name in through
    }


def main() -> None:
    """See the module's head."""
    with tempfile.TemporaryDirectory() as folder:
        server = DummyServer(Path(folder))
        os.environ |= server.environment
        server.start()
        try:
            measured = measure()
        finally:
            server.end()
    print(f"{'µs':12}{'':10}{'median':>10}{'p99':>10}{'max':>10}")
    for what in ("inside", "through"):
        figures = {}
        for name in ("bare", "routed"):
            times = sorted(measured[name][what])
            figures[name] = (statistics.median(times), times[int(len(times) * 0.99)], times[-1])
            print(f"{what:12}{name:10}" + "".join(f"{one:10.1f}" for one in figures[name]))
        ratios = [a / b for a, b in zip(figures["routed"], figures["bare"], strict=True)]
        print(f"{what:12}{'ratio':10}" + "".join(f"{one:9.2f}x" for one in ratios))


if __name__ == "__main__":
    main()
