"""Controls, presses, pedals, lamps, checklists and moments in files: what they mean, and every mistake."""

from __future__ import annotations

import pytest
from sound_rig import Folder

from routerd.core.model.actions import Action, StepDone, ToSection
from routerd.core.model.commands import Command, parse_when
from routerd.core.model.controls import Control, Led, Pedal, Press, PressTimes, Shows
from routerd.core.model.rig import AfterRestart, RigFolder
from routerd.core.model.song import (
    HeldNotes,
    SectionsEnd,
    Step,
)
from routerd.server.rigfiles import load_folder

RIG = "name: r\ndevices:\n  pedals: {input: p, output: p}\n  synth: {output: s}\n"
SONG = "title: One\ntempo: 100\n"


def book(folder: Folder, rig: str = "", song: str = "") -> RigFolder:
    loaded = load_folder(folder({"rig.yaml": RIG + rig, "songs/one.yaml": SONG + song}))
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.rig_folder is not None
    return loaded.rig_folder


def test_every_key_of_a_control(rig_folder: Folder) -> None:
    rig = """controls:
  - {from: pedals, cc: 80, do: next}
  - {from: pedals, cc: 80, press: long, do: panic}
  - {from: pedals, cc: 80, press: double, debounce-ms: 300, do: previous}
  - {from: pedals, note: C4, channel: 16, do: section, section: chorus, when: 4 bars}
  - {from: pedals, message: F0 7F 7F 06 02 F7, do: start}
  - {from: pedals, program: 1, do: done}
presses: {debounce-ms: 80, long-ms: 700}
pedals:
  - {from: pedals, cc: 11, heel: 121, toe: 4}
leds:
  - {to: pedals, cc: 80, channel: 16, shows: running}
  - {to: pedals, note: 36, channel: 1, shows: section, section: chorus, on: 100, off: 1}
after-restart: play
holdover: 600
"""
    made = book(rig_folder, rig).rig
    assert made.controls == (
        Control("pedals", 0xB0, 80, Command(Action.NEXT)),
        Control("pedals", 0xB0, 80, Command(Action.PANIC), press=Press.LONG),
        Control("pedals", 0xB0, 80, Command(Action.PREVIOUS), press=Press.DOUBLE, debounce_ms=300),
        Control(
            "pedals", 0x90, 60, Command(Action.SECTION, ToSection("chorus"), parse_when("4 bars")), channel=15
        ),
        Control("pedals", 0, 0, Command(Action.START), message=bytes.fromhex("F07F7F0602F7")),
        Control("pedals", 0xC0, 0, Command(Action.DONE, StepDone())),
    )
    assert made.press_times == PressTimes(80, 700, 350)
    assert made.pedals == (Pedal("pedals", 11, 121, 4),)
    assert made.leds == (
        Led("pedals", 0xBF, 80, Shows.RUNNING),
        Led("pedals", 0x90, 36, Shows.SECTION, "chorus", 100, 1),
    )
    assert made.after_restart is AfterRestart.PLAY
    assert made.holdover_s == 600
    assert book(rig_folder).rig.holdover_s == 15


def test_every_key_of_a_song_that_feet_meet(rig_folder: Folder) -> None:
    song = """sections:
  - {name: verse}
  - {name: chorus, held-notes: ring, mute: [synth]}
after-sections: wrap
held-notes: cut
concert-pitch: 442.5
tuning-note: D2
controls:
  - {from: pedals, cc: 80, do: next-section}
checklist:
  - Tape in
  - {text: Tune, who: Technician, section: chorus}
"""
    routes = "routes:\n  - {from: pedals, to: synth}\n"
    made = book(rig_folder, routes, song).songs[0]
    assert (made.sections_end, made.held_notes) == (SectionsEnd.WRAP, HeldNotes.CUT)
    assert [section.held_notes for section in made.sections] == [HeldNotes.CUT, HeldNotes.RING]
    assert [len(section.routes) for section in made.sections] == [1, 0]
    assert (made.concert_pitch_hz, made.tuning_note) == (442.5, 38)
    assert made.controls == (Control("pedals", 0xB0, 80, Command(Action.NEXT_SECTION)),)
    assert made.checklist == (Step("Tape in"), Step("Tune", "Technician", "chorus"))


def test_tuning_messages_go_only_where_a_reference_asks_for_them(rig_folder: Folder) -> None:
    tuned = RIG.replace("{output: s}", "{output: s, tuning-standard: true}")
    plain = load_folder(rig_folder({"rig.yaml": tuned, "songs/one.yaml": SONG})).rig_folder
    assert plain is not None
    assert plain.songs[0].patches == ()
    sharp = load_folder(
        rig_folder({"rig.yaml": tuned + "concert-pitch: 443\n", "songs/one.yaml": SONG})
    ).rig_folder
    assert sharp is not None
    (patch,) = sharp.songs[0].patches
    assert (patch.device, len(patch.sysex)) == ("synth", 2)


