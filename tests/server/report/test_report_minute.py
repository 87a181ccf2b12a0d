"""Figures of the last minute that are at hand: as the report on it works them out, and in no time."""

from __future__ import annotations

from collections.abc import Iterator
from time import process_time_ns

import pytest

from routerd.link.frames import TickRecord
from routerd.server.report import Conditions, Measurements
from routerd.server.report.figures import Counts, CurrentFigures
from tests.stage import port_closed, port_opened

S = 1_000_000_000
PORTS = 8
CONDITIONS = Conditions(None, "simulated")


def ticks(
    measured: Measurements, *, bpm: int, from_s: int, until_s: int, ports: range = range(PORTS)
) -> None:
    step_ns = 60 * S // (24 * bpm)
    for tick in range(from_s * S // step_ns, until_s * S // step_ns):
        late_ns = tick * 7919 % 300_000
        records = [TickRecord(tick, tick * step_ns, tick * step_ns + late_ns, port, 0) for port in ports]
        measured.add(records)


def measurements() -> Measurements:
    measured = Measurements(0)
    measured.name([f"device-{number}" for number in range(PORTS)], ["song"])
    return measured


def figures_of(measured: Measurements, now_ns: int) -> CurrentFigures:
    """Run the generator to its end."""
    found: list[CurrentFigures] = []

    def all_of() -> Iterator[None]:
        found.append((yield from measured.figures(now_ns)))

    for _ in all_of():
        pass
    return found[0]


def test_figures_say_what_the_report_on_the_last_minute_says() -> None:
    measured = measurements()
    ticks(measured, bpm=120, from_s=0, until_s=100)
    report = measured.last_minute(100 * S, CONDITIONS)
    whole = measured.report(100 * S, CONDITIONS)
    figures = figures_of(measured, 100 * S)
    for row in report.ports:
        minute = figures.minute[row.port]
        assert minute.ticks == pytest.approx(row.ticks, abs=2)
        assert minute.verdict.grade == row.verdict.grade
        for key, value in vars(row.lateness_us).items():
            assert vars(minute.lateness_us)[key] == pytest.approx(value, rel=0.02, abs=0.2)
    for row in whole.ports:
        counts = figures.counts[row.port]
        assert counts == Counts(row.ticks, row.missed, row.doubled, row.stalls)


def test_what_was_missed_is_counted_once_it_is_known_why() -> None:
    measured = measurements()
    ticks(measured, bpm=120, from_s=0, until_s=10)
    ticks(measured, bpm=120, from_s=11, until_s=12)
    assert figures_of(measured, 12 * S).counts["device-0"].missed == 0
    measured.event(port_closed(10 * S, 0))
    measured.event(port_opened(11 * S, 0))
    counts = figures_of(measured, 15 * S).counts
    assert counts["device-0"].missed == 0
    assert counts["device-1"].missed == 48
    minute = figures_of(measured, 15 * S).minute
    assert (minute["device-0"].missed, minute["device-1"].missed) == (0, 48)
    assert (minute["device-0"].port_closed, minute["device-1"].port_closed) == (48, 0)


def test_a_port_that_has_fallen_silent_is_seen_and_forgotten_after_a_minute() -> None:
    measured = measurements()
    ticks(measured, bpm=120, from_s=0, until_s=10)
    ticks(measured, bpm=120, from_s=10, until_s=20, ports=range(1))
    assert figures_of(measured, 22 * S).counts["device-1"].missed == 479
    assert figures_of(measured, 22 * S).counts["device-1"].missed == 479
    assert figures_of(measured, 22 * S).minute["device-1"].verdict.grade == "failed"
    quiet = measurements()
    ticks(quiet, bpm=120, from_s=0, until_s=10)
    assert figures_of(quiet, 200 * S).minute == {}
    assert figures_of(quiet, 200 * S).counts["device-1"].ticks == 480


def test_figures_take_no_longer_for_ten_times_the_ticks() -> None:
    """The report on the last minute took 8 s of processor for 16 ports at 480 BPM."""

    def took_ns(bpm: int) -> int:
        measured = measurements()
        ticks(measured, bpm=bpm, from_s=0, until_s=70)
        began_ns = process_time_ns()
        for _ in range(5):
            figures_of(measured, 70 * S)
        return process_time_ns() - began_ns

    slow, fast = took_ns(30), took_ns(300)
    assert fast < 4 * slow + S // 100
