"""What a rig folder means: defaults, inheritance of routes, numbers as on the wire, choice of set."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from sound_rig import RIG, Folder

from routerd.core.midi.messages import CONTROLLER, NOTE_ON, PROGRAM, Kind
from routerd.core.model.actions import Action, ToSection, ToSong
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.rig import ANY_USB, RigFolder, Usb, WireKind
from routerd.core.model.route import NoteZone, Quantity, QuantityKind, Route, Switching
from routerd.core.model.song import (
    Patch,
    Song,
    StartPolicy,
    Step,
)
from routerd.server.rigfiles import load_folder
from tests.stage import patch_messages

HEAD = "title: One\ntempo: 120\n"
DEFAULT = {Kind.NOTES, Kind.CC, Kind.PITCH_BEND, Kind.CHANNEL_PRESSURE, Kind.POLY_PRESSURE}
SHARED = Route("shared", "keys", "synth", frozenset(DEFAULT))


def book(folder: Path, set_name: str | None = None) -> RigFolder:
    loaded = load_folder(folder, set_name)
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.rig_folder is not None
    return loaded.rig_folder


def song(rig_folder: Folder, text: str) -> Song:
    return book(rig_folder({"songs/one.yaml": text})).song("one")


def test_a_song_of_two_lines_has_the_documented_defaults(rig_folder: Folder) -> None:
    assert song(rig_folder, HEAD) == Song("one", "One", Fraction(120), routes=(SHARED,))


def test_every_key_of_a_song(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        "title: 1999\ntempo: 243/2\nmeter: 7/8\nkey: F# minor\nduration: 1:02:30\nstart: entry\n"
        "checklist: [tape in, tune by ear]\nnotes: |\n  first\n  second\n",
    )
    assert (one.title, one.bpm, one.beats, one.beat_unit) == ("1999", Fraction(243, 2), 7, 8)
    assert (one.key, one.duration_s, one.start) == ("F# minor", 3750, StartPolicy.ENTRY)
    assert (one.checklist, one.notes) == ((Step("tape in"), Step("tune by ear")), "first\nsecond")


@pytest.mark.parametrize(
    ("written", "bpm"),
    [
        ("121.5", Fraction(243, 2)),
        ("0120.10", Fraction(1201, 10)),
        ("'96'", Fraction(96)),
        ("363/4", Fraction(363, 4)),
    ],
)
def test_tempo_is_exact(rig_folder: Folder, written: str, bpm: Fraction) -> None:
    assert song(rig_folder, f"title: One\ntempo: {written}\n").bpm == bpm


@pytest.mark.parametrize(("written", "seconds"), [("4:10", 250), ("250", 250), ("0:07", 7), ("100:00", 6000)])
def test_a_duration_becomes_seconds(rig_folder: Folder, written: str, seconds: int) -> None:
    assert song(rig_folder, HEAD + f"duration: {written}\n").duration_s == seconds


@pytest.mark.parametrize(
    ("written", "low", "high"),
    [
        ("C4-B4", 60, 71),
        ("36-71", 36, 71),
        ("C-1-C4", 0, 60),
        ("60", 60, 60),
        ("Bb3", 58, 58),
        ("C2 – 48", 36, 48),
    ],
)
def test_note_ranges_count_middle_c_as_60(rig_folder: Folder, written: str, low: int, high: int) -> None:
    """M1 p. 10: note number 60 is middle C. Its name C4 is common practice with no source."""
    one = song(rig_folder, HEAD + f"routes:\n  - {{name: n, from: keys, to: host, notes: {written}}}\n")
    assert (one.routes[1].note_low, one.routes[1].note_high) == (low, high)


def test_every_key_of_a_route(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        HEAD
        + "routes:\n  - {name: r, from: keys, to: host, pass: [notes, program, sysex], from-channel: 1,\n"
        "     channel: 16, notes: C2-B4, transpose: -12, velocity: {fixed: 99}}\n"
        "  - {from: pedals, to: host, velocity: {max: 64}}\n",
    )
    assert one.routes == (
        SHARED,
        Route(
            "r", "keys", "host", frozenset({Kind.NOTES, Kind.PROGRAM, Kind.SYSEX}), 0, 15, 36, 71, -12, 99, 0
        ),
        Route("pedals to host", "pedals", "host", frozenset(DEFAULT), velocity_max=64),
    )


def test_sections_inherit_replace_add_and_switch_off(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        HEAD + "routes:\n"
        "  - {name: shared, from: keys, to: host}\n"
        "  - {name: low, from: keys, to: synth, notes: 0-59}\n"
        "sections:\n"
        "  - name: as the song\n"
        "  - name: changed\n"
        "    tempo: 99.5\n"
        "    routes:\n"
        "      - {name: low, from: keys, to: synth, notes: 0-47}\n"
        "      - {name: shared, off: true}\n"
        "      - {from: pedals, to: synth}\n"
        "  - name: after\n",
    )
    shared = Route("shared", "keys", "host", frozenset(DEFAULT))
    low = Route("low", "keys", "synth", frozenset(DEFAULT), note_high=59)
    assert one.routes == (shared, low)
    assert [section.routes for section in one.sections] == [
        (shared, low),
        (
            Route("low", "keys", "synth", frozenset(DEFAULT), note_high=47),
            Route("pedals to synth", "pedals", "synth", frozenset(DEFAULT)),
        ),
        (shared, low),
    ]
    assert [section.bpm for section in one.sections] == [None, Fraction(199, 2), None]


@pytest.mark.parametrize(
    ("msb", "lsb", "printed"), [(0, 0, 1), (0, 127, 128), (1, 0, 129), (127, 127, 16384)]
)
def test_bank_numbers_as_the_standard_prints_them(
    rig_folder: Folder, msb: int, lsb: int, printed: int
) -> None:
    """M1 pp. 13–14: bank number = 128 × MSB + LSB + 1, with these four as its examples."""
    one = song(rig_folder, HEAD + f"patches:\n  - {{device: synth, bank: {{msb: {msb}, lsb: {lsb}}}}}\n")
    assert one.patches[0].bank + 1 == printed


def test_programs_are_counted_as_the_general_midi_table_does(rig_folder: Folder) -> None:
    """GM1 pp. 5–6: programs 1 (first) to 128 (last); on the wire 0 to 127 (M1 p. 9)."""
    one = song(
        rig_folder, HEAD + "patches:\n  - {device: host, program: 1}\n  - {device: host, program: 128}\n"
    )
    assert [patch_messages(patch) for patch in one.patches] == [(b"\xc0\x00",), (b"\xc0\x7f",)]


def test_every_key_of_a_patch(rig_folder: Folder) -> None:
    dump = b"\xf0\x7d\x01\xf7\xf0\x7d\x02\xf7"
    folder = rig_folder(
        {
            "songs/one.yaml": HEAD
            + "patches:\n  - device: synth\n    channel: 2\n    bank: {lsb: 5}\n    program: 12\n"
            "    cc: {7: 100, 91: 40}\n    sysex: [F07E7F0901F7, {file: dumps/a.syx}, f07d03f7]\n"
            "sections:\n  - {name: a, patches: [{device: host, bank: {msb: 3}}]}\n",
            "dumps/a.syx": dump,
        }
    )
    one = book(folder).song("one")
    sysex = (b"\xf0\x7e\x7f\x09\x01\xf7", b"\xf0\x7d\x01\xf7", b"\xf0\x7d\x02\xf7", b"\xf0\x7d\x03\xf7")
    assert one.patches == (Patch("synth", 1, 5, 11, ((7, 100), (91, 40)), sysex),)
    assert one.sections[0].patches == (Patch("host", 0, 384),)


def test_controls_of_the_rig_become_commands(rig_folder: Folder) -> None:
    rig = book(
        rig_folder(
            {
                "rig.yaml": RIG.replace(
                    "routes:",
                    "  - {from: keys, note: C4, do: section, section: 2}\n"
                    "  - {from: keys, program: 128, channel: 1, do: song, song: 3}\n"
                    "  - {from: keys, cc: 60, do: panic}\nroutes:",
                )
            }
        )
    ).rig
    assert [device.name for device in rig.devices] == ["keys", "pedals", "synth", "host"]
    synth = rig.devices[2]
    assert (synth.title, synth.input_pattern, synth.output_pattern) == ("synth", "", "Synth*")
    assert (synth.wire, synth.clock, synth.transport) == (WireKind.DIN, True, False)
    assert rig.controls == (
        Control("pedals", CONTROLLER, 80, Command(Action.NEXT), channel=15),
        Control("keys", NOTE_ON, 60, Command(Action.SECTION, ToSection(2))),
        Control("keys", PROGRAM, 127, Command(Action.SONG, ToSong(3)), channel=0),
        Control("keys", CONTROLLER, 60, Command(Action.PANIC)),
    )


def test_usb_devices_of_one_name(rig_folder: Folder) -> None:
    rig = """name: R
