"""Rig folders that somebody has filled with harm in mind: odd names, links, pipes, sockets, devices.

Whatever is in them: every command answers soon, in lines without control characters, shows nothing of a file
outside, and writes nothing outside.
"""

from __future__ import annotations

import contextlib
import io
import os
import socket
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.cli import main
from routerd.core.errors import FileEditError, RouterdError
from routerd.core.model.set_list import SetList
from routerd.server.rigfiles.edit import replace, save_set, write_values
from routerd.server.shows import record
from routerd.server.shows.record import RecordFolder, make_room
from routerd.server.soundcheck.service import SoundcheckFolder
from routerd.server.state import Origin, State, StateFolder
from tests.documents import report, soundcheck

SECRET = "what-nobody-may-see-0123456789-abcdefghijklmnopqrstuvwxyz"
RIG = b"name: r\ndevices:\n  keys: {input: k}\n  synth: {output: s}\n"
SONG = b"title: %s\ntempo: 100\npatches: [{device: synth, sysex: [{file: %s}]}]\n"
SET = b"name: Harbour\norder:\n  - one\n"

names = st.one_of(
    st.sampled_from(
        [
            "one.yaml",
            "two.yaml",
            "harbour.yaml",
            ".harbour.yaml.new",
            ".rig.yaml.new",
            "a\x1b[2Jb.yaml",
            "a\nrig: all good.yml",
            "\u202eelif.yaml",
            "dump.syx",
            "x" * 200 + ".yaml",
            "..yaml",
            "-rf.yaml",
        ]
    ),
    st.text(st.characters(exclude_characters="/\x00", exclude_categories=["Cs"]), min_size=1, max_size=20),
)
places = st.tuples(st.sampled_from(["", "songs/", "sets/", "sysex/"]), names)
kinds = st.sampled_from(
    [
        "rig",
        "song",
        "set",
        "bytes",
        "folder",
        "link in",
        "link out",
        "link to a folder out",
        "link to nothing out",
        "link to itself",
        "link to zero",
        "link to the kernel",
        "pipe",
        "socket",
    ]
)
folders = st.lists(st.tuples(places, kinds), max_size=8)


def make(path: Path, kind: str, outside: Path) -> None:
    """Put something there, if the file system lets us."""
    with contextlib.suppress(OSError, ValueError):
        path.parent.mkdir(parents=True, exist_ok=True)
        if os.path.lexists(path):
            return
        contents = {
            "rig": RIG,
            "song": SONG % (path.name.encode()[:9], b"sysex/dump.syx"),
            "set": SET,
            "bytes": os.urandom(60),
        }
        links = {
            "link in": "../rig.yaml",
            "link out": outside / "secret",
            "link to a folder out": outside,
            "link to nothing out": outside / "none",
            "link to itself": path.name,
            "link to zero": "/dev/zero",
            "link to the kernel": "/proc/kmsg",
        }
        if kind in contents:
            path.write_bytes(contents[kind])
        elif kind in links:
            path.symlink_to(links[kind])
        elif kind == "folder":
            path.mkdir()
        elif kind == "pipe":
            os.mkfifo(path)
        else:
            with socket.socket(socket.AF_UNIX) as end:
                end.bind(os.fspath(path))


def fill(folder: Path, outside: Path, entries: list[tuple[tuple[str, str], str]], base: list[str]) -> None:
    folder.mkdir()
    for (room, name), kind in entries:
        make(folder / (room + name), kind, outside)
    for name in base:
        kind = {"rig.yaml": "rig", "songs/one.yaml": "song", "sets/harbour.yaml": "set"}.get(name, "bytes")
        make(folder / name, kind, outside)


