"""What a follower is made of: lines against numpy, jumps that tell a step, counts that are trusted."""

from __future__ import annotations

import random

import numpy as np
import pytest

from routerd.core.follow.estimate import AGE_TICKS, Slips, Steps, first_line, fitted

MS = 1_000_000.0


def test_a_fitted_line_is_that_of_numpy() -> None:
    chance = random.Random(3)
    places = [0, 1, 2, 4, 5, 7, 8, 9]
    offsets = [20.0 * n + chance.gauss(0, 2) for n in places]
    line = fitted(places, offsets)
    slope, value = np.polyfit(places, offsets, 1)
    assert line.slope == pytest.approx(slope)
    assert line.next_ns == pytest.approx(value + 10 * slope)
    rest = np.array(offsets) - np.polyval([slope, value], places)
    assert line.sigma == pytest.approx((np.sum(rest**2) / 6) ** 0.5)


def test_a_first_line_leaves_out_what_is_doubled_and_leaves_room_for_what_is_missing() -> None:
    line = first_line([0.0, 20.0, 24.0, 40.0, 80.0, 100.0, 120.0, 140.0], 2)
    assert (line.slope, line.next_ns, line.sigma) == pytest.approx((20, 160, 0))
    assert line.places == (0, 1, 2, 4, 5, 6, 7)
    # not allowed: each arrival is a tick
    assert first_line([0.0, 20.0, 24.0, 40.0, 80.0, 100.0, 120.0, 140.0], 1).places == tuple(range(8))


def test_gaps_of_one_and_two_steps_are_one_tick_each() -> None:
    """A tick of 1.5 steps: 10, 20, 10, 20 ... ms; no line with missing ticks fits so much better."""
    offsets = [0.0, 10.0, 30.0, 40.0, 60.0, 70.0, 90.0, 100.0]
    assert first_line(offsets, 2).places == tuple(range(8))
    assert first_line(offsets, 2).slope == pytest.approx(15, rel=0.02)


def jump(steps: Steps, size_ns: float, calm: int) -> list[float]:
    return [steps.take(excess_ns, 0.1 * MS) for excess_ns in (size_ns, *[-0.2 * MS] * calm)]


def test_a_jump_is_told_when_two_calm_gaps_have_followed_and_a_second_one_tells_the_step() -> None:
    steps = Steps()
    assert jump(steps, -10 * MS, 20) == [0, 0, -10 * MS, *[0] * 18]
    assert steps.step_ns == 0
    jump(steps, -10.2 * MS, 20)
    assert steps.step_ns == pytest.approx(10.2 * MS)
    assert steps.apart_ticks == 21


def test_a_late_tick_and_a_new_tempo_are_no_jumps() -> None:
    steps = Steps()
    for excess_ms in (3, -3, 0, 0, 0, 2, 2, 2, 2, 0.2, 0.2, 0.2):
        assert steps.take(excess_ms * MS, 0.1 * MS) == 0


def test_jumps_of_other_sizes_or_long_ago_tell_no_step_and_a_step_is_forgotten() -> None:
    steps = Steps()
    jump(steps, 10 * MS, 30)
    jump(steps, 5 * MS, AGE_TICKS + 10)
    jump(steps, 5 * MS, 30)
    assert steps.step_ns == 0
    jump(steps, -5 * MS, 30)
    assert steps.step_ns == 5 * MS
    jump(steps, 0, AGE_TICKS)
    assert steps.step_ns == 0


def test_a_count_is_trusted_while_as_many_are_missing_as_doubled() -> None:
    slips = Slips()
    for heard in range(0, 4000, 20):
        assert slips.take(1 if heard % 40 else -1, heard) is None
        slips.good()
        slips.good()


@pytest.mark.parametrize(("every", "ticks", "after"), [(8, -1, 7), (20, 1, 12)])
def test_a_count_is_not_trusted_when_it_slips_one_way(every: int, ticks: int, after: int) -> None:
    """More than 6 in 64 arrivals, or 11 in 256; good ticks between leave no other doubt."""
    slips = Slips()
    told = None
    for n in range(1, 20):
        told = slips.take(ticks, n * every)
        if told is not None:
            break
        for _ in range(every):
            slips.good()
    assert (n, told) == (after, after * ticks)


def test_seven_odd_ticks_one_after_the_other_are_too_many_at_first_and_after_another_estimate() -> None:
    """Each adds 2 to the doubt, and 12 are borne; one that is missing and one doubled leave no slip."""
    slips = Slips()
    odd = (-1, 1, -1, 1, -1, 1)
    for first in (0, 100):
        assert [slips.take(ticks, first + n) for n, ticks in enumerate(odd)] == [None] * 6
        assert slips.take(-1, first + 6) == -1
        slips.clear()


def test_gaps_that_fit_only_a_little_better_without_what_seems_missing_are_ticks() -> None:
    """Two gaps of 1.6 ticks among nine: with two ticks missing the line fits 1.25 times better, not 1.5."""
    offsets = [0.0, 10.0, 19.0, 29.0, 45.0, 54.0, 64.0, 75.0, 89.0, 105.0]
    with_missing = fitted([0, 1, 2, 3, 5, 6, 7, 8, 9, 11], offsets)
    without = fitted(range(10), offsets)
    assert 1.2 < without.sigma / with_missing.sigma < 1.3
    assert first_line(offsets, 2) == without
