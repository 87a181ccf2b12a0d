"""What survives the engine process: whole or not at all, for one engine at a time."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from routerd.engine import crash_memory as module
from routerd.engine.crash_memory import SLOT_BYTES, CrashMemory, default_path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "memory"


def died(path: Path, *records: object, tick: int = 7, tries: int = 0) -> None:
    memory = CrashMemory(path)
    for record in records:
        memory.keep(record)
    memory.mark(tick)
    memory.note_tries(tries)
    memory.close()


def test_a_new_memory_is_empty(path: Path) -> None:
    memory = CrashMemory(path)
    assert (memory.left(), memory.last_tick, memory.tries) == (None, -1, 0)
    assert path.stat().st_mode & 0o077 == 0


def test_the_last_record_and_tick_are_there_again(path: Path) -> None:
    died(path, {"n": 1}, {"n": 2}, {"n": 3}, tick=123_456_789_012, tries=2)
    memory = CrashMemory(path)
    assert (memory.left(), memory.last_tick, memory.tries) == ({"n": 3}, 123_456_789_012, 2)


def test_it_outlives_a_process_that_is_killed(path: Path) -> None:
    program = (
        "import os, signal, sys; from pathlib import Path\n"
        "from routerd.engine.crash_memory import CrashMemory\n"
        "memory = CrashMemory(Path(sys.argv[1])); memory.keep({'song': 'x'}); memory.mark(42)\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    assert subprocess.run([sys.executable, "-c", program, str(path)], check=False).returncode == -9
    memory = CrashMemory(path)
    assert (memory.left(), memory.last_tick) == ({"song": "x"}, 42)


@pytest.mark.parametrize("place", [0, 4, 8, 12, 16, 20, 22])
def test_a_record_that_was_being_written_does_not_count(path: Path, place: int) -> None:
    """A bit of the newer slot (the first, as the second record lies there) is flipped: the older counts."""
    died(path, {"n": 1}, {"n": 2})
    data = bytearray(path.read_bytes())
    data[4096 + place] ^= 0x40
    path.write_bytes(data)
    assert CrashMemory(path).left() == {"n": 1}


@pytest.mark.parametrize("size", [SLOT_BYTES - 20, SLOT_BYTES, 3 * SLOT_BYTES, 40 * SLOT_BYTES])
def test_slots_grow_with_what_is_kept(path: Path, size: int) -> None:
    died(path, {"n": 1}, "x" * size, tick=5)
    memory = CrashMemory(path)
    assert (memory.left(), memory.last_tick) == ("x" * size, 5)
    for record in ("y" * size, "z" * 2 * size, {"n": 3}):
        assert memory.keep(record) == ""
    memory.close()
    assert CrashMemory(path).left() == {"n": 3}


def test_an_engine_that_dies_while_slots_grow_leaves_the_record_before(path: Path) -> None:
    """All is written but the store into the head by which the larger slots count."""
    died(path, {"n": 1})
    head = path.read_bytes()[:4096]
    died(path, {"n": 2}, "x" * SLOT_BYTES)
    with path.open("r+b") as file:
        file.write(head)
    assert CrashMemory(path).left() == {"n": 2}


def test_a_record_without_room_is_reported_and_not_kept_nor_the_one_before(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    memory = CrashMemory(path)
    assert memory.keep({"n": 1}) == ""
    monkeypatch.setattr(module, "MOST_BYTES", path.stat().st_size)
    assert "no room" in memory.keep("x" * SLOT_BYTES)
    memory.close()
    memory = CrashMemory(path)
    assert memory.left() is None
    assert memory.keep({"n": 2}) == ""


@pytest.mark.parametrize(
    "content",
    [b"", b"\0" * 100, b"strange" * 60_000, os.urandom(4096 + 2 * SLOT_BYTES)],
    ids=["empty", "short", "text", "random"],
)
def test_a_strange_file_becomes_a_new_memory(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    memory = CrashMemory(path)
    assert (memory.left(), memory.last_tick) == (None, -1)
    memory.keep({"n": 1})
    memory.close()
    assert CrashMemory(path).left() == {"n": 1}


def test_a_second_engine_is_kept_out(path: Path) -> None:
    first = CrashMemory(path)
    with pytest.raises(BlockingIOError):
        CrashMemory(path)
    first.close()
    CrashMemory(path).close()


def test_links_and_other_peoples_files_are_not_touched(path: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.write_text("dear")
    path.symlink_to(mine)
    with pytest.raises(OSError, match="symbolic link"):
        CrashMemory(path)
    path.unlink()
    os.link(mine, path)
    with pytest.raises(PermissionError):
        CrashMemory(path)
    assert mine.read_text() == "dear"


def test_an_orderly_end_leaves_nothing(path: Path) -> None:
    memory = CrashMemory(path)
    memory.keep({"n": 1})
    memory.forget()
    assert not path.exists()


def test_each_state_folder_has_its_own_in_main_memory(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/routerd:/run/other")
    assert default_path(tmp_path) == Path("/run/routerd/memory")
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    assert default_path(tmp_path / "a") != default_path(tmp_path / "b")
    assert default_path(tmp_path).parent == Path("/dev/shm")
