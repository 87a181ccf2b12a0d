"""Where the show stood when its engine died, as the last snapshot and the last tick tell.

Pure values. The grid is that of the dead engine: instants are of the same clock, which only holds within one
boot of the machine; whoever reads a record sees to that.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, NamedTuple

from routerd.core.clock.clock import ClockState
from routerd.core.model.codec import encode
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.timing import Segment, State, TempoBy
from routerd.core.units import BPM_MAX, BPM_MIN

MOST_TICKS = 1 << 40
"""No show has so many: at 480 BPM they last 180 years."""

FOLLOWED = 2
"""A source that is followed may be so far outside the tempos that songs may have."""

_FRACTION = re.compile(r"[0-9]{1,60}(?:/[0-9]{1,60}|\.[0-9]{1,60})?")


def place_in(snapshot: Snapshot) -> dict[str, Any]:
    """Return the place that a snapshot shows, see routerd.link.messages."""
    return {
        "song": snapshot.song,
        "section": snapshot.section,
        "bpm": str(snapshot.bpm),
        "tempo_by": snapshot.tempo_by,
        "index": snapshot.index,
        "gap": snapshot.gap,
        "done": {song: list(numbers) for song, numbers in snapshot.done.items()},
        "armed": None if snapshot.armed is None else json.loads(encode(snapshot.armed.command)),
        "muted": list(snapshot.muted),
        "soloed": list(snapshot.soloed),
    }


def standing_in(snapshot: Snapshot) -> dict[str, Any]:
    """Return what of a snapshot has to be kept for `kept_from_plain`."""
    grid = snapshot.grid
    return {
        "bpm": str(snapshot.bpm),
        "tempo_by": snapshot.tempo_by,
        "grid": {"anchor_ns": grid.anchor_ns, "anchor_tick": grid.anchor_tick, "rate_bpm": str(grid.bpm)},
        "transport": snapshot.transport,
        "position_tick": snapshot.position_tick,
        "origin_tick": snapshot.origin_tick,
        "bar_origin_tick": snapshot.bar_origin_tick,
        "clock_source": snapshot.clock_source,
        "devices": [
            {"device": one.device, "running": one.running, "started_tick": one.started_tick}
            for one in snapshot.devices
        ],
        "click": {"alone": snapshot.click.alone},
    }


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


def kept_from_plain(plain: Mapping[str, Any], last_tick: int) -> Kept:
    """Read what a snapshot said; raises ValueError, TypeError, KeyError or ZeroDivisionError for nonsense.

    Every number is in the range that it has in a show, so that nothing is worked on for ever.
    """
    grid = plain["grid"]
    rate_bpm, bpm = _tempo(grid["rate_bpm"]), _tempo(plain["bpm"])
    running = plain["transport"] == State.RUNNING
    position = _whole(plain["position_tick"])
    origin = _whole(plain["origin_tick"])
    source = str(plain["clock_source"])
    clock = ClockState(
        segment=Segment(_instant(grid["anchor_ns"]), _whole(grid["anchor_tick"]), rate_bpm),
        bpm=bpm,
        tempo_by=TempoBy(plain["tempo_by"]),
        running=running,
        position_ticks=position,
        next_tick=origin + position if running else _whole(grid["anchor_tick"]),
        origin_tick=origin,
        bar_origin_tick=_whole(plain["bar_origin_tick"]),
    )
    return Kept(
        clock,
        last_tick=_whole(last_tick),
        source="" if source == "internal" else source,
        started={str(d["device"]): _whole(d["started_tick"]) for d in plain["devices"] if d["running"]},
        click_alone=plain["click"]["alone"] is True,
    )


def _tempo(value: Any) -> Fraction:
    if not isinstance(value, str) or _FRACTION.fullmatch(value) is None:
        raise TypeError(f"{value!r:.40} is not a tempo")
    bpm = Fraction(value)
    if not BPM_MIN / FOLLOWED <= bpm <= BPM_MAX * FOLLOWED:
        raise ValueError(f"{value:.40} is no tempo of a show")
    return bpm


def _instant(value: Any) -> int:
    if type(value) is not int or not 0 <= value < 1 << 63:
        raise ValueError(f"{value!r:.40} is no instant")
    return value


def _whole(value: Any) -> int:
    if type(value) is not int:
        raise TypeError(f"{value!r:.40} is not a whole number")
    if abs(value) > MOST_TICKS:
        raise ValueError(f"{value!r:.40} is no number of a show")
    return value
