"""Synthetic playing: the densest song, softly, everything that is pressed is released."""

from __future__ import annotations

from fractions import Fraction

from routerd.core.midi.messages import Kind
from routerd.core.midi.tuning import SOFT
from routerd.core.model.route import Route
from routerd.core.model.song import Section, Song
from routerd.server.soundcheck.playing import densest, play

NOTES = frozenset({Kind.NOTES})


def route(name: str, source: str = "keys", low: int = 0, high: int = 127, channel: int = -1) -> Route:
    return Route(name, source, "synth", NOTES, from_channel=channel, note_low=low, note_high=high)


THIN = Song("thin", "Thin", Fraction(180), routes=(route("a"),))
DENSE = Song(
    "dense",
    "Dense",
    Fraction(120),
    routes=(route("a"),),
    sections=(
        Section("verse", (route("a"),)),
        Section("chorus", (route("a", low=24, high=47), route("b", low=60), route("c", "pads", 36, 36, 9))),
    ),
)
SILENT = Song(
    "silent", "Silent", Fraction(120), routes=(Route("x", "keys", "synth", frozenset({Kind.PITCH_BEND})),)
)


def test_the_section_with_most_routes_is_the_densest() -> None:
    found = densest([THIN, DENSE, SILENT])
    assert found is not None
    assert (found.song.title, found.section) == ("Dense", 2)
    assert densest([SILENT]) is None
    assert densest([]) is None
    fastest = densest([Song("slow", "Slow", Fraction(60), routes=(route("a"),)), THIN])
    assert fastest is not None
    assert (fastest.song.title, fastest.section) == ("Thin", 0)


def test_every_press_is_soft_inside_its_range_and_released() -> None:
    found = densest([DENSE])
    assert found is not None
    played = play(found, 10)
    assert played == sorted(played, key=lambda one: one.at_s)
    assert {one.device for one in played} == {"keys", "pads"}
    held: set[tuple[str, int, int]] = set()
    for _, device, data in played:
        kind, key = data[0] & 0xF0, (device, data[0] & 0x0F, data[1])
        if kind == 0x90:
            assert 1 <= data[2] <= SOFT
            assert key not in held
            held.add(key)
            assert data[1] == 36 if device == "pads" else 24 <= data[1] <= 47 or data[1] >= 60
            assert data[0] & 0x0F == (9 if device == "pads" else 0)
        elif kind == 0x80:
            held.remove(key)
    assert held == set()


def test_both_wheels_end_at_rest() -> None:
    found = densest([THIN])
    assert found is not None
    played = play(found, 3.3)
    wheels = [one.data for one in played if one.data[0] & 0xF0 in (0xB0, 0xE0)]
    assert wheels[-2:] == [b"\xb0\x01\x00", b"\xe0\x00\x40"]  # centre is 00 40 (M1 p. 19)
