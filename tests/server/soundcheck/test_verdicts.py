"""The verdict on a device's ports: open all the time, or it fails."""

from __future__ import annotations

from typing import Any

import pytest

from routerd.core.model.rig import Device, Rig
from routerd.link.messages import PortState
from routerd.server.report.figures import Deviation, Grade, Lateness, PortFigures, Verdict
from routerd.server.soundcheck.figures import DeviceVerdict
from routerd.server.soundcheck.verdicts import clock_fact, judge_devices

RIG = Rig("r", (Device("synth", "Synth", output_pattern="Synth*"),))


def verdict(state: Any, error: str | None = None, closed: str | None = None) -> DeviceVerdict:
    port = PortState("synth", "output", "Synth*", None, state, error)
    was = {} if closed is None else {("synth", "output"): closed}
    (found,) = judge_devices(RIG, [port], [], [], was)
    return found


def test_open_all_the_time_passes() -> None:
    assert verdict("open").verdict == "pass"


@pytest.mark.parametrize("state", ["missing", "failed", "disconnected", "stalled", "contested", "opening"])
def test_a_port_in_any_other_state_fails_with_what_is_wrong(state: str) -> None:
    found = verdict(state, error="told so")
    assert found.verdict == "fail"
    assert "told so" in found.why[0]
    assert state in found.why[0] or "not there" in found.why[0]


def test_a_port_that_was_disconnected_and_came_back_by_itself_fails() -> None:
    found = verdict("open", closed="another program has disconnected it")
    assert found.verdict == "fail"
    assert "was not all the time (another program has disconnected it)" in found.why[0]


def test_what_holds_up_every_port_at_once_is_the_machines_fault_and_said_once() -> None:
    devices = tuple(Device(name, output_pattern=name, clock=True) for name in ("a", "b"))
    states = [PortState(name, "output", name, name, "open", None) for name in ("a", "b")]
    rows = tuple(row(name, worst_at_s=20.0 + place / 1000) for place, name in enumerate(("a", "b")))
    fact = clock_fact(rows)
    assert fact is not None
    assert (fact.grade, fact.words) == ("fail", "one stall of 80.0 ms, on every port at the same moment")
    assert fact.remedy.startswith("Something held up the clock")
    for one in judge_devices(Rig("r", devices), states, rows, [], {}):
        assert one.verdict == "unknown"
        assert one.why[-1].endswith("see this machine")
    apart = (rows[0], row("b", worst_at_s=25.0))
    assert clock_fact(apart) is None
    assert [one.verdict for one in judge_devices(Rig("r", devices), states, apart, [], {})] == [
        "fail",
        "fail",
    ]
    assert clock_fact(rows[:1]) is None  # of one port alone nobody knows


def row(name: str, worst_at_s: float) -> PortFigures:
    """A port with one stall of 80 ms, worst at that moment."""
    advice = ("Something held up the clock: look for a busy process.",)
    return PortFigures(
        port=name,
        ticks=5000,
        missed=0,
        doubled=0,
        not_recorded=0,
        port_closed=0,
        stalls=1,
        longest_stall_us=80_000.0,
        lateness_us=Lateness(p50=40.0, p99=90.0, p99_9=100.0, max=80_000.0, min=5.0),
        interval_deviation_us=Deviation(p50=10.0, p99=80.0, p99_9=900.0, max=80_000.0),
        worst_at_s=worst_at_s,
        drift=None,
        heard_us=6000.0,
        verdict=Verdict(Grade.BAD, ("stall",), "one stall of 80.0 ms", advice),
    )
