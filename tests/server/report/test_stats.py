"""Ranks and the straight line of drift, against NumPy and a published data set."""

import random
from fractions import Fraction

import numpy as np
import pytest

from routerd.server.report.statistics import LineFit, common_slope, count_needed, rank


@pytest.mark.parametrize("percentile", [Fraction(50), Fraction(99), Fraction("99.9"), Fraction(100)])
@pytest.mark.parametrize("count", [1, 2, 3, 999, 1000, 1001, 1600, 10_001])
def test_rank_is_numpys_inverse_of_the_distribution(percentile: Fraction, count: int) -> None:
    values = list(range(count))
    # NumPy works in floating point, where 99.9 % of 1000 comes out a hair above 999: hence the hair less
    expected = np.percentile(values, float(percentile) - 1e-9, method="inverted_cdf")
    assert values[rank(percentile, count) - 1] == expected


def test_rank_is_exact_where_floating_point_is_not() -> None:
    assert rank(Fraction("99.9"), 1000) == 999
    assert rank(Fraction("99.9"), 10**18) == 999 * 10**15
    assert rank(Fraction(0), 10) == 1


def test_rank_refuses_nothing_and_nonsense() -> None:
    with pytest.raises(ValueError, match="no percentile"):
        rank(Fraction(50), 0)
    with pytest.raises(ValueError, match="no percentile"):
        rank(Fraction(101), 5)


@pytest.mark.parametrize(("percentile", "needed"), [("0", 1), ("50", 2), ("99", 100), ("99.9", 1000)])
def test_with_enough_values_a_percentile_is_not_the_largest(percentile: str, needed: int) -> None:
    assert count_needed(Fraction(percentile)) == needed
    # with that many the percentile is no longer the largest value, with one fewer it is
    assert rank(Fraction(percentile), needed) <= max(1, needed - 1)
    if needed > 2:
        assert rank(Fraction(percentile), needed - 1) == needed - 1


def test_count_needed_refuses_the_largest() -> None:
    with pytest.raises(ValueError, match="outside"):
        count_needed(Fraction(100))


def test_slope_of_the_nbs_set() -> None:
    """Nine points of W. J. Riley, NIST SP 1065, section 12.4 (pp. 107-109): slope -10.20 per step."""
    line = LineFit(0)
    for step, value in enumerate([892, 809, 823, 798, 671, 644, 883, 903, 677]):
        line.add(step, value)
    slope = line.slope()
    assert slope is not None
    assert round(slope.ppm / 1e6, 2) == -10.20
    assert slope.span_ns == 8


def test_slope_and_uncertainty_agree_with_numpy() -> None:
    generator = random.Random(7)
    xs = [1_000_000_000 + 20_833_333 * step for step in range(500)]
    ys = [generator.randrange(2_000_000) + x // 100_000 for x in xs]
    line = LineFit(1_000_000_000)
    for x, y in zip(xs, ys, strict=True):
        line.add(x, y)
    (expected, _), covariance = np.polyfit(np.array(xs) - xs[0], ys, 1, cov=True)
    slope = line.slope()
    assert slope is not None
    assert slope.ppm == pytest.approx(expected * 1e6, rel=1e-9)
    assert slope.uncertainty_ppm == pytest.approx(2 * covariance[0][0] ** 0.5 * 1e6, rel=1e-9)


def test_fifty_ppm_over_twelve_hours_is_exact() -> None:
    line = LineFit(5)
    for hour in range(13):
        due_ns = hour * 3_600_000_000_000
        line.add(5 + due_ns, due_ns * 50 // 1_000_000)
    assert line.slope() == (50.0, 0.0, 12 * 3_600_000_000_000)


def test_uncertainty_holds_the_truth_about_as_often_as_it_says() -> None:
    generator = random.Random(3)
    held = 0
    for _ in range(200):
        line = LineFit(0)
        for step in range(60):
            line.add(step * 20_000_000, 1000 * step + int(generator.gauss(0, 100_000)))
        slope = line.slope()
        assert slope is not None
        held += abs(slope.ppm - 50) <= slope.uncertainty_ppm
    assert 180 <= held <= 200  # about 95 % of 200; the seed is fixed


def test_merged_lines_are_one_line() -> None:
    whole, first, second, empty = LineFit(0), LineFit(0), LineFit(0), LineFit(0)
    for step in range(20):
        point = (step * 1000, step * step)
        whole.add(*point)
        (second if step < 10 else first).add(*point)
    first.merge(second)
    first.merge(empty)
    empty.merge(first)
    assert first == whole == empty
    with pytest.raises(ValueError, match="origin"):
        first.merge(LineFit(1))


def test_series_that_move_together_say_no_more_than_one() -> None:
    one = LineFit(0)
    for step in range(1000):
        one.add(step, step * step % 97)
    single, together = one.slope(), common_slope([one] * 4)
    assert single is not None
    assert together is not None
    assert together.ppm == single.ppm
    assert together.uncertainty_ppm == pytest.approx(single.uncertainty_ppm, rel=0.01)


def test_lines_of_different_height_have_one_slope() -> None:
    """A port that joins late and lies 5 ms later than the first is no drift."""
    generator = random.Random(8)
    first, second = LineFit(0), LineFit(0)
    for step in range(1000):
        first.add(step * 20_000_000, step * 200 + generator.randrange(10))
        if step >= 500:
            second.add(step * 20_000_000, step * 200 + 5_000_000 + generator.randrange(10))
    slope = common_slope([first, LineFit(0), second])
    assert slope is not None
    assert slope.ppm == pytest.approx(10, rel=1e-4)
    assert slope.uncertainty_ppm < 0.001
    assert slope.span_ns == 999 * 20_000_000


def test_no_slope_without_enough_to_go_by() -> None:
    line = LineFit(0)
    line.add(1, 1)
    line.add(2, 2)
    assert line.slope() is None
    same = LineFit(0)
    for _ in range(5):
        same.add(1, 1)
    assert same.slope() is None
