"""A route has a reason to keep a message out exactly when its table lets nothing through."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_tables import messages, routes, wide_routes

from routerd.core.midi.messages import Kind
from routerd.core.model.rig import Device
from routerd.core.model.route import NoteZone, Quantity, QuantityKind, Remap, Route
from routerd.core.routing.fate import RouteAlone, why_not

zones = st.builds(
    lambda upper, members, to_members, low, high: Route(
        "zone", "keys", "synth", frozenset(Kind), note_low=low, note_high=high,
        zone=NoteZone(upper, members, False, to_members),
    ),
    st.booleans(), st.integers(1, 15), st.integers(1, 15), st.integers(0, 60), st.integers(61, 127),
)  # fmt: skip
some_channels = st.just(()) | st.lists(st.integers(0, 15), min_size=1, max_size=4, unique=True).map(tuple)


@given(routes | wide_routes | zones, messages, some_channels, some_channels)
def test_a_reason_stands_exactly_where_nothing_is_sent(
    route: Route, data: bytes, heard: tuple[int, ...], theirs: tuple[int, ...]
) -> None:
    route = replace(route, source="keys", target="synth", maps=tuple(r for r in route.maps if not r.channels))
    source = Device("keys", input_pattern="keys", channels=heard)
    target = Device("synth", output_pattern="synth", channels=theirs)
    why, sent = why_not(route, data, source, target), RouteAlone(route, source, target).sent(data)
    if route.zone is None:
        assert bool(why) is not bool(sent)
    else:  # what is squeezed into fewer channels may send nothing until a note is pressed
        assert not (why and sent)


@given(routes | wide_routes | zones, st.lists(messages, min_size=2, max_size=6))
def test_what_came_before_does_not_count(route: Route, played: list[bytes]) -> None:
    route = replace(route, source="keys", target="synth")
    alone = RouteAlone(route, KEYS, SYNTH)
    for data in played:
        assert alone.fate(data) == RouteAlone(route, KEYS, SYNTH).fate(data)


KEYS, SYNTH = Device("keys", input_pattern="keys"), Device("synth", output_pattern="synth")
PLAYED = frozenset({Kind.NOTES, Kind.CC})


@pytest.mark.parametrize(
    ("options", "code", "why"),
    [
        ({}, "C0 05", "it passes cc, notes; this is program"),
        ({}, "F8", "it passes cc, notes; this is clock"),
        ({}, "FE", "active sensing, system reset and undefined bytes pass no route"),
        ({"from_channel": 0}, "93 3C 64", "it takes channel 1 only; this is on 4"),
        ({"blocked_channels": frozenset({9})}, "99 3C 64", "it blocks channel 10"),
        ({"note_low": 48, "note_high": 71}, "90 48 64", "it takes notes C3 to B4; this is C5"),
        ({"velocity_high": 80}, "90 3C 64", "it takes velocities 1 to 80; this is 100"),
        ({"transpose": 48}, "90 7F 64", "transposed it would be note 175, and notes go from 0 to 127"),
        ({"blocked_cc": frozenset({7})}, "B0 07 64", "it blocks controller 7 (volume)"),
        ({"drone": (48,)}, "80 3C 40", "a drone is switched by presses; this is none"),
        ({}, "90 3C", "it is not one whole MIDI message"),
    ],
)
def test_the_reason_in_words(options: dict[str, int], code: str, why: str) -> None:
    route = Route("keys to synth", "keys", "synth", PLAYED, **options)
    assert RouteAlone(route, KEYS, SYNTH).fate(bytes.fromhex(code)).why == why
    assert not RouteAlone(route, KEYS, SYNTH).fate(bytes.fromhex(code)).sent


def test_what_a_route_sends_is_what_its_table_makes() -> None:
    fade = Remap(Quantity(QuantityKind.CC, 11), Quantity(QuantityKind.CC, 7), (0, 127), (0, 100))
    route = Route("r", "keys", "synth", PLAYED, to_channel=2, transpose=-12, chord=(0, 7), maps=(fade,))
    alone = RouteAlone(route, KEYS, SYNTH)
    assert alone.fate(bytes.fromhex("90 3C 64")).sent == (
        bytes.fromhex("92 30 64"), bytes.fromhex("92 37 64"),
    )  # fmt: skip
    assert alone.fate(bytes.fromhex("B0 0B 7F")).sent == (bytes.fromhex("B2 07 64"),)


def test_a_zone_takes_what_its_device_has_of_channels_only() -> None:
    zone = Route("zone", "keys", "synth", frozenset(Kind), zone=NoteZone(False, 3, False, 3))
    keys = Device("keys", input_pattern="keys", channels=(0, 2))
    alone = RouteAlone(zone, keys, SYNTH)
    assert alone.sent(bytes.fromhex("92 3C 64"))
    assert alone.sent(bytes.fromhex("91 3C 64")) == ()
    assert alone.fate(bytes.fromhex("91 3C 64")).why == "keys has channels 1, 3 only; this is on 2"


def controllers(*numbers: int) -> set[tuple[int, int]]:
    return {(0xB0, number) for number in numbers}


@pytest.mark.parametrize(
    ("source", "takes"),
    [
        (Quantity(QuantityKind.CC, 7), controllers(7)),
        (Quantity(QuantityKind.FINE, 1), controllers(1, 33)),
        (Quantity(QuantityKind.NOTE, 60), {(0x80, 60), (0x90, 60)}),
        (Quantity(QuantityKind.PRESSURE), {(0xD0, number) for number in range(128)}),
        (Quantity(QuantityKind.PITCH_BEND), {(0xE0, number) for number in range(128)}),
        (Quantity(QuantityKind.RPN, 5), controllers(6, 38, 96, 97, 100, 101)),
        (Quantity(QuantityKind.NRPN, 5), controllers(6, 38, 96, 97, 98, 99)),
    ],
)
def test_a_route_that_passes_nothing_takes_what_its_map_is_made_from(
    source: Quantity, takes: set[tuple[int, int]]
) -> None:
    """A controller has its lower half 32 above (M1 p. 12); parameters are set by 6, 38, 96 and 97, and
    selected by 98 to 101 (M1 pp. 17-18)."""
    maps = (Remap(source, Quantity(QuantityKind.CC, 20), (0, source.max), (0, 127)),)
    route = Route("r", "keys", "synth", frozenset(), maps=maps)
    messages = [
        bytes((status, number, 5))[: 2 if status in (0xC0, 0xD0) else 3]
        for status in range(0x80, 0xF0, 0x10)
        for number in range(128)
    ]
    assert {(data[0], data[1]) for data in messages if not why_not(route, data, KEYS, SYNTH)} == takes
    assert all(why_not(route, data, KEYS, SYNTH) for data in (b"\xf1\x05", b"\xf0\x7d\xf7", b"\xf8"))
