"""What was handed over is not always sent, and time that stood still is told whole."""

from __future__ import annotations

import pytest

from routerd.core.model import events
from routerd.link.frames import TickRecord
from routerd.server.report import Conditions, TickLog
from routerd.server.report.figures import PortFigures
from routerd.server.report.text import render_text
from tests.stage import port_closed, port_opened

S = 1_000_000_000
STEP = S // 48
"""120 BPM."""

CONDITIONS = Conditions(None, "simulated")


def played(log: TickLog, ticks: range, *ports: int, late_ns: int = 0) -> None:
    for tick in ticks:
        log.add([TickRecord(tick, tick * STEP, tick * STEP + late_ns, port, 0) for port in ports])


def log_of_two() -> TickLog:
    log = TickLog(0)
    log.name(["lead-synth", "drum-synth"], ["song"])
    return log


def row(log: TickLog, port: str, now_ns: int) -> PortFigures:
    (found,) = [one for one in log.report(now_ns, CONDITIONS).ports if one.port == port]
    return found


def test_a_process_that_stood_still_for_two_seconds_had_a_stall_of_two_seconds() -> None:
    """96 ticks are due meanwhile; the last of them goes out late, the others are given up."""
    log = log_of_two()
    played(log, range(480), 0)
    log.event(events.TicksMissed(12 * S, 95, 480, 574))
    log.add([TickRecord(575, 575 * STEP, 12 * S + 10_800_000, 0, 0)])
    played(log, range(577, 960), 0)
    found = row(log, "lead-synth", 20 * S)
    assert (found.missed, found.stalls) == (96, 1)
    assert found.longest_stall_us == pytest.approx(2_010_800, abs=1)
    assert "one stall of 2.0 s" in render_text(log.report(20 * S, CONDITIONS))


def test_a_single_lost_tick_is_no_stall() -> None:
    log = log_of_two()
    played(log, range(100), 0)
    played(log, range(101, 200), 0)
    assert (row(log, "lead-synth", 5 * S).missed, row(log, "lead-synth", 5 * S).stalls) == (1, 0)


def test_ticks_to_a_port_that_had_been_disconnected_were_not_sent() -> None:
    """Noticed half a second later, and connected again a second after that."""
    log = log_of_two()
    played(log, range(504), 0, 1)
    log.event(port_closed(504 * STEP, 0, since_ns=480 * STEP - 1))
    played(log, range(504, 552), 1)
    log.event(port_opened(552 * STEP - 1, 0))
    played(log, range(552, 960), 0, 1)
    found = row(log, "lead-synth", 20 * S)
    assert (found.ticks, found.port_closed, found.missed) == (960 - 72, 72, 0)
    assert row(log, "drum-synth", 20 * S).ticks == 960


def test_records_that_come_after_the_word_that_the_port_is_closed_do_not_open_it() -> None:
    """The engine sends events at once and gathers records."""
    log = log_of_two()
    played(log, range(400), 0, 1)
    log.event(port_closed(504 * STEP, 0, since_ns=480 * STEP - 1))
    played(log, range(400, 505), 0)
    played(log, range(400, 960), 1)
    found = row(log, "lead-synth", 20 * S)
    assert (found.ticks, found.port_closed, found.missed) == (480, 479, 0)


def test_a_report_asked_for_meanwhile_does_not_wait() -> None:
    log = log_of_two()
    played(log, range(100), 0)
    assert row(log, "lead-synth", 100 * STEP).ticks == 100
