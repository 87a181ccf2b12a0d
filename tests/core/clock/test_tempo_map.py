"""Tempo maps against worked sums, numerical integration, and mido's own seconds of a real performance."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction
from pathlib import Path

import mido
import music21
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.clock.tempo_map import RAMP_STEPS, TempoMap
from routerd.core.model.timing import Curve, MeterPoint, Segment, TempoPoint

F = Fraction
MS = 1_000_000


def played(tempo_map: TempoMap, count: int) -> list[int]:
    """Return when each tick is due when a clock takes the steps one by one."""
    segment = Segment(0, 0, tempo_map.steps[0].rate_bpm)
    steps = iter([*tempo_map.steps[1:], None])
    following = next(steps)
    out = []
    for tick in range(count):
        while following is not None and tick >= following.tick:
            segment = Segment(segment.due_ns(tick), tick, following.rate_bpm)
            following = next(steps)
        out.append(segment.due_ns(tick))
    return out


def test_one_tempo_is_one_step() -> None:
    tempo_map = TempoMap(F("121.5"), 7, 8)
    assert [(s.tick, s.rate_bpm, s.bpm, s.bar_ticks) for s in tempo_map.steps] == [
        (0, F("121.5"), F("121.5"), 84)
    ]
    assert not tempo_map.moves


def test_a_step_in_tempo_lies_on_its_tick() -> None:
    """Two bars of 4/4 at 125 (20 ms a tick) are 3.84 s; at 250 a tick is 10 ms (60 s / (24 × bpm), M1 p.
    30)."""
    tempo_map = TempoMap(F(125), 4, 4, (TempoPoint(F(192), F(250), F(250)),))
    times = played(tempo_map, 300)
    assert times[192] == 3840 * MS
    assert times[191] == 3820 * MS
    assert times[193] == 3850 * MS
    assert times[292] == 4840 * MS


@pytest.mark.parametrize("curve", list(Curve))
@pytest.mark.parametrize(("low", "high"), [(120, 140), (140, 120), (60, 180)])
def test_a_ramp_is_the_integral_of_its_tempo(curve: Curve, low: int, high: int) -> None:
    """Checked with numpy's trapezoids over a fine grid of 60 s / (24 × bpm(x)) for each tick."""
    n = 8 * 96
    tempo_map = TempoMap(F(low), 4, 4, (TempoPoint(F(96), F(low), F(high), F(n), curve),))
    times = np.array(played(tempo_map, 96 + n + 97), dtype=float)
    x = np.linspace(0, n, n * 100 + 1)
    bpm = low + (high - low) * x / n if curve is Curve.LINEAR else low * (high / low) ** (x / n)
    pace = 2.5e9 / bpm
    integral = np.concatenate([[0.0], np.cumsum((pace[1:] + pace[:-1]) / 2 * (x[1] - x[0]))])[::100]
    expected = 96 * 2.5e9 / low + integral
    at_bars = np.abs(times[96 : 96 + n + 1 : 96] - expected[::96])
    assert at_bars.max() < 100  # ns; the trapezoids' own error
    assert np.abs(times[96 : 96 + n + 1] - expected).max() < 20_000  # between joints, 20 µs
    assert times[96 + n + 96] - times[96 + n] == pytest.approx(96 * 2.5e9 / high, abs=2)


def test_a_linear_ramp_from_60_to_120_takes_the_logarithm_of_two() -> None:
    """∫ dx / (60 + 60·x/n) = (n/60)·ln 2: four bars of 4/4 take 16 minutes' quarters × ln 2 / 60."""
    tempo_map = TempoMap(F(60), 4, 4, (TempoPoint(F(0), F(60), F(120), F(384)),))
    assert tempo_map.time_ns(384) == pytest.approx(16 * math.log(2) * 1e9, abs=1)


