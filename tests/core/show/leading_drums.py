"""A stage on which a drum machine leads the first of two songs."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from routerd.core.model.rig import Device, Rig
from routerd.core.model.song import Song
from routerd.core.model.timing import SongTiming, Timing
from tests.stage import MS, RIG, Stage, compiled, route

DRUMS = Device("drums", input_pattern="drums")
PERIOD = 25 * MS
"""100 BPM: 60 s / (24 × 100) (M1 p. 30). The songs are at 125 BPM, 20 ms."""
FOLLOWING = Song(
    "one", "One", Fraction(125), routes=(route("synth"),), timing=SongTiming(clock_source="drums")
)
LEADING = Song("two", "Two", Fraction(125), routes=(route("synth"),))


def stage(*, leads_transport: bool = True, restarts: bool = False) -> Stage:
    drums = replace(DRUMS, timing=Timing(leads_transport=leads_transport, restarts=restarts))
    rig = Rig("band", (*RIG.devices, drums))
    return Stage(compiled(rig, (FOLLOWING, LEADING), ("one", "two")))


def tick(one: Stage, count: int, since_ns: int, period_ns: int = PERIOD) -> int:
    """Have the drums send ticks from `since_ns` on; return when the next would come."""
    for n in range(count):
        one.run(since_ns + n * period_ns)
        one.play("drums", "F8")
    return since_ns + count * period_ns


def at(one: Stage, name: str, data: bytes) -> list[int]:
    return [at_ns for at_ns, device, sent in one.log if (device, sent) == (name, data)]
