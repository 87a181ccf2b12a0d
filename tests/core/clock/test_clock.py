"""The clock on simulated time: ticks, Start and Continue between them, positions, stalls.

125 BPM makes 20 ms a tick: 60 s / (24 × 125) (M1 p. 30), so that times can be read as they stand.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.clock.clock import Clock, Tick, TransportCommand
from routerd.core.clock.tempo_map import TempoMap
from routerd.core.model.timing import State
from routerd.core.units import NEVER_NS, TICKS_PER_SPP_UNIT

MS = 1_000_000
START, CONTINUE, STOP = b"\xfa", b"\xfb", b"\xfc"


def clock_at_125() -> Clock:
    return Clock(0, Fraction(125))


def run(clock: Clock, until_ns: int) -> list[tuple[int, bytes]]:
    """Let time pass as the show does: to each deadline, never late. Returns what went out, with its time."""
    out = []
    while (now_ns := clock.deadline_ns()) <= until_ns:
        if clock.next_due_ns <= now_ns:
            assert clock.take_tick(now_ns).missed == 0
            out.append((now_ns, b"\xf8"))
        elif data := clock.take_start(now_ns):
            out.append((now_ns, data))
    return out


def test_ticks_run_from_the_beginning_while_stopped() -> None:
    clock = clock_at_125()
    assert run(clock, 100 * MS) == [(n * 20 * MS, b"\xf8") for n in range(6)]
    assert clock.state is State.STOPPED
    assert clock.position_ticks == 0


def test_one_press_of_start() -> None:
    clock = clock_at_125()
    run(clock, 0)
    assert clock.request(TransportCommand.START, 5 * MS, 0) == b""
    assert clock.state is State.STARTING
    assert run(clock, 40 * MS) == [(5 * MS, START), (20 * MS, b"\xf8"), (40 * MS, b"\xf8")]
    assert clock.state is State.RUNNING
    assert clock.position_ticks == 2  # ticks 0 and 1 are out


def test_nobody_advances_between_start_and_its_tick() -> None:
    """The first tick after Start plays position 0 (M1 p. 30)."""
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, 5 * MS, 0)
    assert run(clock, 19 * MS) == [(5 * MS, START)]
    assert clock.state is State.STARTING
    assert clock.position_ticks == 0
    clock.take_tick(20 * MS)
    assert clock.state is State.RUNNING
    assert clock.position_ticks == 1


START_CASES = """
    0 0 1|0.5 0 1|10 0 10|19 0 19|19.5 0 21
    |3 7 7|3 19.5 21|3 45 45|3 59.5 61|3 40.2 41
