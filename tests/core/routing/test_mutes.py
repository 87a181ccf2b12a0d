"""Mute and solo of devices and routes: what is heard, and that nothing is left sounding."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.errors import NotFoundError
from routerd.core.model.actions import Action, Subject, ToSong
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from tests.stage import CONTROLS, MS, OPENER, RIG, Stage, compiled, route

LAYERS = replace(OPENER, routes=(route("synth"), route("sampler"), route("modular")), patches=())


def stage() -> Stage:
    controls = (
        *CONTROLS,
        Control("pedals", 0xB0, 90, Command(Action.MUTE, Subject(device="sampler"))),
        Control("pedals", 0xB0, 91, Command(Action.SOLO, Subject(route="keys to modular"))),
    )
    made = Stage(compiled(replace(RIG, controls=controls), (LAYERS,), ("opener",)))
    made.run(30 * MS)
    made.log.clear()
    return made


def heard(made: Stage) -> set[str]:
    made.log.clear()
    made.play("keys", "90 30 40", "80 30 40")
    made.run(made.now_ns + 30 * MS)
    return {name for _, name, data in made.log if data[0] == 0x90}


def test_a_muted_device_falls_silent_and_its_clock_goes_on() -> None:
    made = stage()
    made.play("keys", "90 3c 40", "b0 40 7f")
    made.do(Action.MUTE, "device modular")
    made.run(made.now_ns + 100 * MS)
    assert made.sounding()["modular", 0, 60] == 0
    assert made.sounding()["modular", 0, 1064] == 0
    assert made.sounding()["sampler", 0, 60] == 1
    assert made.times_ms("modular", b"\xf8")
    assert heard(made) == {"synth", "sampler"}
    made.do(Action.UNMUTE, "device modular")
    assert heard(made) == {"synth", "sampler", "modular"}
    made.log.clear()
    made.play("keys", "80 3c 00")
    assert made.sent("modular") == []  # its release has gone out already, once


def test_solo_and_mute_of_routes_and_devices() -> None:
    made = stage()
    made.do(Action.SOLO, "device synth")
    assert heard(made) == {"synth"}
    made.do(Action.SOLO, "device sampler")
    assert heard(made) == {"synth", "sampler"}
    made.do(Action.MUTE, "route keys to synth")
    assert heard(made) == {"sampler"}
    made.do(Action.UNSOLO, "device sampler")
    assert heard(made) == set()
    made.do(Action.UNSOLO, "device synth")
    assert heard(made) == {"sampler", "modular"}
    assert made.show.snapshot().muted == ("route keys to synth",)


def test_a_muted_route_lets_what_sounds_end_by_its_own_release() -> None:
    made = stage()
    made.play("keys", "90 3c 40")
    made.do(Action.MUTE, "route keys to sampler")
    made.play("keys", "80 3c 00")
    made.run(made.now_ns + 30 * MS)
    assert made.sounding() == {}


def test_a_foot_switch_mutes_and_unmutes() -> None:
    made = stage()
    made.play("pedals", "b0 5a 7f", "b0 5a 00")
    assert heard(made) == {"synth", "modular"}
    made.run(100 * MS)  # a press right behind another is bounce
    made.play("pedals", "b0 5a 7f", "b0 5a 00")
    assert heard(made) == {"synth", "sampler", "modular"}
    made.play("pedals", "b0 5b 7f", "b0 5b 00")
    assert heard(made) == {"modular"}
    assert [(event["kind"], event["on"]) for event in made.events if "subject" in event] == [
        ("mute", True),
        ("mute", False),
        ("solo", True),
    ]


def test_mutes_stay_over_songs_and_reloads_and_end_with_their_subject() -> None:
    made = stage()
    made.do(Action.MUTE, "device sampler")
    made.load(
        compiled(RIG, (LAYERS, replace(LAYERS, identifier="again")), ("opener", "again"), made.show.compiled)
    )
    made.do(Action.NEXT)
    assert heard(made) == {"synth", "modular"}
    devices = tuple(device for device in RIG.devices if device.name != "sampler")
    fewer = replace(LAYERS, routes=(route("synth"),))
    made.load(compiled(replace(RIG, devices=devices), (fewer,), ("opener",), made.show.compiled))
    assert made.show.snapshot().muted == ()


def test_what_is_not_there_cannot_be_muted() -> None:
    made = stage()
    with pytest.raises(NotFoundError, match="no device nothing; there are modular, sampler, synth"):
        made.do(Action.MUTE, "device nothing")
    assert not made.show.routes.mutes.any


def test_any_program_calls_the_song_of_its_number() -> None:
    controls = (
        Control("pedals", 0xC0, -1, Command(Action.SONG, ToSong(-1))),
        Control("pedals", 0xC0, 5, Command(Action.PANIC)),
    )
    songs = (LAYERS, replace(LAYERS, identifier="again"))
    made = Stage(compiled(replace(RIG, controls=controls), songs, ("opener", "again")))
    made.play("pedals", "c3 01")
    assert made.show.snapshot().song == "again"
    made.play("pedals", "c0 05")
    assert made.events[-1]["kind"] == "panic"


def test_mutes_and_solos_come_back_after_a_restart_as_far_as_they_make_sense() -> None:
    kept: dict[str, object] = {
        "song": "opener",
        "section": 0,
        "muted": ["device sampler", "device gone", 5, "route keys to modular"],
        "soloed": "device synth",
    }
    made = Stage(compiled(RIG, (LAYERS,), ("opener",)), kept)
    made.run(30 * MS)
    assert made.show.snapshot().muted == ("device sampler", "route keys to modular")
    assert made.show.snapshot().soloed == ()
    assert heard(made) == {"synth"}
    told = [(event["kind"], event["subject"]) for event in made.events if event["kind"] in ("mute", "solo")]
    assert told == [("mute", "device sampler"), ("mute", "route keys to modular")]
    soloed: dict[str, object] = {"song": "opener", "section": 0, "soloed": ["device synth"]}
    made = Stage(compiled(RIG, (LAYERS,), ("opener",)), soloed)
    made.run(30 * MS)
    assert heard(made) == {"synth"}
