"""The parts of the show, each by itself: no show around them, and only the parts that they are handed.

125 BPM makes 20 ms a tick: 60 s / (24 × 125) (M1 p. 30).
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from routerd.core.clock.clock import State, TempoBy, TransportCommand
from routerd.core.errors import CommandError, NotFoundError
from routerd.core.midi.messages import note_on
from routerd.core.model import events
from routerd.core.model.actions import Action, Learns, Subject
from routerd.core.model.snapshot import ResumePoint
from routerd.core.show.armed import ArmedChange
from routerd.core.show.compiler import CompiledRig
from routerd.core.show.effects import Effects
from routerd.core.show.panel import Learning, Tuner
from routerd.core.show.routes_in_force import RoutesInForce
from routerd.core.show.songs import Songs
from routerd.core.show.tempo import Tempo
from routerd.core.show.tick_sender import NO_SONG, TickSender
from routerd.core.show.transport import Transport
from tests.stage import MS, START, STOP, TICK, ask, compiled

BPM = Fraction(125)


class Parts:
    """The parts below songs, on a rig whose ports are there."""

    def __init__(self, book: CompiledRig | None = None) -> None:
        self.rig_folder = compiled() if book is None else book
        for wire in self.rig_folder.wires:
            wire.connected = True
        self.effects = Effects(0)
        self.armed = ArmedChange(self.effects)
        self.transport = Transport(self.effects, BPM)
        self.tempo = Tempo(self.effects, self.transport, self.armed)
        self.ticks = TickSender(self.effects, self.transport, self.tempo)
        self.routes = RoutesInForce(self.effects)
        self.routes.use(self.rig_folder)
        self.transport.use(self.rig_folder, None)
        self.ticks.use_timings(None)
        self.tempo.use(self.rig_folder)
        self.transport.set_gates()

    def sent(self) -> list[tuple[str, bytes]]:
        """Return what has gone into the sink, and empty it."""
        taken = [(wire.name, data) for wire, data in self.effects.sink]
        self.effects.sink.clear()
        return taken

    def kinds(self) -> list[str]:
        return [event.kind for event in self.effects.events]

    def input(self, name: str) -> object:
        return next(input for input in self.rig_folder.inputs if input.name == name)


def test_time_of_a_call_never_goes_back() -> None:
    effects = Effects(100)
    assert effects.enter(90) == 100  # overtaken by what came later: it is done now
    assert effects.enter(120) == 120
    with pytest.raises(ValueError, match="backwards by 20 ns"):
        effects.pass_time(100)
    assert effects.now_ns == 120


def test_events_bear_the_time_of_their_call() -> None:
    effects = Effects(0)
    effects.enter(7)
    effects.event(events.Click, on=True)
    assert effects.events == [events.Click(7, on=True)]


def test_one_change_is_armed_at_a_time_and_is_taken_once() -> None:
    effects = Effects(0)
    armed = ArmedChange(effects)
    with pytest.raises(CommandError, match="nothing is armed"):
        armed.take()
    armed.arm(ask(Action.STOP, when="bar"))
    armed.arm(ask(Action.START, when="release"))
    assert armed.waits_for_release
    assert armed.take().action is Action.START
    assert armed.state is None
    armed.disarm("stop")  # there is nothing to forget
    assert [event.kind for event in effects.events] == ["armed", "armed"]


def test_a_start_waits_for_its_place_and_goes_to_who_gets_transport() -> None:
    parts = Parts()
    parts.ticks.send_tick()
    assert sorted(parts.sent()) == [("modular", TICK), ("synth", TICK)]
    parts.transport.request(TransportCommand.START)
    assert parts.sent() == []
    start_at_ns = parts.transport.clock.start_at_ns
    assert 1 * MS <= start_at_ns <= 19 * MS  # at least 1 ms from the ticks beside it (M1 p. 30)
    parts.effects.enter(start_at_ns)
    parts.transport.send_start()
    assert sorted(parts.sent()) == [("modular", START), ("synth", START)]
    parts.transport.stop()
    assert sorted(parts.sent()) == [("modular", STOP), ("synth", STOP)]
    assert parts.kinds() == ["transport", "transport"]
    assert parts.transport.clock.state is State.STOPPED


def test_tempo_is_set_by_hand_within_its_range_only() -> None:
    parts = Parts()
    parts.tempo.set_by_hand(Fraction(90))
    assert (parts.transport.clock.bpm, parts.transport.clock.tempo_by) == (90, TempoBy.HAND)
    revision = parts.effects.revision
    with pytest.raises(CommandError, match="outside"):
        parts.tempo.set_by_hand(Fraction(481))
    assert (parts.transport.clock.bpm, parts.effects.revision) == (90, revision)


def test_only_a_device_with_an_input_can_be_followed() -> None:
    parts = Parts()
    with pytest.raises(NotFoundError, match="'synth'"):
        parts.tempo.follow("synth")
    assert parts.tempo.source is None
    parts.tempo.follow("keys")
    assert parts.tempo.source_input is parts.input("keys")
    parts.tempo.follow(None)
    assert (parts.tempo.source, parts.tempo.source_input) == (None, None)
    assert [event.device for event in parts.effects.events] == ["keys", None]


def test_a_tick_is_recorded_as_what_it_is_and_its_gap_comes_once() -> None:
    parts = Parts()
    assert (parts.ticks.number, parts.ticks.song_number) == (-1, NO_SONG)
    for number in range(3):
        parts.effects.pass_time(number * 20 * MS)
        parts.ticks.send_tick()
        assert (parts.ticks.number, parts.ticks.due_ns) == (number, number * 20 * MS)
        assert parts.ticks.in_gap
        assert parts.ticks.send_waiting()
        assert not parts.ticks.send_waiting()
    assert parts.sent().count(("modular", TICK)) == 3


def test_routes_come_into_force_and_what_is_held_keeps_its_way() -> None:
    parts = Parts()
    keys = next(input for input in parts.rig_folder.inputs if input.name == "keys")
    opener, middle = (parts.rig_folder.songs[name].whole for name in ("opener", "middle"))
    sink = parts.effects.sink
    parts.ticks.send_tick()  # with the next one 20 ms away there is room on the wire
    parts.sent()
    parts.effects.enter(5 * MS)
    parts.routes.enter(opener)
    keys.receive(note_on(0, 60, 90), 5 * MS, sink)
    assert parts.sent() == [("synth", note_on(0, 60, 90))]
    parts.effects.enter(10 * MS)
    parts.routes.enter(middle)
    keys.receive(note_on(0, 62, 90), 10 * MS, sink)
    keys.receive(bytes.fromhex("80 3c 40"), 10 * MS, sink)
    assert parts.sent() == [("sampler", note_on(0, 62, 90)), ("synth", bytes.fromhex("80 3c 40"))]


def test_what_is_muted_does_not_exist_for_a_table() -> None:
    parts = Parts()
    keys = next(input for input in parts.rig_folder.inputs if input.name == "keys")
    parts.routes.enter(parts.rig_folder.songs["opener"].whole)
    parts.routes.mute(Action.MUTE, Subject(device="synth"))
    keys.receive(note_on(0, 60, 90), 0, parts.effects.sink)
    assert parts.sent() == []
    with pytest.raises(NotFoundError):
        parts.routes.mute(Action.MUTE, Subject(device="nobody"))
    parts.routes.leave()
    assert all(legs == () for legs in keys.table)


def test_songs_begin_go_on_and_end_with_a_refusal() -> None:
    parts = Parts()
    songs = Songs(
        effects=parts.effects,
        armed=parts.armed,
        transport=parts.transport,
        tempo=parts.tempo,
        ticks=parts.ticks,
        routes=parts.routes,
    )
    songs.use(parts.rig_folder, ResumePoint())
    assert (songs.on.identifier, songs.on.place.index) == ("opener", 0)
    parts.armed.arm(ask(Action.STOP, when="bar"))
    songs.step(Action.NEXT)
    assert (songs.on.identifier, songs.on.section_number) == ("middle", 1)
    assert parts.armed.state is None  # another song disarms
    assert parts.ticks.song_number == parts.rig_folder.songs["middle"].number
    songs.step_section(Action.NEXT_SECTION)
    assert songs.on.section.name == "chorus"
    songs.step(Action.NEXT)
    with pytest.raises(CommandError, match="last song"):
        songs.step(Action.NEXT)
    assert songs.on.identifier == "closer"


def test_a_note_to_tune_by_ends_the_one_before() -> None:
    parts = Parts()
    tuner = Tuner(parts.effects, parts.routes.tuner)
    sampler = next(output for output in parts.rig_folder.outputs if output.name == "sampler")
    tuner.sound(sampler, 0, 69, 80, for_s=10)
    tuner.sound(sampler, 0, 70, 80, for_s=10)
    assert [data[:2].hex() for _, data in parts.sent()] == ["9045", "8045", "9046"]
    assert tuner.until_ns == 10_000 * MS
    tuner.forget()
    assert [data[:2].hex() for _, data in parts.sent()] == ["8046"]
    revision = parts.effects.revision
    tuner.forget()  # nothing sounds
    assert (parts.sent(), parts.effects.revision) == ([], revision)


def test_learning_uses_up_one_press_and_ends() -> None:
    parts = Parts()
    learning = Learning(parts.effects)
    pedals = next(input for input in parts.rig_folder.inputs if input.name == "pedals")
    assert not learning.uses(pedals, bytes.fromhex("b0 50 7f"))
    learning.learn(Learns.CONTROL)
    assert not learning.uses(pedals, bytes.fromhex("b0 50 00"))  # a release is no press
    assert learning.on
    assert learning.uses(pedals, bytes.fromhex("b0 50 7f"))
    assert not learning.on
    assert parts.kinds() == ["learning", "learnt"]