def state_of(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Return everything in a folder: mode and content."""
    return {
        str(path): (path.lstat().st_mode, path.read_bytes() if path.is_file() else b"")
        for path in sorted(folder.rglob("*"))
    }


def attempt(work: Callable[[], object]) -> str:
    """Do it, and return what it has printed, and said in its error."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            work()
        except (OSError, FileEditError, RouterdError) as error:
            out.write(ascii(str(error)) + "\n")
    return out.getvalue()


@pytest.mark.timeout(600)
@given(folders, st.booleans())
def test_a_rig_folder_of_a_stranger(entries: list[tuple[tuple[str, str], str]], whole: bool) -> None:
    with tempfile.TemporaryDirectory() as place:
        outside, rig = Path(place) / "outside", Path(place) / "rig"
        outside.mkdir()
        (outside / "secret").write_text(SECRET)
        (outside / "secret.yaml").write_text(f"title: {SECRET}\ntempo: 100\n")
        fill(rig, outside, entries, ["rig.yaml", "songs/one.yaml", "sets/harbour.yaml"] if whole else [])
        order = Path(place) / "order.txt"
        order.write_text("one.yaml\n")
        before, began_s = state_of(outside), time.monotonic()
        said = "".join(
            attempt(work)
            for work in (
                lambda: main(["check", str(rig), "--rehearse"]),
                lambda: main(["sheet", str(rig)]),
                lambda: main(["diff", str(rig), str(rig)]),
                lambda: main(["import", str(rig), str(order), "--name", "Harbour", "--replace"]),
                lambda: main(["import", str(rig), str(order), "--name", "New"]),
                lambda: main(["report", str(rig)]),
                lambda: save_set(rig, SetList("Harbour", ("one", "one"))),
                lambda: write_values(rig / "rig.yaml", ("identity-reply",), {"synth": "false"}),
                lambda: replace(rig / "rig.yaml", RIG.decode()),
                lambda: main(["check", str(rig), "--schemas", str(rig / "sysex")]),
            )
        )
        assert time.monotonic() - began_s < 10
        assert [line for line in said.split("\n") if not line.isprintable()] == []
        assert SECRET[:10] not in said
        assert "Traceback" not in said
        assert state_of(outside) == before
        assert list(rig.rglob("*.routerd-new")) == []


STATE = State(SetList("a", ("one",)), Origin("a", SetList("a", ("one",))), None, "stopped")
state_places = st.tuples(
    st.sampled_from(["", "shows/", "shows/20270101-200000/", "soundchecks/"]),
    st.sampled_from(
        [
            "state.json",
            "state.json.new",
            "state.json.aside",
            "working-rig.jsonl",
            "lock",
            "shows",
            "soundchecks",
            ".new",
            "a.json",
            "report.new",
            "report-1.json",
            "log.jsonl",
            "messages.bin",
            "20261231-200000",
        ]
    ),
)


@pytest.mark.timeout(600)
@mock.patch.object(record, "MOST_SHOWS", 3)
@given(st.lists(st.tuples(state_places, kinds), max_size=8))
def test_a_state_folder_of_a_stranger(entries: list[tuple[tuple[str, str], str]]) -> None:
    with tempfile.TemporaryDirectory() as place:
        outside, folder = Path(place) / "outside", Path(place) / "state"
        outside.mkdir()
        (outside / "secret").write_text(SECRET)
        for number in range(8):
            (outside / f"20260101-{number:06}").mkdir()
        fill(folder, outside, entries, [])
        before, began_s = state_of(outside), time.monotonic()
        warned: list[str] = []
        state, soundchecks = StateFolder(folder, warned.append), SoundcheckFolder(folder, warned.append)
        show = RecordFolder(folder / "shows" / "20270101-200000", folder)
        said = "".join(
            attempt(work)
            for work in (
                state.read_state,
                state.read_working_rig,
                lambda: state.write_state(STATE),
                lambda: soundchecks.write(soundcheck("a")),
                lambda: list(soundchecks.all()),
                lambda: make_room(folder / "shows", "20270101-200000"),
                lambda: show.append_lines([{"record": 1}]),
                lambda: show.append_taps([]),
                lambda: show.write_report(1, report()),
                lambda: main(["report", "20270101-200000", "--state-dir", str(folder)]),
                lambda: main(["report", "shows", "--state-dir", str(folder)]),
            )
        )
        assert time.monotonic() - began_s < 10
        assert SECRET[:10] not in said + "".join(warned)
        assert "Traceback" not in said
        assert state_of(outside) == before
