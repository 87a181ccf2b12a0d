"""What only a machine that nobody uses is good for: its clock is set by hours, its memory taken."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon import Daemon
from listener import Aseqdump
from usb import wait_for

pytestmark = pytest.mark.system

HOUR_S = 3600
TICK_S = 60 / (24 * 120)
"""M1 p. 30: 24 clocks to the quarter note, of which the songs have 120 a minute."""

CLOCKS = 96
"""Two seconds of them."""

TIMES_TAKEN = 5


@pytest.fixture
def wall_clock(guest_only: None) -> Iterator[None]:
    """Put the wall clock right again afterwards."""
    apart_s = time.time() - time.monotonic()
    yield
    time.clock_settime(time.CLOCK_REALTIME, time.monotonic() + apart_s)


@pytest.mark.parametrize("hours", [5, -30])
def test_setting_the_wall_clock_by_hours_moves_nothing(
    wall_clock: None, daemon: Daemon, watcher: Aseqdump, hours: int
) -> None:
    status = daemon.status()
    anchor_ns, restarts = status["tempo"]["anchor_ns"], status["server"]["restarts"]
    before = len(watcher.clocks())
    given_up = sum(event["count"] for event in daemon.events.of("ticks-missed"))
    time.clock_settime(time.CLOCK_REALTIME, time.time() + hours * HOUR_S)
    wait_for("clocks to go on", lambda: len(watcher.clocks()) > before + CLOCKS, 30.0, every_s=0.2)
    first, last = watcher.clocks()[before], watcher.clocks()[before + CLOCKS]
    lost = sum(event["count"] for event in daemon.events.of("ticks-missed")) - given_up
    print(f"{CLOCKS} clocks in {last - first:.2f} s, {lost} given up in stalls (emulated processor)")
    assert last - first < 10  # an hour's wait, or an hour's ticks at once, would be neither
    assert last - first > 1
    status = daemon.status()
    assert status["tempo"]["anchor_ns"] == anchor_ns
    assert status["server"]["restarts"] == restarts
    assert not any("fault" in event["kind"] for event in daemon.events.seen)


def take_memory() -> None:
    """Take from all that runs here whatever the kernel can read in again: programs, libraries, files.

    As when memory is short, but at once and all of it (memory.reclaim in the kernel's cgroup-v2.rst).
    """
    group = Path("/sys/fs/cgroup" + Path("/proc/self/cgroup").read_text().strip().partition("::")[2])
    with contextlib.suppress(OSError):  # it says so when that was less than was asked for
        (group / "memory.reclaim").write_text("2G")


def pages_read_in(pid: int) -> int:
    """Return how often a process has waited for a page to be read (proc(5), stat, field 12)."""
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[9])


def test_memory_that_is_short_costs_the_engine_no_page_and_no_tick(
    guest_only: None, daemon: Daemon, watcher: Aseqdump
) -> None:
    status = daemon.status()
    assert status["engine"]["memory_locked"]
    engine, server, restarts = status["engine"]["pid"], status["server"]["pid"], status["server"]["restarts"]
    given_up = sum(event["count"] for event in daemon.events.of("ticks-missed"))
    before, begun = len(watcher.clocks()), time.monotonic()
    read_in = {pid: pages_read_in(pid) for pid in (engine, server)}
    for _ in range(TIMES_TAKEN):
        take_memory()
        daemon.status()
    ended = time.monotonic()
    wait_for("clocks to go on", lambda: watcher.clocks()[-1] > ended + 1, 30.0, every_s=0.2)
    clocks = watcher.clocks()[before:]
    lost = sum(event["count"] for event in daemon.events.of("ticks-missed")) - given_up
    read_in = {pid: pages_read_in(pid) - count for pid, count in read_in.items()}
    print(
        f"in {ended - begun:.1f} s; pages read in: engine {read_in[engine]}, server {read_in[server]}; "
        f"{len(clocks)} clocks in {clocks[-1] - clocks[0]:.2f} s, {lost} given up (emulated processor)"
    )
    assert read_in[engine] == 0 < read_in[server]
    assert (len(clocks) - 1 + lost) * TICK_S == pytest.approx(clocks[-1] - clocks[0], abs=0.25)
    status = daemon.status()
    assert (status["engine"]["pid"], status["server"]["restarts"]) == (engine, restarts)
