"""Devices that share ports, over simulated ports: what the far end sees, and how their ports stand."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from fractions import Fraction

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.rig import Device, Rig
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Patch, Song
from routerd.core.show.compiler import EMPTY_RIG, Compiler
from routerd.core.show.show import Show
from routerd.engine.port_keeper import PortKeeper
from routerd.engine.worker import Worker
from routerd.ports.far_end import FarEnd
from routerd.ports.simulated import SimulatedPorts
from tests.service import until

PIANO = Device("piano", "", "Stage Keys*", "Stage Keys*", channels=(0,), local_control=False, clock=True)
STRINGS = Device("strings", "", "", "stage keys*", channels=(1,), clock=True)
PADS = Device("pads", "", "Stage Keys*", channels=(9,))
ELSE = Device("else", "", "", "Other*", channels=(2,))
KINDS = frozenset({Kind.NOTES})
SONG = Song(
    "one",
    "One",
    Fraction(120),
    routes=(
        Route("up", "piano", "piano", KINDS, transpose=12),
        Route("layer", "piano", "strings", KINDS, to_channel=1),
        Route("pads", "pads", "else", KINDS, to_channel=2),
    ),
    patches=(Patch("piano", 0, program=1), Patch("strings", 1, program=2)),
)
OPENING = [bytes.fromhex(text) for text in ("B0 7A 00", "C0 01", "C1 02")]


class Stage:
    """A show on simulated ports, with its two threads."""

    def __init__(self) -> None:
        self.system = SimulatedPorts()
        self.worker = Worker(Show(0), lambda: None)
        self.keeper = PortKeeper(self.system, self.worker, lambda: None)
        self.clock = threading.Thread(target=self.worker.run, daemon=True)
        compiler = Compiler(Rig("rig", (PIANO, STRINGS, PADS, ELSE)), EMPTY_RIG)
        compiler.add(SONG)
        book = compiler.finish(SetList("set", ("one",)))
        self.clock.start()
        self.worker.call(lambda now_ns: self.worker.show.load(book, 1, now_ns))
        self.keeper.thread.start()
        self.keeper.keep(book)

    def states(self) -> dict[tuple[str, str], tuple[str, str | None]]:
        return {(s.device, s.direction): (s.state, s.port) for s in self.keeper.states().ports}

    def heard(self, far: FarEnd, count: int) -> list[tuple[str, bytes]]:
        """Return so many messages that arrive, ticks apart."""
        arrivals: list[tuple[str, bytes]] = []

        def enough() -> bool:
            arrival = far.receive(0.1)
            if arrival is not None and arrival.data != b"\xf8":
                arrivals.append((arrival.device, arrival.data))
            return len(arrivals) >= count

        until(enough, 10, f"{count} messages")
        return arrivals


@pytest.fixture
def stage() -> Iterator[Stage]:
    stage = Stage()
    yield stage
    stage.keeper.stop()
    stage.worker.stop()
    stage.clock.join(5)


def is_open(stage: Stage) -> bool:
    return {state for state, _ in stage.states().values()} == {"open"}


def test_one_connection_for_several_devices_and_each_has_its_state(stage: Stage) -> None:
    with FarEnd(stage.system.address) as far:
        until(lambda: is_open(stage), 10)
        assert len(stage.system.inputs()) == 1
        assert len(stage.system.outputs()) == 2
        port = ("open", "Stage Keys")
        assert stage.states() == {
            ("piano", "input"): port,
            ("pads", "input"): port,
            ("piano", "output"): port,
            ("strings", "output"): port,
            ("else", "output"): ("open", "Other"),
        }
        far.listen(device="strings")  # either name leads to the one far end
        far.play("piano", b"\x90\x3c\x40")
        assert stage.heard(far, 2) == [("piano", b"\x90\x48\x40"), ("piano", b"\x91\x3c\x40")]
        ticks = [far.receive(0.5) for _ in range(6)]
        assert {arrival.data for arrival in ticks if arrival is not None} == {b"\xf8"}
        numbers: list[int] = []
        while len(numbers) < 6:  # what went out is recorded behind it
            numbers += [record.tick for record in stage.worker.take_records()[0] if record.output == 0]
        assert len(numbers) == len(set(numbers))


def test_each_device_hears_its_channels_of_the_one_input(stage: Stage) -> None:
    with FarEnd(stage.system.address) as far:
        until(lambda: is_open(stage), 10)
        far.listen()
        far.play("pads", b"\x99\x24\x7f")
        far.play("piano", b"\x99\x26\x7f")
        far.play("piano", b"\x95\x40\x7f")  # nobody's channel
        far.play("piano", b"\x90\x40\x7f")
        arrivals = stage.heard(far, 4)
        assert arrivals[:2] == [("else", b"\x92\x24\x7f"), ("else", b"\x92\x26\x7f")]
        assert arrivals[2:] == [("piano", b"\x90\x4c\x7f"), ("piano", b"\x91\x40\x7f")]


def test_a_pulled_cable_is_reported_for_every_device_and_each_is_put_right_on_return(stage: Stage) -> None:
    with FarEnd(stage.system.address) as far:
        until(lambda: is_open(stage), 10)
        far.unplug("strings")
        gone = ("missing", None)
        until(lambda: stage.states()["piano", "output"] == stage.states()["strings", "output"] == gone, 10)
        assert stage.states()["else", "output"] == ("open", "Other")
        far.listen(device="piano")
        far.plug("strings")
        assert [data for _, data in stage.heard(far, 3)] == OPENING
        until(lambda: is_open(stage), 10)
