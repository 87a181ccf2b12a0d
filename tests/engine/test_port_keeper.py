"""The port thread: looks when something is announced, tries again what failed, gives each device its own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from fractions import Fraction
from time import monotonic, sleep

import pytest

from routerd.core.compiler import EMPTY_BOOK, CompiledBook, Compiler
from routerd.core.errors import PortError
from routerd.core.messages import note_off
from routerd.core.model import Device, Rig, SetList, Song, Usb
from routerd.core.show import Show
from routerd.engine import port_keeper
from routerd.engine.port_keeper import PortKeeper
from routerd.engine.worker import Worker
from routerd.ports.base import SETTLE_S, PortInfo

LIMIT_S = 10.0


class Opened:
    """An output that takes everything, and notes when it took the last of it and when it was closed."""

    takes_pieces = True

    def __init__(self, info: PortInfo) -> None:
        self.info = info
        self.sent: list[bytes] = []
        self.sent_s = self.closed_s = 0.0

    def send(self, data: bytes) -> None:
        self.sent.append(data)
        self.sent_s = monotonic()

    def close(self) -> None:
        self.closed_s = monotonic()


class Listing:
    """A port system that counts how often it is asked; `error` makes it refuse to list."""

    kind = "alsa"

    def __init__(self) -> None:
        self.ports: list[PortInfo] = []
        self.looks = 0
        self.error = ""
        self.changed: Callable[[], None] = lambda: None

    def inputs(self) -> list[PortInfo]:
        self.looks += 1
        if self.error:
            raise PortError(self.error)
        return []

    def outputs(self) -> list[PortInfo]:
        return list(self.ports)

    def open_output(self, info: PortInfo) -> Opened:
        return Opened(info)

    def watch(self, changed: Callable[[], None]) -> None:
        self.changed = changed

    def close(self) -> None:
        """Let go of nothing."""


def book_of(*devices: Device) -> CompiledBook:
    compiler = Compiler(Rig("rig", devices), EMPTY_BOOK)
    compiler.add(Song("one", "One", Fraction(120)))
    return compiler.finish(SetList("set", ("one",)))


class Stage:
    """A keeper at work, with a worker whose clock thread runs."""

    def __init__(self, *devices: Device) -> None:
        self.system = Listing()
        self.worker = Worker(Show(0), lambda: None)
        self.keeper = PortKeeper(self.system, self.worker, lambda: None)  # type: ignore[arg-type]
        self.book = book_of(*devices)
        self.clock = threading.Thread(target=self.worker.run, daemon=True)

    def start(self) -> None:
        self.clock.start()
        self.keeper.thread.start()
        self.keeper.keep(self.book)
        assert self.keeper.scanned.wait(LIMIT_S)

    def until(self, what: Callable[[], bool]) -> None:
        end = monotonic() + LIMIT_S
        while not what():
            assert monotonic() < end
            sleep(0.005)

    def where(self) -> dict[str, str | None]:
        return {
            state["device"]: state["port"] and self.handle(state["device"]) for state in self.keeper.states()
        }

    def handle(self, device: str) -> str:
        return next(port.info.handle for way, port in self.keeper._outputs.items() if way.name == device)

    def end(self) -> None:
        self.keeper.stop()
        self.worker.stop()
        self.clock.join(LIMIT_S)


@pytest.fixture
def stage(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(port_keeper, "RETRY_S", 0.01)
    made = Stage(*request.param)
    yield made
    made.end()


SYNTH = Device("synth", output_pattern="Synth*")
ANY_TWIN = Device("any", output_pattern="Twin*")
RIGHT = Device("right", output_pattern="Twin*", output_usb=Usb(serial="T0002"))


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_missing_port_is_not_looked_for_until_something_is_announced(stage: Stage) -> None:
    stage.start()
    before = stage.system.looks
    sleep(0.2)  # twenty times the pause between two tries
    assert stage.system.looks == before
    assert stage.keeper.states()[0]["state"] == "missing"
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.system.changed()
    stage.until(lambda: stage.keeper.states()[0]["state"] == "open")


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_system_that_fails_is_tried_again_by_itself(stage: Stage) -> None:
    stage.system.error = "no sequencer"
    stage.start()
    assert stage.keeper.states()[0]["error"] == "no sequencer"
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.system.error = ""
    stage.until(lambda: stage.keeper.states()[0]["state"] == "open")


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_what_is_told_between_two_looks_is_what_the_last_one_saw(stage: Stage) -> None:
    """The next look may see the same again; then nobody is told, and what was so in between would stay."""
    stage.start()
    stage.keeper._wanted = None  # the thread looks no more
    stage.keeper.lose(stage.book.wires[0], "it refused a message")
    assert stage.keeper.states()[0]["state"] == "missing"


@pytest.mark.parametrize("stage", [[ANY_TWIN, RIGHT]], indirect=True)
def test_who_wants_one_certain_device_is_served_first(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Twin", "b", "T0002"), PortInfo("Twin", "a", "T0001")]
    stage.start()
    assert stage.where() == {"any": "a", "right": "b"}
    assert [state["pattern"] for state in stage.keeper.states()] == ["Twin*", "Twin*, serial T0002"]


@pytest.mark.parametrize("stage", [[ANY_TWIN, RIGHT]], indirect=True)
def test_the_wrong_twin_is_not_taken(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Twin", "a", "T0001"), PortInfo("Twin", "c", "T0003")]
    stage.start()
    assert stage.where() == {"any": "a", "right": None}


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_an_output_that_leaves_the_rig_is_parted_once_its_last_message_has_left(stage: Stage) -> None:
    """On JACK it would be lost, however late the show has come to send it."""
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.start()
    (wire,) = stage.book.wires
    opened = stage.keeper._outputs[wire]
    assert isinstance(opened, Opened)

    def late_load(_now_ns: int) -> None:
        sleep(2 * SETTLE_S)
        stage.worker.show.sink.append((wire, note_off(0, 60)))

    stage.worker.call(late_load)
    stage.keeper.keep(book_of())
    stage.until(lambda: opened.closed_s > 0)
    assert opened.sent[-1] == note_off(0, 60)
    assert opened.closed_s - opened.sent_s >= SETTLE_S
