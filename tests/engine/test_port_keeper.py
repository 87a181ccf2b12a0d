"""The port thread: looks when something is announced, tries again what failed, gives each device its own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from fractions import Fraction
from time import monotonic, sleep

import pytest

from routerd.core.errors import PortError
from routerd.core.midi.messages import note_off
from routerd.core.model.rig import Device, Rig, Usb
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import EMPTY_RIG, CompiledRig, Compiler
from routerd.core.show.show import Show
from routerd.engine import port_keeper
from routerd.engine.port_keeper import PortKeeper
from routerd.engine.worker import Worker
from routerd.link.messages import Happened
from routerd.ports.base import CONNECTED, SETTLE_S, Condition, PortInfo, StalledError

LIMIT_S = 10.0


class Opened:
    """An output that takes everything, and notes when it took the last of it and when it was closed."""

    takes_pieces = True

    def __init__(self, info: PortInfo) -> None:
        self.info = info
        self.stands = CONNECTED
        self.refuses = ""
        self.sent: list[bytes] = []
        self.sent_s = self.closed_s = 0.0

    def condition(self) -> Condition:
        return self.stands

    def send(self, data: bytes) -> None:
        if self.refuses:
            raise PortError(self.refuses)
        self.sent.append(data)
        self.sent_s = monotonic()

    def close(self) -> None:
        self.closed_s = monotonic()


class Listing:
    """A port system that counts how often it is asked; `error` makes it refuse to list."""

    kind = "alsa"

    def __init__(self) -> None:
        self.ports: list[PortInfo] = []
        self.opened: list[Opened] = []
        self.looks = 0
        self.error = self.stalled = ""
        self.changed: Callable[[], None] = lambda: None

    def inputs(self) -> list[PortInfo]:
        self.looks += 1
        if self.stalled:
            raise StalledError(self.stalled)
        if self.error:
            raise PortError(self.error)
        return []

    def provide(self, devices: object) -> None:
        """Have the ports that tests put there."""

    def allow_late(self, quarter_ns: int) -> None:
        """Hold nothing back."""

    def outputs(self) -> list[PortInfo]:
        return list(self.ports)

    def open_output(self, info: PortInfo, name: str = "") -> Opened:
        self.opened.append(Opened(info))
        return self.opened[-1]

    def watch(self, changed: Callable[[], None]) -> None:
        self.changed = changed

    def close(self) -> None:
        """Let go of nothing."""


def rig_folder_of(*devices: Device) -> CompiledRig:
    compiler = Compiler(Rig("rig", devices), EMPTY_RIG)
    compiler.add(Song("one", "One", Fraction(120)))
    return compiler.finish(SetList("set", ("one",)))


class Stage:
    """A keeper at work, with a worker whose clock thread runs."""

    def __init__(self, *devices: Device) -> None:
        self.system = Listing()
        self.worker = Worker(Show(0), lambda: None)
        self.keeper = PortKeeper(self.system, self.worker, lambda: None)  # type: ignore[arg-type]
        self.rig_folder = rig_folder_of(*devices)
        self.clock = threading.Thread(target=self.worker.run, daemon=True)

    def start(self) -> None:
        self.clock.start()
        self.keeper.thread.start()
        self.keeper.keep(self.rig_folder)
        assert self.keeper.scanned.wait(LIMIT_S)

    def until(self, what: Callable[[], bool]) -> None:
        end = monotonic() + LIMIT_S
        while not what():
            assert monotonic() < end
            sleep(0.005)

    def state(self) -> str:
        return str(self.keeper.states().ports[0].state)

    def events(self) -> list[tuple[str, str | None]]:
        """What was reported so far: kind, and why where that is known."""
        return [
            (note.event.kind, getattr(note.event, "why", None))
            for note in self.worker.outbox
            if isinstance(note, Happened) and note.event.kind.startswith("port-")
        ]

    def where(self) -> dict[str, str | None]:
        return {
            state.device: state.port and self.handle(state.device) for state in self.keeper.states().ports
        }

    def handle(self, device: str) -> str | None:
        """The handle of a device's open port; None when it has just been closed by the port thread."""
        port = next(kept.port for end, kept in self.keeper._ports.items() if end.name == device)
        return None if port is None else port.info.handle

    def end(self) -> None:
        self.keeper.stop()
        self.worker.stop()
        self.clock.join(LIMIT_S)