@pytest.mark.parametrize(
    ("curve", "shown"),
    [
        (Curve.LINEAR, ["100", "125", "150", "175", "200"]),
        # 100 × 2^(n/4): 118.92, 141.42, 168.18
        (Curve.EXPONENTIAL, ["100", "118.92", "141.42", "168.18", "200"]),
    ],
)
def test_the_tempo_that_is_shown_follows_the_curve(curve: Curve, shown: list[str]) -> None:
    """From 100 to 200 BPM over four bars of 4/4."""
    ramp = TempoPoint(F(0), F(100), F(200), F(384), curve)
    tempo_map = TempoMap(F(100), 4, 4, (ramp,))
    assert [tempo_map.steps[tempo_map.index_at(bar * 96)].bpm for bar in range(5)] == [
        F(bpm) for bpm in shown
    ]
    # n/(b − a)·ln(b/a) and n/(a·ln(b/a))·(1 − a/b) minutes for n = 16 quarters
    minutes = 0.16 * math.log(2) if curve is Curve.LINEAR else 0.08 / math.log(2)
    assert tempo_map.time_ns(384) == pytest.approx(minutes * 60e9, abs=1)


def test_the_tempo_that_is_shown_in_a_ramp_has_two_decimals() -> None:
    ramp = TempoPoint(F(0), F(100), F(101), F(288), Curve.LINEAR)
    tempo_map = TempoMap(F(100), 4, 4, (ramp,))
    shown = [tempo_map.steps[tempo_map.index_at(bar * 96)].bpm for bar in range(4)]
    assert shown == [F(100), F("100.33"), F("100.67"), F(101)]


def test_steps_are_bounded_and_every_bar_line_of_a_ramp_is_one() -> None:
    meters = (MeterPoint(96 * 10, 7, 8),)
    points = (TempoPoint(F(96), F(60), F(180), F(96 * 400), Curve.EXPONENTIAL),)
    tempo_map = TempoMap(F(60), 4, 4, points, meters)
    assert len(tempo_map.steps) <= RAMP_STEPS + 10
    ticks = {step.tick for step in tempo_map.steps}
    bar = 1
    while (tick := tempo_map.tick_of_bar(bar)) < 96 * 400:
        assert tick in ticks
        bar += 1


def test_bars_count_through_meter_changes() -> None:
    """4/4 has 96 ticks, 7/8 has 84, 3/4 has 72 (24 to the quarter)."""
    meters = (MeterPoint(0, 4, 4), MeterPoint(192, 7, 8), MeterPoint(192 + 84, 3, 4))
    tempo_map = TempoMap(F(120), 4, 4, (), meters)
    assert [tempo_map.tick_of_bar(bar) for bar in range(6)] == [0, 96, 192, 276, 348, 420]
    assert [(s.tick, s.beats, s.unit, s.bar) for s in tempo_map.steps] == [
        (0, 4, 4, 0),
        (192, 7, 8, 2),
        (276, 3, 4, 3),
    ]


@given(
    st.lists(
        st.tuples(st.integers(1, 400), st.integers(20, 300), st.integers(20, 300), st.booleans()), max_size=6
    )
)
def test_joints_are_exact_and_time_goes_on(parts: list[tuple[int, int, int, bool]]) -> None:
    points, at = [], F(0)
    for length, bpm, to_bpm, is_ramp in parts:
        points.append(TempoPoint(at, F(bpm), F(to_bpm if is_ramp else bpm), F(length if is_ramp else 0)))
        at += F(length, 3)
    tempo_map = TempoMap(F(120), 4, 4, tuple(points))
    times = played(tempo_map, int(at) + 50)
    assert all(b > a for a, b in itertools.pairwise(times))
    for step in tempo_map.steps[: len(times)]:
        if step.tick < len(times):
            assert abs(times[step.tick] - tempo_map.time_ns(step.tick)) <= 1


