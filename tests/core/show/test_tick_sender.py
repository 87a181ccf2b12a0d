"""Ticks of a show on their way out, on simulated time, 20 ms a tick at 125 BPM."""

from __future__ import annotations

import pytest

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
