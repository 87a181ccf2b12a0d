"""Bar and beat from the engine's grid, at literal times."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from routerd.core.model.snapshot import BarLine, Meter, Snapshot
from routerd.core.model.timing import Segment, State
from routerd.server.http.shapes import Position
from routerd.server.status import bars_to_meet, position_at
from routerd.server.view import NO_SNAPSHOT

S = 1_000_000_000


def snapshot(**changes: Any) -> Snapshot:
    running = replace(NO_SNAPSHOT, transport=State.RUNNING, grid=Segment(10 * S, 0, Fraction(120)))
    return replace(running, **changes)


@pytest.mark.parametrize(
    ("now_ns", "position"),
    [
        (10 * S, Position(1, 1, 0, 2.0)),
        (10 * S + S // 2 - 1, Position(1, 1, 23, 1.5)),  # 24 ticks to the quarter note (M1 p. 30)
        (10 * S + S // 2, Position(1, 2, 0, 1.5)),
        (12 * S - 1, Position(1, 4, 23, 0.0)),
        (12 * S, Position(2, 1, 0, 2.0)),  # four quarter notes at 120 BPM last 2 s
        (10 * S + 3600 * S, Position(1801, 1, 0, 2.0)),
    ],
)
def test_four_four_at_120(now_ns: int, position: Position) -> None:
    assert position_at(snapshot(), now_ns) == position


def test_six_eight_counts_eighths() -> None:
    """At 120 quarter notes a minute an eighth lasts 0.25 s and a bar of 6/8 1.5 s."""
    six = snapshot(meter=Meter(6, 8))
    assert position_at(six, 10 * S + S // 4) == Position(1, 2, 0, 1.25)
    assert position_at(six, 10 * S + 3 * S // 2) == Position(2, 1, 0, 1.5)


def test_the_song_began_at_its_own_tick() -> None:
    later = snapshot(origin_tick=960)  # 40 quarter notes, 20 s
    assert position_at(later, 30 * S) == Position(1, 1, 0, 2.0)
    assert position_at(later, 10 * S) == Position(1, 1, 0, 20.0)  # not before its beginning


def test_bars_are_counted_through_a_change_of_meter() -> None:
    """Two bars of 4/4 (192 ticks), then 3/4 (72 ticks a bar): tick 264 begins bar 4."""
    changed = snapshot(meter=Meter(3, 4), meter_from=BarLine(192, 2), transport=State.STOPPED)
    assert position_at(replace(changed, position_tick=192), 0) == Position(3, 1, 0, None)
    assert position_at(replace(changed, position_tick=264 + 25), 0) == Position(4, 2, 1, None)


def test_stopped_and_starting_stay_where_they_are() -> None:
    for transport in (State.STOPPED, State.STARTING):
        held = snapshot(transport=transport, position_tick=96 + 24 + 5)
        assert position_at(held, 99 * S) == Position(2, 2, 5, None)


def test_a_tempo_that_begins_at_the_next_tick_does_not_reach_back() -> None:
    """480 BPM from tick 48 on, asked 100 ms before that tick: still in tick 47, not 19 ticks back."""
    ahead = snapshot(grid=Segment(20 * S, 48, Fraction(480)))
    assert position_at(ahead, 20 * S - S // 10) == Position(1, 2, 23, 0.35)
    assert position_at(ahead, 20 * S) == Position(1, 3, 0, 0.25)


def test_a_sequence_of_seven_sixteenths_meets_the_bar_every_seven_bars() -> None:
    """7 sixteenths are 42 ticks, a bar of 4/4 96; lcm 672 is seven bars (arithmetic, common practice)."""
    assert [bars_to_meet(ticks, 42, 96) for ticks in (0, 95, 96, 671, 672)] == [7, 7, 6, 1, 7]
    assert bars_to_meet(100, 96, 96) == 1
