"""The grid, exact: 24 ticks to the quarter note (M1 p. 30)."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.model.timing import Segment
from routerd.core.units import parse_bpm

TEN_MILLION = 10_000_000

tempos = st.fractions(10, 480, max_denominator=10**6)
segments = st.builds(Segment, st.integers(0, 10**16), st.integers(0, 10**8), tempos)


def exact_due(anchor_ns: int, ticks: int, bpm: Fraction) -> Fraction:
    """The rule itself: a tick lasts 60 s / (24 × bpm)."""
    return anchor_ns + Fraction(60 * 10**9 * ticks) / (24 * bpm)


@pytest.mark.parametrize(
    ("bpm", "interval_us"),
    [("120", 20833.333), ("125", 20000), ("60", 41666.667), ("174", 14367.816), ("300", 8333.333)],
)
def test_a_tick_lies_one_interval_after_the_other(bpm: str, interval_us: float) -> None:
    """60 × 10⁶ / (24 × bpm) µs: computed from the rule of M1 p. 30, printed here to a
    nanosecond, while the grid rounds down."""
    segment = Segment(0, 0, parse_bpm(bpm))
    assert segment.due_ns(1) == int(Fraction(60 * 10**9) / (24 * Fraction(bpm)))
    assert abs(segment.due_ns(1) / 1000 - interval_us) <= 0.0011


@pytest.mark.parametrize(
    "bpm", ["20", "33.3", "59.94", "99.98", "120", "121.5", "361/3", "174", "299.999", "300"]
)
def test_ten_million_ticks_do_not_drift(bpm: str) -> None:
    tempo = Fraction(bpm)
    segment = Segment(987_654_321, 17, tempo)
    for ticks in (1, 2, 999, 1_000_000, TEN_MILLION - 1, TEN_MILLION):
        exact = exact_due(987_654_321, ticks, tempo)
        assert segment.due_ns(17 + ticks) == exact.numerator // exact.denominator


def test_fifty_thousand_ticks_one_by_one() -> None:
    """Every single one against the rule, and none less than a tick less a nanosecond after the one before."""
    tempo = Fraction("121.7")
    segment = Segment(5, 0, tempo)
    step = Fraction(60 * 10**9) / (24 * tempo)
    before = 5
    for tick in range(1, 50_001):
        due = segment.due_ns(tick)
        assert 0 <= 5 + step * tick - due < 1
        assert abs(due - before - step) < 1
        before = due


@given(segments, st.integers(-(10**6), 10**7))
def test_tick_at_is_the_inverse_of_due_ns(segment: Segment, ticks: int) -> None:
    tick = segment.anchor_tick + ticks
    due = segment.due_ns(tick)
    assert segment.tick_at(due) == tick
    assert segment.tick_at(due - 1) == tick - 1
    assert segment.tick_at(segment.due_ns(tick + 1) - 1) == tick


@given(segments, st.integers(0, 10**13))
def test_tick_at_is_the_last_that_is_due(segment: Segment, after_ns: int) -> None:
    at_ns = segment.anchor_ns + after_ns
    tick = segment.tick_at(at_ns)
    assert segment.due_ns(tick) <= at_ns < segment.due_ns(tick + 1)


@given(segments, st.integers(0, 10**6), tempos)
def test_a_tempo_change_has_no_gap_and_no_double_tick(segment: Segment, ticks: int, bpm: Fraction) -> None:
    tick = segment.anchor_tick + ticks
    after = segment.retimed(tick, bpm)
    assert after.due_ns(tick) == segment.due_ns(tick)
    gap = after.due_ns(tick + 1) - segment.due_ns(tick)
    assert 0 <= exact_due(0, 1, bpm) - gap < 1
    assert after.tick_at(after.due_ns(tick)) == tick
