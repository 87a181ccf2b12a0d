"""The follower's loop against published gains and an independent filter, and its judgement of single
arrivals."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest
from scipy.signal import lfilter

from routerd.core.follow.estimate import GAINS, MAX_MEMORY, NARROW_BANDWIDTH, loop_gains
from routerd.core.follow.follower import Follower, FollowState

MS = 1_000_000
PERIOD = 20_000_000
"""125 BPM: 60 s / (24 × 125) (M1 p. 30)."""


@pytest.mark.parametrize(
    ("bandwidth", "damping", "k1", "k2", "half_sum", "peak"),
    [
        (0.01, 0.5**0.5, 0.02631348, 0.0003508464, 0.010089, 1.2107),
        (0.05, 0.5**0.5, 0.12474012, 0.0083160083, 0.052259, 1.2225),
        (0.02, 1.0, 0.06200012, 0.0009920020, 0.020257, 1.1397),
    ],
)
def test_gains_are_those_of_rice(
    bandwidth: float, damping: float, k1: float, k2: float, half_sum: float, peak: float
) -> None:
    """Rice, App. C, Eq. C.57–58 (as cited in the package sdr 0.0.30); sums and peaks computed with scipy."""
    gains = loop_gains(bandwidth, damping)
    assert gains == pytest.approx((k1, k2), rel=2e-7)
    numerator, denominator = transfer(*gains)
    impulse = lfilter(numerator, denominator, [1.0, *[0.0] * 20_000])
    assert float(np.sum(impulse**2)) / 2 == pytest.approx(half_sum, rel=1e-4)
    step = lfilter(numerator, denominator, np.ones(5000))
    assert float(np.max(step)) == pytest.approx(peak, rel=1e-4)


def transfer(k1: float, k2: float) -> tuple[list[float], list[float]]:
    """Return the closed loop from arrivals to predictions, as polynomials in 1/z."""
    return [0.0, k1 + k2, -k1], [1.0, k1 + k2 - 2, 1 - k1]


def test_the_first_gains_are_those_of_a_fitted_line() -> None:
    """Feeding n points through the growing gains gives numpy's least-squares line through them."""
    chance = random.Random(5)
    points = [100.0 + 7 * n + chance.gauss(0, 3) for n in range(100)]
    expected, slope = points[1] + (points[1] - points[0]), points[1] - points[0]
    for n, point in enumerate(points[2:], 3):
        k1, k2 = GAINS[n]
        error = point - expected
        slope += k2 * error
        expected += slope + k1 * error
        fitted = np.polynomial.Polynomial.fit(range(n), points[:n], 1).convert().coef
        assert slope == pytest.approx(fitted[1], rel=1e-9)
        assert expected == pytest.approx(fitted[0] + fitted[1] * n, rel=1e-9)


def test_gains_end_at_the_narrow_loop() -> None:
    assert GAINS[MAX_MEMORY] == loop_gains(NARROW_BANDWIDTH)
    assert all(a[0] >= b[0] for a, b in itertools.pairwise(GAINS))
    assert math.sqrt(2 * NARROW_BANDWIDTH) < 0.15


def locked(count: int = 400) -> Follower:
    follower = Follower()
    for n in range(count):
        follower.tick(n * PERIOD)
    assert follower.state is FollowState.LOCKED
    return follower


def test_the_settled_loop_is_the_filter_that_scipy_computes() -> None:
    follower = locked()
    chance = random.Random(11)
    jitter = [round(chance.gauss(0, 1 * MS)) for _ in range(3000)]
    # a source that is clean so far has shown no noise: it is let known first, so that nothing is rejected
    for n in range(400, 600):
        follower.tick(n * PERIOD)
    mine = []
    for n, late in enumerate(jitter, 600):
        if n == 600:
            follower._variance = MS * MS
            follower.sigma_ns = float(MS)
        follower.tick(n * PERIOD + late)
        mine.append(follower.at_ns + follower.period_ns - (n + 1) * PERIOD)
    assert follower.outliers == 0
    filtered = lfilter(*transfer(*loop_gains(NARROW_BANDWIDTH)), [*jitter, 0.0])[1:]
    assert mine == pytest.approx(list(filtered), abs=3)
    assert np.std(mine) / np.std(jitter) < 0.16


def test_states_of_a_source_that_comes_and_goes() -> None:
    follower = Follower()
    assert follower.state is FollowState.FREE
    assert not follower.usable
    follower.tick(0)
    assert follower.state is FollowState.ACQUIRING
    for n in range(1, 16):
        follower.tick(n * PERIOD)
    assert follower.state is FollowState.LOCKED
    last_ns = 15 * PERIOD
    assert follower.silent_at_ns() == last_ns + 100 * MS  # five periods of 20 ms are less than four and 0.1 s
    follower.pass_time(last_ns + 100 * MS - 1)
    assert follower.state is FollowState.LOCKED
    follower.pass_time(last_ns + 100 * MS)
    assert follower.state is FollowState.HOLDOVER
    assert follower.period_ns == pytest.approx(PERIOD)
    follower.pass_time(last_ns + 15_000 * MS)
    assert follower.state is FollowState.FREE


