"""A song's tempo and meter by position, compiled to steps that the clock takes one by one.

A step holds from its tick to the next step's. Between two joints the clock goes straight, at the rate that
makes the stretch exactly as long as the curve says, to the nanosecond; so every joint lies where the curve
has it, and every bar line inside a ramp is a joint. A ramp has at most RAMP_STEPS joints and what a meter
change adds.

Tempo in a ramp is a function of position (ticks), not of time: linear, bpm(x) = a + (b − a)·x/n, takes
n/(b − a)·ln(bpm/a) quarter notes' time at 1 BPM; exponential, bpm(x) = a·(b/a)^(x/n), takes
n/(a·ln(b/a))·(1 − (a/b)^(x/n)): the integrals of 1/bpm.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from fractions import Fraction
from typing import NamedTuple

from routerd.core.model.timing import Curve, MeterPoint, TempoPoint
from routerd.core.units import TICK_NS_AT_1_BPM, ticks_per_bar

RAMP_STEPS = 1024


class Step(NamedTuple):
    """From `tick` on: the clock's rate, the tempo to show, and the meter with the bar that it began at."""

    tick: int
    rate_bpm: Fraction
    bpm: Fraction
    beats: int
    unit: int
    bar_tick: int
    """The tick at which this meter began."""
    bar: int
    """The number of the bar that began there, from 0."""

    @property
    def bar_ticks(self) -> int:
        """Ticks in a bar."""
        return ticks_per_bar(self.beats, self.unit)


class TempoMap:
    """The steps of a song. `moves`: tempo changes on the way, so each start sets it anew."""

    def __init__(
        self,
        bpm: Fraction,
        beats: int,
        unit: int,
        points: tuple[TempoPoint, ...] = (),
        meters: tuple[MeterPoint, ...] = (),
    ) -> None:
        """`points` and `meters` are in order; what comes before the first is `bpm`, and `beats`/`unit`."""
        if not points or points[0].at_ticks > 0:
            points = (TempoPoint(Fraction(0), bpm, bpm), *points)
        if not meters or meters[0].at_tick > 0:
            meters = (MeterPoint(0, beats, unit), *meters)
        self.moves = len(points) > 1 or points[0].over_ticks > 0
        self._points = points
        self._starts = _starts(points)
        self._ats = [point.at_ticks for point in points]
        self._meters = _counted(meters)
        self._meter_ticks = [meter.at_tick for meter, _ in self._meters]
        self.steps = self._compile()
        self._step_ticks = [step.tick for step in self.steps]

    def index_at(self, tick: int) -> int:
        """Return which step holds at `tick`."""
        return bisect_right(self._step_ticks, tick) - 1

    def time_ns(self, tick: Fraction | int) -> int:
        """Return how long after tick 0 `tick` lies, at the map's own tempo."""
        index = bisect_right(self._ats, tick) - 1
        return round(self._starts[index] + _span(self._points[index], tick - self._ats[index]))

    def tick_of_bar(self, bar: int) -> int:
        """Return the tick at which bar `bar` (from 0) begins."""
        meter, first = next(pair for pair in reversed(self._meters) if pair[1] <= bar)
        return meter.at_tick + (bar - first) * ticks_per_bar(meter.beats, meter.unit)

    def bar_at(self, tick: int) -> int:
        """Return the number (from 0) of the bar that `tick` lies in."""
        meter, first = self._meters[bisect_right(self._meter_ticks, tick) - 1]
        return first + (tick - meter.at_tick) // ticks_per_bar(meter.beats, meter.unit)

    def _compile(self) -> tuple[Step, ...]:
        joints = sorted(self._joints())
        times = [self.time_ns(joint) for joint in joints]
        steps = []
        for place, joint in enumerate(joints):
            tempo = _tempo_at(self._point_at(joint), joint)
            rate = tempo
            if place + 1 < len(joints):
                rate = Fraction(
                    TICK_NS_AT_1_BPM * (joints[place + 1] - joint), times[place + 1] - times[place]
                )
            meter, bar = self._meters[bisect_right(self._meter_ticks, joint) - 1]
            steps.append(Step(joint, rate, tempo, meter.beats, meter.unit, meter.at_tick, bar))
        return tuple(steps)

    def _point_at(self, tick: int) -> TempoPoint:
        return self._points[bisect_right(self._ats, tick) - 1]

    def _joints(self) -> set[int]:
        joints = {0, *self._meter_ticks}
        for place, point in enumerate(self._points):
            end = point.at_ticks + point.over_ticks
            if place + 1 < len(self._points):
                end = min(end, self._points[place + 1].at_ticks)
            # a change between two ticks makes the tick that it falls into a stretch of its own
            for edge in (point.at_ticks, end):
                joints |= {math.floor(edge), math.ceil(edge)}
            joints |= self._ramp_joints(math.ceil(point.at_ticks), math.floor(end))
        return joints

    def _ramp_joints(self, start: int, end: int) -> set[int]:
        """Return the joints of a ramp: all bar lines, and between them even parts of a bar."""
        joints: set[int] = set()
        edges = [start, *(tick for tick in self._meter_ticks if start < tick < end), end]
        least = (end - start) / RAMP_STEPS
        for a, b in itertools.pairwise(edges):
            meter, _ = self._meters[bisect_right(self._meter_ticks, a) - 1]
            bar = ticks_per_bar(meter.beats, meter.unit)
            stride = next((d for d in range(1, bar + 1) if bar % d == 0 and d >= least), bar)
            joints |= set(range(a - (a - meter.at_tick) % stride + stride, b, stride))
        return joints


def _counted(meters: tuple[MeterPoint, ...]) -> list[tuple[MeterPoint, int]]:
    """Give every meter the number of the bar that it begins with."""
    out = [(meters[0], 0)]
    for meter in meters[1:]:
        before, bar = out[-1]
        ticks = meter.at_tick - before.at_tick
        out.append((meter, bar + -(-ticks // ticks_per_bar(before.beats, before.unit))))
    return out


def _starts(points: tuple[TempoPoint, ...]) -> list[Fraction]:
    """Return when each point is reached, in ns after position 0."""
    out = [Fraction(0)]
    for before, after in itertools.pairwise(points):
        out.append(out[-1] + _span(before, after.at_ticks - before.at_ticks))
    return out


def _span(point: TempoPoint, ticks: Fraction | int) -> Fraction:
    """Return the time that the first `ticks` from a point on take."""
    inside = min(ticks, point.over_ticks)
    span = (ticks - inside) * TICK_NS_AT_1_BPM / point.to_bpm
    if inside <= 0:
        return Fraction(span)
    a, b, n = float(point.bpm), float(point.to_bpm), float(point.over_ticks)
    if a == b:
        quarters = float(inside) / a
    elif point.curve is Curve.LINEAR:
        quarters = n / (b - a) * math.log1p((b - a) / a * float(inside) / n)
    else:
        ratio = math.log(b / a)
        quarters = n / (a * ratio) * -math.expm1(-ratio * float(inside) / n)
    return span + Fraction(quarters * TICK_NS_AT_1_BPM)


def _tempo_at(point: TempoPoint, tick: int) -> Fraction:
    """Return the tempo to show at a tick: exact outside ramps, to a hundredth inside."""
    if tick >= point.at_ticks + point.over_ticks:
        return point.to_bpm
    part = (tick - point.at_ticks) / point.over_ticks
    if point.curve is Curve.LINEAR:
        return round(point.bpm + (point.to_bpm - point.bpm) * part, 2)
    return round(Fraction(float(point.bpm) * float(point.to_bpm / point.bpm) ** float(part)), 2)
