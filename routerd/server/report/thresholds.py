"""The figures that ticks are judged by, what they mean and where they were published."""

from __future__ import annotations

from typing import NamedTuple

from routerd.core.units import DIN_BYTE_NS


class Threshold(NamedTuple):
    """A limit in nanoseconds, in words, with its published source."""

    ns: int
    meaning: str
    source: str


DIN_BYTE = Threshold(
    DIN_BYTE_NS,
    "one byte on a DIN cable: less than what a single byte ahead of the tick costs",
    "MIDI 1.0 Detailed Specification 4.2.1, p. 1",
)
STEADY = Threshold(
    1_000_000,
    "most variation an instrument should add between gesture and sound",
    "Wessel & Wright, Problems and Prospects for Intimate Musical Control of Computers",
)
NOTICED = Threshold(
    3_000_000,
    "players rated 10 ms of delay that varied by 3 ms worse than none",
    "Jack, Mehrabi, Stockman & McPherson, Music Perception 36(1), p. 109",
)
HEARD = Threshold(
    6_000_000,
    "least displacement of one note that listeners hear in an even row of notes up to 240 ms apart; "
    "2.5 % of the interval above that",
    "Friberg & Sundberg, Time discrimination in a monotonic, isochronous sequence, 1995",
)
DELAY = Threshold(
    10_000_000,
    "constant delay that players did not rate worse than none; 20 ms they did",
    "Jack, Mehrabi, Stockman & McPherson, Music Perception 36(1), p. 109",
)
ALL = (DIN_BYTE, STEADY, NOTICED, HEARD, DELAY)

TICKS_PER_SIXTEENTH = 6


def heard_ns(shortest_interval_ns: int) -> int:
    """Return the displacement that is heard on sixteenth notes, from the interval of ticks.

    6 ms, or 2.5 % of a sixteenth where that is more (Friberg & Sundberg 1995).
    """
    return max(HEARD.ns, TICKS_PER_SIXTEENTH * shortest_interval_ns * 25 // 1000)
