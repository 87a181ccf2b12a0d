"""A song that follows MIDI time code, on simulated time. 125 BPM: 20 ms a tick (M1 p. 30)."""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest

from routerd.core.clock.time_code import frame_ns, frame_number, frame_time, quarter_frame
from routerd.core.model.rig import Device, Rig
from routerd.core.model.song import Song
from routerd.core.model.timing import ClockFrom, FrameRate, SongTiming, TempoPoint, Timing
from tests.stage import CONTINUE, MS, RIG, START, STOP, TICK, Stage, compiled

TAPE = Device("tape", input_pattern="tape", timing=Timing(clock_from=ClockFrom.MTC))
TIMING = SongTiming(clock_source="tape", tempo=(TempoPoint(Fraction(384), Fraction(250), Fraction(250)),))


def stage() -> Stage:
    song = Song("one", "One", Fraction(125), timing=TIMING)
    return Stage(compiled(Rig("band", (*RIG.devices, TAPE)), (song,), ("one",)))


def play(one: Stage, rate: FrameRate, begin_ns: int, frame: int, quarters: int, speed: float = 1.0) -> int:
    """Let the tape run from a (two-frame) time on; return when the next quarter frame would come."""
    quarter_ns = float(frame_ns(rate)) / 4 / speed
    for n in range(quarters):
        one.run(begin_ns + round(n * quarter_ns))
        data = quarter_frame(n % 8, frame_time(frame + n // 8 * 2, rate), rate)
        one.play("tape", data.hex())
    return begin_ns + round(quarters * quarter_ns)


def at(one: Stage, data: bytes) -> list[int]:
    return [at_ns for at_ns, device, sent in one.log if (device, sent) == ("modular", data)]


def song_ticks(one: Stage) -> list[tuple[int, int]]:
    """Return position and time of every tick since transport began last."""
    began = max(at(one, CONTINUE) + at(one, START))
    ticks = [t for t in at(one, TICK) if t > began]
    last = one.show.transport.clock.position_ticks - 1
    return [(last - n, t) for n, t in enumerate(reversed(ticks))]


@pytest.mark.parametrize("rate", list(FrameRate))
@pytest.mark.parametrize("speed", [1.0, 1.01, 0.99])
@pytest.mark.parametrize("hour", [0, 3])
def test_the_song_lies_where_the_time_code_is(rate: FrameRate, speed: float, hour: int) -> None:
    one = stage()
    top = frame_number(frame_time(0, rate)._replace(hours=hour), rate)
    begin_ns = 503 * MS
    play(one, rate, begin_ns, top, 1000, speed)
    assert one.show.snapshot().following.state == "locked"
    assert one.show.transport.clock.state == "running"
    places = song_ticks(one)
    assert len(places) > 300
    for position, at_ns in places[: len(places) - 48]:
        due_ns = begin_ns + one.show.transport.clock.map.time_ns(position) / speed
        assert abs(at_ns - due_ns) < 0.2 * MS


def test_a_pre_roll_starts_the_song_at_its_top() -> None:
    """Five seconds before the hour, 25 frames: Start, not Continue, on the hour."""
    one = stage()
    top = frame_number(frame_time(0, FrameRate.FPS_25)._replace(hours=2), FrameRate.FPS_25)
    play(one, FrameRate.FPS_25, 500 * MS, top - 126, 1000)
    (start_ns,) = at(one, START)
    assert not at(one, CONTINUE)
    first = next(t for t in at(one, TICK) if t > start_ns)
    assert abs(first - (500 + 126 * 40) * MS) < 2 * MS


def test_a_jump_stops_and_goes_on_from_there() -> None:
    one = stage()
    next_ns = play(one, FrameRate.FPS_30, 500 * MS, 0, 600)
    play(one, FrameRate.FPS_30, next_ns, 3000, 600)
    assert len(at(one, STOP)) == 1
    assert len(at(one, CONTINUE)) == 2
    position, at_ns = song_ticks(one)[0]
    due_ns = next_ns - 100_000_000_000 + one.show.transport.clock.map.time_ns(position)
    assert abs(at_ns - due_ns) < 1 * MS


def test_malformed_pieces_and_silence_stop_nothing() -> None:
    one = stage()
    next_ns = play(one, FrameRate.FPS_30, 500 * MS, 0, 600)
    one.play("tape", "F1", "F1 80", "F1 7F", "F1 00", "F8", "FA")
    one.run(next_ns + 20_000 * MS)
    assert one.show.transport.clock.state == "running"
    assert [e["state"] for e in one.events if e["kind"] == "following"][-2:] == ["holdover", "free"]
    ticks = at(one, TICK)
    assert max(b - a for a, b in itertools.pairwise(ticks)) < 25 * MS


@pytest.mark.parametrize(("frames", "stops"), [(-3, 1), (-2, 0), (-1, 0), (1, 0), (2, 0), (3, 1)])
def test_two_frames_beside_the_expected_time_are_no_jump(frames: int, stops: int) -> None:
    """A tape that was cut there, or a source that rounds: the song plays on; from three frames it jumps."""
    one = stage()
    next_ns = play(one, FrameRate.FPS_25, 500 * MS, 250, 400)
    assert one.show.transport.clock.state == "running"
    before = len(at(one, STOP))
    play(one, FrameRate.FPS_25, next_ns, 250 + 100 + frames, 24)
    assert len(at(one, STOP)) - before == stops
