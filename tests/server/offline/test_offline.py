"""The evening on paper: sheets, the walk through the set, differences, imported orders."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from routerd.cli import main
from routerd.core.model.actions import Action, ToSection
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control, Press
from routerd.core.model.rig import RigFolder
from routerd.core.model.song import Patch
from routerd.server.offline.check import warnings_of
from routerd.server.offline.rehearse import rehearse, written
from routerd.server.offline.set_lists import differences, read_order
from routerd.server.offline.sheet import as_html, as_text
from routerd.server.rigfiles import Loaded, load_folder
from tests.service import write_rig

DEMO = Path(__file__).parents[3] / "configs" / "demo"


@pytest.fixture(scope="module")
def book() -> RigFolder:
    loaded = load_folder(DEMO)
    assert loaded.rig_folder is not None
    return loaded.rig_folder


def test_a_sheet_has_every_song_with_its_presses_and_steps(book: RigFolder) -> None:
    text = as_text(replace(book, set_list=replace(book.set_list, encore=1, slot_s=1200)), technical=False)
    assert re.findall(r"^ +(\d)\. (.*)$", text, re.MULTILINE) == [
        ("1", "COPPER FERRY"), ("2", "NINE LAMPS"), ("3", "WEATHER ROOM"),
    ]  # fmt: skip
    assert "D minor · 121.5 BPM · 4/4 · 4:10" in text
    assert "14:30 of 20:00" in text
    assert re.search(r"verse +switch 5", text)
    assert "[ ] Put the tape marked HARBOUR SIDE A in" in text
    assert text.index("--- ENCORE ---") > text.index("NINE LAMPS")
    assert "program" not in text.split("COPPER FERRY")[1].split("[ ]")[0]
    technical = as_text(book, technical=True)
    for sheet in (text, technical, as_html(book, technical=False)):  # the usual cautions, on every sheet
        for words in ("in-ear levels down", "Mute the PA", "people qualified", "local rules"):
            assert words in sheet
    assert "Lead synthesizer ch 1: bank MSB 1 LSB 0, program 12, CC 7 = 100, CC 74 = 64" in technical
    assert "Tune to D3, 146.83 Hz (A4 440 Hz)" in technical


def test_presses_of_a_song_replace_those_of_the_rig(book: RigFolder) -> None:
    song = book.song("weather-room")
    own = (
        Control("pedals", 0xB0, 84, Command(Action.NEXT)),
        Control("pedals", 0xB0, 90, Command(Action.SECTION, ToSection("chorus")), press=Press.LONG),
    )
    songs = tuple(replace(song, controls=own) if one is song else one for one in book.songs)
    text = as_text(RigFolder(book.rig, songs, book.set_list), technical=False).split("WEATHER ROOM")[1]
    assert "chorus  pedals CC 90, long" in text
    assert "84" not in text


class Reader(HTMLParser):
    """Notes which tags are open at the end and which addresses the page asks for."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.asked: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br"):
            self.open.append(tag)
        self.asked += [str(value) for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_a_page_stands_alone_and_shows_titles_as_they_are(book: RigFolder) -> None:
    song = replace(book.songs[0], title='<b>"Ferry" & Sons')
    page = as_html(RigFolder(book.rig, (song, *book.songs[1:]), book.set_list), technical=True)
    reader = Reader()
    reader.feed(page)
    assert (reader.open, reader.asked) == ([], [])
    assert "&lt;b&gt;&quot;Ferry&quot; &amp; Sons" in page


def test_the_walk_lists_what_each_device_gets(book: RigFolder) -> None:
    changes = rehearse(book)
    assert [(change.song, change.section) for change in changes][:2] == [
        ("Copper Ferry", "intro"),
        ("Copper Ferry", "verse"),
    ]
    shares = {share.device: share for share in changes[0].shares}
    # bank MSB, bank LSB, program, two controllers: 3 + 3 + 2 + 3 + 3 bytes
    assert shares["lead-synth"].messages == [
        "ch 1 controller 0 1", "ch 1 controller 32 0", "ch 1 program 12", "ch 1 controller 7 100",
        "ch 1 controller 74 64",
    ]  # fmt: skip
    assert shares["lead-synth"].length_bytes == 14
    # 320 µs a byte on a DIN wire (M1 p. 1): 4.48 ms, and a tick or two beside it
    assert 4.48 <= shares["lead-synth"].done_ms < 7
    dump = next(s for c in changes if c.song == "Nine Lamps" for s in c.shares if s.device == "bass-synth")
    assert dump.length_bytes * 0.32 <= dump.done_ms < dump.length_bytes * 0.32 * 1.1
    assert dump.messages[0].startswith("SysEx 1031 bytes")
    assert any("bass-synth: 1036 bytes" in line for line in written(changes))


def test_what_cannot_be_done_in_time_is_told(book: RigFolder) -> None:
    """1 000 bytes last 320 ms on a DIN wire (M1 p. 1); a bar of 4/4 at 480 BPM half a second."""
    song = book.song("copper-ferry")
    dumps = tuple(b"\xf0\x7d" + bytes(997) + b"\xf7" for _ in range(8))
    section = replace(song.sections[2], patches=(Patch("lead-synth", sysex=dumps),))
    slow = replace(song, sections=(*song.sections[:2], section, song.sections[3]))
    changed = RigFolder(book.rig, tuple(slow if s is song else s for s in book.songs), book.set_list)
    (late,) = [one for one in warnings_of(Loaded(changed, (), ()), rehearse(changed)) if one.kind == "slow"]
    assert (late.file, late.line) == ("songs/copper-ferry.yaml", 1)  # nothing is known of lines here
    assert re.match(r"Copper Ferry, chorus: lead-synth is done after 2\d{3} ms", late.what)
    assert not [one for one in warnings_of(Loaded(book, (), ()), rehearse(book)) if one.kind == "slow"]


RIG = """\
name: Stage
devices:
  keys: {input: Keys*}
  pedals: {input: Pedals*, output: Pedals*}
  lead: {output: Lead*}
  drums: {output: Drums*, clock: true}
  box: {output: Box*, timing: {pulse: {note: C2}}}
  patched: {output: Patched*}
  clicked: {output: Clicked*}
  forgotten: {output: Forgotten*}
controls:
  - {from: pedals, cc: 1, do: section, section: coda}
  - {from: pedals, cc: 2, do: song, song: 9}
  - {from: pedals, cc: 3, do: section, section: 2}
  - {from: keys, note: C#4, do: stop}
leds:
  - {to: pedals, cc: 80, channel: 16, shows: running}
routes:
  - {from: keys, to: lead}
"""
SONG = """\
title: One
tempo: 120
patches:
  - {device: patched, program: 1}
click: {device: clicked}
sections:
  - {name: verse}
  - {name: chorus}
controls:
  - {from: pedals, cc: 9, do: section, section: bridge}
"""
SET = "name: Tonight\norder: [one]\nslot: 45:00\n"


def told(tmp_path: Path, rig: str = RIG, song: str = SONG, one_set: str = SET) -> list[str]:
    """Return the warnings of a folder, as `check` prints them."""
    for name, text in (("rig.yaml", rig), ("songs/one.yaml", song), ("sets/tonight.yaml", one_set)):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    loaded = load_folder(tmp_path)
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.rig_folder is not None
    return [str(one) for one in warnings_of(loaded, rehearse(loaded.rig_folder))]


def test_what_may_go_wrong_is_told_with_its_place(tmp_path: Path) -> None:
    assert [line.partition(";")[0] for line in told(tmp_path)] == [
        "rig.yaml:10: nothing is ever sent to forgotten: no route, patch, hold, click or LED, no clock",
        "rig.yaml:12: the control selects section 'coda', which no song has",
        "rig.yaml:13: the control selects song 9",
        "rig.yaml:15: note C#4 of keys is a control and never sounds, though routes would let it through",
        "songs/one.yaml:1: One has no duration, so whether the set fits its slot is not known",
        "songs/one.yaml:10: the control selects section 'bridge', which no song has",
    ]
    assert told(tmp_path)[1].endswith("; write a number up to 2, or one of chorus, verse [no-section]")
    assert "song 9; the set has 1; write a number up to 1, or remove it [no-song]" in told(tmp_path)[2]


def test_a_warning_that_is_meant_so_is_accepted_in_its_line_or_above_and_nothing_else(tmp_path: Path) -> None:
    rig = RIG.replace("  forgotten:", "  # accepted: unused, it comes with the next tour\n  forgotten:")
    rig = rig.replace("section: coda}", "section: coda} # accepted: no-section")
    song = SONG.replace("title: One\n", "title: One # accepted: no-duration\n")
    lines = told(tmp_path, rig, song)
    assert [line.rpartition("[")[2] for line in lines] == ["no-song]", "silent-key]", "no-section]"]
    assert lines[2].startswith("songs/one.yaml:10:")


def test_a_comment_that_accepts_what_there_is_not_is_told(tmp_path: Path) -> None:
    rig = RIG.replace("  lead: {output: Lead*}", "  lead: {output: Lead*} # accepted: unused")
    rig = rig.replace("name: Stage", "name: Stage # accepted: noise")
    rig = rig.replace("keys: {input: Keys*}", "keys: {input: 'a # accepted: x'}")
    lines = [line for line in told(tmp_path, rig) if line.endswith("[accepts-nothing]")]
    assert lines[0].startswith("rig.yaml:1: 'noise' is not a kind of warning; choose from slow, unused")
    assert lines[-1].startswith("rig.yaml:5: there is no warning 'unused' to accept here; remove the comment")


def test_a_set_without_a_slot_needs_no_durations(tmp_path: Path) -> None:
    assert not [line for line in told(tmp_path, one_set="name: T\norder: [one]\n") if "duration" in line]


def test_the_demo_rig_checks_without_a_warning(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(DEMO)]) == 0
    assert "warning" not in capsys.readouterr().out
    loaded = load_folder(DEMO)
    assert loaded.rig_folder is not None
    assert warnings_of(loaded, rehearse(loaded.rig_folder)) == []


