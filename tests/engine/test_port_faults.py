"""What the far end can do to simulated ports, with the real worker and port thread: named, and put right."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from fractions import Fraction
from time import monotonic

import pytest

from routerd.core.midi.messages import Kind, note_off, note_on
from routerd.core.model.events import PortClosed
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Patch, Song
from routerd.core.show.compiler import EMPTY_RIG, CompiledRig, Compiler
from routerd.core.show.show import Show
from routerd.engine.port_keeper import PortKeeper
from routerd.engine.worker import Worker
from routerd.link.messages import Happened, PortState
from routerd.ports import life
from routerd.ports.far_end import FarEnd
from routerd.ports.simulated import SimulatedPorts

LIMIT_S = 10.0
PROGRAM = bytes((0xC0, 5))


def book() -> CompiledRig:
    devices = (
        Device("keys", input_pattern="keys", wire=WireKind.USB),
        Device("synth", output_pattern="synth", wire=WireKind.USB),
    )
    compiler = Compiler(Rig("rig", devices), EMPTY_RIG)
    route = Route("play", "keys", "synth", frozenset({Kind.NOTES}))
    song = Song("one", "One", Fraction(120), routes=(route,), patches=(Patch("synth", program=5),))
    compiler.add(song)
    return compiler.finish(SetList("set", ("one",)))


class Bench:
    """A show at work, and the far end where its two devices are."""

    def __init__(self) -> None:
        self.system = SimulatedPorts()
        self.worker = Worker(Show(0), lambda: None)
        self.keeper = PortKeeper(self.system, self.worker, lambda: None)
        self.heard: list[bytes] = []
        self._clock = threading.Thread(target=self.worker.run, daemon=True)
        loaded = book()
        self._clock.start()
        self.keeper.thread.start()
        self.worker.call(lambda now_ns: self.worker.show.load(loaded, 1, now_ns))
        self.keeper.keep(loaded)
        assert self.keeper.scanned.wait(LIMIT_S)
        self.far_end = FarEnd(self.system.address)
        self.far_end.listen()
        self.until(lambda: self.states() == {"open"}, "the ports are open")

    def states(self) -> set[str]:
        return {state.state for state in self.keeper.states().ports}

    def synth(self) -> PortState:
        return next(state for state in self.keeper.states().ports if state.device == "synth")

    def reasons(self) -> list[str]:
        """Why the synth's port was closed, each time."""
        return [
            note.event.why
            for note in list(self.worker.outbox)
            if isinstance(note, Happened)
            and isinstance(note.event, PortClosed)
            and note.event.device == "synth"
        ]

    def until(self, what: Callable[[], object], words: str) -> None:
        """Hear what reaches the synth until something holds."""
        end_s = monotonic() + LIMIT_S
        while not what():
            assert monotonic() < end_s, words
            arrival = self.far_end.receive(0.01)
            if arrival is not None:
                self.heard.append(arrival.data)

    def end(self) -> None:
        self.keeper.stop()
        self.worker.stop()
        self._clock.join(LIMIT_S)
        self.far_end.close()


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr(life, "RETRY_NS", 50_000_000)
    made = Bench()
    yield made
    made.end()


@pytest.mark.parametrize(
    ("fault", "restored", "state", "why"),
    [
        (FarEnd.disconnect, None, "disconnected", "another program has disconnected it"),
        (FarEnd.stall, FarEnd.go_on, "stalled", "the device stands still"),
        (FarEnd.refuse, FarEnd.go_on, "failed", "port 'synth' refuses a message"),
        (FarEnd.unplug, FarEnd.plug, "missing", "has gone"),
    ],
)
def test_a_note_held_through_a_fault_is_ended(
    bench: Bench,
    fault: Callable[[FarEnd, str], None],
    restored: Callable[[FarEnd, str], None] | None,
    state: str,
    why: str,
) -> None:
    bench.far_end.play("keys", note_on(0, 60, 90))
    bench.until(lambda: note_on(0, 60, 90) in bench.heard, "the note is heard")
    before = len(bench.heard)
    fault(bench.far_end, "synth")
    bench.far_end.play("keys", note_off(0, 60))
    if state == "failed":
        bench.far_end.play("keys", note_on(0, 62, 90))  # it is noticed by a message, and this one may be lost
        bench.far_end.play("keys", note_off(0, 62))
    if restored is not None:
        bench.until(lambda: bench.synth().state == state, f"it is {state}")
        restored(bench.far_end, "synth")
    bench.until(lambda: bench.reasons() and bench.states() == {"open"}, "it is open again")
    bench.until(lambda: bench.heard[before:].count(PROGRAM) >= 1, "it is on its sound")
    assert note_off(0, 60) in bench.heard[before:]
    assert [reason.endswith(why) for reason in bench.reasons()] == [True]
    sounding = {data[1] for data in bench.heard if data[0] == 0x90} - {
        data[1] for data in bench.heard[before:] if data[0] == 0x80
    }
    assert sounding == set()


def test_all_that_stand_still_are_called_stalled(bench: Bench) -> None:
    bench.far_end.stall()
    bench.until(lambda: bench.states() == {"stalled"}, "all stand still")
    bench.far_end.go_on()
    bench.until(lambda: bench.states() == {"open"}, "all are open")
