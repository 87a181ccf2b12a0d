"""What is asked, for now or a bar line, by people or controls: a show at 125 BPM, 20 ms a tick."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest

from routerd.core.errors import CommandError
from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action, ToSong, ToTempo
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.snapshot import ArmedCommand
from tests.stage import (
    CLOSER,
    MIDDLE,
    MS,
    OPENER,
    RIG,
    START,
    TICK,
    Stage,
    ask,
    compiled,
    route,
)


def times_of_ticks(stage: Stage, name: str = "modular") -> list[float]:
    return stage.times_ms(name, TICK)


def test_a_section_armed_for_the_bar_falls_exactly_on_it() -> None:
    """Instead of "opener" there is a song in 4/4 at 125 BPM with two sections; the second is at 250 BPM."""
    song = replace(
        OPENER,
        sections=(replace(MIDDLE.sections[0]), replace(MIDDLE.sections[2], bpm=Fraction(250))),
    )
    stage = Stage(compiled(songs=(song, MIDDLE, CLOSER)))
    stage.do(Action.START)
    stage.run(500 * MS)
    stage.do(Action.SECTION, "bridge", at_bar=True)
    assert stage.show.snapshot().armed == ArmedCommand(ask(Action.SECTION, "bridge", "bar"), 1)
    stage.run(4000 * MS)
    assert stage.show.snapshot().armed is None
    # Start went out behind tick 0, so tick 1 is position 0 and tick 97 the next bar
    ticks = times_of_ticks(stage)
    steps = [round(after - before, 5) for before, after in pairwise(ticks)]
    assert set(steps[:97]) == {20.0}
    assert set(steps[97:]) == {10.0}
    assert stage.show.transport.clock.segment.anchor_tick == 97


def test_start_armed_for_the_bar_starts_with_the_bars_first_tick() -> None:
    stage = Stage()
    stage.run(500 * MS)
    stage.do(Action.START, at_bar=True)
    stage.run(4000 * MS)
    (start_ms,) = stage.times_ms("modular", START)
    ticks = times_of_ticks(stage)
    assert start_ms == 1901  # between ticks 95 and 96, at 1 900 and 1 920 ms
    first_played = min(n for n, at_ms in enumerate(ticks) if at_ms > start_ms)
    assert first_played == 96  # bars are counted from tick 0, the first after "opener" was entered


def test_what_is_armed_right_before_the_bar_with_room_is_done_at_once() -> None:
    stage = Stage()
    stage.run(1905 * MS)
    stage.do(Action.START, at_bar=True)  # tick 96, at 1 920 ms, is the first of a bar
    assert stage.show.snapshot().armed is None
    stage.run(3000 * MS)
    assert stage.times_ms("modular", START) == [1905]
    stage = Stage()
    stage.run(1919 * MS)  # too late for this bar
    stage.do(Action.START, at_bar=True)
    stage.run(4000 * MS)
    assert stage.times_ms("modular", START) == [3821]  # right behind tick 191


def test_armed_wrongly_changes_nothing() -> None:
    stage = Stage()
    before = stage.show.snapshot()
    for action, argument in [
        (Action.PANIC, None),
        (Action.TEMPO, ToTempo(Fraction(5))),
        (Action.GO, None),
        (Action.CANCEL, None),
        (Action.PREVIOUS, None),
        (Action.SONG, "nothing"),
        (Action.SECTION, "nothing"),
        (Action.CONTINUE, 0),
    ]:
        with pytest.raises(CommandError):
            stage.do(action, argument, at_bar=True)
    assert stage.show.snapshot() == before


def test_armed_and_then_gone_is_refused_aloud() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.do(Action.SONG, "closer", at_bar=True)
    stage.load(compiled(songs=(OPENER, MIDDLE), order=("opener", "middle"), before=stage.show.compiled))
    stage.run(4000 * MS)
    assert [e["why"] for e in stage.events if e["kind"] == "refused"] == ["no song 'closer'"]
    assert stage.show.snapshot().song == "opener"


def test_a_stall_does_not_cost_a_bar() -> None:
    stage = Stage()
    stage.run(1890 * MS)  # tick 96, at 1 920 ms, is the first of a bar
    stage.do(Action.NEXT, at_bar=True)
    late_ns = 1980 * MS
    while stage.show.next_deadline_ns() <= late_ns:  # all at once, late
        stage.now_ns = late_ns
        stage.show.advance(late_ns)
        stage.collect()
    assert stage.show.snapshot().song == "middle"
    assert stage.show.transport.clock.segment.anchor_tick == 96


def test_controls_act_on_their_edge_and_are_not_routed() -> None:
    routes = (route("sampler", "pedals", Kind),)
    sections = tuple(replace(section, routes=routes) for section in MIDDLE.sections)
    stage = Stage(compiled(songs=(OPENER, replace(MIDDLE, sections=sections), CLOSER)))
    stage.play("pedals", "b5 50 7f", "b5 50 7f", "b5 50 00")  # next, any channel
    assert stage.show.snapshot().song == "middle"
    stage.play("pedals", "b2 51 7f")  # previous is on channel 3 only, counted from 0
    assert stage.show.snapshot().song == "middle"
    assert stage.sent("sampler")[-1] == "b2 51 7f"
    stage.play("pedals", "90 24 50", "90 24 00")  # section 2
    assert stage.show.snapshot().section == 2
    stage.play("pedals", "b3 51 7f", "b3 51 00")
    assert stage.show.snapshot().song == "opener"
    stage.run(100 * MS)  # a press right behind another is bounce
    stage.play("pedals", "b3 51 7f")
    (refused,) = [e for e in stage.events if e["kind"] == "refused"]
    assert (refused["device"], refused["action"]) == ("pedals", "previous")
    stage.play("pedals", "c0 07", "b0 52 40")
    assert "panic" in [e["kind"] for e in stage.events]
    assert stage.show.snapshot().transport == "starting"


def test_a_song_control_without_an_argument_is_refused() -> None:
    rig = replace(RIG, controls=(Control("pedals", 0xB0, 80, Command(Action.SONG, ToSong(-1))),))
    stage = Stage(compiled(rig))
    stage.play("pedals", "b0 50 7f")
    assert [e["kind"] for e in stage.events].count("refused") == 1