@pytest.fixture
def stage(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
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
    assert stage.keeper.states().ports[0].state == "missing"
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.system.changed()
    stage.until(lambda: stage.keeper.states().ports[0].state == "open")


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_system_that_fails_is_tried_again_by_itself(stage: Stage) -> None:
    stage.system.error = "no sequencer"
    stage.start()
    assert stage.keeper.states().ports[0].error == "no sequencer"
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.system.error = ""
    stage.until(lambda: stage.keeper.states().ports[0].state == "open")


@pytest.mark.parametrize("stage", [[ANY_TWIN, RIGHT]], indirect=True)
def test_who_wants_one_certain_device_is_served_first(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Twin", "b", "T0002"), PortInfo("Twin", "a", "T0001")]
    stage.start()
    assert stage.where() == {"any": "a", "right": "b"}
    assert [state.pattern for state in stage.keeper.states().ports] == ["Twin*", "Twin*, serial T0002"]


@pytest.mark.parametrize("stage", [[ANY_TWIN, RIGHT]], indirect=True)
def test_the_wrong_twin_is_not_taken(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Twin", "a", "T0001"), PortInfo("Twin", "c", "T0003")]
    stage.start()
    assert stage.where() == {"any": "a", "right": None}


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_an_output_that_leaves_the_rig_is_disconnected_once_its_last_message_has_left(stage: Stage) -> None:
    """On JACK it would be lost, however late the show has come to send it."""
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.start()
    (wire,) = stage.rig_folder.wires
    opened = stage.keeper._ports[wire].port
    assert isinstance(opened, Opened)

    def late_load(_now_ns: int) -> None:
        sleep(2 * SETTLE_S)
        stage.worker.show.effects.sink.append((wire, note_off(0, 60)))

    stage.worker.call(late_load)
    stage.keeper.keep(rig_folder_of())
    stage.until(lambda: opened.closed_s > 0)
    assert opened.sent[-1] == note_off(0, 60)
    assert opened.closed_s - opened.sent_s >= SETTLE_S


DISCONNECTED = Condition("disconnected", "another program has disconnected it")
STALLED = Condition("stalled", "it stands still")


def test_every_device_is_listed_before_the_first_look() -> None:
    stage = Stage(SYNTH)
    stage.keeper.keep(stage.rig_folder)
    (state,) = stage.keeper.states().ports
    assert (state.device, state.state, state.port) == ("synth", "opening", None)


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_connection_taken_away_is_named_and_made_anew(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.start()
    stage.system.opened[0].stands = DISCONNECTED
    stage.until(lambda: len(stage.system.opened) == 2)
    stage.until(lambda: stage.state() == "open")
    assert stage.system.opened[0].closed_s > 0
    assert stage.events() == [
        ("port-opened", None),
        ("port-closed", "another program has disconnected it"),
        ("port-opened", None),
    ]


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_quarrel_is_named_and_not_carried_on(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.start()
    for number in range(3):
        stage.until(lambda number=number: len(stage.system.opened) == number + 1)
        stage.system.opened[-1].stands = DISCONNECTED
    stage.until(lambda: stage.state() == "contested")
    assert "3 times within 10 s" in stage.keeper.states().ports[0].error
    stage.system.changed()
    sleep(0.3)
    assert len(stage.system.opened) == 3


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_port_that_stands_still_is_taken_from_the_worker_and_opened_anew(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.start()
    (wire,) = stage.rig_folder.wires
    stage.system.opened[0].stands = STALLED
    stage.until(lambda: stage.state() == "stalled")
    assert wire not in stage.worker.ports
    assert stage.keeper.states().ports[0].error == "it stands still"
    stage.system.opened[0].stands = CONNECTED
    stage.until(lambda: stage.state() == "open")
    assert stage.worker.ports[wire] is stage.system.opened[1]


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_system_that_stands_still_is_called_stalled(stage: Stage) -> None:
    stage.system.stalled = "the server stands still"
    stage.start()
    assert stage.state() == "stalled"
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.system.stalled = ""
    stage.until(lambda: stage.state() == "open")


@pytest.mark.parametrize("stage", [[SYNTH]], indirect=True)
def test_a_port_that_refuses_every_message_is_opened_anew_with_pauses(stage: Stage) -> None:
    """It was once closed and opened at every tick."""
    stage.system.ports = [PortInfo("Synth", "0 20:0")]
    stage.start()
    (wire,) = stage.rig_folder.wires
    stage.system.opened[0].refuses = "full"
    stage.worker.call(lambda _: stage.worker.show.effects.sink.append((wire, note_off(0, 60))))
    stage.until(lambda: stage.state() == "failed")
    assert stage.keeper.states().ports[0].error == "full"
    for _ in range(5):
        stage.system.changed()
        sleep(0.05)
    assert len(stage.system.opened) == 1


LOOSE = Device("loose", output_pattern="Twin*")
EXACT = Device("exact", output_pattern="Twin 1")


@pytest.mark.parametrize("stage", [[LOOSE, EXACT]], indirect=True)
def test_what_is_doubtful_about_a_pattern_goes_with_the_states_of_ports(stage: Stage) -> None:
    def doubts() -> list[str]:
        return [
            state.doubt.text.partition(",")[0] if state.doubt else "" for state in stage.keeper.states().ports
        ]

    stage.start()
    assert doubts() == ["", ""]  # that nothing is there the states say
    stage.system.ports = [PortInfo("Twin 1", "1"), PortInfo("Twin 2", "2"), PortInfo("Twin 3", "3")]
    stage.system.changed()
    stage.until(lambda: {state.state for state in stage.keeper.states().ports} == {"open"})
    assert stage.where() == {"loose": "2", "exact": "1"}  # whatever their order in the rig
    assert doubts() == ["'Twin*' matches 2 ports", ""]
    stage.system.ports = stage.system.ports[1:]
    stage.system.changed()
    stage.until(lambda: [state.state for state in stage.keeper.states().ports] == ["open", "missing"])
    stage.system.ports = [PortInfo("Twin 1", "1")]
    stage.system.changed()
    stage.until(lambda: stage.where() == {"loose": None, "exact": "1"})
    assert doubts() == ["'Twin 1' matches 'Twin*'", ""]


NAMED = Device("box", output_pattern="Box A*")


@pytest.mark.parametrize("stage", [[NAMED]], indirect=True)
def test_the_port_that_a_similar_one_stood_in_for_is_taken_when_it_appears(stage: Stage) -> None:
    spare, real = PortInfo("Box A spare", "spare"), PortInfo("Box A", "real")
    stage.system.ports = [spare]
    stage.start()
    stage.until(lambda: stage.where() == {"box": "spare"})
    stage.system.ports = [spare, real]
    stage.system.changed()
    stage.until(lambda: stage.where() == {"box": "real"})
    assert ("port-closed", "'Box A' matches better") in stage.events()
    stage.system.ports = [spare]
    stage.system.changed()
    stage.until(lambda: stage.where() == {"box": "spare"})


@pytest.mark.parametrize("stage", [[NAMED]], indirect=True)
def test_a_port_that_is_renamed_stays_open_while_its_name_matches(stage: Stage) -> None:
    stage.system.ports = [PortInfo("Box A", "one")]
    stage.start()
    stage.until(lambda: stage.state() == "open")
    stage.system.ports = [PortInfo("Box A, bank 2", "one")]
    stage.system.changed()
    stage.until(lambda: stage.keeper.states().ports[0].port == "Box A, bank 2")
    assert len(stage.system.opened) == 1
    stage.system.ports = [PortInfo("Something else", "one")]
    stage.system.changed()
    stage.until(lambda: stage.state() == "missing")
    assert stage.system.opened[0].closed_s


@pytest.mark.parametrize("stage", [[NAMED]], indirect=True)
def test_a_port_that_refuses_because_it_stands_still_is_stalled_and_not_opened_meanwhile(
    stage: Stage,
) -> None:
    stage.system.ports = [PortInfo("Box A", "one")]
    stage.start()
    stage.until(lambda: stage.state() == "open")
    port = stage.system.opened[0]
    port.stands = Condition("stalled", "nobody reads")
    port.refuses = "nobody reads"
    (wire,) = stage.rig_folder.wires
    stage.worker.call(lambda _: stage.worker.show.effects.sink.append((wire, note_off(0, 60))))
    stage.until(lambda: stage.state() == "stalled")
    sleep(0.3)
    assert [kind for kind, _ in stage.events()].count("port-closed") == 1
    assert len(stage.system.opened) == 1
    port.stands = CONNECTED
    stage.until(lambda: stage.state() == "open")
    assert len(stage.system.opened) == 2
