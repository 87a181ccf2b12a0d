"""Ticks of a show on their way out, on simulated time, 20 ms a tick at 125 BPM."""

from __future__ import annotations

from fractions import Fraction

import pytest
from three_devices import stage as three_devices

from routerd.core.model.timing import Timing
from tests.stage import (
    MS,
    TICK,
    Stage,
)


def times_of_ticks(stage: Stage, name: str = "modular") -> list[float]:
    return stage.times_ms(name, TICK)


def test_missed_ticks_are_told() -> None:
    stage = Stage()
    stage.run(0)
    stage.now_ns = 2000 * MS
    stage.show.advance(stage.now_ns)
    stage.collect()
    (event,) = [e for e in stage.events if e["kind"] == "ticks-missed"]
    assert (event["count"], event["from_tick"], event["to_tick"]) == (99, 1, 99)
    assert stage.show.ticks.number == 100


def test_time_that_runs_backwards_raises() -> None:
    stage = Stage()
    stage.run(100 * MS)
    with pytest.raises(ValueError, match="backwards by 1 ns"):
        stage.show.advance(stage.show.effects.now_ns - 1)


def test_ticks_go_only_to_devices_that_are_there_and_get_the_clock() -> None:
    stage = Stage()
    stage.run(100 * MS)
    assert times_of_ticks(stage, "sampler") == []
    count = len(times_of_ticks(stage, "synth"))
    stage.lose("synth")
    stage.run(200 * MS)
    assert len(times_of_ticks(stage, "synth")) == count
    assert len(times_of_ticks(stage)) == count + 5


@pytest.mark.parametrize("rate", [Fraction(2), Fraction(1, 2), Fraction(3)])
def test_ticks_that_a_device_at_its_own_rate_has_missed_are_numbered_too(rate: Fraction) -> None:
    """So that they are found missing: its numbers go on with time over a stall of two seconds."""
    one = three_devices(played=Timing(rate=rate))
    played = one.output("played").wire
    numbered: list[tuple[int, int]] = []

    def run(until_ns: int) -> None:
        while (due_ns := one.show.next_deadline_ns()) <= until_ns:
            one.now_ns = max(one.now_ns, due_ns)
            one.show.advance(one.now_ns)
            stamp = one.show.ticks.stamps.get(played)
            if any(wire is played and data == TICK for wire, data in one.show.effects.sink):
                assert stamp is not None
                numbered.append(stamp)
            one.collect()

    run(500 * MS)
    before, before_ns = numbered[-1]
    one.now_ns += 2_000 * MS
    run(3_000 * MS)
    after, after_ns = numbered[-1]
    assert after - before == (after_ns - before_ns) * rate // (20 * MS)
    assert len(numbered) < after - before
