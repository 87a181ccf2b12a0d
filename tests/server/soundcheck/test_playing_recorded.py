"""Recorded playing is found, made soft and harmless, and what is left out is told."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import mido
import pytest

from routerd.core.errors import CommandError
from routerd.core.midi.messages import Kind
from routerd.core.model import events
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.rig import Device, Rig, RigFolder
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.link.frames import INPUT_BIT, Tap
from routerd.server.shows.midi_file import write_midi_file
from routerd.server.shows.record import RecordFolder, event_line, head
from routerd.server.soundcheck.playing import Played, Source, at_rest, find_recorded

S = 1_000_000_000
KEYS, PADS = INPUT_BIT, INPUT_BIT | 1


def song(identifier: str, *sources: str) -> Song:
    routes = tuple(Route(f"{one} {identifier}", one, "synth", frozenset({Kind.NOTES})) for one in sources)
    return Song(identifier, identifier.title(), Fraction(120), routes=routes)


RIG = Rig(
    "rig",
    (
        Device("keys", input_pattern="keys"),
        Device("pads", input_pattern="pads"),
        Device("synth", output_pattern="synth"),
    ),
    (
        Control("keys", 0xB0, 64, Command(Action.NEXT)),
        Control("pads", 0x90, 40, Command(Action.PANIC), channel=9),
    ),
)
SONGS = (song("thin", "keys"), song("dense", "keys", "pads"), song("denser", "keys", "pads", "pads"))
BOOK = RigFolder(RIG, SONGS, SetList("tonight", ("thin", "dense")))
TONIGHT = BOOK.set_list.order


def names(at_ns: int, current: str | None, *inputs: str) -> dict[str, object]:
    title = current and current.title()
    ways = {
        "outputs": ["synth"],
        "inputs": inputs,
        "bpm": "120",
        "meter": "4/4",
        "song": current,
        "title": title,
    }
    return {"names": ways, "at_ns": at_ns}


def change(at_ns: int, identifier: str) -> dict[str, object]:
    return event_line(events.Song(at_ns, identifier, identifier.title(), None, "4/4", at_ns))


@pytest.fixture
def shows(tmp_path: Path) -> Path:
    """One show: "thin" from its start, "dense" from 10 s, "denser", which is not on tonight, from 20 s."""
    folder = RecordFolder(tmp_path / "shows" / "evening")
    folder.append_lines(
        [
            head({}),
            names(0, "thin", "keys", "pads", "fiddle"),
            change(10 * S, "dense"),
            names(15 * S, "dense", "pads", "keys"),
            change(20 * S, "denser"),
        ]
    )
    return tmp_path / "shows"


def find(shows: Path, name: str = "evening", seconds: int = 30, book: RigFolder = BOOK) -> object:
    return find_recorded(Source(name, shows.parent / "rig", shows), book, book.set_list.order, seconds)


def test_the_densest_song_that_was_played_is_taken_from_a_show(shows: Path) -> None:
    RecordFolder(shows / "evening").append_taps(
        [
            Tap(1 * S, KEYS, b"\x90\x30\x7f"),
            Tap(12 * S, KEYS, b"\x90\x3c\x7f"),
            Tap(12 * S, 0, b"\x90\x3c\x7f"),  # went out
            Tap(13 * S, KEYS, b"\x90\x3c\x00"),
            Tap(14 * S, INPUT_BIT | 2, b"\x90\x3c\x7f"),  # a device that is not in the rig any more
            Tap(16 * S, KEYS, b"\x99\x24\x05"),  # the numbers mean other devices from 15 s on
            Tap(21 * S, KEYS, b"\x90\x50\x7f"),  # not tonight
        ]
    )
    found = find(shows)
    assert found.dense.song.identifier == "dense"
    assert found.played == [
        Played(0, "keys", b"\x90\x3c\x14"),  # never louder than velocity 20
        Played(1, "keys", b"\x90\x3c\x00"),
        Played(4, "pads", b"\x99\x24\x05"),
    ]
    assert (found.left_out, found.unknown) == (0, ("fiddle",))
    assert found.words == "recorded playing (evening); not in this rig: fiddle"


def test_what_would_leave_something_changed_is_left_out_and_counted(shows: Path) -> None:
    kept = [b"\x90\x3c\x0a", b"\xb0\x01\x40", b"\xe0\x00\x50", b"\xa0\x3c\x10", b"\xd0\x10", b"\xb0\x42\x7f"]
    left = [
        b"\xb0\x07\x7f",  # volume
        b"\xb0\x40\x7f",  # the hold pedal is a control in this rig
        b"\xb0\x7b\x00",
        b"\xc0\x05",
        b"\xf0\x7d\x01\xf7",
        b"\xf2\x00\x00",
    ]
    taps = [Tap(11 * S + n, KEYS, data) for n, data in enumerate(kept + left)]
    taps.append(Tap(12 * S, PADS, b"\x99\x28\x50"))  # a pad that means panic
    RecordFolder(shows / "evening").append_taps(taps)
    found = find(shows)
    assert [one.data for one in found.played] == kept
    assert found.left_out == len(left) + 1
    assert "without 7 messages" in found.words


def test_the_densest_part_is_taken_when_it_is_longer_than_asked(shows: Path) -> None:
    slow = [Tap((10 + n) * S, KEYS, b"\x90\x3c\x0a") for n in range(4)]
    fast = [Tap(15 * S + n * S // 10, PADS, b"\x90\x3d\x0a") for n in range(10)]
    RecordFolder(shows / "evening").append_taps(slow + fast)
    found = find(shows, seconds=1)
    assert [one.data[1] for one in found.played] == [0x3D] * 10
    assert found.played[0].at_s == 0
    assert found.played[-1].at_s == pytest.approx(0.9)


def test_the_file_of_a_show_plays_like_the_show(shows: Path, tmp_path: Path) -> None:
    RecordFolder(shows / "evening").append_taps(
        [
            Tap(1 * S, KEYS, b"\x90\x30\x7f"),
            Tap(12 * S, KEYS, b"\x90\x3c\x7f"),
            Tap(12 * S, 0, b"\x90\x3c\x7f"),
            Tap(13 * S, KEYS, b"\x80\x3c\x40"),
        ]
    )
    (tmp_path / "rig" / "midi").mkdir(parents=True)
    write_midi_file(RecordFolder(shows / "evening"), tmp_path / "rig" / "midi" / "x.mid")
    found = find(shows, "midi/x.mid")
    assert found.dense.song.identifier == "dense"
    assert [(round(one.at_s, 3), *one[1:]) for one in found.played] == [
        (0, "keys", b"\x90\x3c\x14"),
        (1, "keys", b"\x80\x3c\x40"),
    ]
    # the first song has its marker too: it was on before the recording began
    only_thin = RigFolder(RIG, SONGS, SetList("tonight", ("thin",)))
    thin = find(shows, "midi/x.mid", book=only_thin)
    assert [one.data[1] for one in thin.played] == [0x30]


def test_a_file_without_markers_is_played_through_the_densest_song(shows: Path, tmp_path: Path) -> None:
    """The seconds are mido's own: it tells how long the file is."""
    file = mido.MidiFile(ticks_per_beat=480)
    track = file.add_track("pads")
    track.append(mido.MetaMessage("set_tempo", tempo=600_000, time=0))
    track.append(mido.Message("note_on", channel=9, note=36, velocity=100, time=480))
    track.append(mido.MetaMessage("set_tempo", tempo=300_000, time=480))
    track.append(mido.Message("note_off", channel=9, note=36, time=480))
    file.add_track("Strings").append(mido.Message("note_on", note=60, velocity=1, time=0))
    (tmp_path / "rig").mkdir()
    file.save(tmp_path / "rig" / "x.mid")
    found = find(shows, "x.mid")
    assert found.dense.song.identifier == "dense"
    assert found.unknown == ("Strings",)
    ats = [one.at_s for one in found.played]
    assert ats == [0, pytest.approx(0.9)]
    assert mido.MidiFile(tmp_path / "rig" / "x.mid").length == pytest.approx(0.6 + 0.6 + 0.3)


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("away.mid", "there is no playing 'away.mid'"),
        ("../outside.mid", "is outside the rig folder"),
        ("broken.mid", "is not a Standard MIDI File"),
        ("large.mid", "is larger than 4 MiB"),
        ("empty.mid", "has no playing of a song of tonight"),
        ("other.mid", "not devices with an input of this rig: Strings"),
        ("evening", "its messages were not recorded"),
        ("foreign", "is no record of a show"),
        ("", "there is no playing"),
        (".", "there is no playing"),
    ],
)
def test_bad_sources_are_refused_with_a_remedy(shows: Path, tmp_path: Path, name: str, why: str) -> None:
    rig = tmp_path / "rig"
    rig.mkdir()
    (tmp_path / "outside.mid").write_bytes(b"")
    (rig / "broken.mid").write_bytes(
        b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01\xe0MTrk\xff\xff\xff\xff\x00\x90"
    )
    with (rig / "large.mid").open("wb") as file:
        file.truncate(5 * 1024 * 1024)
    mido.MidiFile(type=1).save(rig / "empty.mid")
    other = mido.MidiFile()
    other.add_track("Strings").append(mido.Message("note_on", note=60, velocity=1, time=0))
    other.save(rig / "other.mid")
    (shows / "foreign").mkdir()
    with pytest.raises(CommandError, match=why):
        find(shows, name)


def test_what_is_left_pressed_is_put_to_rest() -> None:
    texts = "90 3C 14,90 3E 14,90 3C 00,B0 42 7F,B0 43 7F,B0 43 00,E0 00 50,"
    texts += "E1 00 50,E1 00 40,D0 20,A0 3E 10,B0 01 05"
    played = [Played(0, "keys", bytes.fromhex(text)) for text in texts.split(",")]
    assert sorted(data.hex(" ") for _, data in at_rest(played)) == [
        "80 3e 40", "b0 01 00", "b0 42 00", "d0 00", "e0 00 40",
    ]  # fmt: skip
