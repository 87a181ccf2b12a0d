"""What can be done only to a machine that nobody uses: its wall clock is set by hours under the daemon."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from daemon import Daemon
from listener import Aseqdump
from usb import wait_for

pytestmark = pytest.mark.system

HOUR_S = 3600
CLOCKS = 96
"""Two seconds of them at the songs' 120 quarter notes a minute (24 to each, M1 p. 30)."""


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
    anchor_ns, restarts = status["tempo"]["anchor_ns"], status["desk"]["restarts"]
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
    assert status["desk"]["restarts"] == restarts
    assert not any("fault" in event["kind"] for event in daemon.events.seen)
