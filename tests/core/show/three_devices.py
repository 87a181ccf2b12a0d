"""A stage with two clocked devices and a box, each timed as a test wants it.

125 BPM makes 20 ms a tick: 60 s / (24 × 125) (M1 p. 30). A bar of 4/4 has 96 ticks and lasts 1.92 s.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.song import Song
from routerd.core.model.timing import Timing
from tests.stage import MS, Stage, compiled

F = Fraction

PLAYED = Device("played", output_pattern="p", wire=WireKind.DIN, clock=True, transport=True)
OTHER = Device("other", output_pattern="o", wire=WireKind.USB, clock=True, transport=True)
SONG = Song("one", "One", F(125))
NEXT = Song("two", "Two", F(125))


def stage(song: Song = SONG, **timing: Timing) -> Stage:
    devices = [replace(one, timing=timing.get(one.name, Timing())) for one in (PLAYED, OTHER)]
    box = Device("box", output_pattern="b", wire=WireKind.VIRTUAL, timing=timing.get("box", Timing()))
    return Stage(compiled(Rig("rig", (*devices, box)), (song, NEXT), ("one", "two")))


def at(one: Stage, name: str, data: bytes) -> list[int]:
    return [at_ns for at_ns, device, sent in one.log if (device, sent) == (name, data)]


def notes(one: Stage, name: str, status: int = 0x90) -> list[tuple[float, int, int]]:
    return [(t / MS, d[1], d[2]) for t, n, d in one.log if n == name and d[0] & 0xF0 == status]
