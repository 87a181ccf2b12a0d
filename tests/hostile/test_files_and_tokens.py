"""Files that rig folders name, and the token: nothing outside is read, nothing leaks."""

from __future__ import annotations

import os
import urllib.error
import urllib.request
from pathlib import Path

import mido
import pytest

from routerd.server.rigfiles import load_folder
from tests.hostile.rich_rig import DEMO
from tests.service import Service, until

TOKEN = "no-log-may-ever-hold-this-word"

RIG = "name: r\ndevices:\n  synth: {output: s}\n"
SYSEX = "title: One\ntempo: 100\npatches: [{device: synth, sysex: [{file: %s}]}]\n"
TEMPO = "title: One\ntempo: 100\ntempo-file: %s\n"


def problems_of(folder: Path, song: str) -> list[str]:
    (folder / "songs").mkdir(parents=True, exist_ok=True)
    (folder / "rig.yaml").write_text(RIG)
    (folder / "songs" / "one.yaml").write_text(song)
    return [str(problem) for problem in load_folder(folder).problems]


@pytest.mark.parametrize("song", [SYSEX, TEMPO], ids=["sysex", "tempo-file"])
def test_no_file_outside_the_rig_folder_is_read(song: str, tmp_path: Path) -> None:
    """Up, absolute, by links to files and folders, pipes, devices: told by file and line, at once."""
    outside, rig = tmp_path / "secret", tmp_path / "rig"
    rig.mkdir()
    outside.mkdir()
    (outside / "dump.syx").write_bytes(b"\xf0\x7d\x01\xf7")
    (rig / "link.syx").symlink_to(outside / "dump.syx")
    (rig / "folder").symlink_to(outside)
    (rig / "circle.syx").symlink_to(rig / "circle.syx")
    (rig / "device.syx").symlink_to("/dev/zero")
    os.mkfifo(rig / "pipe.syx")
    for name in (
        "../secret/dump.syx",
        str(outside / "dump.syx"),
        "songs/../../secret/dump.syx",
        "link.syx",
        "folder/dump.syx",
        "circle.syx",
        "device.syx",
        "pipe.syx",
        "songs",
        ".",
        "none.syx",
        "a" * 5000,
        '"a\\0b"',
        '"\\n"',
    ):
        problems = problems_of(rig, song % name)
        assert len(problems) == 1, name
        assert problems[0].startswith("songs/one.yaml:"), name


def test_a_rig_file_among_the_songs_is_told(tmp_path: Path) -> None:
    """A key that is removed with what lies in it, and a mistake in what lay in it, come together there."""
    problems = problems_of(tmp_path, "name: r\ndevices:\n  keys: {input: k}\n  synth: {output: s}\n")
    assert [problem.split(":")[0] for problem in problems] == ["songs/one.yaml"] * len(problems)
    assert problems


def test_large_dumps_are_refused(tmp_path: Path) -> None:
    (tmp_path / "big.syx").write_bytes(b"\xf0\x7d" + bytes(64 * 1024 - 1) + b"\xf7")
    with (tmp_path / "sparse.syx").open("wb") as file:
        file.truncate(1 << 40)
    for name in ("big.syx", "sparse.syx"):
        (problem,) = problems_of(tmp_path, SYSEX % name)
        assert "larger than 64 KiB" in problem


def midi_files() -> dict[str, bytes]:
    """Files that are no tempo maps, or too much of one."""
    head = b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01\xe0"
    tempo = b"\x01\xff\x51\x03\x07\xa1\x20"
    many = tempo * 6_000
    return {
        "many events": head + b"MTrk" + len(many).to_bytes(4, "big") + many + b"\x00\xff\x2f\x00",
        "a track longer than the file": head + b"MTrk\xff\xff\xff\xff" + tempo,
        "no ticks to the quarter": head[:12] + b"\x00\x00" + b"MTrk\x00\x00\x00\x04\x00\xff\x2f\x00",
        "a tempo of nothing": head + b"MTrk\x00\x00\x00\x0b\x00\xff\x51\x03\x00\x00\x00\x00\xff\x2f\x00",
        "a meter of nothing": head + b"MTrk\x00\x00\x00\x0c\x00\xff\x58\x04\x00\xff\x00\x00\x00\xff\x2f\x00",
        "an endless number": head + b"MTrk\x00\x00\x10\x00" + b"\xff" * 4096,
        "a huge tempo event": head + b"MTrk\x00\x00\x00\x10\x00\xff\x51\xff\xff\xff\x7f" + bytes(20),
        "nothing": b"",
        "text": b"name: nothing\n" * 100,
        "above 256 KiB": head + bytes(1 << 21),
    }


@pytest.mark.parametrize("what", midi_files())
def test_hostile_midi_files_are_told(what: str, tmp_path: Path) -> None:
    (tmp_path / "map.mid").write_bytes(midi_files()[what])
    problems = problems_of(tmp_path, TEMPO % "map.mid")
    assert len(problems) == 1
    assert problems[0].startswith("songs/one.yaml:3: ")


def test_a_sound_midi_file_is_taken(tmp_path: Path) -> None:
    file = mido.MidiFile(ticks_per_beat=480)
    file.tracks.append(mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000)]))
    file.save(tmp_path / "map.mid")
    assert problems_of(tmp_path, TEMPO % "map.mid") == []


def test_a_token_is_nowhere_but_in_its_file(tmp_path: Path) -> None:
    """Not in the log, the state folder, the command lines or the environment of either process."""
    file = tmp_path / "token"
    file.write_text(TOKEN)
    file.chmod(0o600)
    with Service(DEMO, tmp_path / "state", "--ports", "simulated", "--token-file", str(file)) as service:

        def ask(method: str, path: str, token: str, body: bytes | None = None) -> int:
            headers = {"Authorization": f"Bearer {token}"}
            request = urllib.request.Request(
                f"http://127.0.0.1:{service.http}{path}", body, headers, method=method
            )
            try:
                with urllib.request.urlopen(request, timeout=10) as answer:
                    return int(answer.status)
            except urllib.error.HTTPError as error:
                return error.code

        until(lambda: ask("GET", "/v1/status", TOKEN) == 200, what="the service is up")
        assert ask("POST", "/v1/tempo", TOKEN, b'{"bpm": 100}') == 200
        assert ask("POST", "/v1/tempo", TOKEN, b"{") == 400
        assert ask("POST", f"/v1/{TOKEN[:3]}", TOKEN) == 404
        assert ask("POST", "/v1/next", TOKEN + "x") == 401
        said = [Path(f"/proc/{pid}/{what}").read_bytes() for pid in service.family() for what in WHAT]
        assert service.stop()[0] == 0
        kept = [path.read_bytes() for path in (tmp_path / "state").rglob("*") if path.is_file()]
    assert len(said) >= 3 * len(WHAT), "main process, engine and server"
    assert kept
    assert not [one for one in (*said, *kept, service.log.encode()) if TOKEN.encode() in one]


WHAT = ("cmdline", "environ")
