"""What is written in a song against General MIDI: programs as its table prints them, percussion keys.

GM1 is General MIDI System Level 1 (MMA0007 / RP003); its table counts programs from 1. Of the printed numbers
below 1 and 128 are read from it (pp. 5-6), the others are from memory; music21, which has a table of its own,
counts from 0 and is the check.
"""

from __future__ import annotations

import pytest
from music21 import instrument, pitch
from sound_rig import SONG, Folder

from routerd.core.units import parse_note
from routerd.server.rigfiles import load_folder
from tests.stage import patch_messages

SYSTEM_ON = "F0 7E 7F 09 01 F7"
"""GM System On, to all devices (M1 p. 57)."""


def sent(folder: Folder, patch: str, **files: bytes) -> list[str]:
    """Return what a patch as written sends."""
    song = SONG + f"patches:\n  - {{device: synth, channel: 1, {patch}}}\n"
    loaded = load_folder(folder({"songs/one.yaml": song, **{f"{k}.syx": v for k, v in files.items()}}))
    assert loaded.rig_folder is not None, loaded.problems
    return [data.hex(" ") for data in patch_messages(loaded.rig_folder.songs[0].patches[0])]


@pytest.mark.parametrize(
    ("printed", "sound"),
    [
        (1, instrument.Piano),
        (20, instrument.PipeOrgan),
        (41, instrument.Violin),
        (47, instrument.Harp),
        (57, instrument.Trumpet),
        (59, instrument.Tuba),
        (71, instrument.Bassoon),
        (74, instrument.Flute),
        (105, instrument.Sitar),
        (107, instrument.Shamisen),
    ],
)
def test_a_printed_program_number_is_the_instrument_of_that_number(
    rig_folder: Folder, printed: int, sound: type[instrument.Instrument]
) -> None:
    assert sent(rig_folder, f"program: {printed}") == [f"c0 {sound().midiProgram:02x}"]


def test_the_table_ends_with_its_last_sound(rig_folder: Folder) -> None:
    """128 programs (GM1 pp. 5-6), so 7FH is the last and there is no 129."""
    assert sent(rig_folder, "program: 128") == ["c0 7f"]
    song = SONG + "patches:\n  - {device: synth, channel: 1, program: 129}\n"
    (problem,) = load_folder(rig_folder({"songs/one.yaml": song})).problems
    assert "129" in problem.what


def test_system_on_as_hexadecimal_and_as_a_file(rig_folder: Folder) -> None:
    assert sent(rig_folder, f"sysex: [{SYSTEM_ON}], program: 1") == [SYSTEM_ON.lower(), "c0 00"]
    file = bytes.fromhex(SYSTEM_ON)
    assert sent(rig_folder, "sysex: [{file: gm.syx}]", gm=file) == [SYSTEM_ON.lower()]


def test_percussion_keys_have_the_names_that_music21_gives_them() -> None:
    """Keys 35 to 81 (GM1 p. 6), on a keyboard whose middle C, 60 (M1 p. 10), is C4."""
    for key in range(35, 82):
        named = pitch.Pitch(midi=key)
        assert parse_note(named.nameWithOctave.replace("-", "b")) == key
