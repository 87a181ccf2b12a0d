"""Patches: order and pauses, what is skipped when the device is already there, and what makes it unknown."""

from __future__ import annotations

from dataclasses import replace

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.song import Patch, Section
from tests.stage import MIDDLE, MS, OPENER, Stage, compiled, patch_messages, route

DUMP = b"\xf0\x7d\x01\xf7"
BASS = Patch("sampler", 2, bank=129, program=5, cc=((7, 100),), nrpn=((300, 129),), sysex=(DUMP,))
SOUND = ["f0 7d 01 f7", "b2 00 01", "b2 20 01", "c2 05"]
SETTINGS = ["b2 07 64", "b2 63 02", "b2 62 2c", "b2 06 01", "b2 26 01"]


def stage(*patches: Patch, other: tuple[Patch, ...] = ()) -> Stage:
    kinds = (Kind.NOTES, Kind.PROGRAM, Kind.SYSEX, Kind.CC)
    routes = (replace(route("sampler"), kinds=frozenset(kinds)),)
    first = replace(OPENER, patches=patches, routes=routes)
    second = replace(OPENER, identifier="second", patches=other, routes=routes)
    made = Stage(compiled(songs=(first, second), order=("opener", "second")))
    made.run(100 * MS)
    return made


def enter_again(made: Stage) -> list[str]:
    made.log.clear()
    made.do(Action.SONG, 1)
    made.run(made.now_ns + 100 * MS)
    return made.sent("sampler")


def test_everything_in_its_order() -> None:
    """Bank MSB, LSB, program (M1 p. 13); 99, 98, 6, 38 (M1 p. 18): 300 is 02 2CH, 129 is 01 01H."""
    assert stage(BASS).sent("sampler") == SOUND + SETTINGS


def test_a_device_that_is_on_its_sound_gets_only_its_settings() -> None:
    made = stage(BASS)
    assert enter_again(made) == SETTINGS


def test_unless_one_wants_to_be_sure() -> None:
    made = stage(replace(BASS, always=True))
    assert enter_again(made) == SOUND + SETTINGS


def test_another_sound_on_the_channel_makes_it_unknown() -> None:
    made = stage(BASS, other=(Patch("sampler", 2, program=9),))
    made.do(Action.NEXT)
    assert enter_again(made) == SOUND + SETTINGS


def test_another_channel_does_not() -> None:
    made = stage(BASS, other=(Patch("sampler", 3, program=9),))
    made.do(Action.NEXT)
    assert enter_again(made) == SETTINGS


def test_routed_program_changes_and_sysex_make_it_unknown() -> None:
    made = stage(BASS)
    made.play("keys", "c2 01")
    assert enter_again(made) == SOUND + SETTINGS
    made.play("keys", "f0 7d 02 f7")
    made.run(made.now_ns + 50 * MS)
    assert enter_again(made) == SOUND + SETTINGS
    made.play("keys", "c5 01", "92 3c 40", "82 3c 40")
    assert enter_again(made) == SETTINGS


def test_panic_and_absence_make_it_unknown() -> None:
    made = stage(BASS)
    made.do(Action.PANIC)
    assert enter_again(made) == SOUND + SETTINGS
    made.run(made.now_ns + 1_001 * MS)  # by then what panic has sent has arrived
    made.lose("sampler")
    made.log.clear()
    made.open("sampler")
    made.run(made.now_ns + 100 * MS)
    assert made.sent("sampler") == SOUND + SETTINGS


def test_a_patch_keeps_its_order_and_pauses() -> None:
    patch = replace(BASS, nrpn=(), order=("program", 50 * MS, "sysex", 20 * MS, "cc"))
    made = Stage(compiled(songs=(replace(OPENER, patches=(patch,)),), order=("opener",)))
    made.run(200 * MS)
    times = [(at_ns // MS, data.hex(" ")) for at_ns, name, data in made.log if name == "sampler"]
    assert [data for _, data in times] == [*SOUND[1:], SOUND[0], SETTINGS[0]]
    assert [at_ms for at_ms, _ in times] == [0, 0, 0, 50, 70]


def test_notes_do_not_wait_for_a_pause() -> None:
    patch = Patch("synth", program=1, cc=((7, 90),), order=("program", 500 * MS, "cc"))
    made = Stage(compiled(songs=(replace(OPENER, patches=(patch,)),), order=("opener",)))
    made.run(100 * MS)
    made.play("keys", "90 3c 40", "b0 01 10")
    made.run(110 * MS)
    assert made.sent("synth") == ["c0 01", "90 3c 40", "b0 01 10"]
    made.run(600 * MS)
    assert made.sent("synth")[-1] == "b0 07 5a"


def test_free_messages_come_before_the_program() -> None:
    patch = Patch("synth", messages=(b"\xb0\x7e\x01", b"\xf6"), program=3)
    assert patch_messages(patch) == (b"\xb0\x7e\x01", b"\xf6", b"\xc0\x03")


def test_entering_a_song_sends_its_own_patches_and_then_those_of_its_first_section() -> None:
    sections = (
        Section("verse", OPENER.routes, (Patch("sampler", 3, program=7),)),
        Section("chorus", OPENER.routes),
    )
    song = replace(OPENER, patches=(Patch("sampler", 2, program=5),), sections=sections)
    made = Stage(compiled(songs=(MIDDLE, song), order=("middle", "opener")))
    made.run(100 * MS)
    made.log.clear()
    made.do(Action.NEXT)
    made.run(made.now_ns + 100 * MS)
    assert made.sent("sampler") == ["c2 05", "c3 07"]