"""
"""When Start is asked for, when the wires are free, when it goes out; in ms."""


@pytest.mark.parametrize("case", START_CASES.split("|"))
def test_start_keeps_1_ms_from_ticks_and_waits_for_the_wires(case: str) -> None:
    """At least 1 ms before the tick that it starts (M1 p. 30), also when wires are busy for several ticks."""
    asked_ms, free_ms, start_ms = (float(part) for part in case.split())
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, int(asked_ms * MS), int(free_ms * MS))
    out = run(clock, 100 * MS)
    assert [at_ns for at_ns, data in out if data == START] == [int(start_ms * MS)]


def test_a_late_start_goes_into_the_next_gap() -> None:
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, 5 * MS, 0)
    assert clock.take_start(19 * MS + 1) == b""  # the worker woke up too late for this gap
    assert clock.start_at_ns == 21 * MS
    assert run(clock, 40 * MS) == [(20 * MS, b"\xf8"), (21 * MS, START), (40 * MS, b"\xf8")]
    assert clock.position_ticks == 1


def test_start_right_behind_a_tick_after_which_the_tempo_falls() -> None:
    """The tick before lies where it was sent, not where the new tempo would have put it."""
    clock = clock_at_125()
    run(clock, 20 * MS)
    clock.set_tempo(Fraction(60))
    clock.request(TransportCommand.START, 20 * MS + 1, 0)
    assert clock.start_at_ns == 21 * MS


def test_stop_holds_the_position_and_continue_goes_on_from_it() -> None:
    """M1 pp. 28, 31."""
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, 5 * MS, 0)
    run(clock, 200 * MS)  # ticks 1 to 10: positions 0 to 9
    assert clock.request(TransportCommand.STOP, 205 * MS, 0) == STOP
    run(clock, 1000 * MS)
    assert (clock.state, clock.position_ticks) == (State.STOPPED, 10)
    assert clock.request(TransportCommand.CONTINUE, 1005 * MS, 0) == b""
    assert run(clock, 1020 * MS) == [(1005 * MS, CONTINUE), (1020 * MS, b"\xf8")]
    assert clock.position_ticks == 11


def test_redundant_commands_do_nothing() -> None:
    """M1 pp. 31–32."""
    clock = clock_at_125()
    run(clock, 0)
    assert clock.request(TransportCommand.STOP, 0, 0) == b""
    clock.request(TransportCommand.START, 5 * MS, 0)
    clock.request(TransportCommand.START, 6 * MS, 0)
    clock.request(TransportCommand.CONTINUE, 7 * MS, 0)
    assert [data for _, data in run(clock, 40 * MS)] == [START, b"\xf8", b"\xf8"]
    before = clock.position_ticks
    clock.request(TransportCommand.START, 45 * MS, 0)
    clock.request(TransportCommand.CONTINUE, 46 * MS, 0)
    assert [data for _, data in run(clock, 60 * MS)] == [b"\xf8"]
    assert clock.position_ticks == before + 1


def test_stop_takes_back_a_start_that_is_not_out() -> None:
    """Followers have not heard of it, so they stand where they stood, and so does the clock."""
    clock = clock_at_125()
    clock.locate(48)
    run(clock, 0)
    clock.request(TransportCommand.START, 0, 0)
    assert clock.position_ticks == 0
    assert clock.request(TransportCommand.STOP, MS // 2, 0) == b""
    assert clock.start_at_ns == NEVER_NS
    assert clock.position_ticks == 48
    assert [data for _, data in run(clock, 40 * MS)] == [b"\xf8", b"\xf8"]


def test_stop_between_start_and_its_tick() -> None:
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, 5 * MS, 0)
    run(clock, 10 * MS)
    assert clock.request(TransportCommand.STOP, 11 * MS, 0) == STOP
    run(clock, 40 * MS)
    assert (clock.state, clock.position_ticks) == (State.STOPPED, 0)


def test_start_is_song_position_0_and_continue() -> None:
    """M1 p. 28."""
    seen = []
    for command in (TransportCommand.START, TransportCommand.CONTINUE):
        clock = clock_at_125()
        clock.locate(0)
        run(clock, 0)
        clock.request(command, 5 * MS, 0)
        out = run(clock, 500 * MS)
        seen.append(([(at, data == b"\xf8") for at, data in out], clock.position_ticks, clock.origin_tick))
    assert seen[0] == seen[1]


def test_song_position_10_is_60_clocks() -> None:
    """M1 p. 27: song position 10 is 60 clocks, which are 240 ticks of a 96-to-the-quarter sequencer."""
    clock = clock_at_125()
    clock.locate(10 * TICKS_PER_SPP_UNIT)
    assert clock.position_ticks == 60
    assert clock.position_ticks * 96 // 24 == 240


def test_song_position_4_continue_and_three_clocks_is_the_27th_clock() -> None:
    """M1 p. 29: after song position 4 and Continue, three clocks arrive: play goes on from the 27th."""
    clock = clock_at_125()
    clock.locate(4 * TICKS_PER_SPP_UNIT)
    run(clock, 0)
    clock.request(TransportCommand.CONTINUE, 5 * MS, 0)
    assert [data for _, data in run(clock, 60 * MS)] == [CONTINUE, b"\xf8", b"\xf8", b"\xf8"]
    assert clock.position_ticks == 27


def test_locate_is_for_a_stopped_clock() -> None:
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, 5 * MS, 0)
    clock.locate(600)
    run(clock, 40 * MS)
    clock.locate(600)
    assert clock.position_ticks == 2


def test_tempo_changes_at_the_next_tick() -> None:
    """125 to 250 BPM between ticks 2 (40 ms) and 3 (60 ms): from 60 ms on a tick every 10 ms."""
    clock = clock_at_125()
    run(clock, 40 * MS)
    clock.set_tempo(Fraction(250))
    assert [at_ns // MS for at_ns, _ in run(clock, 100 * MS)] == [60, 70, 80, 90, 100]


def test_tempo_changed_twice_before_the_tick() -> None:
    clock = clock_at_125()
    run(clock, 40 * MS)
    clock.set_tempo(Fraction(250))
    clock.set_tempo(Fraction("62.5"))
    assert [at_ns // MS for at_ns, _ in run(clock, 140 * MS)] == [60, 100, 140]


def test_bars_are_counted_from_the_tick_that_began_them() -> None:
    clock = clock_at_125()
    run(clock, 100 * MS)
    clock.begin_song(TempoMap(Fraction(125), 3, 8))  # 36 ticks
    firsts = []
    for _ in range(80):
        if clock.next_is_bar():
            firsts.append(clock.next_tick)
        clock.take_tick(clock.next_due_ns)
    assert firsts == [6, 42, 78]


def test_stall_up_to_a_quarter_note_is_caught_up() -> None:
    """M1 p. 32: ticks may not be dropped. The next tick (20 ms) is 24 ticks late at 500 ms."""
    clock = clock_at_125()
    run(clock, 0)
    now_ns = 500 * MS
    ticks = []
    while clock.next_due_ns <= now_ns:
        ticks.append(clock.take_tick(now_ns))
    assert ticks == [Tick(n, n * 20 * MS, 0) for n in range(1, 26)]


def test_longer_stall_gives_up_ticks_and_counts_them() -> None:
    clock = clock_at_125()
    run(clock, 0)
    clock.request(TransportCommand.START, 5 * MS, 0)
    run(clock, 100 * MS)  # ticks 1 to 5 are positions 0 to 4
    now_ns = 1015 * MS  # tick 6 was due at 120 ms; tick 50, at 1000 ms, is the last that is due
    assert clock.take_tick(now_ns) == Tick(50, 1000 * MS, 44)
    assert clock.next_due_ns == 1020 * MS
    assert clock.position_ticks == 6  # followers have heard six ticks
    assert run(clock, 1040 * MS) == [(1020 * MS, b"\xf8"), (1040 * MS, b"\xf8")]


def test_one_nanosecond_more_than_a_quarter_note_is_a_longer_stall() -> None:
    clock = clock_at_125()
    run(clock, 0)
    assert clock.take_tick(500 * MS + 1) == Tick(25, 500 * MS, 24)


@given(
    st.fractions(10, 480, max_denominator=1000),
    st.lists(
        st.tuples(st.sampled_from([*TransportCommand][:3]), st.integers(0, 10**9), st.integers(0, 10**8)),
        max_size=12,
    ),
)
def test_start_and_continue_never_stand_beside_a_tick(
    bpm: Fraction, asked: list[tuple[TransportCommand, int, int]]
) -> None:
    """Whatever is asked when: 1 ms or more to the ticks on both sides (M1 p. 30)."""
    clock = Clock(0, bpm)
    out = []
    for command, at_ns, busy_ns in sorted(asked, key=lambda item: item[1]):
        out += run(clock, at_ns)
        data = clock.request(command, at_ns, at_ns + busy_ns)
        assert data in (b"", STOP)
    out += run(clock, 2 * 10**9)
    ticks = [at_ns for at_ns, data in out if data == b"\xf8"]
    assert ticks == [clock.segment.due_ns(n) for n in range(len(ticks))]
    for at_ns in (at_ns for at_ns, data in out if data != b"\xf8"):
        assert min(abs(at_ns - tick_ns) for tick_ns in ticks) >= MS


def test_a_source_moves_the_next_tick_and_never_into_the_room_of_a_start() -> None:
    """Between a Start and the tick that it starts there is 1 ms at least (M1 p. 30)."""
    for due_ns, max_ns, now_ns, expected_ns in (
        (41 * MS, 3 * MS, 25 * MS, 41 * MS),
        (50 * MS, 3 * MS, 25 * MS, 43 * MS),  # regular would be 40
        (30 * MS, 3 * MS, 25 * MS, 37 * MS),
        (30 * MS, 3 * MS, 39 * MS, 39 * MS),  # never in the past
    ):
        clock = clock_at_125()
        run(clock, 20 * MS)
        clock.steer(due_ns, 20 * MS, Fraction(120), max_ns, now_ns)
        assert (clock.next_due_ns, clock.segment.bpm) == (expected_ns, 120)
        assert run(clock, 70 * MS)[0] == (expected_ns, b"\xf8")
    clock = clock_at_125()
    run(clock, 20 * MS)
    clock.request(TransportCommand.START, 38 * MS, 38 * MS)
    assert clock.start_at_ns == 38 * MS
    clock.steer(37 * MS, 20 * MS, Fraction(125), 5 * MS, 36 * MS)
    assert clock.next_due_ns == 39 * MS
    assert run(clock, 39 * MS) == [(38 * MS, START), (39 * MS, b"\xf8")]


def test_a_tick_is_brought_forward_as_far_as_the_start_before_it_has_room() -> None:
    clock = clock_at_125()
    run(clock, 20 * MS)
    assert not clock.bring_forward(30 * MS, 25 * MS), "no Start waits"
    clock.request(TransportCommand.START, 25 * MS, 25 * MS)
    assert not clock.bring_forward(40 * MS, 25 * MS), "it would not come earlier"
    assert clock.bring_forward(30 * MS, 27 * MS)
    assert (clock.next_due_ns, clock.start_at_ns) == (30 * MS, 27 * MS)
    assert run(clock, 50 * MS) == [(27 * MS, START), (30 * MS, b"\xf8"), (50 * MS, b"\xf8")]
    clock = clock_at_125()
    run(clock, 20 * MS)
    clock.request(TransportCommand.START, 25 * MS, 25 * MS)
    assert clock.bring_forward(20 * MS, 20 * MS)
    assert run(clock, 22 * MS) == [(21 * MS, START), (22 * MS, b"\xf8")], "1 ms on either side of the Start"
    assert not clock.bring_forward(0, 0)


def test_what_waits_before_the_first_tick_keeps_its_distance_from_the_one_before() -> None:
    """At 125 BPM the tick before the first lies 20 ms before it: a Start may go out at once."""
    clock = Clock(100 * MS, Fraction(125))
    clock.request(TransportCommand.START, 82 * MS, 82 * MS)
    assert run(clock, 100 * MS) == [(82 * MS, START), (100 * MS, b"\xf8")]


def test_before_any_song_bars_are_of_four_quarters() -> None:
    (step,) = clock_at_125().map.steps
    assert (step.beats, step.unit, step.bpm) == (4, 4, 125)
    assert (clock_at_125().bar_ticks, clock_at_125().beat_ticks) == (96, 24)


@pytest.mark.parametrize(
    ("earliest_ns", "tick_ns"),
    [(39 * MS, 40 * MS), (39 * MS + 1, 40 * MS + 1), (43 * MS, 44 * MS), (43 * MS + 1, 40 * MS)],
)
def test_a_tick_waits_for_a_sources_start_as_far_as_it_must_and_4_ms_at_most(
    earliest_ns: int, tick_ns: int
) -> None:
    """The Start lies 1 ms before the tick at least (M1 p. 30)."""
    clock = clock_at_125()
    run(clock, 20 * MS)
    clock.request(TransportCommand.START, 25 * MS, 25 * MS)
    clock.give_room(earliest_ns)
    assert clock.next_due_ns == tick_ns
    assert clock.start_at_ns == (earliest_ns if tick_ns > 40 * MS else 25 * MS)


def test_the_room_for_a_sources_start_is_there_once() -> None:
    clock = clock_at_125()
    run(clock, 20 * MS)
    assert not clock.make_room(41 * MS), "no Start waits"
    clock.request(TransportCommand.START, 25 * MS, 25 * MS)
    assert not clock.make_room(41 * MS), "it is nobody's that is waited for"
    clock.give_room(41 * MS)
    assert (clock.start_at_ns, clock.next_due_ns) == (41 * MS, 42 * MS)
    assert clock.make_room(43 * MS)
    assert not clock.make_room(43 * MS + 1)
    assert run(clock, 64 * MS) == [(43 * MS, START), (44 * MS, b"\xf8"), (64 * MS, b"\xf8")]


def test_a_start_that_is_late_once_uses_the_room_that_it_was_given() -> None:
    """It may go out up to 1 ms before the tick; when it is later than that, the tick waits."""
    for now_ns, tick_ns in ((39 * MS, 40 * MS), (40 * MS, 41 * MS), (43 * MS, 44 * MS)):
        clock = clock_at_125()
        run(clock, 20 * MS)
        clock.request(TransportCommand.START, 25 * MS, 25 * MS)
        clock.give_room(25 * MS)
        assert clock.take_start(now_ns) == START
        assert clock.next_due_ns == tick_ns
