"""The daemon's clock over more than a minute: everything that the tests before this one did fell into it."""

from __future__ import annotations

import pytest
from daemon import Daemon
from listener import Aseqdump
from usb import wait_for

pytestmark = pytest.mark.system

TICK_S = 60 / (24 * 120)
"""M1 p. 30: 24 clocks to the quarter note, of which the songs have 120 a minute."""


def time_away(daemon: Daemon, since_s: float, until_s: float) -> float:
    """Return for how many seconds the watcher's port was closed between those moments of CLOCK_MONOTONIC."""
    watched = {"device": "watcher", "direction": "output"}
    closed_ns = [event["at_ns"] for event in daemon.events.of("port-closed", **watched)]
    opened_ns = [event["at_ns"] for event in daemon.events.of("port-opened", **watched)]
    last_ns = int(until_s * 1e9)
    away_ns = [
        min((at for at in opened_ns if gone < at < last_ns), default=last_ns) - gone
        for gone in closed_ns
        if since_s < gone / 1e9 < until_s
    ]
    return sum(away_ns) / 1e9


@pytest.mark.timeout(300)
def test_clocks_come_24_to_the_quarter_note(daemon: Daemon, watcher: Aseqdump) -> None:
    begun = watcher.clocks()[0]
    wait_for("a minute of clocks", lambda: watcher.clocks()[-1] - begun > 60, 100.0, every_s=0.5)
    clocks = watcher.clocks()
    elapsed_s = clocks[-1] - clocks[0]
    given_up = sum(event["count"] for event in daemon.events.of("ticks-missed"))
    away_s = time_away(daemon, clocks[0], clocks[-1])
    intervals = len(clocks) - 1 + given_up
    print(
        f"{len(clocks)} clocks in {elapsed_s:.3f} s, {given_up} given up in stalls (emulated processor),"
        f" the port closed for {away_s:.3f} s by the tests of faults"
    )
    # Only the two ends are uncertain, by what the emulated machine takes to show a line to the test.
    assert intervals * TICK_S + away_s == pytest.approx(elapsed_s, abs=0.25)
    # The machine runs on what other tests leave of the processors: what it could not do in time it must know.
    assert given_up < intervals / 4
