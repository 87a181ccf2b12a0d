"""A program that stands still, told by what waits in its input, with literal times.

24 ticks are a quarter note (M1 p. 30): at 120 BPM one every 20.8 ms, six between two looks.
"""

from __future__ import annotations

import pytest

from routerd.core.units import NS_PER_MS
from routerd.ports.backlog import STALLED_NS, Backlog

LOOK_MS = 125


def verdicts(looks: list[tuple[int, int]], every_ms: int = LOOK_MS) -> list[bool]:
    """Judge a row of (waiting, sent so far) at even intervals."""
    backlog = Backlog(0)
    return [
        backlog.judge(waiting, sent, number * every_ms * NS_PER_MS)
        for number, (waiting, sent) in enumerate(looks)
    ]


def test_a_program_that_reads_nothing_stands_still_within_half_a_second() -> None:
    assert verdicts([(0, 100), (6, 106), (12, 112), (18, 118)]) == [False] * 3 + [True]


def test_one_that_reads_everything_does_not() -> None:
    assert not any(verdicts([(0, 6 * look) for look in range(20)]))


def test_one_that_is_behind_but_reads_does_not() -> None:
    assert not any(verdicts([(50 - look % 3, 6 * look) for look in range(20)]))


def test_nothing_is_sent_and_something_waits() -> None:
    assert verdicts([(0, 0), (1, 1), (1, 1), (1, 1)]) == [False] * 3 + [True]


def test_what_others_send_to_it_as_well_proves_nothing() -> None:
    assert verdicts([(0, 0), (40, 6), (90, 12), (120, 18), (200, 24)])[-1]


def test_it_is_well_again_at_the_first_message_that_it_reads() -> None:
    assert verdicts([(0, 0), (6, 6), (12, 12), (18, 18), (17, 18), (0, 18)])[3:] == [True, False, False]


def test_a_machine_that_stood_still_for_ten_seconds_is_one_look() -> None:
    backlog = Backlog(0)
    assert not backlog.judge(0, 0, 0)
    assert not backlog.judge(6, 6, 125 * NS_PER_MS)
    assert not backlog.judge(7, 7, 10_125 * NS_PER_MS)
    assert not backlog.judge(0, 8, 10_250 * NS_PER_MS)


def test_one_that_is_given_up_stays_so_until_it_reads() -> None:
    backlog = Backlog(0)
    backlog.judge(0, 0, 0)
    backlog.give_up(20, 20)
    assert backlog.is_stalled
    assert backlog.judge(20, 20, 1)
    assert backlog.judge(21, 20, 2)
    assert not backlog.judge(3, 20, 3)


@pytest.mark.parametrize("waiting", [0, 5])
def test_the_first_look_judges_nothing(waiting: int) -> None:
    assert not Backlog(0).judge(waiting, 0, 10 * STALLED_NS)
