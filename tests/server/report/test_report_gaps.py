"""What became of ticks without a record."""

import pytest

from routerd.link.frames import TickRecord
from routerd.server.report.gaps import Absence, Gap, Spans, explain

STEP_NS = 20_000_000


def _gap(first: int, last: int) -> Gap:
    """The gap from tick `first` to `last`, both without a record."""
    ends = (first - 1, last + 1)
    return Gap(*(TickRecord(tick, tick * STEP_NS, tick * STEP_NS + 50_000, 0, 0) for tick in ends))


def _spans(*runs: tuple[int, int]) -> Spans:
    spans = Spans()
    for run in runs:
        spans.add(*run)
    return spans


def test_unexplained_ticks_are_missed() -> None:
    assert explain(_gap(10, 19), [], Spans(), Spans()) == ([(10, 19)], 0, 0)


def test_dropped_records_leave_ticks_not_recorded() -> None:
    assert explain(_gap(10, 19), [], Spans(), _spans((5, 14))) == ([(15, 19)], 5, 0)


def test_what_the_engine_skipped_is_missed_even_where_records_were_dropped() -> None:
    outcome = explain(_gap(10, 19), [], _spans((12, 13)), _spans((0, 99)))
    assert outcome == ([(12, 13)], 8, 0)


def test_a_closed_port_owes_nothing_with_a_tick_of_grace_at_either_end() -> None:
    absence = Absence(closed_ns=13 * STEP_NS + 1, opened_ns=16 * STEP_NS - 1)
    assert explain(_gap(10, 19), [absence], Spans(), Spans()) == ([(10, 12), (17, 19)], 0, 4)


@pytest.mark.parametrize("skipped", [Spans(), _spans((0, 99))])
def test_a_port_that_stays_closed_owes_nothing(skipped: Spans) -> None:
    assert explain(_gap(10, 19), [Absence(10 * STEP_NS)], skipped, Spans()) == ([], 0, 10)


def test_an_absence_outside_the_gap_explains_nothing() -> None:
    absences = [Absence(2 * STEP_NS, 5 * STEP_NS), Absence(40 * STEP_NS, None)]
    assert explain(_gap(10, 19), absences, Spans(), Spans()) == ([(10, 19)], 0, 0)


def test_spans_join_neighbours_and_forget_the_oldest() -> None:
    assert list(_spans((1, 3), (4, 6), (5, 5), (9, 9), (8, 7))) == [(1, 6), (9, 9)]
    assert len(list(_spans(*((3 * n, 3 * n) for n in range(5_000))))) == 512