def test_a_doubled_tick_moves_nothing_and_is_counted() -> None:
    follower = locked()
    before = follower.number, follower.at_ns, follower.period_ns
    assert not follower.tick(399 * PERIOD + 1 * MS)
    assert (follower.number, follower.at_ns, follower.period_ns) == before
    assert follower.doubled == 1


def test_a_missing_tick_keeps_the_count() -> None:
    follower = locked()
    number = follower.number
    follower.tick(401 * PERIOD)
    assert follower.number == number + 2
    assert follower.missing == 1
    assert follower.at_ns == pytest.approx(401 * PERIOD, abs=2)


def test_an_outlier_is_a_tick_that_moves_nothing() -> None:
    """The limit is an eighth of a period while the source has shown no noise: 2.5 ms of 20 ms."""
    follower = locked()
    number, period = follower.number, follower.period_ns
    assert not follower.tick(400 * PERIOD + 2_600_000)
    assert (follower.number, follower.period_ns) == (number + 1, period)
    assert follower.tick(401 * PERIOD + 2_400_000)
    assert follower.outliers == 1


def test_ticks_told_late_after_a_standstill_are_those_of_a_steady_source() -> None:
    """A second passes without a tick being told; then all come at once, each with its own stamp."""
    follower = locked()
    told_ns = 449 * PERIOD
    for n in range(400, 450):
        follower.tick(n * PERIOD, told_ns)
        follower.pass_time(told_ns + 1 * MS)
        assert follower.state is FollowState.LOCKED
    assert (follower.number, follower.relocks, follower.missing) == (450, 1, 0)
    assert follower.period_ns == pytest.approx(PERIOD, rel=1e-9)


def test_a_source_whose_ticks_are_told_late_falls_silent_by_what_is_told() -> None:
    follower = locked()
    late_ns = 300 * MS  # longer than a silent source is waited for
    for n in range(400, 500):
        at_ns = n * PERIOD
        follower.tick(at_ns, at_ns + late_ns)
        follower.pass_time(at_ns + late_ns + 15 * MS)
        assert follower.state is FollowState.LOCKED
    follower.pass_time(499 * PERIOD + late_ns + 99 * MS)
    assert follower.state is FollowState.LOCKED
    follower.pass_time(499 * PERIOD + late_ns + 100 * MS)
    assert follower.state is FollowState.HOLDOVER


def test_time_that_stands_still_or_goes_back_is_harmless() -> None:
    follower = locked()
    for at_ns in (399 * PERIOD, 0, 399 * PERIOD, -5):
        assert not follower.tick(at_ns)
    assert follower.tick(400 * PERIOD)
    assert follower.doubled == 4


def test_arrivals_in_pairs_are_no_tempo_until_they_are_even() -> None:
    """Each is 8 ms off an even grid of 20 ms: too uneven to be told from anything else."""
    follower = Follower()
    for n in range(8):
        follower.tick(n * PERIOD + (8 * MS if n % 2 else -8 * MS))
    assert not follower.usable
    for n in range(8, 16):
        follower.tick(n * PERIOD)
    assert follower.usable
    assert follower.relocks == 1


def test_a_clean_source_has_no_noise_from_its_first_ticks_on() -> None:
    """The line through eight ticks on a grid leaves nothing, and so does each tick after it."""
    follower = Follower()
    for n in range(8):
        follower.tick(n * PERIOD)
    assert follower.usable
    for n in range(8, 12):
        follower.tick(n * PERIOD)
        assert follower.error_ns == pytest.approx(0, abs=2)
        assert follower.sigma_ns == pytest.approx(0, abs=2)


def test_what_was_taken_for_doubled_before_another_tempo_counts_no_more_behind_it() -> None:
    """From 125 to 250 BPM in one tick; then five ticks of forty are doubled, which is no other tempo."""
    follower = locked()
    begin_ns = 399 * PERIOD
    for n in range(1, 8):
        follower.tick(begin_ns + n * PERIOD // 2)
    assert follower.doubled
    assert follower.period_ns == pytest.approx(PERIOD / 2, rel=0.01)
    number, doubled = follower.number, follower.doubled
    for n in range(8, 48):
        follower.tick(begin_ns + n * PERIOD // 2)
        if n % 8 == 4:
            follower.tick(begin_ns + n * PERIOD // 2 + 1 * MS)
    assert follower.doubled == doubled + 5
    assert follower.number == number + 40
    assert follower.relocks == 1
    assert follower.state is FollowState.LOCKED


def test_what_made_a_tempo_be_given_up_counts_no_more_at_the_next() -> None:
    """From 125 BPM to a third of it; then one tick is missing."""
    follower = locked()
    begin_ns = 399 * PERIOD
    for n in range(1, 30):
        follower.tick(begin_ns + n * 3 * PERIOD)
    assert follower.relocks == 2
    assert follower.period_ns == pytest.approx(3 * PERIOD, rel=1e-6)
    number, missing = follower.number, follower.missing
    follower.tick(begin_ns + 31 * 3 * PERIOD)
    assert follower.usable
    assert follower.number == number + 2
    assert follower.missing == missing + 1
    assert follower.relocks == 2