@st.composite
def maps(draw: st.DrawFn) -> tuple[list[TempoPoint], list[MeterPoint]]:
    """Points and meters in order, at 0 or later, between ticks too; ramps that the next point cuts short."""
    points, at = [], F(draw(st.integers(0, 3)) * draw(st.integers(0, 40)), 2)
    for _ in range(draw(st.integers(0, 4))):
        low, high = draw(st.integers(20, 300)), draw(st.integers(20, 300))
        over = F(draw(st.integers(0, 400)) * draw(st.integers(0, 12)), 3)
        curve = draw(st.sampled_from(list(Curve)))
        points.append(TempoPoint(at, F(low), F(low if not over or low % 5 == 0 else high), over, curve))
        at += F(draw(st.integers(1, 600)), 2)
    meters, tick = [], draw(st.sampled_from((0, 0, 96, 192)))
    for _ in range(draw(st.integers(0, 3))):
        meter = MeterPoint(tick, draw(st.integers(1, 9)), draw(st.sampled_from((2, 4, 8, 16))))
        meters.append(meter)
        tick += draw(st.integers(1, 5)) * draw(st.sampled_from((18, 24, 96)))
    return points, meters


def tempo_in(points: list[TempoPoint], tick: F | int) -> float:
    """Return the tempo of a map of 120 BPM at a place, by its definition."""
    point = next((one for one in reversed(points) if one.at_ticks <= tick), None)
    if point is None:
        return 120.0
    part = float((tick - point.at_ticks) / point.over_ticks) if point.over_ticks else 1.0
    low, high = float(point.bpm), float(point.to_bpm)
    if part >= 1:
        return high
    return low + (high - low) * part if point.curve is Curve.LINEAR else low * (high / low) ** part


@given(maps())
def test_bars_of_maps_of_chance_are_those_that_one_counts(
    parts: tuple[list[TempoPoint], list[MeterPoint]],
) -> None:
    points, meters = parts
    tempo_map = TempoMap(F(120), 4, 4, tuple(points), tuple(meters))
    changes = {meter.at_tick: meter for meter in meters}
    meter, bar, tick_of_meter, bar_of_meter = MeterPoint(0, 4, 4), -1, 0, 0
    next_bar = 0
    for tick in range(900):
        if tick in changes or tick == next_bar:
            bar += 1
            if tick in changes:
                meter, tick_of_meter, bar_of_meter = changes[tick], tick, bar
            next_bar = tick + 96 * meter.beats // meter.unit
            assert tempo_map.tick_of_bar(bar) == tick
        assert tempo_map.bar_at(tick) == bar
        step = tempo_map.steps[tempo_map.index_at(tick)]
        assert (step.beats, step.unit) == (meter.beats, meter.unit)
        assert (step.bar_tick, step.bar) == (tick_of_meter, bar_of_meter)


@given(maps())
def test_times_and_shown_tempos_of_maps_of_chance(
    parts: tuple[list[TempoPoint], list[MeterPoint]],
) -> None:
    """Simpson's rule over 60 s / (24 × bpm(x)), stretch by stretch (error below 1e-8 of a stretch)."""
    points, meters = parts
    tempo_map = TempoMap(F(120), 4, 4, tuple(points), tuple(meters))
    ends = [one.at_ticks + one.over_ticks for one in points]
    edges = sorted({F(0), *(one.at_ticks for one in points), *ends, F(2000)})
    expected_ns = 0.0
    for a, b in itertools.pairwise(edge for edge in edges if edge <= 2000):
        x = [a + (b - a) * part / 200 for part in range(201)]
        # the last place belongs to this stretch: its tempo is what it comes to, not what is next
        point = next((one for one in reversed(points) if one.at_ticks <= a), None)
        pace = [2.5e9 / tempo_in([] if point is None else [point], one) for one in x]
        weights = [1, *[4, 2] * 99, 4, 1]
        expected_ns += float(b - a) / 600 * sum(w * p for w, p in zip(weights, pace, strict=True))
        assert tempo_map.time_ns(b) == pytest.approx(expected_ns, rel=1e-6, abs=2)
    for step in tempo_map.steps:
        assert float(step.bpm) == pytest.approx(tempo_in(points, step.tick), abs=0.00501)
    assert tempo_map.moves == any(one.at_ticks > 0 or one.over_ticks > 0 for one in points)


