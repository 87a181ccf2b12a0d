"""Another rig under a running show, and where a show begins, on simulated time, 20 ms a tick at 125 BPM."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.song import Patch
from routerd.core.show.tick_sender import NO_SONG
from tests.stage import (
    CLOSER,
    CONTROLS,
    MIDDLE,
    MS,
    OPENER,
    RIG,
    SYNTH,
    TICK,
    Stage,
    compiled,
    route,
)


def times_of_ticks(stage: Stage, name: str = "modular") -> list[float]:
    return stage.times_ms(name, TICK)


def test_reload_keeps_song_section_transport_and_grid() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.SECTION, "chorus")
    stage.do(Action.START)
    stage.run(200 * MS)
    sent, ticks = len(stage.sent()), len(times_of_ticks(stage))
    stage.load(compiled(order=("closer", "middle"), before=stage.show.compiled))
    stage.run(400 * MS)
    snapshot = stage.show.snapshot()
    assert (snapshot.song, snapshot.section, snapshot.index) == ("middle", 2, 1)
    assert (snapshot.transport, snapshot.bpm, snapshot.generation) == ("running", 250, 2)
    assert len(stage.sent()) == sent
    assert len(times_of_ticks(stage)) == ticks + 20


def test_reload_takes_the_new_version_of_the_song_that_is_on() -> None:
    stage = Stage()
    stage.run(100 * MS)
    changed = replace(
        OPENER, bpm=Fraction(100), routes=(route("modular"),), patches=(Patch("sampler", program=3),)
    )
    stage.play("keys", "90 3c 40")
    stage.load(compiled(songs=(changed, MIDDLE, CLOSER), before=stage.show.compiled))
    stage.play("keys", "80 3c 40", "90 3e 40")
    stage.run(200 * MS)
    assert stage.sent("sampler") == ["c0 03"]
    assert stage.sent("modular") == ["90 3e 40"]
    assert stage.sent("synth")[-1] == "80 3c 40"
    assert stage.show.snapshot().bpm == Fraction("100")


def test_reload_that_loses_the_section_falls_back_to_the_first() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.SECTION, "bridge")
    for sections, number in ((MIDDLE.sections[1:2], 1), ((), 0), (MIDDLE.sections, 1)):
        song = replace(MIDDLE, sections=sections)
        stage.load(compiled(songs=(OPENER, song, CLOSER), before=stage.show.compiled))
        assert stage.show.snapshot().section == number


def test_reload_without_the_song_that_is_on_goes_to_what_followed() -> None:
    stage = Stage()
    stage.do(Action.SONG, "middle")
    stage.do(Action.START)
    stage.run(100 * MS)
    stage.load(compiled(songs=(OPENER, CLOSER), order=("opener", "closer"), before=stage.show.compiled))
    stage.run(200 * MS)
    assert (stage.show.snapshot().song, stage.show.snapshot().index) == ("closer", 1)
    assert stage.show.snapshot().transport == "stopped"


def test_an_empty_rig_has_no_song_and_routes_nothing() -> None:
    stage = Stage()
    stage.play("keys", "90 3c 40")
    stage.load(compiled(songs=(), order=(), before=stage.show.compiled))
    assert stage.show.snapshot().song is None
    assert stage.show.ticks.song_number == NO_SONG
    stage.play("keys", "80 3c 40")
    stage.run(100 * MS)
    assert stage.sounding() == {}
    sent = len(stage.sent())
    stage.play("keys", "90 3c 40")
    assert len(stage.sent()) == sent
    for action in (Action.NEXT, Action.SECTION, Action.SONG):
        with pytest.raises(CommandError):
            stage.do(action)
    stage.load(compiled(before=stage.show.compiled))
    assert stage.show.snapshot().song == "opener"


def test_a_removed_device_is_released_before_it_goes() -> None:
    dump = b"\xf0\x7d" + bytes(1999) + b"\xf7"
    stage = Stage(compiled(songs=(replace(OPENER, patches=(Patch("synth", sysex=(dump,)),)), MIDDLE, CLOSER)))
    stage.run(30 * MS)
    stage.play("keys", *(f"90 {note:02x} 40" for note in range(40, 60)))  # they wait behind the dump
    rig = replace(RIG, devices=tuple(d for d in RIG.devices if d is not SYNTH))
    stage.load(compiled(rig, songs=(CLOSER,), order=("closer",), before=stage.show.compiled))
    assert stage.sent("synth")[-21:] == ["f7", *(f"80 {note:02x} 40" for note in range(40, 60))]


def test_what_an_absent_device_is_owed_passes_to_its_successor() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 3c 40")
    stage.run(110 * MS)
    stage.lose("synth")
    devices = tuple(replace(d, output_pattern="new") if d is SYNTH else d for d in RIG.devices)
    rig = replace(RIG, devices=devices)
    stage.load(compiled(rig, before=stage.show.compiled))
    stage.open("synth")
    stage.run(200 * MS)
    assert "80 3c 40" in stage.sent("synth")
    assert stage.sounding() == {}


def test_a_key_that_becomes_a_control_by_reload_is_released() -> None:
    stage = Stage()
    stage.run(100 * MS)
    stage.play("keys", "90 24 40")
    rig = replace(RIG, controls=(*CONTROLS, Control("keys", 0x90, 0x24, Command(Action.NEXT))))
    stage.load(compiled(rig, before=stage.show.compiled))
    stage.play("keys", "80 24 40")
    stage.run(200 * MS)
    assert stage.sounding() == {}
    assert stage.show.snapshot().song == "opener"
    stage.play("keys", "90 24 40")
    assert stage.show.snapshot().song == "middle"


@pytest.mark.parametrize(
    ("place", "song", "section", "bpm"),
    [
        ({"song": "middle", "section": 3, "bpm": "243/2"}, "middle", 3, "243/2"),
        ({"song": "middle", "section": None, "bpm": None}, "middle", 1, "250"),
        ({"song": "middle", "section": 99}, "middle", 3, "100"),
        ({"song": "middle", "section": -4}, "middle", 1, "250"),
        ({"song": "middle", "section": "two", "bpm": "0"}, "middle", 1, "250"),
        ({"song": "middle", "section": 1.5, "bpm": "1/0"}, "middle", 1, "250"),
        ({"song": "middle", "section": [1], "bpm": {"a": 1}}, "middle", 1, "250"),
        ({"song": "missing", "section": 3, "bpm": "100"}, "opener", 0, "125"),
        ({"song": ["opener"]}, "opener", 0, "125"),
        ({"song": 3}, "opener", 0, "125"),
        ({}, "opener", 0, "125"),
    ],
)
def test_a_kept_place_and_a_broken_one(place: dict[str, object], song: str, section: int, bpm: str) -> None:
    stage = Stage(begin=place)
    snapshot = stage.show.snapshot()
    assert (snapshot.song, snapshot.section, snapshot.bpm) == (song, section, Fraction(bpm))
    stage.run(200 * MS)
    assert snapshot.transport == "stopped"


def test_a_kept_place_is_only_for_the_beginning() -> None:
    stage = Stage()
    stage.load(compiled(before=stage.show.compiled), {"song": "closer"})
    assert stage.show.snapshot().song == "opener"
