"""Notes that a song or section holds by itself: pressed on entry, released on leaving and by panic."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.midi.tuning import volts
from routerd.core.model.actions import Action
from routerd.core.model.rig import WireKind
from routerd.core.model.song import Hold, Patch, Section
from tests.stage import MIDDLE, MS, OPENER, RIG, SAMPLER, Stage, compiled, route

A2, E3, C3 = Hold("sampler", 0, 45, 100), Hold("sampler", 0, 52, 80), Hold("sampler", 1, 48, 100)


def stage(wire: WireKind = WireKind.USB) -> Stage:
    songs = (
        replace(OPENER, routes=(route("sampler"),), patches=()),
        replace(OPENER, identifier="held", routes=(), patches=(Patch("sampler", program=3),), holds=(A2,)),
        replace(OPENER, identifier="both", routes=(route("sampler"),), patches=(), holds=(A2, C3)),
        replace(
            MIDDLE,
            identifier="parts",
            patches=(),
            holds=(A2,),
            sections=(
                Section("verse", (route("sampler"),), holds=(A2,)),
                Section("chorus", (route("sampler"),), holds=(A2, E3)),
            ),
        ),
    )
    devices = tuple(replace(d, wire=wire) if d is SAMPLER else d for d in RIG.devices)
    made = Stage(compiled(replace(RIG, devices=devices), songs, ("opener", "held", "both", "parts")))
    made.log.clear()
    return made


def sent(made: Stage, action: Action, argument: str | int | None = None) -> list[str]:
    before = len(made.sent("sampler"))
    made.do(action, argument)
    made.run(made.now_ns + 100 * MS)
    return made.sent("sampler")[before:]


@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.DIN])
def test_a_song_holds_a_note_from_its_patches_on_until_it_is_left(wire: WireKind) -> None:
    made = stage(wire)
    assert sent(made, Action.SONG, "held") == ["c0 03", "90 2d 64"]
    assert sent(made, Action.SONG, "opener") == ["80 2d 40"]


def test_what_both_hold_goes_on_without_a_break() -> None:
    made = stage()
    sent(made, Action.SONG, "held")
    assert sent(made, Action.SONG, "both") == ["91 30 64"]
    assert sent(made, Action.SONG, "parts") == ["81 30 40"]
    assert sent(made, Action.SECTION, 2) == ["90 34 50"]
    assert sent(made, Action.SECTION, 1) == ["80 34 40"]
    assert sent(made, Action.SONG, "opener") == ["80 2d 40"]


@pytest.mark.parametrize("action", [Action.PANIC, Action.SILENCE])
def test_panic_ends_it_until_the_next_entry(action: Action) -> None:
    made = stage()
    sent(made, Action.SONG, "held")
    assert sent(made, action)[0] == "80 2d 40"
    assert sent(made, Action.SONG, "opener") == []
    assert sent(made, Action.SONG, "held") == ["c0 03", "90 2d 64"]


def test_a_key_on_the_same_note_does_not_end_it() -> None:
    made = stage()
    sent(made, Action.SONG, "both")
    made.log.clear()
    made.play("keys", "90 2d 40", "80 2d 40")
    assert made.sent("sampler") == ["80 2d 40", "90 2d 40"]
    assert sent(made, Action.SONG, "opener") == ["80 2d 40", "81 30 40"]


def test_a_mute_ends_it_and_unmuting_begins_it_again() -> None:
    made = stage()
    sent(made, Action.SONG, "held")
    assert sent(made, Action.MUTE, "device sampler") == ["80 2d 40"]
    assert sent(made, Action.UNMUTE, "device sampler") == ["90 2d 64"]


def test_a_device_that_comes_back_is_released_and_pressed_again() -> None:
    made = stage()
    sent(made, Action.SONG, "held")
    made.lose("sampler")
    made.log.clear()
    made.open("sampler")
    assert made.sent("sampler") == ["80 2d 40", "c0 03", "90 2d 64"]


def test_a_reload_changes_what_is_held() -> None:
    made = stage()
    sent(made, Action.SONG, "held")
    made.log.clear()
    changed = replace(OPENER, identifier="held", routes=(), patches=(), holds=(E3,))
    made.load(compiled(RIG, (changed,), ("held",), made.show.compiled))
    assert made.sent("sampler") == ["80 2d 40", "90 34 50"]
    rig = replace(RIG, devices=tuple(d for d in RIG.devices if d is not SAMPLER))
    made.load(compiled(rig, (replace(changed, holds=()),), ("held",), made.show.compiled))
    assert made.sounding() == {}


def test_a_note_has_its_control_voltage() -> None:
    """A volt per octave, a twelfth to the semitone: common practice, no standard says so; 1.2 V exists."""
    assert volts(45, 36, 1.0) == 0.75
    assert volts(60, 36, 1.2) == pytest.approx(2.4)
    assert volts(24, 36, 1.0) == -1.0
