"""Ports with a rate of their own in the jitter report: judged against their own ticks."""

from __future__ import annotations

from fractions import Fraction

import pytest

from routerd.core.model import events
from routerd.core.model.actions import Action
from routerd.core.model.events import event_from_json
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.song import Song
from routerd.core.model.timing import Timing
from routerd.core.show.compiler import CompiledRig
from routerd.link.frames import OWN_RATE, TickRecord
from routerd.server.report import Conditions, TickLog
from routerd.server.report.figures import PortFigures
from tests.stage import MS, TICK, Stage, compiled

RATES = [Fraction(1, 6), Fraction(1, 2), Fraction(3, 2), Fraction(2), Fraction(4)]


class Recorded(Stage):
    """Records the ticks of "own" as the engine does, each sent 100 µs late."""

    def __init__(self, book: CompiledRig) -> None:
        self.records: list[TickRecord] = []
        super().__init__(book)

    def collect(self) -> None:
        for output, data in self.show.effects.sink:
            if data == TICK and output.name == "own":
                stamp = self.show.ticks.stamps[output]
                assert stamp is not None
                assert output.own_rate
                self.records.append(
                    TickRecord(*stamp, max(stamp[1], self.now_ns) + 100_000, OWN_RATE | output.number, 0)
                )
        super().collect()


def recorded(rate: Fraction) -> Recorded:
    """Return a show at 125 BPM, a tick every 20 ms, with one device at that rate."""
    timing = Timing(rate=rate)
    own = Device("own", output_pattern="o", wire=WireKind.USB, clock=True, transport=True, timing=timing)
    return Recorded(compiled(Rig("rig", (own,)), (Song("one", "One", Fraction(125)),), ("one",)))


def row(log: TickLog, end_ns: int, name: str = "own") -> PortFigures:
    report = log.report(end_ns, Conditions(None, "simulated"))
    return next(one for one in report.ports if one.port == name)


def a_log() -> TickLog:
    log = TickLog(0)
    log.name(["own", "other"], ["One"])
    return log


@pytest.mark.parametrize("rate", RATES)
def test_its_own_ticks_are_judged_and_none_is_missing(rate: Fraction) -> None:
    """Start, stop, another tempo and a restart of its sequence: numbers begin anew, nothing is missed."""
    one = recorded(rate)
    one.run(3000 * MS)
    one.do(Action.START)
    one.run(6000 * MS)
    one.do(Action.TEMPO, "200")
    one.run(8000 * MS)
    one.do(Action.RETRIGGER, "bar own")
    one.run(11_000 * MS)
    one.do(Action.STOP)
    one.run(14_000 * MS)
    log = a_log()
    log.add(one.records)
    found = row(log, one.now_ns)
    assert found.ticks == len(one.records) > 14 * 50 * rate - 5
    assert (found.missed, found.doubled) == (0, 0)
    assert found.lateness_us.max == pytest.approx(100, rel=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_what_a_stall_has_skipped_is_missed_at_its_own_rate(rate: Fraction) -> None:
    one = recorded(rate)
    one.run(3000 * MS)
    one.now_ns += 2000 * MS  # nobody came
    one.run(8000 * MS)
    (stall,) = [event for event in one.events if event["kind"] == "ticks-missed"]
    log = a_log()
    log.event(event_from_json(stall))
    log.add(one.records)
    assert abs(row(log, one.now_ns).missed - stall["count"] * rate) <= 1


def ticks(*numbers: int, output: int = OWN_RATE) -> list[TickRecord]:
    """Return ticks of a port that gets one every 10 ms."""
    return [TickRecord(n, n * 10 * MS, n * 10 * MS + 50_000, output, 0) for n in numbers]


def test_what_was_dropped_is_not_recorded_and_what_is_missing_is_missed() -> None:
    log = a_log()
    log.add(ticks(*range(100), *range(110, 400)))
    # in numbers of the grid, which say nothing about this port
    log.event(events.RecordsDropped(1050 * MS, 2, 50, 54))
    log.add(ticks(*range(405, 500)))
    found = row(log, 5000 * MS)
    assert (found.missed, found.not_recorded) == (5, 10)


def test_a_port_that_fell_silent_owes_by_its_own_interval() -> None:
    log = a_log()
    log.add(ticks(*range(100)))
    log.add([TickRecord(n, n * 20 * MS, n * 20 * MS, 1, 0) for n in range(200)])
    assert row(log, 4000 * MS).missed == pytest.approx(300, abs=2)
    assert row(log, 4000 * MS, "other").missed == 0


def test_a_device_that_changes_its_rate_has_missed_nothing() -> None:
    log = a_log()
    log.add(ticks(*range(100)))
    log.add([TickRecord(n + 5000, n * 20 * MS, n * 20 * MS, 0, 0) for n in range(50, 100)])
    found = row(log, 2000 * MS)
    assert (found.ticks, found.missed) == (150, 0)
