"""Whatever a foot does to a switch: nothing is answered twice, too often, or out of nothing."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.arming import Action
from routerd.core.controls import Control, Press, PressTimes, compile_controls
from routerd.core.presses import Presses, Turn

MS = 1_000_000
SHORT = Control("pedals", 0xB0, 80, Action.NEXT)
MEANINGS = tuple(replace(SHORT, press=press) for press in Press)
KEY = ("pedals", 80)


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
