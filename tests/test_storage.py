"""Files put in place and opened, in folders that somebody else has filled."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from routerd import storage
from routerd.core.errors import FileEditError
from routerd.core.model.set_list import SetList
from routerd.server.rigfiles import load_folder
from routerd.server.rigfiles.edit import replace, save_set, write_values
from routerd.server.shows.record import RecordFolder, make_room
from routerd.server.soundcheck.service import SoundcheckFolder
from routerd.server.state import StateFolder
from tests.documents import report, soundcheck

SET = "name: Harbour\norder:\n  - one\n"
NEW = SetList("Harbour", ("one", "one"))


def test_folders_that_are_missing_are_made_for_whoever_may_read_the_file(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        storage.put(tmp_path / "open" / "in" / "file", b"x", inside=tmp_path)
        storage.put(tmp_path / "private" / "file", b"x", inside=tmp_path, mode=0o600)
        storage.append(tmp_path / "log" / "file", b"x", b"", 10, inside=tmp_path)
    finally:
        os.umask(before)
    folders = ("open", "open/in", "private", "log")
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in folders] == [0o755, 0o755, 0o700, 0o700]
    with pytest.raises(storage.OutsideError):
        storage.put(tmp_path / "open" / ".." / ".." / "elsewhere" / "file", b"x", inside=tmp_path)
    assert not (tmp_path.parent / "elsewhere").exists()


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """A small rig folder."""
    folder = tmp_path / "rig"
    for name, text in (
        ("rig.yaml", "name: r\ndevices:\n  keys: {input: k}\n"),
        ("songs/one.yaml", "title: One\ntempo: 100\n"),
        ("sets/harbour.yaml", SET),
    ):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(text.encode())
    return folder


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    """A file of the user that has nothing to do with rigs."""
    file = tmp_path / "precious"
    file.write_text("mine")
    return file


def put(path: Path, data: bytes = b"new") -> None:
    storage.put(path, data, inside=path.parent)


# Putting a file in place


def test_a_file_is_replaced_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    file = tmp_path / "a"
    put(file, b"one")
    file.chmod(0o640)
    put(file, b"two" * 100_000)
    assert file.read_bytes() == b"two" * 100_000
    assert file.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [file]


def test_who_reads_meanwhile_sees_the_old_or_the_new(tmp_path: Path) -> None:
    file, seen, done = tmp_path / "a", set[bytes](), threading.Event()
    put(file, b"a" * 200_000)

    def read() -> None:
        while not done.is_set():
            seen.add(file.read_bytes())

    reader = threading.Thread(target=read)
    reader.start()
    for _ in range(20):
        put(file, b"b" * 200_000)
        put(file, b"a" * 200_000)
    done.set()
    reader.join()
    assert seen <= {b"a" * 200_000, b"b" * 200_000}


def test_a_link_is_written_where_it_points(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    target, link = tmp_path / "deep" / "target", tmp_path / "link"
    target.write_text("old")
    link.symlink_to("deep/target")
    storage.put(link, b"new", inside=tmp_path)
    assert (target.read_text(), link.is_symlink()) == ("new", True)


@pytest.mark.parametrize("there", [True, False])
def test_a_link_that_leads_out_is_refused(tmp_path: Path, precious: Path, there: bool) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "link").symlink_to(precious if there else tmp_path / "none")
    with pytest.raises(storage.OutsideError):
        put(folder / "link")
    assert precious.read_text() == "mine"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["folder", "precious"]


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "circle").symlink_to("circle")
    for name in ("folder", "pipe", "circle"):
        with pytest.raises(storage.NotRegularError):
            put(tmp_path / name)
    assert len(list(tmp_path.iterdir())) == 3


def test_a_new_file_never_takes_the_place_of_another(tmp_path: Path) -> None:
    file = tmp_path / "a"
    storage.put(file, b"one", inside=tmp_path, replace=False)
    with pytest.raises(FileExistsError):
        storage.put(file, b"two", inside=tmp_path, replace=False)
    assert (file.read_bytes(), list(tmp_path.iterdir())) == (b"one", [file])


def test_a_disk_that_is_full_leaves_all_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a"
    put(file, b"one")

    def full(_: int, __: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(storage.os, "write", full)
    with pytest.raises(OSError, match="No space"):
        put(file, b"two")
    assert (file.read_bytes(), list(tmp_path.iterdir())) == (b"one", [file])


def test_what_a_killed_process_left_is_swept(tmp_path: Path, precious: Path) -> None:
    (tmp_path / f".0123456789abcdef{storage.NEW}").write_text("half")
    storage.sweep(tmp_path)
    assert list(tmp_path.iterdir()) == [precious]


# Opening what may be anything


def test_only_regular_files_are_opened(tmp_path: Path, precious: Path) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "zero").symlink_to("/dev/zero")
    (folder / "out").symlink_to(precious)
    (folder / "file").write_text("12345")
    (folder / "in").symlink_to("file")
    for name in ("pipe", "zero", "."):
        with pytest.raises(storage.NotRegularError):
            storage.read(folder / name, 100)
    for name in ("zero", "out", "../precious"):
        with pytest.raises(storage.OutsideError):
            storage.read(folder / name, 100, inside=folder)
    assert storage.read(folder / "in", 5, inside=folder) == b"12345"
    with pytest.raises(storage.TooLargeError, match="larger than 4 bytes"):
        storage.read(folder / "file", 4)


def test_what_has_been_opened_counts_and_not_what_the_name_says_by_now(
    tmp_path: Path, precious: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody changes the file for a link between the look at the name and the opening."""
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "file").write_text("harmless")
    opening = os.open

    def slow_open(path: Path, flags: int) -> int:
        Path(path).unlink()
        Path(path).symlink_to(precious)
        return opening(path, flags)

    monkeypatch.setattr(storage.os, "open", slow_open)
    with pytest.raises(storage.OutsideError):
        storage.read(folder / "file", 100, inside=folder)


