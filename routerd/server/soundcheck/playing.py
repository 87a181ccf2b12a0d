"""Synthetic playing: what the traffic run plays, softly, so that the set's densest song is fully at work.

Every device that plays in the song is played: sixteenth notes inside the range of its routes, each released
before the next, a modulation wheel (controller 1) and the pitch wheel moving a little. The same song always
gives the same playing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from routerd.core.midi.messages import BEND, Kind, controller, note_off, note_on
from routerd.core.midi.rest import Pressed
from routerd.core.midi.tuning import SOFT
from routerd.core.model.route import Route
from routerd.core.model.song import Song

NOTES_PER_QUARTER = 4
MOVES_PER_QUARTER = 8
WHEEL = 1
PEDALS = range(64, 70)
"""Hold, portamento, sostenuto, soft, legato and second hold (M1 Table III; legato from memory)."""

_MOST_MOVE = 16


class Played(NamedTuple):
    """A message that a device plays `at_s` seconds after the start."""

    at_s: float
    device: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Densest:
    """The song and the section (from 1, or 0 for a song without) with the most to do."""

    song: Song
    section: int
    routes: tuple[Route, ...]


def densest(songs: Iterable[Song]) -> Densest | None:
    """Return where most routes let notes through; of equals the fastest; None when none do."""
    found: list[tuple[tuple[int, float], Densest]] = []
    for song in songs:
        parts = [(number, part.routes) for number, part in enumerate(song.sections, 1)] or [(0, song.routes)]
        for section, routes in parts:
            notes = tuple(route for route in routes if Kind.NOTES in route.kinds)
            if notes:
                found.append(((len(notes), float(song.bpm)), Densest(song, section, notes)))
    return max(found, key=lambda one: one[0])[1] if found else None


def play(dense: Densest, seconds: float) -> list[Played]:
    """Return `seconds` of playing in order of time; every note that is pressed in it is released in it."""
    quarter_s = 60 / float(dense.song.bpm)
    played: list[Played] = []
    by_device: dict[str, list[Route]] = {}
    for route in dense.routes:
        by_device.setdefault(route.source, []).append(route)
    for device, routes in by_device.items():
        played += _notes(device, routes, quarter_s / NOTES_PER_QUARTER, seconds)
        played += _moves(device, routes[0], quarter_s / MOVES_PER_QUARTER, seconds)
    return sorted(played, key=lambda one: one.at_s)


def _notes(device: str, routes: list[Route], step_s: float, seconds: float) -> Iterable[Played]:
    for number in range(int(seconds / step_s)):
        route = routes[number % len(routes)]
        channel = max(0, route.from_channel)
        # an octave in the middle of what the route lets through, from C4 where that lies in it
        low = min(max(route.note_low, 60), max(route.note_low, route.note_high - 12))
        note = low + (number * 5) % (min(12, route.note_high - low) + 1)
        at_s = number * step_s
        yield Played(at_s, device, note_on(channel, note, SOFT))
        yield Played(at_s + 0.7 * step_s, device, note_off(channel, note))


def _moves(device: str, route: Route, step_s: float, seconds: float) -> Iterable[Played]:
    channel = max(0, route.from_channel)
    count = int(seconds / step_s)
    for number in range(count):
        place = number % (2 * _MOST_MOVE)
        value = place if place <= _MOST_MOVE else 2 * _MOST_MOVE - place
        if number == count - 1:
            value = 0  # both wheels end where they rest
        yield Played(number * step_s, device, controller(channel, WHEEL, value))
        yield Played(number * step_s, device, bytes((BEND | channel, 0, 64 + value // 4)))


def at_rest(played: Iterable[Played]) -> list[tuple[str, bytes]]:
    """Return what ends everything that `played` has left pressed, bent or held, by device."""
    pressed = Pressed[str]()
    for _, device, data in played:
        pressed.take(device, data)
    return pressed.rest()