def test_what_is_counted_is_in_its_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = "name: T\ndevices:\n  synth: {output: Synth*, transport: true}\n"
    song = {"one": "title: One\ntempo: 120\nstart: entry\n"}
    assert main(["check", str(write_rig(tmp_path / "rig", rig, song, ["one"])), "--rehearse"]) == 0
    printed = capsys.readouterr().out
    assert "1 device, 0 controls\n  1 song, 1 set; tonight: Set\n" in printed
    assert "synth: 1 byte, " in printed
    assert "1 change rehearsed" in printed


def test_differences_of_two_versions(book: RigFolder) -> None:
    assert list(differences(book, book)) == []
    song = book.song("copper-ferry")
    changed = replace(song, bpm=song.bpm + 1, sections=(*song.sections[1:],))
    order = replace(book.set_list, order=("nine-lamps", "copper-ferry", "low-tide"), encore=1)
    after = RigFolder(book.rig, tuple(changed if s is song else s for s in book.songs), order)
    lines = list(differences(book, after))
    assert "~ song copper-ferry: tempo 121.5 -> 122.5" in lines
    sections = "intro, verse, chorus, outro -> verse, chorus, outro"
    assert f"~ song copper-ferry: sections {sections}" in lines
    assert "-Weather Room" in lines
    assert "~ encore: 0 -> 1 song" in lines


