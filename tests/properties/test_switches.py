"""Whatever a foot does to a switch: nothing is answered twice, too often, or out of nothing."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control, Press, PressTimes, Turn, compile_controls
from routerd.core.show.switches import FEW, LONGEST_BOUNCE_NS, QUIET_NS, SETTLE_NS, Presses

MS = 1_000_000
SHORT = Control("pedals", 0xB0, 80, Command(Action.NEXT))
MEANINGS = tuple(replace(SHORT, press=press) for press in Press)
KEY = ("pedals", 80)
ONE = compile_controls((SHORT,), (), PressTimes()).by_key[(0xB0 << 7) | 80]


@given(
    st.sets(st.sampled_from(MEANINGS), min_size=1),
    st.lists(st.integers(0, 900), max_size=12),
    st.booleans(),
)
def test_answers_are_never_more_than_presses(
    meanings: set[Control], waits_ms: list[int], asks_late: bool
) -> None:
    """`asks_late`: nobody asks in between, as after a stall; the same presses are answered all the same."""
    switch = compile_controls(meanings, (), PressTimes()).by_key[(0xB0 << 7) | 80]
    presses = Presses()
    now_ms, answers, downs = 0, 0, 0
    for index, wait_ms in enumerate(waits_ms):
        now_ms += wait_ms
        while not asks_late and presses.next_due_ns <= now_ms * MS:
            answers += len(presses.due(presses.next_due_ns))
        down = index % 2 == 0
        downs += down
        found = presses.turn(Turn(KEY, switch, down), now_ms * MS)
        assert all(control in meanings for control in found)
        answers += len(found)
        assert answers <= downs
    for _ in range(3):
        answers += len(presses.due((now_ms + 10_000) * MS))
    assert answers <= downs
    assert presses.due((now_ms + 99_000) * MS) == []
    if downs and Press.SHORT in {control.press for control in meanings} and len(meanings) == 1:
        assert answers >= 1


@given(st.lists(st.integers(0, 400), max_size=400))
def test_a_switch_is_never_answered_more_than_a_few_times_in_a_second(waits_ms: list[int]) -> None:
    """Whatever comes, and a clean press is heard again once it has been quiet for a second."""
    presses, now_ns, answers = Presses(), 0, []
    for index, wait_ms in enumerate(waits_ms):
        now_ns += wait_ms * MS
        answers += [now_ns for _ in presses.turn(Turn(KEY, ONE, index % 2 == 0), now_ns)]
    for first, sixth in zip(answers, answers[FEW:], strict=False):
        assert sixth - first >= QUIET_NS
    now_ns += QUIET_NS
    presses.due(now_ns)
    assert not presses.chattering
    assert presses.turn(Turn(KEY, ONE, down=True), now_ns) == [SHORT]


@given(st.lists(st.integers(1, SETTLE_NS - 1), min_size=1, max_size=400))
def test_bounce_is_one_press_however_long_and_a_broken_switch_is_found(waits_ns: list[int]) -> None:
    presses, now_ns = Presses(), 0
    answers = presses.turn(Turn(KEY, ONE, down=True), now_ns)
    for index, wait_ns in enumerate(waits_ns):
        now_ns += wait_ns
        answers += presses.turn(Turn(KEY, ONE, index % 2 == 1), now_ns)
    assert answers == [SHORT]
    assert bool(presses.chattering) == (now_ns > LONGEST_BOUNCE_NS)


@given(st.lists(st.tuples(st.integers(30, 190), st.integers(210, 900)), max_size=60))
def test_a_foot_that_presses_up_to_four_times_a_second_is_heard_with_every_press(
    presses_ms: list[tuple[int, int]],
) -> None:
    """Pairs of how long it is down, and from one press to the next; lifted for 30 ms at least."""
    presses, at_ms, answers = Presses(), 0, 0
    for down_ms, every_ms in presses_ms:
        answers += len(presses.turn(Turn(KEY, ONE, down=True), at_ms * MS))
        answers += len(presses.turn(Turn(KEY, ONE, down=False), (at_ms + min(down_ms, every_ms - 30)) * MS))
        at_ms += every_ms
    assert answers == len(presses_ms)
    assert not presses.chattering