devices:
  left: {input: {name: Twin*, serial: 0017}, output: {name: Twin*, serial: 17}}
  right: {output: {name: Twin*, usb-path: 1-1.2, serial: T2}}
  keys: {input: Keys*}
"""
    left, right, keys = book(
        rig_folder({"rig.yaml": rig, "songs/one.yaml": "title: One\ntempo: 120\n"})
    ).rig.devices
    assert (left.input_pattern, left.input_usb) == ("Twin*", Usb(serial="0017"))
    assert (left.output_pattern, left.output_usb) == ("Twin*", Usb(serial="17"))
    assert (right.input_pattern, right.output_usb) == ("", Usb("T2", "1-1.2"))
    assert (keys.input_usb, keys.output_usb) == (ANY_USB, ANY_USB)


def test_which_set_is_chosen(rig_folder: Folder) -> None:
    folder = rig_folder(
        {
            "songs/two.yaml": "title: A Second\ntempo: 90\n",
            "sets/old.yaml": "name: Old\ndate: 2025-01-01\norder: [A Second, one, two]\n",
            "sets/undated.yaml": "name: Zero\norder: [two]\n",
        }
    )
    assert book(folder).set_list.name == "Tonight"
    assert book(folder, "old").set_list.order == ("two", "one", "two")
    assert book(folder, "Zero").set_list.order == ("two",)
    assert book(folder, "TONIGHT").set_list.name == "Tonight"
    assert book(folder, "all songs").set_list.order == ("two", "one")
    assert {one.name for one in load_folder(folder).set_lists} == {"Tonight", "Old", "Zero"}
    for path in (folder / "sets").iterdir():
        path.unlink()
    assert (book(folder).set_list.name, book(folder).set_list.order) == ("all songs", ("two", "one"))


def test_what_a_route_can_say(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        HEAD
        + """\