@given(maps())
def test_joints_of_maps_of_chance(parts: tuple[list[TempoPoint], list[MeterPoint]]) -> None:
    """Every change of tempo and meter, and in ramps the bar's smallest even part that keeps RAMP_STEPS."""
    points, meters = parts
    tempo_map = TempoMap(F(120), 4, 4, tuple(points), tuple(meters))
    expected = {0, *(meter.at_tick for meter in meters)}
    for place, point in enumerate(points):
        end = point.at_ticks + point.over_ticks
        if place < len(points) - 1 and points[place + 1].at_ticks < end:
            end = points[place + 1].at_ticks
        expected |= {math.floor(point.at_ticks), math.ceil(point.at_ticks), math.floor(end), math.ceil(end)}
        first, last = math.ceil(point.at_ticks), math.floor(end)
        for tick in range(first + 1, last):
            meter = next((one for one in reversed(meters) if one.at_tick <= tick), MeterPoint(0, 4, 4))
            bar = 96 * meter.beats // meter.unit
            part = next(d for d in range(1, bar + 1) if bar % d == 0 and d * RAMP_STEPS >= last - first)
            if (tick - meter.at_tick) % part == 0:
                expected.add(tick)
    assert [step.tick for step in tempo_map.steps] == sorted(expected)
    for step, after in itertools.pairwise(tempo_map.steps):
        span_ns = tempo_map.time_ns(after.tick) - tempo_map.time_ns(step.tick)
        assert span_ns == F(5, 2) * 10**9 * (after.tick - step.tick) / step.rate_bpm


def performance() -> mido.MidiFile:
    folder = Path(music21.__file__).parent
    (path,) = folder.rglob("k525MIDIMvt1.mid")
    return mido.MidiFile(path)


def test_the_map_of_a_real_performance_gives_midos_seconds() -> None:
    """music21's k525 file: its tempo events as points, every tick's time against mido's tick2second sums."""
    file = performance()
    scale = F(24, file.ticks_per_beat)
    points, at = [], 0
    sums: list[tuple[int, float, int]] = [(0, 0.0, 500_000)]
    for message in mido.merge_tracks(file.tracks):
        at += message.time
        if message.type == "set_tempo":
            bpm = F(60_000_000, message.tempo)
            if points and points[-1].at_ticks == at * scale:
                points.pop()
            points.append(TempoPoint(at * scale, bpm, bpm))
            then, seconds, tempo = sums[-1]
            seconds += mido.tick2second(at - then, file.ticks_per_beat, tempo)
            sums.append((at, seconds, message.tempo))
    assert len(points) > 50
    tempo_map = TempoMap(F(120), 4, 4, tuple(points))
    count = int(at * scale)
    times = played(tempo_map, count)
    for tick in range(0, count, 7):
        position = tick / scale
        then, seconds, tempo = next(entry for entry in reversed(sums) if entry[0] <= position)
        seconds += float(position - then) * tempo / 1e6 / file.ticks_per_beat
        assert times[tick] == pytest.approx(seconds * 1e9, abs=20)


def test_one_tempo_from_the_top_is_no_change_of_tempo() -> None:
    """As a file of tempos has it for a song that keeps its tempo: it is not set anew with each start."""
    one = TempoMap(Fraction(120), 4, 4, (TempoPoint(Fraction(0), Fraction(125), Fraction(125)),))
    assert not one.moves
    assert [(step.tick, step.bpm) for step in one.steps] == [(0, 125)]
    two = TempoMap(Fraction(120), 4, 4, (TempoPoint(Fraction(1), Fraction(125), Fraction(125)),))
    assert two.moves