TITLES = {"copper-ferry": "Copper Ferry", "nine-lamps": "Nine Lamps", "low-tide": "Low Tide"}


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("a.txt", "Copper Ferry\nnine lamps\nEncore:\nLow Tide\n"),
        ("a.txt", "\ufeff# tonight\n\n 1. Copper Ferry\n 2) nine-lamps\n-- ENCORE --\n3. Low Tide"),
        ("a.csv", "Copper Ferry\nNine Lamps\nencore\nLow Tide\n"),
        ("a.csv", "nr,title,key\n1,Copper Ferry,D\n2,Nine Lamps,F#\n,encore,\n3,Low Tide,Bb\n"),
        ("a.csv", 'nr;song\r\n1;"Copper Ferry"\r\n2;Nine Lamps\r\n;Encore\r\n3;Low Tide\r\n'),
        ("a.tsv", "title\tkey\nCopper Ferry\tD\nNine Lamps\tF\nencore\t\nLow Tide\tB\n"),
    ],
)
def test_set_lists_are_read_from_other_files(file: str, text: str) -> None:
    found = read_order(file, text, TITLES)
    assert found.problems == ()
    assert (found.order, found.encore) == (("copper-ferry", "nine-lamps", "low-tide"), 1)


def test_every_unknown_title_is_told_with_its_line() -> None:
    found = read_order("a.csv", "title\nCoper Ferry\nNine Lamps\nX\n", TITLES)
    assert [str(problem).split(";")[0] for problem in found.problems] == [
        "a.csv:2: there is no song 'Coper Ferry'",
        "a.csv:4: there is no song 'X'",
    ]
    assert "did you mean 'Copper Ferry'" in str(found.problems[0])
    assert read_order("a.txt", "# nothing\n", TITLES).problems