key: F# minor
routes:
  - name: r
    from: keys
    to: host
    block: [pitch-bend]
    octave: -1
    transpose: 2
    velocity: {curve: [[0, 0], [127, 90]], max: 80}
    velocities: 20-127
    chord: [0, 7]
    block-channels: [10, 12-13]
    cc: [1, 64-66]
    programs: {3: 128}
    sysex: [F0 7D]
  - {name: low, from: keys, to: synth, notes: C1, drone: {intervals: [0, 7], octave: 2}}
  - name: fader
    from: pedals
    to: host
    map:
      - {from: 11, to: fine 7, from-range: 20-100, range: 16383-0, curve: soft, deadband: 2, pickup: true}
      - {from: 11, to: 74, device: synth, channels: 1-3}
      - {from: note C3, to: nrpn 300, device: synth, switch: latch}
""",
    )
    names = [(route.name, route.target) for route in one.routes]
    assert names == [
        ("shared", "synth"), ("r", "host"), ("low", "synth"), ("fader", "host"), ("fader", "synth"),
    ]  # fmt: skip
    r, low, fader, elsewhere = one.routes[1:]
    assert Kind.PITCH_BEND not in r.kinds
    assert {Kind.SYSEX, Kind.PROGRAM, Kind.NOTES} <= r.kinds
    assert (r.transpose, r.velocity_curve, r.velocity_max) == (-10, ((0, 0), (127, 90)), 80)
    assert (r.velocity_low, r.velocity_high, r.chord, r.programs) == (20, 127, (0, 7), ((2, 127),))
    assert r.blocked_channels == {9, 11, 12}
    assert r.blocked_cc == set(range(128)) - {1, 64, 65, 66}
    assert r.sysex_prefixes == (b"\xf0\x7d",)
    assert low.drone == (42, 49)  # F#2 is 42: C4 is 60
    (remap,) = fader.maps
    assert remap.source == Quantity(QuantityKind.CC, 11)
    assert remap.target == Quantity(QuantityKind.FINE, 7)
    assert (remap.source_range, remap.target_range, remap.deadband) == ((20, 100), (16383, 0), 2)
    assert remap.pickup
    assert elsewhere.kinds == frozenset()
    assert [one.channels for one in elsewhere.maps] == [(0, 1, 2), ()]
    assert elsewhere.maps[1].switching is Switching.LATCH


def test_routes_of_one_name_are_replaced_together(rig_folder: Folder) -> None:
    fader = "{name: f, from: pedals, to: host, map: [{from: 1, to: 2}, {from: 1, to: 3, device: synth}]}"
    sections = "sections:\n  - name: a\n    routes: [{name: f, from: pedals, to: host}]\n"
    one = song(rig_folder, HEAD + f"routes:\n  - {fader}\n" + sections)
    assert [route.name for route in one.routes] == ["shared", "f", "f"]
    assert [route.name for route in one.sections[0].routes] == ["shared", "f"]


def test_what_a_patch_can_say(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        HEAD + "patches:\n  - {device: synth, program: 3, messages: [B0 7E 01 F6], nrpn: {300: 129},\n"
        "     rpn: {0: 256}, order: [program, 50 ms, messages, nrpn, rpn], always: true}\n",
    )  # fmt: skip
    (patch,) = one.patches
    assert patch.messages == (b"\xb0\x7e\x01", b"\xf6")
    assert (patch.nrpn, patch.rpn, patch.always) == (((300, 129),), ((0, 256),), True)
    assert patch.order == ("program", 50_000_000, "messages", "nrpn", "rpn")


def test_a_device_without_recall_gets_a_line_on_the_checklist(rig_folder: Folder) -> None:
    rig = RIG.replace("wire: virtual", "wire: virtual, recall: false, title: Glass box")
    text = HEAD + "checklist: [Tune]\npatches:\n  - {device: host, program: 12, bank: {msb: 1}}\n"
    text += "sections:\n  - {name: end, patches: [{device: host, cc: {7: 1}}]}\n"
    book = load_folder(rig_folder({"rig.yaml": rig, "songs/one.yaml": text})).rig_folder
    assert book is not None
    assert book.songs[0].patches == book.songs[0].sections[0].patches == ()
    assert book.songs[0].checklist == (
        Step("Tune"),
        Step("Put Glass box on bank MSB 1 LSB 0, program 12"),
        Step("Put Glass box on its sound", section="end"),
    )


def test_what_the_checklist_tells_already_is_told_once(rig_folder: Folder) -> None:
    rig = RIG.replace("wire: virtual", "wire: virtual, recall: false, title: Glass box")
    text = HEAD + (
        "checklist: ['Glass box: program 12, lid open', {text: Glass box on 3, section: end}, Host warm]\n"
        "patches: [{device: host, program: 12}]\n"
        "sections:\n"
        "  - {name: end, patches: [{device: host, program: 3}]}\n"
        "  - {name: coda, patches: [{device: host, program: 12}]}\n"
    )
    book = load_folder(rig_folder({"rig.yaml": rig, "songs/one.yaml": text})).rig_folder
    assert book is not None
    assert [(item.text, item.section) for item in book.songs[0].checklist] == [
        ("Glass box: program 12, lid open", ""),
        ("Glass box on 3", "end"),
        ("Host warm", ""),
        ("Put Glass box on program 12", "coda"),
    ]


def test_zones_count_their_channels_from_zero(rig_folder: Folder) -> None:
    one = song(
        rig_folder,
        HEAD + "routes:\n  - {name: a, from: keys, to: host, zone: {from: lower, members: 7, to: upper}}\n"
        "  - {name: b, from: keys, to: host, zone: {from: upper, members: 15, channel: 4,\n"
        "     pitch-bend-range: 12}}\n",
    )
    assert [route.zone for route in one.routes[1:]] == [
        NoteZone(False, 7, True, 7),
        NoteZone(True, 15, False, 0, 3, 12),
    ]