CONTROL = "controls:\n  - {from: pedals, cc: 80, do: next}\n  - {from: pedals, "


@pytest.mark.parametrize(
    ("rig", "line", "told"),
    [
        (CONTROL + "cc: 80, do: stop}\n", 7, "already has a meaning in line 6"),
        (CONTROL + "cc: 80, channel: 3, do: stop}\n", 7, "already has a meaning in line 6"),
        (CONTROL + "do: stop}\n", 7, "the control names no message"),
        (CONTROL + "note: 1, message: FA, do: stop}\n", 7, "the control has note and message"),
        (CONTROL + "message: F8, do: stop}\n", 7, "not a message that can be a control"),
        (CONTROL + "message: F0 7D, do: stop}\n", 7, "not a message that can be a control"),
        (CONTROL + "message: start, do: stop}\n", 7, "not hexadecimal"),
        (CONTROL + "message: FA, channel: 1, do: stop}\n", 7, "has its channel in it"),
        (CONTROL + "program: 1, press: long, do: stop}\n", 7, "cannot be held"),
        (CONTROL + "note: 1, press: hard, do: stop}\n", 7, "'hard' is not known here"),
        (CONTROL + "note: 1, when: soon, do: stop}\n", 7, "'soon' is not a moment"),
        (CONTROL + "note: 1, when: bar, do: panic}\n", 7, "is done at once"),
        (CONTROL + "note: 1, do: learn}\n", 7, "'learn' is not known here"),
        (CONTROL + "note: 1, do: section}\n", 7, "does not say which"),
        (CONTROL + "note: 1, do: next, section: chorus}\n", 7, "has no meaning with 'do: next'"),
        ("presses: {debounce-ms: 400, double-ms: 300}\n", 5, "lets no second press through"),
        ("presses: {long-ms: 5}\n", 5, "outside 100 to 5000"),
        ("pedals:\n  - {from: pedals, cc: 1, heel: 3, toe: 3}\n", 6, "heel and toe are the same"),
        ("leds:\n  - {to: pedals, channel: 1, shows: armed}\n", 6, "an LED has one message"),
        ("leds:\n  - {to: pedals, note: 1, channel: 1, shows: section}\n", 6, "does not say which"),
        ("leds:\n  - {to: synths, note: 1, channel: 1, shows: armed}\n", 6, "not a device in rig.yaml"),
        ("concert-pitch: 44\n", 5, "not a concert pitch"),
        ("after-restart: loud\n", 5, "'loud' is not known here"),
        ("holdover: 0\n", 5, "0 is outside 1 to 600"),
        ("holdover: 601\n", 5, "601 is outside 1 to 600"),
        ("holdover: 15 s\n", 5, "'15 s' is not a whole number"),
        ("holdover: 1.5\n", 5, "is not a whole number"),
    ],
)
def test_mistakes_in_the_rig(rig_folder: Folder, rig: str, line: int, told: str) -> None:
    loaded = load_folder(rig_folder({"rig.yaml": RIG + rig, "songs/one.yaml": SONG}))
    assert [(problem.file, problem.line) for problem in loaded.problems] == [("rig.yaml", line)]
    assert told in str(loaded.problems[0])


@pytest.mark.parametrize(
    ("song", "line", "told"),
    [
        ("checklist:\n  - {text: tune, section: coda}\nsections: [{name: verse}]\n", 4, "no section 'coda'"),
        ("checklist:\n  - {who: me}\n", 4, "does not say what to do"),
        ("checklist:\n  - {text: tune, whom: me}\n", 4, "did you mean 'who'"),
        ("after-sections: loop\n", 3, "'loop' is not known here"),
        ("held-notes: stop\n", 3, "'stop' is not known here"),
        ("mute: [organ]\n", 3, "not a device in rig.yaml"),
        ("controls:\n  - {from: synth, note: 1, do: next}\n", 4, "has no input to read from"),
    ],
)
def test_mistakes_in_a_song(rig_folder: Folder, song: str, line: int, told: str) -> None:
    loaded = load_folder(rig_folder({"rig.yaml": RIG, "songs/one.yaml": SONG + song}))
    assert [(problem.file, problem.line) for problem in loaded.problems] == [("songs/one.yaml", line)]
    assert told in str(loaded.problems[0])


@pytest.mark.parametrize(("encore", "told"), [("2", "leaves no song before it"), ("-1", "outside 0 to 999")])
def test_mistakes_in_a_set(rig_folder: Folder, encore: str, told: str) -> None:
    one_set = f"name: s\norder: [one, one]\nencore: {encore}\n"
    loaded = load_folder(rig_folder({"rig.yaml": RIG, "songs/one.yaml": SONG, "sets/s.yaml": one_set}))
    assert [(problem.file, problem.line) for problem in loaded.problems] == [("sets/s.yaml", 3)]
    assert told in str(loaded.problems[0])