def test_sheet_and_rehearsal_by_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo_rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))
    assert main(["sheet", str(demo_rig), "--html"]) == 0
    assert capsys.readouterr().out.startswith("<!DOCTYPE html>")
    (demo_rig / "sysex" / "old.syx").write_bytes(b"\xf0\x7d\x01\xf7")
    (demo_rig / "sysex" / "void.syx").write_bytes(b"")
    assert main(["check", str(demo_rig), "--rehearse"]) == 0
    out = capsys.readouterr().out
    unused = [line for line in out.splitlines() if "no song sends it" in line]
    assert [line.split(": ")[1] for line in unused] == ["sysex/old.syx", "sysex/void.syx"]
    assert "9 changes rehearsed" in out
    order = tmp_path / "late.txt"
    order.write_text("Low Tide\nNine Lamps\n", encoding="utf-8")
    arguments = ["import", str(demo_rig), str(order), "--name", "Late", "--date", "2031-05-06"]
    assert main(arguments) == 0
    loaded = load_folder(demo_rig, "Late")
    assert loaded.rig_folder is not None
    assert loaded.rig_folder.set_list.order == ("low-tide", "nine-lamps")
    assert main(["diff", str(demo_rig), str(demo_rig), "--old-set", "Harbour", "--new-set", "Late"]) == 1
    assert main(["diff", str(demo_rig), str(demo_rig)]) == 0
    capsys.readouterr()
    arguments = ["diff", str(demo_rig), str(demo_rig), "--old-set", "Harbour", "--new-set", "Late", "--json"]
    assert main(arguments) == 1
    found = json.loads(capsys.readouterr().out)["differences"]
    assert {"change": "removed", "what": "in the order: Copper Ferry"} in found
    assert {"change": "added", "what": "in the order: Low Tide"} in found
    assert main(["sheet", str(demo_rig), "--set", "Late", "--json"]) == 0
    sheet = json.loads(capsys.readouterr().out)
    assert [song["title"] for song in sheet["songs"]] == ["Low Tide", "Nine Lamps"]
    order.write_text("Low Tied\n", encoding="utf-8")
    capsys.readouterr()
    assert main(["import", str(demo_rig), str(order), "--name", "Later", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert (document["written"], document["problems"][0]["line"]) == (None, 1)
    before = sorted(path.name for path in (demo_rig / "sets").iterdir())
    assert main(["import", str(demo_rig), str(order), "--name", "Later"]) == 1
    assert sorted(path.name for path in (demo_rig / "sets").iterdir()) == before


def test_an_import_replaces_a_set_only_when_it_is_told_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))
    order = tmp_path / "late.txt"
    order.write_text("Low Tide\n", encoding="utf-8")
    before = {path: path.read_bytes() for path in (rig / "sets").iterdir()}
    arguments = ["import", str(rig), str(order), "--name", "harbour"]
    assert main(arguments) == 2
    assert "--replace" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in (rig / "sets").iterdir()} == before
    assert main([*arguments, "--replace"]) == 0
    loaded = load_folder(rig, "Harbour")
    assert loaded.rig_folder is not None
    assert loaded.rig_folder.set_list.order == ("low-tide",)


def test_check_as_json_has_problems_and_warnings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))
    assert main(["check", str(rig), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"problems": [], "warnings": []}
    (rig / "songs" / "low-tide.yaml").write_text("title: Low Tide\ntempo: 1000\n", encoding="utf-8")
    assert main(["check", str(rig), "--json"]) == 1
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert (problem["file"], problem["line"]) == ("songs/low-tide.yaml", 2)
    assert "outside 10 to 480" in problem["what"]