# The places that put files in place, in a folder of a stranger


def test_saving_a_set_never_writes_through_what_waits_beside_it(rig: Path, precious: Path) -> None:
    (rig / "sets" / ".harbour.yaml.new").symlink_to(precious)
    save_set(rig, NEW)
    assert precious.read_text() == "mine"
    assert (rig / "sets" / "harbour.yaml").read_text().count("- one") == 2


def test_saving_a_set_never_leaves_the_rig_folder(rig: Path, tmp_path: Path, precious: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    (rig / "sets").rename(elsewhere)
    (rig / "sets").symlink_to(elsewhere)
    with pytest.raises((FileEditError, OSError)):
        save_set(rig, NEW)
    with pytest.raises((FileEditError, OSError)):
        save_set(rig, SetList("Another", ("one",)))
    assert [one.name for one in elsewhere.iterdir()] == ["harbour.yaml"]
    assert (elsewhere / "harbour.yaml").read_text() == SET


def test_editing_the_rig_never_writes_through_what_waits_beside_it(rig: Path, precious: Path) -> None:
    (rig / ".rig.yaml.new").symlink_to(precious)
    write_values(rig / "rig.yaml", ("identity-reply",), {"keys": "false"})
    assert precious.read_text() == "mine"
    (rig / "rig.yaml").unlink()
    (rig / "rig.yaml").symlink_to(precious)
    with pytest.raises(OSError, match="leads out of its folder"):
        replace(rig / "rig.yaml", "new")
    assert precious.read_text() == "mine"


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_line_ends_and_the_mark_of_utf_8_stay(rig: Path, end: str) -> None:
    rig_text = f"\ufeff# a{end}name: r  # the rig{end}devices:{end}  keys: {{input: k}}{end}"
    set_text = f"\ufeff# tonight{end}name: Harbour{end}order:{end}  - one{end}# end{end}"
    (rig / "rig.yaml").write_bytes(rig_text.encode())
    (rig / "sets" / "harbour.yaml").write_bytes(set_text.encode())
    before = write_values(rig / "rig.yaml", ("identity-reply",), {"keys": "false"})
    assert before == rig_text
    assert (rig / "rig.yaml").read_bytes() == rig_text.replace(
        "{input", "{identity-reply: false, input"
    ).encode()
    replace(rig / "rig.yaml", before)
    assert (rig / "rig.yaml").read_bytes() == rig_text.encode()
    save_set(rig, NEW)
    wanted = set_text.replace(f"  - one{end}", f"  - one{end}  - one{end}")
    assert (rig / "sets" / "harbour.yaml").read_bytes() == wanted.encode()
    assert load_folder(rig).problems == ()


def test_the_state_folder_is_not_left_either(tmp_path: Path, precious: Path) -> None:
    state, said = tmp_path / "state", list[str]()
    (state / "shows" / "tonight").mkdir(parents=True)
    (state / "soundchecks").mkdir()
    for name in ("state.json.new", "shows/tonight/report.new", "soundchecks/.new", "shows/tonight/log.jsonl"):
        (state / name).symlink_to(precious)
    SoundcheckFolder(state, said.append).write(soundcheck("a"))
    record = RecordFolder(state / "shows" / "tonight", state)
    record.write_report(1, report())
    with pytest.raises(OSError, match="leads out of its folder"):
        record.append_lines([{"a": 1}])
    StateFolder(state, said.append)._write("state.json", b"{}", 100)
    assert precious.read_text() == "mine"


def test_what_a_link_leads_to_is_not_removed_to_make_room(tmp_path: Path) -> None:
    state, documents = tmp_path / "state", tmp_path / "documents"
    state.mkdir()
    for number in range(70):
        (documents / f"{number:03}").mkdir(parents=True)
    (state / "shows").symlink_to(documents)
    with pytest.raises(OSError, match="leads out of its folder"):
        make_room(state / "shows", "tonight")
    record = RecordFolder(state / "shows" / "tonight", state)
    with pytest.raises(OSError, match="leads out of its folder"):
        record.append_lines([{"a": 1}])
    assert len(list(documents.iterdir())) == 70


# Reading a rig folder of a stranger


def test_songs_that_are_links_out_of_the_folder_show_nothing_of_the_file(rig: Path, precious: Path) -> None:
    precious.write_text("a-secret-word-that-nobody-may-see")
    (rig / "songs" / "two.yaml").symlink_to(precious)
    (problem,) = load_folder(rig).problems
    assert "outside the rig folder" in str(problem)
    assert "secret" not in str(problem)


@pytest.mark.timeout(20)
def test_a_song_that_never_answers_is_named(rig: Path) -> None:
    os.mkfifo(rig / "songs" / "two.yaml")
    (rig / "songs" / "three.yaml").symlink_to("/dev/zero")
    (rig / "songs" / "four.yaml").symlink_to("/proc/kmsg")
    assert [problem.file for problem in load_folder(rig).problems] == [
        "songs/four.yaml",
        "songs/three.yaml",
        "songs/two.yaml",
    ]
