"""A note sounds as long as any press that leads to it is held; the last release ends it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.rig import WireKind
from routerd.core.model.route import NoteZone, Quantity, QuantityKind, Remap, Route, Switching
from routerd.core.model.song import Patch
from routerd.core.output.receivers import SoundingNotes
from tests.stage import MS, OPENER, RIG, SAMPLER, Stage, compiled, route

FOLDED = route("sampler", to_channel=0)
OCTAVES = replace(route("sampler"), chord=(-12, 0, 12))


def stage(*routes: Route, wire: WireKind = WireKind.USB, patches: tuple[Patch, ...] = ()) -> Stage:
    song = replace(OPENER, routes=tuple(routes), patches=patches)
    other = replace(OPENER, identifier="other", routes=(route("sampler", transpose=2),), patches=())
    devices = tuple(replace(d, wire=wire) if d is SAMPLER else d for d in RIG.devices)
    made = Stage(compiled(replace(RIG, devices=devices), (song, other), ("opener", "other")))
    made.log.clear()
    return made


def played(made: Stage, *hexes: str) -> list[str]:
    """Return what the sampler was sent, with time enough for a slow wire between."""
    before = len(made.sent("sampler"))
    for text in hexes:
        made.play("keys", text)
        made.run(made.now_ns + 20 * MS)
    return made.sent("sampler")[before:]


@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.DIN])
def test_two_channels_folded_to_one(wire: WireKind) -> None:
    made = stage(FOLDED, wire=wire)
    assert played(made, "90 3c 40") == ["90 3c 40"]
    assert played(made, "91 3c 50") == ["80 3c 40", "90 3c 50"]  # struck again
    assert played(made, "90 3c 00") == []
    assert played(made, "81 3c 22") == ["80 3c 22"]


def test_three_presses_and_one_of_them_twice() -> None:
    made = stage(FOLDED)
    played(made, "90 3c 40", "91 3c 40", "92 3c 40", "91 3c 41")
    assert made.sounding() == {("sampler", 0, 60): 1}
    assert played(made, "81 3c 40", "80 3c 40") == []
    assert played(made, "82 3c 40") == ["80 3c 40"]
    assert made.sounding() == {}


@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.DIN])
def test_chords_in_octaves_that_overlap(wire: WireKind) -> None:
    made = stage(OCTAVES, wire=wire)
    assert played(made, "90 3c 40") == ["90 30 40", "90 3c 40", "90 48 40"]
    assert played(made, "90 48 40") == ["80 3c 40", "90 3c 40", "80 48 40", "90 48 40", "90 54 40"]
    assert played(made, "80 3c 40") == ["80 30 40"]
    assert played(made, "80 48 40") == ["80 3c 40", "80 48 40", "80 54 40"]


def test_two_players_of_one_device() -> None:
    made = stage(route("sampler"), route("sampler", source="pedals"))
    made.play("keys", "90 3c 40")
    made.play("pedals", "90 3c 40", "80 3c 40")
    assert made.sounding() == {("sampler", 0, 60): 1}
    made.play("keys", "80 3c 40")
    assert made.sounding() == {}


def test_a_key_of_the_song_before_and_one_of_this_song() -> None:
    made = stage(route("sampler"))
    made.play("keys", "90 3e 40")
    made.do(Action.SONG, "other")
    made.play("keys", "90 3c 40", "80 3e 40")
    assert made.sounding() == {("sampler", 0, 62): 1}
    made.play("keys", "80 3c 40")
    assert made.sounding() == {}


def test_two_keys_of_one_drone_are_one_drone() -> None:
    made = stage(replace(route("sampler"), drone=(36, 43), note_low=60, note_high=61))
    assert played(made, "90 3c 40", "80 3c 40") == ["90 24 40", "90 2b 40"]
    assert played(made, "90 3d 40", "80 3d 40") == ["80 24 40", "80 2b 40"]
    assert made.sounding() == {}


def on_two_channels(one: Route) -> Stage:
    """Return a stage whose songs "opener" and "same" have that route on channel 1, "other" on channel 2."""
    songs = tuple(
        replace(OPENER, identifier=name, routes=(replace(one, to_channel=channel),), patches=())
        for name, channel in (("opener", 0), ("same", 0), ("other", 1))
    )
    made = Stage(compiled(RIG, songs, ("opener", "same", "other")))
    made.log.clear()
    return made


def test_a_drone_ends_where_its_route_goes_to_another_channel() -> None:
    """It went on, and no key of the next song could end it."""
    made = on_two_channels(replace(route("sampler"), drone=(36, 43)))
    assert played(made, "90 3c 40", "80 3c 40") == ["90 24 40", "90 2b 40"]
    made.do(Action.SONG, "same")
    assert made.sounding() == {("sampler", 0, 36): 1, ("sampler", 0, 43): 1}
    made.do(Action.SONG, "other")
    assert made.sounding() == {}


def test_a_pedal_that_is_latched_ends_where_its_route_goes_to_another_channel() -> None:
    pedal = Quantity(QuantityKind.CC, 64)
    latch = Remap(Quantity(QuantityKind.NOTE, 60), pedal, (0, 127), (0, 127), switching=Switching.LATCH)
    made = on_two_channels(replace(route("sampler"), maps=(latch,)))
    assert played(made, "90 3c 40", "80 3c 40") == ["b0 40 7f"]
    made.do(Action.SONG, "same")
    assert made.sent("sampler") == ["b0 40 7f"]
    made.do(Action.SONG, "other")
    assert made.sent("sampler") == ["b0 40 7f", "b0 40 00"]
    assert played(made, "90 3c 40", "80 3c 40") == ["b1 40 7f"]


def test_a_drone_and_a_key_on_one_note() -> None:
    drone = replace(route("sampler"), name="drone", drone=(48,), note_low=36, note_high=36)
    made = stage(drone, route("sampler", note_low=37))
    played(made, "90 24 40", "80 24 40", "90 30 40")
    assert played(made, "80 30 40") == []
    assert made.sounding() == {("sampler", 0, 48): 1}
    assert played(made, "90 24 40") == ["80 30 40"]


def test_a_zone_folded_to_one_channel() -> None:
    """The same note on two member channels (MPE 1.0, 2.2)."""
    made = stage(replace(route("sampler", kinds=Kind), zone=NoteZone(False, 3, False, 0, 0, 2)))
    played(made, "91 3c 40", "92 3c 40", "81 3c 40")
    assert made.sounding() == {("sampler", 0, 60): 1}
    played(made, "82 3c 40")
    assert made.sounding() == {}


def test_a_key_that_is_mapped_presses_no_note() -> None:
    switch = Remap(Quantity(QuantityKind.NOTE, 60), Quantity(QuantityKind.CC, 80), (0, 127), (0, 127))
    made = stage(replace(route("sampler"), maps=(switch,)))
    assert played(made, "90 3c 40", "80 3c 40") == ["b0 50 7f", "b0 50 00"]
    assert made.output("sampler").wire.receivers.presses == {}


def test_a_release_of_an_unseen_press_ends_no_note_that_others_hold() -> None:
    made = stage(FOLDED)
    played(made, "91 3c 40")
    assert played(made, "80 3c 40") == []
    assert made.sounding() == {("sampler", 0, 60): 1}
    assert played(made, "81 3c 40") == ["80 3c 40"]
    assert played(made, "80 3c 40") == ["80 3c 40"]  # nobody holds it: it may have begun before the service


def test_what_a_lost_device_is_owed_is_one_release_a_note() -> None:
    made = stage(FOLDED)
    played(made, "90 3c 40", "91 3c 40")
    made.lose("sampler")
    made.log.clear()
    made.open("sampler")
    assert made.sent("sampler") == ["80 3c 40"]
    assert played(made, "80 3c 40", "81 3c 40") == []


def test_muting_and_an_input_that_goes_end_what_they_hold_alone() -> None:
    made = stage(route("sampler"), route("sampler", source="pedals"))
    made.play("keys", "90 3c 40")
    made.play("pedals", "90 3c 40", "90 40 40")
    made.show.input_lost(made.input("pedals"), made.now_ns)
    made.collect()
    assert made.sounding() == {("sampler", 0, 60): 1}
    made.do(Action.MUTE, "device sampler")
    assert made.sounding() == {}


def test_panic_ends_what_a_patch_has_started() -> None:
    """As Note Offs: All Notes Off is no substitute for them (M1 p. 20)."""
    made = stage(
        route("sampler"),
        patches=(
            Patch("sampler", messages=(b"\x93\x20\x64", b"\x93\x21\x64", b"\x93\x21\x00"), always=True),
        ),
    )
    made.do(Action.SONG, "opener")
    assert made.sounding() == {("sampler", 3, 32): 1}
    made.log.clear()
    made.do(Action.PANIC)
    notes = [text for text in made.sent("sampler") if text[0] in "89"]
    assert notes == ["83 20 40"]


def test_what_has_been_ended_is_ended_once() -> None:
    """By panic, say: played notes and those that a patch has started; a second one finds nothing."""
    notes = SoundingNotes()
    notes.press(b"\x90\x3c\x40")
    notes.note_patch(b"\x91\x30\x40")
    notes.note_patch(b"\x90\x3c\x40")
    assert notes.end() == [b"\x80\x3c\x40", b"\x81\x30\x40"]
    assert notes.end() == []
    assert notes.press(b"\x90\x3c\x40") is None
    assert notes.release(b"\x80\x3c\x40")
