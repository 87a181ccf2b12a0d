"""A machine that was suspended is noticed by its two clocks; a machine that is merely slow is not."""

from __future__ import annotations

from routerd.engine.process import SuspensionWatch, slept_since, watch_suspension

S = 1_000_000_000
APART_NS = 5 * S
"""The machine had been suspended before the service was started."""


def test_a_suspension_is_reported_once_and_by_its_length() -> None:
    watch = SuspensionWatch(100 * S, 100 * S + APART_NS)
    assert watch.check(101 * S, 101 * S + APART_NS + 40, 101 * S + 90) == 0
    assert watch.check(102 * S, 102 * S + APART_NS + 3600 * S, 102 * S + 90) == 3600 * S - 40
    assert watch.check(103 * S, 103 * S + APART_NS + 3600 * S, 103 * S + 90) == 0
    assert (watch.count, watch.slept_ns) == (1, 3600 * S - 40)


def test_a_reading_that_was_held_up_says_nothing_and_hides_nothing() -> None:
    watch = SuspensionWatch(0, 0)
    assert watch.check(1 * S, 5 * S, 5 * S + 1) == 0  # four seconds went by between the readings
    assert watch.check(6 * S, 6 * S + 2 * S, 6 * S + 1) == 2 * S  # a suspension in the same second


def test_clocks_that_part_slowly_are_no_suspension() -> None:
    watch = SuspensionWatch(0, 0)
    assert [watch.check(n * S, n * S + n * S // 2, n * S + 1) for n in range(1, 20)] == [0] * 19


def test_this_machine_has_not_been_suspended_in_this_test() -> None:
    watch = watch_suspension()
    assert slept_since(watch) == 0
    assert watch.count == 0
