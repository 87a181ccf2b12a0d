"""Percentiles against HdrHistogram, its worked cases and its Python package, and against NumPy."""

import random
from fractions import Fraction

import numpy as np
import pytest
from hdrh.histogram import HdrHistogram

from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.server.report.series import Series
from routerd.server.report.statistics import LONGEST_NS, Distribution

US = 1000


def _case(series: Series) -> None:
    """10 000 values of 1000 µs and one of 100 s: the case of HdrHistogram's own tests."""
    series.lateness = Distribution()
    series.lateness.record(1000 * US, 10_000)
    series.lateness.record(100_000_000 * US)


def test_raw_case_of_hdrhistogram() -> None:
    series = Series(0)
    _case(series)
    assert series.lateness.count == 10_001
    assert series.lateness.percentile_ns(Fraction("99.99")) == pytest.approx(1000 * US, rel=1 / 128)
    assert series.lateness.percentile_ns(Fraction("99.999")) == 100_000_000 * US


@pytest.mark.parametrize(
    ("percentile", "expected_us"), [(50, 1000), (75, 50_000_000), (90, 80_000_000), (99, 98_000_000)]
)
def test_missed_ticks_are_hdrhistograms_correction(percentile: int, expected_us: int) -> None:
    """The same case corrected with an interval of 10 000 µs: 9 999 values that a stall hid."""
    series = Series(0)
    _case(series)
    series.add_missed(9_999, (100_000_000 - 10_000) * US, 10_000 * US, 10_000 * US)
    assert series.lateness.count == 20_000
    assert series.lateness.percentile_ns(Fraction(percentile)) == pytest.approx(expected_us * US, rel=1 / 128)


def test_a_very_long_gap_takes_no_longer_and_counts_every_tick() -> None:
    series = Series(0)
    series.add_missed(10**12, 10**12 * NS_PER_MS, NS_PER_MS, NS_PER_MS)
    assert series.missed == series.lateness.count == 10**12
    assert series.lateness.largest_ns == 10**12 * NS_PER_MS
    assert series.lateness.percentile_ns(Fraction(50)) >= LONGEST_NS


def test_cells_and_percentiles_are_hdrhistograms() -> None:
    generator = random.Random(7)
    values = [int(generator.lognormvariate(11, 3)) for _ in range(5_000)]
    distribution, reference = Distribution(), HdrHistogram(64, LONGEST_NS, 2)
    for value in values:
        distribution.record(value)
        reference.record_value(value)
    for percentile in (0.02, 1, 50, 90, 99, 99.9):
        expected = reference.get_value_at_percentile(percentile)
        assert distribution.percentile_ns(Fraction(str(percentile))) == expected
    cells = dict(list(distribution.cells())[:-1])  # the last ends with the largest value
    assert len(cells) > 1000
    for edge, count in cells.items():
        assert reference.get_highest_equivalent_value(edge) == edge
        assert reference.get_count_at_value(edge) == count


@pytest.mark.parametrize("percentile", ["0", "0.1", "50", "90", "99", "99.9", "100"])
def test_percentiles_agree_with_numpy_for_early_and_late_ticks(percentile: str) -> None:
    generator = random.Random(11)
    values = [int(generator.gauss(30_000, 60_000)) for _ in range(5_000)]
    distribution = Distribution()
    for value in values:
        distribution.record(value)
    # NumPy works in floating point: 99.9 % of 5000 comes out a hair above 4995
    expected = int(np.percentile(values, max(0.0, float(percentile) - 1e-9), method="inverted_cdf"))
    got = distribution.percentile_ns(Fraction(percentile))
    assert expected - 1 <= got <= expected + max(64, abs(expected) // 100)


def test_merging_is_the_same_as_recording_all() -> None:
    whole, late, early = Distribution(), Distribution(), Distribution()
    for value in range(-50_000, 90_000, 700):
        whole.record(value)
        (early if value < -20_000 else late).record(value)
    late.merge(early)
    late.merge(Distribution())
    other = Distribution()
    other.merge(late)
    for percentile in range(101):
        expected = whole.percentile_ns(Fraction(percentile))
        assert late.percentile_ns(Fraction(percentile)) == expected
        assert other.percentile_ns(Fraction(percentile)) == expected
    assert (late.least_ns, late.largest_ns, late.count) == (-50_000, 89_300, 200)


def test_extremes_are_exact_and_beyond_an_hour_is_clamped() -> None:
    distribution = Distribution()
    distribution.record(123_456_789)
    assert distribution.percentile_ns(Fraction(50)) == 123_456_789
    distribution.record(7200 * NS_PER_S)
    assert distribution.largest_ns == 7200 * NS_PER_S
    assert distribution.percentile_ns(Fraction(100)) == pytest.approx(LONGEST_NS, rel=0.01)
