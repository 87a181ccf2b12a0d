"""Starts and positions of a source that transport heeds or ignores: storms, restarts, malformed ones."""

from __future__ import annotations

import pytest
from leading_drums import PERIOD, at, stage, tick

from routerd.core.model.actions import Action
from routerd.core.model.commands import parse_when
from tests.stage import CONTINUE, MS, START, STOP, TICK


def test_a_storm_of_starts_starts_once() -> None:
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    for _ in range(500):
        one.play("drums", "FA")
    next_ns = tick(one, 10, next_ns)
    for _ in range(500):
        one.play("drums", "FA")
    next_ns = tick(one, 10, next_ns)
    one.run(next_ns - PERIOD // 2)
    assert len(at(one, "synth", START)) == 1
    assert one.show.transport.clock.position_ticks == 20


def test_a_redundant_start_is_ignored_and_reported() -> None:
    """M1 pp. 31-32: a Start while it runs is ignored. It was ignored without a word."""
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA")
    next_ns = tick(one, 10, next_ns)
    for message in ("FA", "FB"):
        one.play("drums", message)
        next_ns = tick(one, 50, next_ns)
    one.run(next_ns - PERIOD // 2)
    assert [(e["kind"], e["heard"], e["device"], e["why"]) for e in one.events if "heard" in e] == [
        ("transport-ignored", "start", "drums", "transport is running"),
        ("transport-ignored", "continue", "drums", "transport is running"),
    ]
    assert len(at(one, "synth", START)) == 1
    assert not at(one, "synth", CONTINUE)
    assert one.show.transport.clock.position_ticks == 110


def test_a_storm_of_starts_is_reported_once_a_second() -> None:
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA")
    for n in range(3000):
        one.run(next_ns + n * MS)
        one.play("drums", "FA")
    assert len([e for e in one.events if e["kind"] == "transport-ignored"]) == 3


@pytest.mark.parametrize("lead_us", [300, 1300, 12_000])
def test_a_source_that_restarts_means_the_top_with_each_start(lead_us: int) -> None:
    one = stage(restarts=True)
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA")
    next_ns = tick(one, 110, next_ns)
    one.do(Action.NEXT, None, "bar 9")
    one.run(next_ns - lead_us * 1000)
    one.play("drums", "FA")
    next_ns = tick(one, 31, next_ns)
    one.run(next_ns - PERIOD // 2)
    for name in ("synth", "modular"):
        _, again_ns = at(one, name, START)
        (stop_ns,) = at(one, name, STOP)  # who runs ignores a Start (M1 pp. 31-32)
        assert stop_ns <= again_ns
        assert len([t for t in at(one, name, TICK) if t > again_ns]) == 31
    assert one.show.transport.clock.position_ticks == 31
    assert one.show.snapshot().armed.command.when == parse_when("bar 9")  # nobody has stopped
    assert not [e for e in one.events if e["kind"] == "transport-ignored"]


def test_a_storm_of_starts_of_a_source_that_restarts_is_one_start_a_tick() -> None:
    one = stage(restarts=True)
    next_ns = tick(one, 60, 7 * MS)
    for _ in range(10):
        for _ in range(50):
            one.play("drums", "FA")
        next_ns = tick(one, 1, next_ns)
    next_ns = tick(one, 10, next_ns)
    one.run(next_ns - PERIOD // 2)
    assert len(at(one, "synth", START)) <= 10
    assert one.show.transport.clock.position_ticks == 11


def test_a_drum_machine_switched_off_and_on_begins_at_the_top_again() -> None:
    """It is silent for two seconds, held meanwhile, and starts at once when it is back, at another phase."""
    one = stage(restarts=True)
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA")
    next_ns = tick(one, 100, next_ns)
    back_ns = next_ns + 2000 * MS + 9 * MS
    one.run(back_ns - 2 * MS)
    one.play("drums", "FA")
    next_ns = tick(one, 240, back_ns)
    one.run(next_ns - PERIOD // 2)
    again_ns = at(one, "synth", START)[-1]
    assert len([t for t in at(one, "synth", TICK) if t > again_ns]) == 240
    assert one.show.transport.clock.position_ticks == 240


def test_a_position_while_it_runs_is_ignored_and_told() -> None:
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA")
    tick(one, 10, next_ns)
    one.play("drums", "F2 00 10")
    assert (one.events[-1]["kind"], one.events[-1]["heard"]) == ("transport-ignored", "position")
    assert one.show.transport.clock.position_ticks <= 11


def test_transport_of_a_source_can_be_left_alone() -> None:
    one = stage(leads_transport=False)
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "FA", "F2 04 00")
    tick(one, 10, next_ns)
    assert not at(one, "synth", START)
    assert one.show.transport.clock.position_ticks == 0


def test_malformed_system_messages_of_a_source_are_counted_and_do_nothing() -> None:
    one = stage()
    next_ns = tick(one, 60, 7 * MS)
    one.play("drums", "F2", "F2 04", "F2 80 00", "FA 00", "F4", "FD", "FF", "F0 7D", "F8 F8")
    next_ns = tick(one, 10, next_ns)
    assert not at(one, "synth", START)
    assert one.show.snapshot().following.state == "locked"
    assert one.input("drums").malformed == 8  # all but FF, which is a whole System Reset (M1 p. 31)
