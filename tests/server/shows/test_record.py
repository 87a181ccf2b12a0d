"""The record on the disk: bounded, honest about what is cut off or foreign, and a MIDI file of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import mido
import music21
import pytest

from routerd.cli.service import print_show
from routerd.core.model import events
from routerd.core.model.actions import Action
from routerd.core.model.song import Song, StartPolicy
from routerd.core.model.timing import ChangePolicy, SongTiming, State, TempoBy
from routerd.link.frames import INPUT_BIT, Tap
from routerd.server.report import Conditions, Report, TickLog
from routerd.server.report.document import json_schema, to_plain
from routerd.server.shows import record
from routerd.server.shows.midi_file import write_midi_file
from routerd.server.shows.record import (
    RecordError,
    RecordFolder,
    event_line,
    find_show,
    head,
    make_room,
    name_of,
)
from tests.documents import report
from tests.stage import Stage, compiled, route

S = 1_000_000_000
NAMES = {"outputs": ["synth"], "inputs": ["keys", "pads"], "bpm": "120", "meter": "4/4"}


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


@pytest.mark.parametrize("lost", [1, 3, 12, 14, 20, 30])
def test_messages_behind_a_batch_that_was_left_half_are_read(tmp_path: Path, lost: int) -> None:
    folder = a_show(tmp_path / "show")
    first = [Tap(number, 0, bytes((0x90, number, 1))) for number in range(5)]
    folder.append_taps(first)
    file = folder.path / record.MESSAGES
    whole = file.stat().st_size
    folder.append_taps([Tap(50, 0, b"\x90\x50\x01"), Tap(51, INPUT_BIT, b"\xf0\x7d" + bytes(9) + b"\xf7")])
    file.write_bytes(file.read_bytes()[:-lost])
    torn = file.stat().st_size - whole
    again = RecordFolder(folder.path)
    behind = [Tap(100 + number, 0, bytes((0x80, number, 0))) for number in range(3)]
    again.append_taps(behind[:1])
    again.append_taps(behind[1:])
    kept = [*again.taps()]
    assert [tap for tap in kept if tap.at_ns not in (50, 51)] == [*first, *behind]
    assert [tap.at_ns for tap in kept if tap.at_ns in (50, 51)] == [50] * (torn >= 31)
    assert again.torn == 1


def test_messages_in_a_file_that_is_damaged_anywhere_never_come_out_as_others(tmp_path: Path) -> None:
    folder = a_show(tmp_path / "show")
    sent = [[Tap(10 * batch + one, 0, bytes((0x90, batch, one))) for one in range(4)] for batch in range(4)]
    for batch in sent:
        folder.append_taps(batch)
    file = folder.path / record.MESSAGES
    whole = file.read_bytes()
    for cut in range(len(record._MAGIC), len(whole)):
        file.write_bytes(whole[:cut] + whole[cut + 7 :])  # some bytes are missing
        found = [*folder.taps()]
        # what stands in the batch that was hit may be wrong; all others are there
        assert sum(batch == [tap for tap in found if tap in batch] for batch in sent) >= 2, cut


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
        folder.append_lines([head({"server": number})])
        folder.write_report(number, report(duration_s))
    folder.append_lines([head({"server": 4})])
    assert print_show(str(folder.path), [], "text", None) == 0
    text = capsys.readouterr().out
    for words in ("0:01:00, 0 ticks", "0:10:00, 0 ticks", "0:00:05, 0 ticks"):
        assert text.count(words) == 2  # in the list at the top, and over its own figures
    assert "STRETCH 2 OF 3" in text
    assert "There is no report of start 4 (of 10)" in " ".join(text.split())
    assert print_show(str(folder.path), [], "html", None) == 0
    page = capsys.readouterr().out
    assert page.count('class="stretch"') == page.count('class="headline"') == 3
    assert "There is no report of start 4 (of 10)" in page
    assert print_show(str(folder.path), [], "text", tmp_path / "x.mid") == 2
    assert "not recorded" in capsys.readouterr().err


@pytest.mark.parametrize("starts", [1, 3])
def test_a_shows_report_has_the_shape_of_the_services_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], starts: int
) -> None:
    folder = a_show(tmp_path / "show")
    schema = json_schema(Report)
    for number in range(1, starts + 1):
        own = TickLog(0).report(number * 60 * S, Conditions(None, "alsa", starts=number))
        assert ("begins with the last start" in " ".join(own.limits)) == (
            number > 1
        )  # it says what it leaves out
        jsonschema.validate(to_plain(own), schema)
        folder.write_report(number, own)
    assert print_show(str(folder.path), [], "json", None) == 0
    whole = json.loads(capsys.readouterr().out)
    jsonschema.validate(whole, schema)
    assert whole.keys() == to_plain(own).keys()
    assert [one["duration_s"] for one in (*whole["earlier"], whole)] == [
        60.0 * n for n in range(1, starts + 1)
    ]
    assert "begins with the last start" not in " ".join(whole["limits"])


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
        {
            "event": {
                "kind": "song",
                "at_ns": 10 * S,
                "song": "ferry",
                "title": "Copper Ferry – live",
                "index": 0,
                "meter": "4/4",
                "begins_ns": 10 * S,
            }
        },
        {"event": {"kind": "section", "at_ns": 12 * S, "section": "chorus", "number": 2}},
        event_line(events.Tempo(12 * S, 60.0, 60.0, TempoBy.HAND, 12 * S)),
        event_line(events.Transport(13 * S, State.STOPPED, 0)),
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
    # a marker, FF 06 len text (SMF), behind the tempo, which is four quarter notes behind the song: 3840 is
    # 9E 00 as a length
    assert bytes.fromhex("9E 00 FF 51 03 0F 42 40 00 FF 06 06") + b"chorus" in raw
    assert b"\xf8" not in raw.split(b"MTrk", 2)[2][4:]


def an_evening() -> tuple[Stage, list[tuple[int, str, bytes]]]:
    """Let a show pass that keeps no bar lines: songs of three meters, started, left and stopped anywhere.

    Return it with the notes that were played on every beat and bar of its songs.
    """
    on = SongTiming(change=ChangePolicy.TICK)
    songs = (
        Song("one", "One", Fraction(121), routes=(route("synth"),)),
        Song("two", "Two", Fraction(97), beats=7, beat_unit=8, timing=on, routes=(route("synth"),)),
        Song("three", "Three", Fraction(250), beats=3, start=StartPolicy.ENTRY, routes=(route("synth"),)),
    )
    stage = Stage(compiled(songs=songs, order=("one", "two", "three")))
    beats: list[tuple[int, str, bytes]] = []

    def play(seconds: float) -> None:
        until_ns = stage.now_ns + int(seconds * S)
        while stage.now_ns < until_ns:
            clock = stage.show.transport.clock
            position = clock.next_tick - clock.origin_tick
            due_ns = clock.next_due_ns
            stage.run(min(due_ns, until_ns))
            if due_ns <= until_ns and clock.state is State.RUNNING and position % 24 == 0:
                beats.append((due_ns, stage.show.snapshot().song or "", bytes((position // 24 % 128,))))

    play(1.234)
    stage.do(Action.START)
    play(7.7)
    stage.do(Action.NEXT)  # in the middle of a bar, and transport runs on
    play(5.43)
    stage.do(Action.STOP)
    play(3.21)
    stage.do(Action.START)
    play(2.0)
    stage.do(Action.NEXT)
    play(4.9)
    stage.do(Action.TEMPO, "133")
    play(3.3)
    stage.do(Action.STOP)
    play(0.3)
    stage.do(Action.CONTINUE)
    play(3.3)
    return stage, beats


def test_songs_and_starts_lie_on_bar_lines_and_messages_at_their_own_times(tmp_path: Path) -> None:
    """Judged by two readers: mido for the time that passes, music21 for the measures that are counted."""
    stage, beats = an_evening()
    began = {"names": {**NAMES, "bpm": "121", "title": "One", "section": "top"}, "at_ns": 0}
    folder = a_show(tmp_path / "show", began, *({"event": event} for event in stage.events))
    for at_ns, _, number in beats:
        folder.append_taps(
            [Tap(at_ns, 0, b"\x90" + number + b"\x40"), Tap(at_ns, 0, b"\x80" + number + b"\x40")]
        )
    target = tmp_path / "show.mid"
    assert write_midi_file(folder, target) == 1

    # when: mido adds up deltas and tempos; a file that bends a bar must not bend the evening
    at_s, pressed = 0.0, []
    for message in mido.MidiFile(target):
        at_s += message.time
        if message.type == "note_on":
            pressed.append(at_s)
    assert len(pressed) == len(beats) > 50
    assert max(abs(found - at_ns / S) for found, (at_ns, _, _) in zip(pressed, beats, strict=True)) < 0.0006

    # where: bars counted from the file's own meters
    score = music21.converter.parse(target, forceSource=True, quantizePost=False)
    signatures = {one.ratioString for one in score.recurse().getElementsByClass("TimeSignature")}
    assert signatures == {"4/4", "7/8", "3/4"}
    conductor = mido.MidiFile(target).tracks[0]
    tick, lines, markers, anew = 0, [], [], []
    for message in conductor:
        tick += message.time
        if message.type == "time_signature":
            lines.append((tick, 3840 * message.numerator // message.denominator))
        elif message.type == "marker":
            begun, bar = lines[-1]
            markers.append((message.text, (tick - begun) / bar))
            if message.text != "stop":  # a song that goes on is in time from its next bar on
                anew.append(begun - (begun - tick) // bar * bar)
    words = [text for text, _ in markers]
    assert words == [
        "One",
        "start",
        "Two",
        *("stop", "start", "stop"),
        "Three",
        *("start", "stop", "continue"),
    ]
    assert [at % 1 for text, at in markers if text in ("One", "Two", "Three", "start")] == [0] * 6

    # and every note that was played on a beat of the show lies on one of the file, to two ticks; but not in
    # the bars that are bent
    tick, straight = 0, 0
    for message in mido.MidiFile(target).tracks[1]:
        tick += message.time
        if message.type == "note_on":
            begun, bar = next(line for line in reversed(lines) if line[0] <= tick)
            if not any(0 < restart - tick < bar for restart in anew):
                straight += 1
                assert (tick - begun + 2) % 480 <= 4, (message, tick)
    assert straight > 35


def test_no_note_is_without_length(tmp_path: Path) -> None:
    folder = a_show(tmp_path / "show", {"names": NAMES, "at_ns": 0})
    hits = [(b"\x99\x24\x50", 0), (b"\x89\x24\x40", 1000), (b"\x99\x24\x50", 2000), (b"\x99\x24\x00", 3000)]
    folder.append_taps([Tap(S + at, 0, data) for data, at in hits])
    assert write_midi_file(folder, tmp_path / "show.mid") == 1
    ticks = [round(at * 960) for at, _ in played(tmp_path / "show.mid")["out: synth"]]
    assert ticks == [1920, 1921, 1921, 1922]


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


def test_shows_that_begin_within_a_second_have_a_record_each(tmp_path: Path) -> None:
    began = datetime(2031, 5, 6, 20, 0, 0, tzinfo=UTC)
    for started_ns, name in ((77, "20310506-200000"), (78, "20310506-200000-2"), (79, "20310506-200000-3")):
        assert name_of(tmp_path, began, started_ns) == name
        RecordFolder(tmp_path / name).append_lines([head({"started_ns": started_ns})])
        assert name_of(tmp_path, began, started_ns) == name
    assert name_of(tmp_path, began, 77) == "20310506-200000"


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
