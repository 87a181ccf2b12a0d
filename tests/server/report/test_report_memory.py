"""A long show does not take more memory than a short one."""

import subprocess
import sys
import tracemalloc
from pathlib import Path

from routerd.core.model import events
from routerd.link.frames import TickRecord
from routerd.server.report import Conditions, TickLog
from tests.stage import port_closed, port_opened

ROOT = Path(__file__).parents[3]

STEP_NS = 20_833_333
OUTPUTS = 2
"""Memory grows, if it does, by port and tick: two ports show it as eight do, in a quarter of the time."""


def _play(log: TickLog, hour: int) -> None:
    """Ten seconds of every hour at 120 BPM on every port; in between records were dropped."""
    first = hour * 172_800
    log.event(events.RecordsDropped(first * STEP_NS, 0, first - 172_320, first - 1))
    for tick in range(first, first + 480):
        if tick % 20 == 10:  # more gaps in four hours than wait for an explanation
            continue
        due_ns = tick * STEP_NS
        late_ns = tick * 7919 % 300_000
        log.add([TickRecord(tick, due_ns, due_ns + late_ns, output, hour % 3) for output in range(OUTPUTS)])
    for output in range(OUTPUTS):
        closed_ns = (first + 490) * STEP_NS
        log.event(port_closed(closed_ns, output))
        log.event(port_opened(closed_ns + STEP_NS, output))


def _log() -> TickLog:
    log = TickLog(0)
    log.name([f"device-{number}" for number in range(OUTPUTS)], ["opener", "second-song", "closer"])
    return log


def grown() -> int:
    """Return how many bytes eight hours more take than four: each song has been on by then, and gone."""
    log = _log()
    tracemalloc.start()
    for hour in range(4):
        _play(log, hour)
    early = tracemalloc.get_traced_memory()[0]
    for hour in range(4, 12):
        _play(log, hour)
    return tracemalloc.get_traced_memory()[0] - early


def test_twelve_hours_stay_within_what_four_took() -> None:
    """Measured in a process of its own: what other tests have left running would count here."""
    asked = "from tests.server.report.test_report_memory import grown; print(grown())"
    done = subprocess.run([sys.executable, "-c", asked], cwd=ROOT, capture_output=True, text=True, check=True)
    assert int(done.stdout) < 12_500 * OUTPUTS


def test_twelve_hours_are_counted() -> None:
    log = _log()
    for hour in range(12):
        _play(log, hour)
    report = log.report(12 * 172_800 * STEP_NS, Conditions())
    assert report.overall.missed == 12 * OUTPUTS * 24
    assert report.overall.ticks == 12 * OUTPUTS * 456
