"""A program that stands still, told by what waits in its input, with literal times.

24 ticks are a quarter note (M1 p. 30): at 120 BPM one every 20.8 ms, five between two looks.
"""

from __future__ import annotations

import pytest

from routerd.core.units import NS_PER_MS
from routerd.ports.alsa_output import CONFIRM_NS, MOST_TICKS, STALLED_NS, Backlog

LOOK_MS = 100


def verdicts(looks: list[tuple[int, int]], every_ms: int = LOOK_MS) -> list[bool]:
    """Judge a row of (waiting, sent so far) at even intervals."""
    backlog = Backlog(0)
    return [
        backlog.judge(waiting, sent, number * every_ms * NS_PER_MS)
        for number, (waiting, sent) in enumerate(looks)
    ]


def test_a_program_that_reads_nothing_stands_still_within_half_a_second() -> None:
    assert verdicts([(0, 100), (5, 105), (10, 110), (15, 115), (20, 120)]) == [False] * 4 + [True]


def test_one_that_reads_everything_does_not() -> None:
    assert not any(verdicts([(0, 6 * look) for look in range(20)]))


def test_one_that_is_behind_but_reads_does_not() -> None:
    assert not any(verdicts([(50 - look % 3, 6 * look) for look in range(20)]))


def test_nothing_is_sent_and_something_waits() -> None:
    assert verdicts([(0, 0), (1, 1), (1, 1), (1, 1), (1, 1)]) == [False] * 4 + [True]


def test_what_others_send_to_it_as_well_proves_nothing() -> None:
    assert verdicts([(0, 0), (40, 6), (90, 12), (120, 18), (200, 24)])[-1]


def test_it_is_well_again_at_the_first_message_that_it_reads() -> None:
    looks = [(0, 0), (6, 6), (12, 12), (18, 18), (24, 24), (23, 24), (0, 24)]
    assert verdicts(looks)[4:] == [True, False, False]


def test_a_machine_that_stood_still_for_ten_seconds_is_one_look() -> None:
    backlog = Backlog(0)
    assert not backlog.judge(0, 0, 0)
    assert not backlog.judge(6, 6, 100 * NS_PER_MS)
    assert not backlog.judge(7, 7, 10_100 * NS_PER_MS)
    assert not backlog.judge(0, 8, 10_200 * NS_PER_MS)


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


def stale(bpm: int, burst: int = 0) -> int:
    """Return how many ticks are sent to a program that reads nothing before the sender gives it up."""
    backlog, waiting, sent, now_ns = Backlog(0), 0, 0, 0
    while True:
        backlog.unread_ticks += 1
        if backlog.unread_ticks > MOST_TICKS and backlog.is_given_up(waiting, sent, now_ns):
            return sent
        waiting, sent = waiting + 1, sent + 1
        now_ns += 0 if sent < burst else 60 * 10**9 // 24 // bpm


@pytest.mark.parametrize("bpm", [30, 120, 300, 400])
def test_less_than_a_quarter_note_of_ticks_goes_stale_whatever_the_tempo(bpm: int) -> None:
    assert MOST_TICKS <= stale(bpm) <= 24


def test_ticks_that_are_caught_up_at_once_are_no_standstill_if_the_program_then_reads() -> None:
    backlog = Backlog(0)
    for sent in range(24):  # what the engine owes after it stood still itself
        backlog.unread_ticks += 1
        assert backlog.unread_ticks <= MOST_TICKS or not backlog.is_given_up(sent, sent, 0)
    backlog.unread_ticks += 1
    assert not backlog.is_given_up(23, 24, CONFIRM_NS)  # one is read
    assert not backlog.is_stalled


def test_a_program_that_reads_slower_than_ticks_come_is_not_given_up() -> None:
    backlog = Backlog(0)
    for number in range(400):
        backlog.unread_ticks += 1
        waiting = number - number // 2
        assert backlog.unread_ticks <= MOST_TICKS or not backlog.is_given_up(
            waiting, number, number * 20 * NS_PER_MS
        )


def test_a_burst_to_one_that_reads_nothing_is_given_up_soon_after() -> None:
    assert stale(120, burst=24) <= 24 + 4
