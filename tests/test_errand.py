"""Work on files that never answers, by a file system that does not."""

from __future__ import annotations

import asyncio
import ctypes
import os
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from routerd import errand as module
from routerd.errand import Disk, Errand, StuckError, in_time
from tests.hostile.rich_rig import DEMO
from tests.service import Service, until


def burn(seconds: float) -> str:
    end_s = time.thread_time() + seconds
    while time.thread_time() < end_s:
        pass
    return "done"


def test_long_work_is_no_reason_to_give_up() -> None:
    assert in_time(lambda: burn(0.8), 0.3) == "done"


@pytest.mark.parametrize("schedstat", [True, False])
def test_work_that_stands_still_is_given_up(schedstat: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not schedstat:
        monkeypatch.setattr(module.Path, "read_text", without_schedstat)
        assert in_time(lambda: burn(0.8), 0.3) == "done"
    release = threading.Event()
    with pytest.raises(StuckError, match="has not answered"):
        in_time(release.wait, 0.3)
    release.set()


READ_TEXT = Path.read_text


def without_schedstat(path: Path, **how: str) -> str:
    """Read as on a kernel without scheduling statistics."""
    if path.name == "schedstat":
        raise FileNotFoundError(path)
    return READ_TEXT(path, **how)


def test_what_it_raises_is_raised() -> None:
    with pytest.raises(ZeroDivisionError):
        in_time(lambda: 1 // 0)


async def test_the_loop_goes_on_and_a_folder_that_hangs_is_refused_at_once() -> None:
    disk, release = Disk(0.4), threading.Event()
    turns = 0

    async def turn() -> None:
        nonlocal turns
        while True:
            await asyncio.sleep(0.01)
            turns += 1

    turning = asyncio.create_task(turn())
    with pytest.raises(StuckError):
        await disk.do(release.wait)
    assert turns > 10
    began_s = time.monotonic()
    with pytest.raises(StuckError):
        await disk.do(lambda: "quick")
    assert time.monotonic() - began_s < 0.3
    release.set()
    await asyncio.to_thread(until, lambda: not disk._stuck or not disk._stuck.under_way)
    assert await disk.do(lambda: "quick") == "quick"
    turning.cancel()


def test_an_errand_ends_after_its_loop_has_gone() -> None:
    release = threading.Event()

    async def ask() -> None:
        with pytest.raises(StuckError):
            await Disk(0.2).do(release.wait)

    asyncio.run(ask())
    release.set()
    assert Errand(lambda: 1, lambda: None).stands_still_s() < 5


@pytest.fixture
def hung(tmp_path: Path) -> Iterator[Path]:
    """Return a folder of a file system that answers nothing, as a network folder whose server has gone.

    FUSE: this process would have to answer what the kernel asks over the descriptor, and never does. When it
    is closed all that waits fails.
    """
    folder = tmp_path / "hung"
    folder.mkdir()
    try:
        handle = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        pytest.skip(f"this machine lets no file system hang: /dev/fuse: {error.strerror}")
    libc = ctypes.CDLL(None, use_errno=True)
    options = f"fd={handle},rootmode=40000,user_id=0,group_id=0".encode()
    if libc.mount(b"hung", os.fsencode(folder), b"fuse", 0, options):
        os.close(handle)
        pytest.skip(f"this machine lets no file system hang: mount: {os.strerror(ctypes.get_errno())}")
    yield folder
    libc.umount2(os.fsencode(folder), 2)  # MNT_DETACH
    os.close(handle)


def refused(service: Service, path: str) -> None:
    with pytest.raises(OSError, match="422"):
        service.ask("POST", path)


def test_a_rig_folder_that_hangs_holds_up_no_command(tmp_path: Path, hung: Path) -> None:
    """A song lies on a network folder that stops answering; the order is edited, songs change, all ends."""
    rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))
    with Service(rig, tmp_path / "state", "--ports", "simulated") as service:
        service.wait_until_open()
        (rig / "songs").rename(tmp_path / "songs")
        (rig / "songs").symlink_to(hung)
        reloading = threading.Thread(target=refused, args=(service, "/v1/reload"))
        reloading.start()
        time.sleep(0.5)
        began_s = time.monotonic()
        order = [song["song"] for song in service.ask("GET", "/v1/set-list")["order"]]
        service.ask("PUT", "/v1/set-list", {"order": order[::-1]})
        service.ask("POST", "/v1/previous")
        assert time.monotonic() - began_s < 3
        until(lambda: "has not answered" in str(service.status()["problems"]), 25)
        (rig / "songs").unlink()
        (tmp_path / "songs").rename(rig / "songs")
        assert service.status()["server"]["restarts"] == 0
        assert service.stop()[0] == 0
        reloading.join()


def test_a_state_folder_that_hangs_keeps_neither_clock_nor_api(tmp_path: Path, hung: Path) -> None:
    with Service(DEMO, hung / "state", "--ports", "simulated", log=tmp_path / "log") as service:
        status = service.wait_until_open()
        assert status["song"]["title"] == "Copper Ferry"
        service.ask("POST", "/v1/next")
        assert service.stop()[0] == 0
    assert "has not answered" in service.log
