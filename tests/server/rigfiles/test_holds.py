"""Notes that songs hold: how they are written, what is wrong with them, and what a sheet says of them."""

from __future__ import annotations

import pytest
from sound_rig import RIG, SONG, Folder

from routerd.core.model.rig import RigFolder
from routerd.core.model.song import Hold
from routerd.server.offline.check import warnings_of
from routerd.server.offline.rehearse import rehearse
from routerd.server.offline.sheet import as_text
from routerd.server.rigfiles import load_folder

CONVERTER = RIG.replace(
    "  host:", "  modular: {output: Box*, volts-per-octave: 1.2, zero-volts: C2, channels: [3, 4]}\n  host:"
)


def told(folder: Folder, rig: str, song: str) -> list[str]:
    loaded = load_folder(folder({"rig.yaml": rig, "songs/one.yaml": SONG + song}))
    assert loaded.problems
    return [str(problem) for problem in loaded.problems]


def book(folder: Folder, song: str, rig: str = CONVERTER) -> RigFolder:
    loaded = load_folder(folder({"rig.yaml": rig, "songs/one.yaml": SONG + song}))
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.rig_folder is not None
    return loaded.rig_folder


HOLDS = """\
hold:
  - {device: modular, notes: [A2, 36]}
sections:
  - name: verse
  - name: bridge
    hold:
      - {device: modular, notes: [C4], channel: 4, velocity: 127}
      - {device: synth, notes: [E3]}
"""


def test_a_section_holds_what_its_song_holds_and_more(rig_folder: Folder) -> None:
    song = book(rig_folder, HOLDS).song("one")
    held = (Hold("modular", 2, 45, 100), Hold("modular", 2, 36, 100))
    assert song.holds == song.sections[0].holds == held
    assert song.sections[1].holds == (*held, Hold("modular", 3, 60, 127), Hold("synth", 0, 52, 100))


def test_the_technical_sheet_has_note_names_and_voltages(rig_folder: Folder) -> None:
    """A2 is 9 semitones above C2: 0.9 V at 1.2 V per octave; C4 two octaves: 2.4 V."""
    lines = [line.strip() for line in as_text(book(rig_folder, HOLDS), technical=True).splitlines()]
    assert "modular ch 3: holds A2, velocity 100, 0.900 V" in lines
    assert "modular ch 3: holds C2, velocity 100, 0.000 V" in lines
    assert "bridge: modular ch 4: holds C4, velocity 127, 2.400 V" in lines
    assert "bridge: synth ch 1: holds E3, velocity 100" in lines
    assert "holds" not in as_text(book(rig_folder, HOLDS), technical=False)


@pytest.mark.parametrize(
    ("song", "problem"),
    [
        (
            "hold:\n  - {device: modular, notes: []}\n",
            "songs/one.yaml:4: the hold has no note; list at least one",
        ),
        ("hold:\n  - {device: modular}\n", "songs/one.yaml:4: 'notes' is missing"),
        (
            "hold:\n  - {device: modular, notes: [A2], channel: 1}\n",
            "songs/one.yaml:4: channel 1 is not one of",
        ),
        ("hold:\n  - {device: modular, notes: [H2]}\n", "songs/one.yaml:4: notes 'H2' is not a note"),
        ("hold:\n  - {device: pedals, notes: [A2]}\n", "songs/one.yaml:4: "),
        ("hold: [A2]\n", "songs/one.yaml:3: "),
    ],
)
def test_mistakes_have_their_line_and_a_remedy(rig_folder: Folder, song: str, problem: str) -> None:
    (line,) = told(rig_folder, CONVERTER, song)
    assert line.startswith(problem)


@pytest.mark.parametrize(
    ("keys", "problem"),
    [
        ("volts-per-octave: 1", "'volts-per-octave' has no meaning without 'zero-volts'; add 'zero-volts'"),
        ("zero-volts: C2", "'zero-volts' has no meaning without 'volts-per-octave'; add 'volts-per-octave'"),
        ("volts-per-octave: 0, zero-volts: C2", "volts-per-octave 0 is not a number of volts; write"),
        ("volts-per-octave: much, zero-volts: C2", "'much' is not a number of volts"),
    ],
)
def test_mistakes_of_the_voltage(rig_folder: Folder, keys: str, problem: str) -> None:
    rig = RIG.replace("  host:", f"  box: {{output: Box*, {keys}}}\n  host:")
    (line,) = told(rig_folder, rig, "")
    assert problem in line
    assert line.startswith("rig.yaml:6: ")


def test_a_device_without_an_output_makes_no_voltage(rig_folder: Folder) -> None:
    rig = RIG.replace("  host:", "  box: {input: Box*, volts-per-octave: 1, zero-volts: C2}\n  host:")
    (line,) = told(rig_folder, rig, "")
    assert line.startswith("rig.yaml:6: device 'box' has no output to send volts-per-octave to; add 'output'")


def test_a_bare_note_on_in_a_patch_is_warned_of(rig_folder: Folder) -> None:
    def warned(song: str) -> list[str]:
        folder = rig_folder({"rig.yaml": RIG, "songs/one.yaml": SONG + song})
        return [str(one) for one in warnings_of(load_folder(folder), ()) if one.kind == "loose-note"]

    patches = (
        "patches:\n"
        "  - {device: synth, messages: [91 3C 40 91 3C 00, B0 7E 01]}\n"
        "  - {device: synth, messages: [90 32 64]}\n"
    )
    assert warned(patches) == [
        "songs/one.yaml:5: a message of the patch of synth starts D3; write it under hold, which ends with "
        "the song: only panic would end this one [loose-note]"
    ]
    assert warned("hold: [{device: synth, notes: [D3]}]\n") == []


def test_the_walk_on_paper_holds_and_releases(rig_folder: Folder) -> None:
    changes = rehearse(book(rig_folder, HOLDS))
    words = [[m for share in change.shares for m in share.messages if " note " in m] for change in changes]
    assert words[0] == ["ch 3 note on 45 100", "ch 3 note on 36 100"]
    assert words[1] == ["ch 4 note on 60 127", "ch 1 note on 52 100"]
