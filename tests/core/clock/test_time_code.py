"""MIDI time code against the specification's worked examples and the drop-frame tables, and on a running
show."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.clock.time_code import FrameTime, frame_time, full_message, quarter_frame
from routerd.core.model.actions import Action
from routerd.core.model.rig import Device, Rig
from routerd.core.model.song import Song
from routerd.core.model.timing import FrameRate, TimeCode, Timing
from tests.stage import MS, Stage, compiled

DROP, FPS_24, FPS_25, FPS_30 = FrameRate.DROP, FrameRate.FPS_24, FrameRate.FPS_25, FrameRate.FPS_30


def test_the_specifications_worked_example() -> None:
    """MTC p. 4: 01:37:52:16 at 30 frames, non-drop."""
    time = FrameTime(1, 37, 52, 16)
    pieces = [quarter_frame(piece, time, FPS_30).hex() for piece in range(8)]
    assert pieces == ["f100", "f111", "f124", "f133", "f145", "f152", "f161", "f176"]
    assert full_message(time, FPS_30).hex() == "f07f7f010161253410f7"  # computed from p. 5


def test_a_textbooks_full_message() -> None:
    """01:30:35:20 at 30 frames: Digital Sound & Music, ch. 6."""
    assert full_message(FrameTime(1, 30, 35, 20), FPS_30).hex()[10:18] == "611e2314"


@pytest.mark.parametrize(("rate", "code"), [(FPS_24, 0), (FPS_25, 1), (DROP, 2), (FPS_30, 3)])
def test_the_rate_is_in_the_hours(rate: FrameRate, code: int) -> None:
    """MTC p. 2."""
    assert full_message(FrameTime(2, 0, 0, 0), rate)[5] == code << 5 | 2
    assert quarter_frame(7, FrameTime(17, 0, 0, 0), rate) == bytes((0xF1, 0x70 | code << 1 | 1))


@pytest.mark.parametrize(
    ("frame", "time"),
    [
        (0, (0, 0, 0, 0)),
        (1799, (0, 0, 59, 29)),
        (1800, (0, 1, 0, 2)),
        (17981, (0, 9, 59, 29)),
        (17982, (0, 10, 0, 0)),
        (107892, (1, 0, 0, 0)),
        (388703, (3, 36, 9, 23)),
        (2589407, (23, 59, 59, 29)),
        (2589408, (0, 0, 0, 0)),
    ],
)
def test_drop_frame_leaves_out_two_numbers_a_minute(frame: int, time: tuple[int, int, int, int]) -> None:
    """Numbers :00 and :01 left out each minute but every tenth; values computed, and by the package
    timecode."""
    assert frame_time(frame, DROP) == time


def test_every_drop_frame_number_of_an_hour_follows_the_rule() -> None:
    """108 numbers of an hour are left out, and each other comes once, in order."""
    numbers = [frame_time(frame, DROP) for frame in range(107892)]
    assert len(set(numbers)) == 30 * 3600 - 108
    assert numbers == sorted(numbers)
    assert not [t for t in numbers if t.frames < 2 and t.seconds == 0 and t.minutes % 10]


@given(st.sampled_from(list(FrameRate)), st.integers(0, 2_000_000))
def test_pieces_say_the_time(rate: FrameRate, frame: int) -> None:
    time = frame_time(frame, rate)
    nibbles = [quarter_frame(piece, time, rate)[1] & 0x0F for piece in range(8)]
    values = [nibbles[i] | nibbles[i + 1] << 4 for i in range(0, 8, 2)]
    assert (values[3] & 0x1F, values[2], values[1], values[0]) == time


def stage(rate: FrameRate, *, of_set: bool = False, offset_ns: int = 0) -> Stage:
    timing = Timing(mtc=TimeCode(rate, of_set), offset_ns=offset_ns)
    tape = Device("tape", output_pattern="t", timing=timing)
    other = Device("other", output_pattern="o", clock=True, transport=True)
    songs = (Song("one", "One", Fraction(125)), Song("two", "Two", Fraction(125)))
    return Stage(compiled(Rig("rig", (tape, other)), songs, ("one", "two")))


def heard(one: Stage) -> list[tuple[int, bytes]]:
    return [(t, data) for t, name, data in one.log if name == "tape"]


@pytest.mark.parametrize(
    ("rate", "per_s"), [(FPS_24, 96), (FPS_25, 100), (FPS_30, 120), (DROP, 120_000 / 1001)]
)
def test_quarter_frames_run_with_transport_in_real_time(rate: FrameRate, per_s: float) -> None:
    """MTC p. 4: 120 quarter frames a second at 30 frames; the first with the song's first tick."""
    one = stage(rate, offset_ns=3 * MS)
    one.run(500 * MS)
    assert not heard(one)
    one.do(Action.START)
    one.run(3000 * MS)
    first = next(t for t, n, d in one.log if n == "other" and d == b"\xf8" and t > 502 * MS)
    (begun_ns, full), *quarters = heard(one)
    assert full == full_message(FrameTime(0, 0, 0, 0), rate)
    assert begun_ns == quarters[0][0] == first + 3 * MS
    for n, (at_ns, data) in enumerate(quarters):
        assert abs(at_ns - begun_ns - n * 1e9 / per_s) <= 1
        assert data == quarter_frame(n % 8, frame_time(n // 8 * 2, rate), rate)
    one.do(Action.STOP)
    count = len(heard(one))
    one.run(4000 * MS)
    assert len(heard(one)) - count <= 3  # those of the tick that was


def test_continue_goes_on_from_the_songs_own_time() -> None:
    """Bar 3 of 4/4 at 125 BPM is 3.84 s: 96 frames at 25, number 00:00:03:21."""
    one = stage(FPS_25)
    one.do(Action.CONTINUE, 3)
    one.run(200 * MS)
    (_, full), (_at_ns, first), *_ = heard(one)
    assert full == full_message(FrameTime(0, 0, 3, 21), FPS_25)
    assert first == quarter_frame(0, FrameTime(0, 0, 3, 21), FPS_25)


@pytest.mark.parametrize("presses", [0, 1])
def test_time_of_the_set_begins_with_the_songs_number(presses: int) -> None:
    one = stage(FPS_30, of_set=True)
    for _ in range(presses):
        one.do(Action.NEXT)
    one.do(Action.START)
    one.run(200 * MS)
    assert heard(one)[0][1] == full_message(FrameTime(1 + presses, 0, 0, 0), FPS_30)


@pytest.mark.parametrize(("stop_ms", "last_ms"), [(621, 630), (629, 630), (631, 630), (639, 630), (641, 650)])
def test_after_stop_only_what_lies_before_the_next_tick_goes_out(stop_ms: int, last_ms: int) -> None:
    """At 125 BPM and 25 frames every other quarter frame lies on a tick: 20 ms and 10 ms."""
    one = stage(FPS_25)
    one.run(510 * MS)
    one.do(Action.START)
    one.run(stop_ms * MS)
    one.do(Action.STOP)
    one.run(1000 * MS)
    assert [t / MS for t, _ in heard(one)[1:]] == list(range(520, last_ms + 1, 10))
