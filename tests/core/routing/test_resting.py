"""When a route ends, what was moved over it goes to rest; a route can ask where the controls stand.

Rest is that of RP-015 (MIDI Manufacturers Association), its list from memory, as the text could not be had.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.rig import WireKind
from routerd.core.model.route import NoteZone, Quantity, QuantityKind, Remap, Route
from routerd.core.model.song import HeldNotes, Patch
from tests.stage import MS, OPENER, RIG, SAMPLER, Stage, compiled

ALL = frozenset(Kind) - {Kind.CLOCK, Kind.TRANSPORT}


def path(target: str, source: str = "keys", **options: object) -> Route:
    return replace(Route(f"{source} to {target}", source, target, ALL), **options)


def stage(
    first: tuple[Route, ...],
    second: tuple[Route, ...] = (),
    *,
    held_notes: HeldNotes = HeldNotes.RING,
    wire: WireKind = WireKind.USB,
    patches: tuple[Patch, ...] = (),
    controls: tuple[Control, ...] = (),
) -> Stage:
    songs = (
        replace(OPENER, routes=first, patches=()),
        replace(OPENER, identifier="other", routes=second, held_notes=held_notes, patches=patches),
    )
    devices = tuple(replace(d, wire=wire) if d is SAMPLER else d for d in RIG.devices)
    rig = replace(RIG, devices=devices, controls=controls)
    made = Stage(compiled(rig, songs, ("opener", "other")))
    made.log.clear()
    return made


def after(made: Stage, action: Action, argument: str | None = None, name: str = "sampler") -> list[str]:
    """Return what a device is sent by an action and within half a second of it."""
    before = len(made.sent(name))
    made.do(action, argument)
    made.run(made.now_ns + 500 * MS)
    return made.sent(name)[before:]


MOVED = [
    ("e0 00 50", "e0 00 40"),
    ("d0 45", "d0 00"),
    ("b0 01 33", "b0 01 00"),
    ("b0 0b 20", "b0 0b 7f"),
    ("b0 41 7f", "b0 41 00"),
    ("b0 43 7f", "b0 43 00"),
    ("a0 3c 22", "a0 3c 00"),
]


@pytest.mark.parametrize(("moved", "rest"), MOVED)
@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.DIN])
def test_what_was_moved_goes_to_rest_with_its_route(moved: str, rest: str, wire: WireKind) -> None:
    made = stage((path("sampler", to_channel=2),), wire=wire)
    made.play("keys", moved)
    made.run(50 * MS)
    expected = rest[0] + "2" + rest[2:]
    assert after(made, Action.SONG, "other") == [expected]
    assert after(made, Action.SONG, "opener") == []
    assert after(made, Action.SONG, "other") == []


@pytest.mark.parametrize(("moved", "rest"), MOVED)
def test_what_is_at_rest_gets_nothing(moved: str, rest: str) -> None:
    made = stage((path("sampler"),))
    made.play("keys", moved, rest)
    assert after(made, Action.SONG, "other") == []


def test_volume_pan_and_sounds_stay() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "b0 07 20", "b0 0a 10", "b0 4a 33", "b0 5b 40", "c0 05", "b0 00 01")
    assert after(made, Action.SONG, "other") == []


def test_a_parameter_that_is_selected_is_left() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "b0 65 00", "b0 64 00", "b0 06 0c")
    assert after(made, Action.SONG, "other") == ["b0 65 7f", "b0 64 7f"]


def test_a_route_that_stays_keeps_what_its_player_does() -> None:
    made = stage((path("sampler"), path("modular")), (path("sampler", transpose=12), path("synth")))
    made.play("keys", "e0 00 50")
    assert after(made, Action.SONG, "other") == []
    assert made.sent("modular")[-1] == "e0 00 40"


def test_another_players_route_does_not_keep_it_bent() -> None:
    made = stage((path("sampler"), path("sampler", "pedals")), (path("sampler", "pedals"),), controls=())
    made.play("keys", "e0 00 50")
    made.play("pedals", "b0 01 20")
    assert after(made, Action.SONG, "other") == ["e0 00 40"]


def test_a_note_that_rings_keeps_its_bend_until_it_is_released() -> None:
    made = stage((path("sampler"),), (path("modular"),))
    made.play("keys", "90 3c 40", "90 40 40", "e0 00 50")
    assert after(made, Action.SONG, "other") == []
    made.log.clear()
    made.play("keys", "e0 00 30", "80 3c 40")
    assert made.sent("sampler") == ["80 3c 40"]
    made.play("keys", "80 40 40")
    assert made.sent("sampler") == ["80 3c 40", "80 40 40", "e0 00 40"]
    assert after(made, Action.SONG, "opener", "modular")[-1:] == ["e0 00 40"]


def test_a_note_that_the_pedal_holds_rings_too() -> None:
    made = stage((path("sampler"),), (path("modular"),))
    made.play("keys", "90 3c 40", "b0 40 7f", "80 3c 40", "e0 00 50")
    assert after(made, Action.SONG, "other") == []
    made.log.clear()
    made.play("keys", "b0 40 00")
    assert made.sent("sampler") == ["b0 40 00", "e0 00 40"]


def test_a_note_that_rings_elsewhere_holds_nothing_bent() -> None:
    """On another channel of the same device, or on another device."""
    made = stage((path("sampler"), path("modular")), (path("modular"),))
    made.play("keys", "92 3c 40", "e0 00 50")
    assert after(made, Action.SONG, "other") == ["e0 00 40"]
    made = stage((path("sampler", note_low=100), path("modular")), (path("modular"),))
    made.play("keys", "90 3c 40", "e0 00 50")
    assert after(made, Action.SONG, "other") == ["e0 00 40"]


def test_what_is_cut_rests_at_once() -> None:
    made = stage((path("sampler"),), (path("modular"),), held_notes=HeldNotes.CUT)
    made.play("keys", "90 3c 40", "e0 00 50")
    assert after(made, Action.SONG, "other") == ["80 3c 40", "e0 00 40"]


def test_who_moves_it_again_over_a_new_route_is_not_disturbed() -> None:
    made = stage((path("sampler"),), (path("modular"),))
    made.play("keys", "90 3c 40", "e0 00 50")
    made.do(Action.SONG, "other")
    made.do(Action.SONG, "opener")
    made.play("keys", "e0 00 60")
    made.log.clear()
    made.play("keys", "80 3c 40")
    assert made.sent("sampler") == ["80 3c 40"]


def test_what_maps_and_bend_ranges_make() -> None:
    slider = Remap(Quantity(QuantityKind.CC, 2), Quantity(QuantityKind.CC, 1), (0, 127), (0, 127))
    wheel = Remap(Quantity(QuantityKind.CC, 3), Quantity(QuantityKind.PITCH_BEND), (0, 127), (0, 16383))
    made = stage((path("sampler", maps=(slider, wheel)), path("modular", bend_from=2, bend_to=12)))
    made.play("keys", "b0 02 40", "b0 03 7f", "e0 00 50")
    assert sorted(after(made, Action.SONG, "other")) == ["b0 01 00", "e0 00 40"]
    assert made.sent("modular")[-1] == "e0 00 40"


def test_the_channels_of_a_zone_go_to_rest() -> None:
    made = stage((path("sampler", zone=NoteZone(False, 2, False, 0, 3, 2)),))
    made.play("keys", "91 3c 40", "e1 00 50", "d1 30", "81 3c 40")
    sent = after(made, Action.SONG, "other")
    assert "e3 00 40" in sent
    assert "d3 00" in sent
    made.do(Action.SONG, "opener")
    made.log.clear()
    made.play("keys", "91 3c 40")
    assert "93 3c 40" in made.sent("sampler")


def test_a_note_in_a_zone_keeps_the_bend_of_its_own_channel() -> None:
    """It came on channel 2 and rings on channel 4."""
    made = stage((path("sampler", zone=NoteZone(False, 2, False, 0, 3, 2)),))
    made.play("keys", "91 3c 40", "e1 00 50")
    assert "93 3c 40" in made.sent("sampler")
    assert after(made, Action.SONG, "other") == []
    made.log.clear()
    made.play("keys", "81 3c 40")
    made.run(made.now_ns + 100 * MS)
    assert made.sent("sampler")[:1] == ["83 3c 40"]
    assert "e3 00 40" in made.sent("sampler")


@pytest.mark.parametrize("action", [Action.MUTE, Action.PANIC])
def test_a_mute_and_a_panic_put_to_rest_what_was_bent(action: Action) -> None:
    made = stage((path("sampler"),))
    made.play("keys", "90 3c 40", "e0 00 50")
    sent = after(made, action, "device sampler" if action is Action.MUTE else None)
    assert sent[:2] == ["80 3c 40", "e0 00 40"]


def test_a_player_whose_input_goes_leaves_nothing_bent() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "90 3c 40", "e0 00 50")
    made.log.clear()
    made.show.input_lost(made.input("keys"), made.now_ns)
    made.collect()
    assert made.sent("sampler") == ["80 3c 40", "e0 00 40"]


def test_a_device_that_was_away_when_its_route_ended() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "e0 00 50")
    made.lose("sampler")
    made.do(Action.SONG, "other")
    made.log.clear()
    made.open("sampler")
    assert made.sent("sampler") == ["e0 00 40"]


@pytest.mark.parametrize(("moved", "rest"), MOVED)
@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.DIN])
def test_what_is_moved_while_a_device_is_away_is_brought_back_to_it(
    moved: str, rest: str, wire: WireKind
) -> None:
    """A cable that is pulled does not switch the device off: it stayed bent until the wheel moved again."""
    made = stage((path("sampler"),), wire=wire)
    made.play("keys", moved)
    made.run(50 * MS)
    made.lose("sampler")
    made.play("keys", rest)
    made.log.clear()
    made.open("sampler")
    made.run(100 * MS)
    assert made.sent("sampler") == [rest]


def test_a_device_comes_back_to_where_the_player_is_behind_its_patches() -> None:
    sounds = (Patch("sampler", program=3, cc=((11, 100),)),)
    made = stage((path("sampler"),), (path("sampler"),), patches=sounds)
    made.do(Action.SONG, "other")
    made.play("keys", "b0 0b 20", "b0 65 00", "b0 64 00")
    made.lose("sampler")
    made.play("keys", "b0 0b 30", "e0 00 50")
    made.log.clear()
    made.open("sampler")
    assert made.sent("sampler") == ["c0 03", "b0 0b 64", "b0 0b 30", "e0 00 50"]


def test_a_route_that_ends_at_rest_while_its_device_is_away_still_owes_rest() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "e0 00 50")
    made.lose("sampler")
    made.play("keys", "e0 00 40")
    for _ in range(3):
        made.do(Action.SONG, "other")
        made.do(Action.SONG, "opener")
        made.play("keys", "e0 00 30", "e0 00 40")
    made.do(Action.SONG, "other")
    made.log.clear()
    made.open("sampler")
    assert made.sent("sampler") == ["e0 00 40"]


def test_a_device_that_leaves_the_rig() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "e0 00 50")
    made.log.clear()
    rig = replace(RIG, devices=tuple(d for d in RIG.devices if d is not SAMPLER))
    made.load(compiled(rig, (replace(OPENER, routes=(), patches=()),), ("opener",), made.show.compiled))
    assert made.sent("sampler") == ["e0 00 40"]


# Chase


CHASED = path("sampler", chase=True)


def test_on_entry_the_device_gets_the_present_positions() -> None:
    made = stage((path("modular"),), (CHASED,), patches=(Patch("sampler", cc=((11, 64),)),))
    made.play("keys", "b0 0b 10", "b0 0b 50", "e0 10 30", "d0 22", "b0 01 00", "b0 40 7f", "90 3c 40")
    sent = after(made, Action.SONG, "other")
    assert sent == ["b0 0b 40", "b0 0b 50", "b0 01 00", "b0 40 7f", "d0 22", "e0 10 30"]
    made.log.clear()
    made.play("keys", "b0 40 00")
    assert made.sent("sampler") == ["b0 40 00"]


def test_without_chase_it_gets_nothing() -> None:
    made = stage((path("modular"),), (path("sampler"),))
    made.play("keys", "b0 0b 50", "e0 10 30")
    assert after(made, Action.SONG, "other") == []


def test_positions_go_through_the_routes_options() -> None:
    turned = Remap(Quantity(QuantityKind.CC, 1), Quantity(QuantityKind.CC, 11), (0, 127), (127, 0))
    second = replace(CHASED, to_channel=4, maps=(turned,), blocked_cc=frozenset({7}), bend_from=2, bend_to=12)
    made = stage((path("modular"),), (second,))
    made.play("keys", "b0 01 20", "b0 07 11", "e0 00 7f", "b1 04 05")
    assert sorted(after(made, Action.SONG, "other")) == ["b4 04 05", "b4 0b 5f", "e4 40 4a"]


def test_what_is_chased_goes_to_rest_like_what_is_moved() -> None:
    made = stage((path("modular"),), (CHASED,))
    made.play("keys", "e0 10 30")
    assert after(made, Action.SONG, "other") == ["e0 10 30"]
    assert after(made, Action.SONG, "opener") == ["e0 00 40"]


def test_a_route_that_goes_on_is_not_chased_again() -> None:
    made = stage((CHASED,), (CHASED, path("synth")))
    made.play("keys", "b0 0b 50")
    assert after(made, Action.SONG, "other") == []


def test_a_control_is_no_position() -> None:
    made = stage(
        (path("modular"),), (CHASED,), controls=(Control("keys", 0xB0, 80, Command(Action.NEXT_SECTION)),)
    )
    made.play("keys", "b0 50 7f", "b0 50 00", "b0 04 11")
    assert after(made, Action.SONG, "other") == ["b0 04 11"]


def test_a_device_that_comes_back_and_one_that_is_unmuted_get_them_too() -> None:
    made = stage((CHASED,))
    made.play("keys", "b0 0b 50")
    made.lose("sampler")
    made.log.clear()
    made.open("sampler")
    assert made.sent("sampler") == ["b0 0b 50"]
    made.do(Action.MUTE, "device sampler")
    assert after(made, Action.UNMUTE, "device sampler") == ["b0 0b 50"]


def test_a_pedal_that_was_a_control_when_it_moved_is_no_position() -> None:
    pedal = (Control("keys", 0xB0, 64, Command(Action.PANIC)),)
    songs = (
        replace(OPENER, routes=(), patches=()),
        replace(OPENER, identifier="other", routes=(CHASED,), patches=()),
    )
    made = stage((), (CHASED,), controls=pedal)
    made.play("keys", "b0 40 7f")  # a control: panic
    made.load(compiled(replace(RIG, controls=()), songs, ("opener", "other"), made.show.compiled))
    assert after(made, Action.SONG, "other") == []
    made.play("keys", "b0 40 00", "b0 40 7f")
    made.load(compiled(replace(RIG, controls=pedal), songs, ("opener", "other"), made.show.compiled))
    made.play("keys", "b0 40 00")  # its release is the control's
    made.do(Action.SONG, "opener")
    made.load(compiled(replace(RIG, controls=()), songs, ("opener", "other"), made.show.compiled))
    assert after(made, Action.SONG, "other") == []
    assert made.sounding() == {}


def test_a_rest_that_waits_on_a_full_wire_is_not_lost_with_the_port() -> None:
    """Sixty messages of 0.96 ms each wait before it (M1 p. 1: 31 250 baud)."""
    made = stage((path("sampler"),), wire=WireKind.DIN)
    made.play("keys", "e0 00 50")
    made.run(50 * MS)
    for note in range(40, 70):
        made.play("keys", f"90 {note:02x} 40", f"80 {note:02x} 40")
    made.do(Action.SONG, "other")
    made.lose("sampler")
    assert "e0 00 40" not in made.sent("sampler")
    made.log.clear()
    made.open("sampler")
    made.run(500 * MS)
    assert made.sent("sampler").count("e0 00 40") == 1


def test_what_was_moved_before_nobody_chased_is_no_position_later() -> None:
    """In between, what the player does is not kept: nobody knows where the wheel has got to."""
    made = stage((path("modular"),), (CHASED,))
    chasing = made.show.compiled
    songs = [replace(OPENER, routes=(path("modular"),), patches=()), replace(OPENER, identifier="other")]
    made.play("keys", "e0 10 30")
    made.load(compiled(chasing.rig, songs, ("opener", "other"), chasing))
    songs[1] = replace(songs[1], routes=(CHASED,), patches=())
    made.load(compiled(chasing.rig, songs, ("opener", "other"), made.show.compiled))
    assert after(made, Action.SONG, "other") == []


def test_a_program_is_no_position_whatever_its_number() -> None:
    made = stage((path("sampler"),), (path("modular"),))
    made.play("keys", *(f"c{channel:x} {number:02x}" for channel in (0, 1) for number in range(128)))
    assert made.output("sampler").moved == {}
    assert after(made, Action.SONG, "other") == []


def test_what_was_moved_goes_to_rest_when_a_set_has_no_song_any_more() -> None:
    made = stage((path("sampler"),))
    made.play("keys", "e0 00 50")
    made.log.clear()
    made.load(compiled(made.show.compiled.rig, (), (), made.show.compiled))
    assert made.sent("sampler") == ["e0 00 40"]


def test_a_note_of_a_zone_is_bent_again_after_its_channel_has_been_at_rest() -> None:
    zone = NoteZone(upper=False, members=7, to_upper=False, to_members=1)
    made = stage((path("sampler", zone=zone),), (path("modular"),))
    made.play("keys", "e1 00 50", "91 3c 40", "81 3c 00")
    assert "e1 00 40" in after(made, Action.SONG, "other")
    made.do(Action.SONG, "opener")
    made.log.clear()
    made.play("keys", "e1 00 50", "91 3c 40")
    assert [data for data in made.sent("sampler") if data[:2] in ("e1", "91")] == ["e1 00 50", "91 3c 40"]
