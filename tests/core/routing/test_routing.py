"""Tables of single routes, by hand. Any list of routes: tests/properties/test_tables.py."""

from __future__ import annotations

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.route import Route, velocity_map
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.input import Input
from routerd.core.routing.tables import BLOCKED, EMPTY, compile_tables, note_map
from tests.stage import SYNTH, route


def through(hexes: str, *routes: Route) -> list[str]:
    """Return what one message of "keys" becomes on the way to "modular"."""
    input = Input(SYNTH)
    output = Wire((SYNTH,), 0).outputs[0]
    output.wire.connected = True
    (input.table,) = compile_tables(routes, {"keys": 0}, {"synth": output}).tables
    sink: Sink = []
    input.receive(bytes.fromhex(hexes), 0, sink)
    return [data.hex(" ") for _, data in sink]


def test_note_map_shifts_inside_and_blocks_outside() -> None:
    notes = note_map(36, 60, 12)
    assert [notes[note] for note in (35, 36, 60, 61)] == [BLOCKED, 48, 72, BLOCKED]
    assert list(note_map(0, 127, 100)[:30]) == [*range(100, 128), BLOCKED, BLOCKED]
    assert note_map(0, 127, -1)[0] == BLOCKED


def test_velocity_map_keeps_0_a_release() -> None:
    """Note On with velocity 0 is a Note Off (M1 p. 10); no press may become one."""
    assert [velocity_map(0, 0)[v] for v in (0, 1, 127)] == [0, 1, 127]
    assert [velocity_map(100, 0)[v] for v in (0, 1, 127)] == [0, 100, 100]
    assert [velocity_map(0, 80)[v] for v in (0, 79, 80, 127)] == [0, 79, 80, 80]
    assert [velocity_map(100, 80)[v] for v in (0, 1, 127)] == [0, 100, 100]


@pytest.mark.parametrize(
    ("hexes", "options", "out"),
    [
        ("90 3c 40", {}, ["90 3c 40"]),
        ("95 3c 40", {}, ["95 3c 40"]),
        ("95 3c 40", {"to_channel": 2}, ["92 3c 40"]),
        ("95 3c 40", {"from_channel": 5, "to_channel": 15}, ["9f 3c 40"]),
        ("94 3c 40", {"from_channel": 5}, []),
        ("90 3c 40", {"transpose": -12}, ["90 30 40"]),
        ("90 3c 40", {"note_low": 61}, []),
        ("90 3c 40", {"note_high": 59}, []),
        ("90 7f 40", {"transpose": 1}, []),
        ("90 3c 40", {"velocity_fixed": 127}, ["90 3c 7f"]),
        ("90 3c 40", {"velocity_max": 32}, ["90 3c 20"]),
        ("b3 07 64", {"to_channel": 0}, ["b0 07 64"]),
        ("e0 00 40", {"transpose": 5}, ["e0 00 40"]),
        ("c0 05", {}, []),  # not among the kinds let through
        ("a0 3c 10", {}, []),
        ("d0 10", {}, []),
        ("f0 7d f7", {}, []),
    ],
)
def test_a_route_passes_what_its_options_say(hexes: str, options: dict[str, int], out: list[str]) -> None:
    assert through(hexes, route("synth", **options)) == out


def test_every_kind_can_be_let_through() -> None:
    everything = route("synth", kinds=Kind, to_channel=4, transpose=1)
    for hexes, out in [
        ("80 3c 40", "84 3d 40"),
        ("90 3c 40", "94 3d 40"),
        ("a0 3c 10", "a4 3d 10"),
        ("b0 01 02", "b4 01 02"),
        ("c0 05", "c4 05"),
        ("d0 06", "d4 06"),
        ("e0 01 02", "e4 01 02"),
        ("f0 7e 7f 06 01 f7", "f0 7e 7f 06 01 f7"),
    ]:
        assert through(hexes, everything) == [out]


@pytest.mark.parametrize("hexes", ["f8", "fa", "fb", "fc", "f1 00", "f2 00 00", "f3 01", "f6"])
def test_system_messages_pass_when_they_are_named(hexes: str) -> None:
    assert through(hexes, route("synth", kinds=Kind)) == [hexes]
    assert through(hexes, route("synth")) == []


@pytest.mark.parametrize("hexes", ["fe", "ff", "f4", "f5", "f9", "fd", "f7"])
def test_system_reset_and_active_sensing_never_pass(hexes: str) -> None:
    """System Reset is not passed on and Active Sensing speaks of one cable (M1 pp. 32–33)."""
    assert through(hexes, route("synth", kinds=Kind)) == []


def test_two_routes_are_two_copies_in_their_order() -> None:
    layers = (route("synth", to_channel=0), route("synth", to_channel=1, transpose=7))
    assert through("90 3c 40", *layers) == ["90 3c 40", "91 43 40"]


def test_a_device_without_routes_has_the_empty_table() -> None:
    output = Wire((SYNTH,), 0).outputs[0]
    tables = compile_tables([route("synth")], {"pedals": 0, "keys": 1}, {"synth": output}).tables
    assert tables[0] is EMPTY
    assert len(tables[1]) == 128
