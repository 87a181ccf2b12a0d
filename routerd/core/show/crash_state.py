"""Where the show stood when its engine died, as the last snapshot and the last tick show.

Pure values. The grid is that of the dead engine: instants are of the same clock, which only holds within one
boot of the machine; whoever reads a crash state sees to that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from routerd.core.clock.clock import ClockState
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import DeviceClockState, ResumePoint, Snapshot, resume_point_of
from routerd.core.model.timing import Segment, State, TempoBy
from routerd.core.units import BPM_MAX, BPM_MIN

MOST_TICKS = 1 << 40
"""No show has so many: at 480 BPM they last 180 years."""

FOLLOWED = 2
"""A source that is followed may be so far outside the tempos that songs may have."""

MOST_BITS = 200
"""Of a tempo's denominator, so that nothing is worked on for ever."""


@dataclass(frozen=True, slots=True)
class CrashState:
    """What of a snapshot is kept for the next engine: what it resumes, and where the grid lies."""

    resume: ResumePoint
    set_list: SetList
    bpm: Fraction
    tempo_by: TempoBy
    grid: Segment
    transport: State
    position_tick: int
    origin_tick: int
    bar_origin_tick: int
    clock_source: str
    devices: tuple[DeviceClockState, ...]
    click_alone: bool


def crash_state_of(snapshot: Snapshot) -> CrashState:
    """Return what is kept of a snapshot."""
    return CrashState(
        resume=resume_point_of(snapshot),
        set_list=snapshot.set_list,
        bpm=snapshot.bpm,
        tempo_by=snapshot.tempo_by,
        grid=snapshot.grid,
        transport=snapshot.transport,
        position_tick=snapshot.position_tick,
        origin_tick=snapshot.origin_tick,
        bar_origin_tick=snapshot.bar_origin_tick,
        clock_source=snapshot.clock_source,
        devices=snapshot.devices,
        click_alone=snapshot.click.alone,
    )


class Kept(NamedTuple):
    """A stretch of the grid and what stood on it."""

    clock: ClockState
    last_tick: int
    """The last tick that went out."""
    source: str
    """The device that was followed, or "" where routerd led."""
    started: Mapping[str, int]
    """Devices that ran by a start of their own, with the tick at which they were started."""
    click_alone: bool


def kept_from(state: CrashState, last_tick: int) -> Kept:
    """Return where to go on; raises ValueError where a number is outside the range that it has in a show."""
    grid, running = state.grid, state.transport is State.RUNNING
    if not 0 <= grid.anchor_ns < 1 << 63:
        raise ValueError(f"{grid.anchor_ns!r:.40} is no instant")
    position, origin = _whole(state.position_tick), _whole(state.origin_tick)
    clock = ClockState(
        segment=Segment(grid.anchor_ns, _whole(grid.anchor_tick), _tempo(grid.bpm)),
        bpm=_tempo(state.bpm),
        tempo_by=state.tempo_by,
        running=running,
        position_ticks=position,
        next_tick=origin + position if running else grid.anchor_tick,
        origin_tick=origin,
        bar_origin_tick=_whole(state.bar_origin_tick),
    )
    return Kept(
        clock,
        last_tick=_whole(last_tick),
        source="" if state.clock_source == "internal" else state.clock_source,
        started={one.device: _whole(one.started_tick) for one in state.devices if one.running},
        click_alone=state.click_alone,
    )


def _tempo(bpm: Fraction) -> Fraction:
    if not BPM_MIN / FOLLOWED <= bpm <= BPM_MAX * FOLLOWED or bpm.denominator.bit_length() > MOST_BITS:
        raise ValueError(f"{float(bpm):g} is no tempo of a show")
    return bpm


def _whole(value: int) -> int:
    if abs(value) > MOST_TICKS:
        raise ValueError(f"{value!r:.40} is no number of a show")
    return value
