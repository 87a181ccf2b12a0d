"""Songs and sections of a show, on simulated time.

"opener" is at 125 BPM: 20 ms a tick, 96 ticks and 1 920 ms a bar of 4/4.

Ticks: 24 to the quarter note (M1 p. 30).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action, ToTempo
from routerd.core.model.codec import MalformedError, from_json
from routerd.core.model.commands import NOW, Command, Moment, When
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Patch, Section
from tests.stage import (
    MIDDLE,
    MS,
    OPENER,
    START,
    TICK,
    Stage,
    compiled,
)

OPENER_PATCH = ["b2 00 01", "b2 20 01", "c2 05", "b2 07 64"]


def times_of_ticks(stage: Stage, name: str = "modular") -> list[float]:
    return stage.times_ms(name, TICK)


def test_the_first_song_is_entered_and_nothing_starts() -> None:
    stage = Stage()
    stage.run(100 * MS)
    assert stage.show.snapshot().song == "opener"
    assert stage.show.snapshot().index == 0
    assert stage.show.snapshot().transport == "stopped"
    assert stage.sent("modular") == []
    assert times_of_ticks(stage) == [0, 20, 40, 60, 80, 100]


def test_a_device_gets_its_patch_when_it_is_there() -> None:
    stage = Stage()
    stage.run(60 * MS)
    assert stage.sent("synth") == OPENER_PATCH
    assert stage.sent("sampler") == []


def test_next_stops_swaps_patches_and_changes_tempo_on_the_tick() -> None:
    """Tempo changes where the next tick lies: no gap, no double tick."""
    stage = Stage()
    stage.run(50 * MS)
    stage.do(Action.START)
    stage.run(200 * MS)
    ticks = len(times_of_ticks(stage))
    stage.do(Action.NEXT)
    stage.run(400 * MS)
    assert stage.sent("modular") == ["fa", "fc"]
    assert stage.sent("sampler") == ["c0 09"]
    after = times_of_ticks(stage)[ticks - 1 :]
    assert after[1] - after[0] == pytest.approx(20)  # the tick that was already planned
    assert after[2] - after[1] == pytest.approx(10)  # 250 BPM
    assert stage.show.snapshot().bpm == Fraction("250")
    assert [e["kind"] for e in stage.events if e["kind"] in ("song", "section", "tempo")][-3:] == [
        "tempo",
        "song",
        "section",
    ]


def test_next_and_previous_end_with_a_refusal_that_changes_nothing() -> None:
    stage = Stage()
    stage.run(50 * MS)
    before = stage.show.snapshot()
    with pytest.raises(CommandError, match="first song"):
        stage.do(Action.PREVIOUS)
    assert stage.show.snapshot() == before
    stage.do(Action.NEXT)
    stage.do(Action.NEXT)
    before = stage.show.snapshot()
    with pytest.raises(CommandError, match="last song"):
        stage.do(Action.NEXT)
    assert stage.show.snapshot() == before
    stage.do(Action.PREVIOUS)
    assert stage.show.snapshot().song == "middle"


def test_song_by_number_by_name_and_unknown() -> None:
    stage = Stage()
    stage.do(Action.SONG, 3)
    assert stage.show.snapshot().song == "closer"
    stage.do(Action.SONG, "opener")
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("opener", 0)
    before = stage.show.snapshot()
    for wrong in (0, 4, "nothing", None):
        with pytest.raises(NotFoundError):
            stage.do(Action.SONG, wrong)
    assert stage.show.snapshot() == before


def test_a_song_outside_the_order_is_played_in_between() -> None:
    stage = Stage(compiled(order=("opener", "closer")))
    stage.do(Action.SONG, "middle")
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("middle", None)
    stage.do(Action.NEXT)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("closer", 1)


def test_a_song_played_twice() -> None:
    stage = Stage(compiled(order=("opener", "middle", "opener", "closer")))
    stage.do(Action.NEXT)
    stage.do(Action.NEXT)
    assert stage.show.snapshot().index == 2
    stage.do(Action.NEXT)
    assert stage.show.snapshot().song == "closer"


def test_a_new_order_leaves_the_song_on() -> None:
    stage = Stage()
    stage.do(Action.NEXT)
    stage.do(Action.START)
    stage.run(100 * MS)
    sent = len(stage.sent())
    stage.show.set_order(SetList("later", ("closer", "opener", "middle")), stage.now_ns)
    stage.run(200 * MS)
    snapshot = stage.show.snapshot()
    assert (snapshot.song, snapshot.index, snapshot.transport) == ("middle", 2, "running")
    assert snapshot.set_list.name == "later"
    assert len(stage.sent()) == sent
    stage.show.set_order(SetList("later", ("opener", "closer")), stage.now_ns)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("middle", None)
    before = stage.show.snapshot()
    with pytest.raises(NotFoundError, match="missing"):
        stage.show.set_order(SetList("bad", ("opener", "missing")), stage.now_ns)
    assert stage.show.snapshot() == before


def test_start_policy_entry_starts_from_the_top() -> None:
    stage = Stage()
    stage.run(50 * MS)
    stage.do(Action.SONG, "closer")
    stage.run(150 * MS)
    assert stage.sent("modular") == ["fa"]
    assert stage.show.snapshot().transport == "running"
    start_ms = stage.times_ms("modular", START)[0]
    assert min(abs(start_ms - tick) for tick in times_of_ticks(stage)) >= 1  # M1 p. 30


def test_start_policy_entry_does_not_start_at_load() -> None:
    stage = Stage(compiled(order=("closer",)))
    stage.run(300 * MS)
    assert stage.show.snapshot().transport == "stopped"
    assert stage.sent("modular") == []


def test_section_changes_routes_patches_and_tempo() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.run(50 * MS)
    stage.play("keys", "90 3c 40")
    stage.do(Action.SECTION, "chorus")
    stage.run(100 * MS)
    stage.play("keys", "80 3c 40", "90 3c 41", "80 3c 40")
    stage.run(150 * MS)
    assert stage.sent("sampler") == ["c0 09", "90 3c 40", "80 3c 40"]
    assert stage.sent("synth")[-3:] == ["c0 06", "90 48 41", "80 48 40"]
    assert stage.sent("modular") == ["90 3c 41", "80 3c 40"]
    assert stage.show.snapshot().bpm == Fraction("250")
    stage.do(Action.SECTION, 3)
    assert (stage.show.snapshot().bpm, stage.show.snapshot().section) == (100, 3)


def test_a_tempo_by_hand_stays_between_sections_that_ask_for_none() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.TEMPO, "121.5")
    stage.do(Action.SECTION, "chorus")
    assert stage.show.snapshot().bpm == Fraction("243/2")
    stage.do(Action.SECTION, "bridge")
    assert stage.show.snapshot().bpm == Fraction("100")
    stage.do(Action.SECTION, "verse")
    assert stage.show.snapshot().bpm == Fraction("250")


@pytest.mark.parametrize("text", ["0", "481", "10/3", "-100"])
def test_what_is_no_tempo_is_refused(text: str) -> None:
    stage = Stage()
    before = stage.show.snapshot()
    for when in (NOW, When(Moment.BAR)):
        with pytest.raises(CommandError, match="is outside 10 to 480 BPM"):
            stage.show.apply(Command(Action.TEMPO, ToTempo(Fraction(text)), when), stage.now_ns)
    assert stage.show.snapshot() == before


@pytest.mark.parametrize("value", ["fast", "1e3", None, "1e999999999", 120])
def test_what_is_no_tempo_never_becomes_a_command(value: object) -> None:
    with pytest.raises(MalformedError, match=r"bpm: .* is not a fraction"):
        from_json(Command, {"action": "tempo", "argument": ["ToTempo", {"bpm": value}]})


def test_a_song_is_entered_with_the_patches_of_its_first_section_behind_its_own() -> None:
    song = replace(
        MIDDLE,
        patches=(Patch("synth", program=9),),
        sections=(
            Section("verse", MIDDLE.routes, (Patch("synth", channel=1, program=6),)),
            Section("chorus", MIDDLE.routes, (Patch("synth", channel=2, program=7),)),
        ),
    )
    stage = Stage(compiled(songs=(OPENER, song), order=("opener", "middle")))
    stage.run(60 * MS)
    before = len(stage.sent("synth"))
    stage.do(Action.NEXT)
    stage.run(160 * MS)
    assert stage.sent("synth")[before:] == ["c0 09", "c1 06"]
    stage = Stage(compiled(songs=(song,), order=("middle",)))  # where the show begins as well
    stage.run(60 * MS)
    assert stage.sent("synth") == ["c0 09", "c1 06"]
