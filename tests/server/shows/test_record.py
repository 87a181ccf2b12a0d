"""The record on the disk: bounded, honest about what is cut off or foreign, and a MIDI file of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import music21
import pytest

from routerd.link.frames import INPUT_BIT, Tap
from routerd.server.shows import record
from routerd.server.shows.afterwards import print_show, write_midi_file
from routerd.server.shows.record import RecordError, RecordFolder, find_show, head, make_room, name_of
from tests.documents import report

S = 1_000_000_000
NAMES = {"outputs": ["synth"], "inputs": ["keys", "pads"], "bpm": "120"}


def a_show(path: Path, *lines: dict[str, Any]) -> RecordFolder:
    folder = RecordFolder(path)
    assert folder.append_lines([head({"began": "2031-05-06T20:00:00+00:00"}), *lines])
    return folder


def test_lines_and_messages_come_back(tmp_path: Path) -> None:
    folder = a_show(tmp_path / "show", {"at_ns": 5}, {"event": {"kind": "panic", "at_ns": 6}})
    taps = [Tap(1, 0, b"\xf8"), Tap(2, INPUT_BIT | 1, b"\xf0\x7d" + bytes(499) + b"\xf7")]
    folder.append_taps(taps[:1])
    folder.append_taps(taps[1:])
    assert [*folder.lines()][1:] == [{"at_ns": 5}, {"event": {"kind": "panic", "at_ns": 6}}]
    assert [*folder.taps()] == taps


def test_what_is_cut_off_at_the_end_is_left_out(tmp_path: Path) -> None:
    folder = a_show(tmp_path / "show", {"at_ns": 5}, {"at_ns": 6})
    folder.append_taps([Tap(1, 0, b"\x90\x3c\x01"), Tap(2, 0, b"\x80\x3c\x40")])
    for name in (record.LOG, record.MESSAGES):
        file = folder.path / name
        file.write_bytes(file.read_bytes()[:-2])
    assert [*folder.lines()][1:] == [{"at_ns": 5}]
    assert [tap.at_ns for tap in folder.taps()] == [1]


def test_size_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record, "MOST_LOG_BYTES", 200)
    monkeypatch.setattr(record, "MOST_MESSAGES_BYTES", 200)
    folder = a_show(tmp_path / "show")
    assert not folder.append_lines([{"words": "x" * 200}])
    assert folder.append_lines([{"at_ns": 1}])
    assert not folder.append_taps([Tap(0, 0, bytes(200))])
    assert sum(file.stat().st_size for file in folder.path.iterdir()) <= 400


def test_the_oldest_shows_make_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record, "MOST_SHOWS", 5)
    shows = tmp_path / record.FOLDER
    make_room(shows, "now")
    for number in range(8):
        a_show(shows / f"show-{number}")
    make_room(shows, "show-0")
    assert sorted(one.name for one in shows.iterdir()) == ["show-0", "show-4", "show-5", "show-6", "show-7"]
    monkeypatch.setattr(record, "MOST_BYTES", 60)
    make_room(shows, "show-7")
    assert [one.name for one in shows.iterdir()] == ["show-7"]


def test_shows_are_found_by_folder_and_by_name(tmp_path: Path) -> None:
    folder = a_show(tmp_path / record.FOLDER / "20310506-200000")
    assert find_show(str(folder.path), []).path == folder.path
    assert find_show("20310506-200000", [tmp_path / "none", tmp_path]).path == folder.path
    with pytest.raises(RecordError, match="known are 20310506-200000"):
        find_show("20310507", [tmp_path])
    with pytest.raises(RecordError, match="--state-dir"):
        find_show("20310507", [])


@pytest.mark.parametrize(
    "text", ["", "not JSON\n", "[]\n", '{"record": 99}\n', "\x00\x01\n", "[" * 100_000 + "\n"]
)
def test_foreign_logs_are_told(tmp_path: Path, text: str) -> None:
    folder = RecordFolder(tmp_path / "show")
    folder.path.mkdir()
    (folder.path / record.LOG).write_text(text)
    if text:
        with pytest.raises(RecordError, match=record.LOG):
            list(folder.lines())
    else:
        assert list(folder.lines()) == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": 2, "overall": {}}', '{"schema": 1}'])
def test_a_truncated_or_foreign_report_is_told(
    tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = a_show(tmp_path / "show")
    (folder.path / "report-1.json").write_text(text)
    assert print_show(str(folder.path), [], "text", None) == 2
    assert "report-1.json cannot be read" in capsys.readouterr().err


def test_a_show_has_its_reports_afterwards(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = a_show(tmp_path / "show")
    assert print_show(str(folder.path), [], "text", None) == 2
    assert "after a minute" in capsys.readouterr().err
    for number, duration_s in ((1, 60.0), (2, 600.0), (10, 5.0)):
        folder.write_report(number, report(duration_s))
    assert print_show(str(folder.path), [], "text", None) == 0
    text = capsys.readouterr().out
    assert text.startswith("The server was started 3 times")
    assert "0:10:00, 0 ticks" in text
    assert print_show(str(folder.path), [], "json", None) == 0
    starts = json.loads(capsys.readouterr().out)
    assert [one["duration_s"] for one in starts] == [60.0, 600.0, 5.0]
    assert print_show(str(folder.path), [], "text", tmp_path / "x.mid") == 2
    assert "not recorded" in capsys.readouterr().err


def played(target: Path) -> dict[str, list[tuple[float, list[int]]]]:
    """Read a file with music21: by track, note events as (quarter notes, [note, velocity])."""
    file = music21.midi.MidiFile()
    file.open(str(target))
    file.read()
    file.close()
    assert (file.format, file.ticksPerQuarterNote) == (1, 960)
    found: dict[str, list[tuple[float, list[int]]]] = {}
    for track in file.tracks:
        tick, name = 0, ""
        for event in track.events:
            if event.isDeltaTime():
                tick += event.time
            elif event.type == music21.midi.MetaEvents.SEQUENCE_TRACK_NAME:
                name = event.data.decode()
            elif event.isNoteOn() or event.isNoteOff():
                found.setdefault(name, []).append((tick / 960, [event.pitch, event.velocity]))
    return found


def test_a_midi_file_has_the_shows_own_bars(tmp_path: Path) -> None:
    """Two seconds at 120, then two at 60 BPM: the notes lie on quarters 0, 4 and 5."""
    folder = a_show(
        tmp_path / "show",
        {"names": NAMES, "at_ns": 10 * S},
        {"event": {"kind": "song", "at_ns": 10 * S, "title": "Copper Ferry – live"}},
        {"event": {"kind": "section", "at_ns": 12 * S, "section": "chorus", "number": 2}},
        {"event": {"kind": "tempo", "at_ns": 12 * S, "bpm": "60"}},
        {"event": {"kind": "transport", "at_ns": 13 * S, "state": "stopped"}},
    )
    way_in = INPUT_BIT | 1
    folder.append_taps(
        [
            Tap(10 * S, way_in, b"\x99\x24\x50"),
            Tap(12 * S, way_in, b"\x89\x24\x40"),
            Tap(13 * S, way_in, b"\x99\x26\x51"),
            Tap(13 * S, 0, b"\xf0\x7d\x01"),
            Tap(13 * S, 0, b"\xf8"),
            Tap(13 * S, 0, b"\x02\xf7"),
            Tap(13 * S, 0, b"\xfc"),
            Tap(13 * S + 1, 0, b"\x90\x3c\x01"),
            Tap(14 * S, 7, b"\x90\x3d\x01"),
        ]
    )
    target = tmp_path / "show.mid"
    assert write_midi_file(folder, target) == 3
    found = played(target)
    assert found["in: pads"] == [(0, [0x24, 0x50]), (4, [0x24, 0x40]), (5, [0x26, 0x51])]
    assert found["out: synth"] == [(5, [0x3C, 1])]
    assert found["out: number 7"] == [(6, [0x3D, 1])]
    raw = target.read_bytes()
    assert bytes.fromhex("FF 51 03 0F 42 40") in raw  # 1 000 000 µs to the quarter: 60 BPM (SMF, FF 51 03)
    assert bytes.fromhex("F0 04 7D 01 02 F7") in raw  # put together again, without F0, with its length
    assert b"Copper Ferry ? live" in raw
    # a marker, FF 06 len text (SMF), four quarter notes behind that of the song: 3840 is 9E 00 as a length
    assert bytes.fromhex("9E 00 FF 06 06") + b"chorus" in raw
    assert b"\xf8" not in raw.split(b"MTrk", 2)[2][4:]


def test_a_midi_file_leaves_out_what_was_no_midi_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = a_show(tmp_path / "show", {"names": NAMES, "at_ns": 10 * S})
    way_in = INPUT_BIT | 1
    torn = (b"\x99", b"\x99\x24", b"\x99\x24\x90", b"\xc9", b"\xf0\x7d\x90\xf7", b"\xff\xff", b"\x40\x40")
    folder.append_taps([Tap(10 * S + at, way_in, data) for at, data in enumerate(torn)])
    folder.append_taps([Tap(11 * S, way_in, b"\x99\x24\x50")])
    assert write_midi_file(folder, tmp_path / "show.mid") == 1
    assert [values for _, values in played(tmp_path / "show.mid")["in: pads"]] == [[0x24, 0x50]]
    assert "5 recorded messages left out of" in capsys.readouterr().err


def test_a_midi_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    folder = a_show(tmp_path / "show", {"names": NAMES, "at_ns": 0})
    folder.append_taps([Tap(1, 0, b"\x90\x3c\x01")])
    with pytest.raises(RecordError, match="cannot be written"):
        write_midi_file(folder, tmp_path / "no" / "x.mid")
    (folder.path / record.MESSAGES).write_bytes(b"something else entirely")
    with pytest.raises(RecordError, match="no messages of this version"):
        write_midi_file(folder, tmp_path / "x.mid")


def test_a_server_that_starts_again_finds_the_show_beside_the_second(tmp_path: Path) -> None:
    began = datetime(2031, 5, 6, 20, 0, 0, tzinfo=UTC)
    assert name_of(tmp_path, began, 77) == "20310506-200000"
    RecordFolder(tmp_path / "20310506-200000").append_lines([head({"started_ns": 77})])
    for seconds in (-1, 0, 1):
        assert name_of(tmp_path, began + timedelta(seconds=seconds), 77) == "20310506-200000"
    assert name_of(tmp_path, began + timedelta(seconds=1), 78) == "20310506-200001"
    for hours in (-30, 5):  # somebody has set the clock between two starts of the server
        assert name_of(tmp_path, began + timedelta(hours=hours), 77) == "20310506-200000"


def test_a_torn_report_is_passed_over_and_the_one_before_is_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = a_show(tmp_path / "show", {"at_ns": 5})
    folder.write_report(1, report(60.0))
    folder.write_report(2, report(90.0))
    torn = folder.path / "report-2.json"
    torn.write_bytes(torn.read_bytes()[:700])
    assert print_show(str(folder.path), [], "text", None) == 0
    said = capsys.readouterr()
    assert "report-2.json cannot be read and is passed over" in said.err
    assert "60 s" in said.out or "1 min" in said.out or "0:01:00" in said.out
    (folder.path / "report-1.json").write_bytes(b"\x00" * 4096)
    assert print_show(str(folder.path), [], "text", None) == 2


def test_a_log_goes_on_behind_a_line_that_a_killed_process_left_half(tmp_path: Path) -> None:
    folder = a_show(tmp_path / "show", {"at_ns": 5})
    with (folder.path / record.LOG).open("ab") as log:
        log.write(b'{"at_ns": 6, "tic')
    again = RecordFolder(folder.path)
    assert again.append_lines([{"at_ns": 7}])
    assert again.append_lines([{"at_ns": 8}])
    assert [*again.lines()][1:] == [{"at_ns": 5}, {"at_ns": 7}, {"at_ns": 8}]
