"""Routes with state: maps, pickup, switches, parameters, bends, drones, in literal bytes."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from routerd.core.midi.messages import Kind, is_complete
from routerd.core.model.controls import pedal_map
from routerd.core.model.rig import Device
from routerd.core.model.route import (
    FULL,
    SHAPES,
    Quantity,
    QuantityKind,
    Remap,
    Route,
    Switching,
    bend_by,
    scale,
    velocity_map,
)
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.input import BANK_WAIT_NS, Input
from routerd.core.routing.tables import compile_tables
from tests.stage import route

EVERYTHING = frozenset(Kind) - {Kind.CLOCK, Kind.TRANSPORT}


def q(words: str) -> Quantity:
    kind, _, number = words.partition(" ")
    return Quantity(QuantityKind(kind), int(number or 0))


def remap(source: str, target: str, **options: object) -> Remap:
    ends = {"source_range": (0, q(source).max), "target_range": (0, q(target).max)}
    return Remap(q(source), q(target), **{**ends, **options})  # type: ignore[arg-type]


class Line:
    """Devices "a" and "b" routed to "synth" on a port without a slow wire."""

    def __init__(self, *routes: Route) -> None:
        self.output = Wire((Device("synth", output_pattern="synth"),), 0).outputs[0]
        self.output.wire.connected = True
        self.inputs = {name: Input(Device(name, input_pattern=name)) for name in "ab"}
        self.now_ns = 0
        self.sink: Sink = []
        self.use(*routes)

    def use(self, *routes: Route) -> None:
        compiled = compile_tables(routes, {"a": 0, "b": 1}, {"synth": self.output})
        for input, table in zip(self.inputs.values(), compiled.tables, strict=True):
            input.table = table
        self.output.end_latched(compiled.converters, self.now_ns, self.sink)

    def play(self, hexes: str, device: str = "a") -> list[str]:
        for text in hexes.split("|"):
            self.inputs[device].receive(bytes.fromhex(text), self.now_ns, self.sink)
        return self.taken()

    def taken(self) -> list[str]:
        out = [data.hex(" ") for _, data in self.sink]
        self.sink.clear()
        return out


def mapping(*maps: Remap, kinds: Iterable[Kind] = EVERYTHING, **options: object) -> Route:
    return Route("map", "a", "synth", frozenset(kinds), maps=maps, **options)  # type: ignore[arg-type]


def test_before_its_first_point_and_behind_its_last_a_curve_is_flat() -> None:
    points = ((20, 5), (40, 100), (80, 60))
    assert [bend_by(points, 129 * v) for v in (0, 10, 20)] == [129 * 5] * 3
    assert [bend_by(points, 129 * v) for v in (40, 60)] == [129 * 100, 129 * 80]
    assert [bend_by(points, value) for value in (129 * 80, 129 * 80 + 1, FULL)] == [129 * 60] * 3


def test_what_a_pedal_should_have_sent_is_routed_from_its_next_message_on() -> None:
    line = Line(Route("all", "a", "synth", EVERYTHING))
    assert line.play("b0 0b 0a|b0 0b 6e") == ["b0 0b 0a", "b0 0b 6e"]
    line.inputs["a"].use_pedals({0xB0 << 7 | 11: pedal_map(10, 110)})
    assert line.play("b0 0b 0a|b0 0b 3c|b0 0b 6e|b0 0c 0a") == [
        "b0 0b 00",
        "b0 0b 40",
        "b0 0b 7f",
        "b0 0c 0a",
    ]


@pytest.mark.parametrize("points", SHAPES.values())
def test_named_curves_rise_and_keep_a_press_a_press(points: tuple[tuple[int, int], ...]) -> None:
    """0 stays a release (M1 p. 10), 1 to 127 never become one; the ends are reached; no step falls."""
    table = velocity_map(points=points)
    assert (table[0], table[127]) == (0, 127)
    assert all(table[v] >= 1 for v in range(1, 128))
    assert list(table) == sorted(table)
    bent = [bend_by(points, value) for value in range(FULL + 1)]
    assert bent == sorted(bent)
    assert bent[FULL] == FULL


def test_seven_bits_become_fourteen_and_come_back() -> None:
    """16383 is 129 × 127, so the full range maps exactly."""
    fine = [scale(value, (0, 127), (0, FULL)) for value in range(128)]
    assert fine == [129 * value for value in range(128)]
    assert [scale(value, (0, FULL), (0, 127)) for value in fine] == list(range(128))
    assert [value >> 7 for value in fine] == list(range(128))


def test_a_range_is_scaled_to_another_also_backwards() -> None:
    assert [scale(v, (0, 127), (0, 127)) for v in range(128)] == list(range(128))
    assert [scale(v, (0, 127), (127, 0)) for v in range(128)] == list(range(127, -1, -1))
    assert [scale(v, (20, 100), (0, 127)) for v in (0, 20, 60, 100, 127)] == [0, 0, 64, 127, 127]


def test_a_controller_becomes_another_and_all_others_pass() -> None:
    line = Line(mapping(remap("cc 1", "cc 11", target_range=(127, 0))))
    assert line.play("b0 01 00|b0 01 7f|b0 07 40") == ["b0 0b 7f", "b0 0b 00", "b0 07 40"]


def test_one_fader_to_many_targets() -> None:
    line = Line(
        mapping(
            remap("cc 1", "cc 7", channels=(0, 1, 2)),
            remap("cc 1", "cc 74", target_range=(127, 64)),
            remap("cc 1", "master-volume"),
        )
    )
    assert line.play("b0 01 7f") == [
        "b0 07 7f",
        "b1 07 7f",
        "b2 07 7f",
        "b0 4a 40",
        "f0 7f 7f 04 01 7f 7f f7",  # master volume, lower half first (M1 p. 57)
    ]


def test_deadband_ignores_trembling_but_not_the_ends() -> None:
    line = Line(mapping(remap("cc 1", "cc 7", deadband=4)))
    out = line.play("b0 01 40|b0 01 42|b0 01 3e|b0 01 44|b0 01 7e|b0 01 7f|b0 01 01|b0 01 00")
    assert out == ["b0 07 40", "b0 07 44", "b0 07 7e", "b0 07 7f", "b0 07 01", "b0 07 00"]


def test_pickup_waits_until_the_pedal_meets_the_value() -> None:
    line = Line(mapping(remap("cc 1", "cc 7", pickup=True)))
    line.output.values[0xB0 << 7 | 7] = 100
    assert line.play("b0 01 10|b0 01 20|b0 01 60") == []
    assert line.play("b0 01 66|b0 01 67") == ["b0 07 66", "b0 07 67"]  # has passed 64H = 100
    line.output.values[0xB0 << 7 | 7] = 20  # a patch
    assert line.play("b0 01 60|b0 01 30") == []
    assert line.play("b0 01 14|b0 01 15") == ["b0 07 14", "b0 07 15"]


@pytest.mark.parametrize(
    ("target", "moved", "short", "meets", "out"),
    [
        ("cc 7", "b0 07 50", "b0 01 40", "b0 01 50", ["b0 07 50"]),
        ("fine 7", "b0 07 50|b0 27 00", "b0 01 40", "b0 01 51", ["b0 07 51", "b0 27 51"]),
        ("fine 7", "b0 27 05|b0 07 50", "b0 01 40", "b0 01 51", ["b0 07 51", "b0 27 51"]),  # M1 p. 12
        ("pitch-bend", "e0 00 50", "b0 01 40", "b0 01 51", ["e0 51 51"]),
        ("pressure", "d0 50", "b0 01 40", "b0 01 50", ["d0 50"]),
    ],
)
def test_pickup_meets_what_another_has_played(
    target: str, moved: str, short: str, meets: str, out: list[str]
) -> None:
    """Whoever has moved it last, also while no route took anything over; other channels do not count."""
    taking = mapping(remap("cc 1", target, pickup=True))
    line = Line(taking)
    line.use(Route("plain", "b", "synth", EVERYTHING))
    assert len(line.play(moved, "b")) == len(moved.split("|"))
    line.play("b1 07 01|e1 00 01|d1 01", "b")
    line.use(taking)
    assert line.play(short) == []
    assert line.play(meets) == out


def test_a_switch_latches_or_is_momentary() -> None:
    line = Line(mapping(remap("cc 80", "cc 81", switching=Switching.LATCH)))
    presses = "b0 50 7f|b0 50 00|"
    assert line.play(presses + presses + "b0 50 7f") == ["b0 51 7f", "b0 51 00", "b0 51 7f"]
    line = Line(mapping(remap("cc 1", "cc 81", switching=Switching.MOMENTARY)))
    assert line.play("b0 01 10|b0 01 40|b0 01 60|b0 01 30") == ["b0 51 7f", "b0 51 00"]


def test_fourteen_bits_from_pairs_and_back() -> None:
    """Upper half first; a new upper half clears the lower one (M1 pp. 11–12)."""
    line = Line(mapping(remap("fine 1", "pitch-bend")))
    assert line.play("b0 01 40|b0 21 05|b0 01 41") == ["e0 00 40", "e0 05 40", "e0 00 41"]
    line = Line(mapping(remap("pitch-bend", "fine 16")))
    assert line.play("e0 05 40") == ["b0 10 40", "b0 30 05"]
    line = Line(mapping(remap("pressure", "cc 1")))
    assert line.play("d0 33") == ["b0 01 33"]
    line = Line(mapping(remap("cc 2", "pressure")))
    assert line.play("b5 02 33") == ["d5 33"]


def test_parameters_are_whole_quantities() -> None:
    """Select 99, 98, data 6, 38, steps 96, 97 (M1 pp. 17–18). 300 is 02 2CH."""
    line = Line(mapping(remap("nrpn 300", "cc 74")))
    assert line.play("b0 63 02|b0 62 2c") == []
    assert line.play("b0 06 40") == ["b0 4a 40"]  # 8192 of 16383 in 127 steps: 63.5
    assert line.play("b0 26 7f|b0 60 00|b0 06 7f") == ["b0 4a 40", "b0 4a 40", "b0 4a 7e"]  # 64.49, 64.5, 126
    assert line.play("b0 65 00|b0 64 00|b0 06 0c") == ["b0 65 00", "b0 64 00", "b0 06 0c"]
    assert line.play("b0 26 00") == ["b0 26 00"]


def test_a_controller_sets_a_parameter() -> None:
    line = Line(mapping(remap("cc 1", "rpn 0", target_range=(0, 24 << 7))))
    assert line.play("b3 01 7f") == ["b3 65 00", "b3 64 00", "b3 06 18", "b3 26 00"]


def test_two_devices_on_two_parameters_of_one_channel() -> None:
    """Each is put back on its own parameter before its data."""
    line = Line(route("synth", "a"), route("synth", "b"))
    line.play("b0 65 00|b0 64 00|b0 06 02")
    line.play("b0 63 01|b0 62 08", "b")
    assert line.play("b0 06 03") == ["b0 65 00", "b0 64 00", "b0 06 03"]
    assert line.play("b0 26 10") == ["b0 26 10"]
    assert line.play("b0 06 7f", "b") == ["b0 63 01", "b0 62 08", "b0 06 7f"]


def test_bank_select_and_program_change_stay_together() -> None:
    """Nothing between them on that channel (M1 p. 13), whoever else plays there."""
    line = Line(route("synth", "a", kinds=EVERYTHING), route("synth", "b", kinds=EVERYTHING))
    assert line.play("b0 00 01|b0 20 05") == []
    assert line.play("90 3c 40", "b") == ["90 3c 40"]
    assert line.play("c0 09") == ["b0 00 01", "b0 20 05", "c0 09"]


def test_a_bank_select_alone_is_not_lost() -> None:
    line = Line(route("synth", "a"))
    assert line.play("b0 00 01|b0 07 10") == ["b0 00 01", "b0 07 10"]
    line.play("b0 00 02")
    line.inputs["a"].send_banks(BANK_WAIT_NS, line.sink)
    assert line.taken() == ["b0 00 02"]


def test_bend_is_scaled_between_two_ranges() -> None:
    """±2 to ±12 semitones: a sixth of the way; back, the ends are the limit. Centre 00 40 (M1 p. 19)."""
    narrow = Line(Route("x", "a", "synth", EVERYTHING, bend_from=2, bend_to=12))
    assert narrow.play("e0 00 40|e0 00 00|e0 00 60") == ["e0 00 40", "e0 2b 35", "e0 2b 45"]
    wide = Line(Route("x", "a", "synth", EVERYTHING, bend_from=12, bend_to=2))
    assert wide.play("e0 00 40|e0 00 00|e0 7f 7f") == ["e0 00 40", "e0 00 00", "e0 7f 7f"]


def test_velocity_switch_releases_the_layer_that_was_pressed() -> None:
    soft = Route("soft", "a", "synth", EVERYTHING, to_channel=0, velocity_high=80)
    hard = Route("hard", "a", "synth", EVERYTHING, to_channel=1, velocity_low=81)
    line = Line(soft, hard)
    assert line.play("90 3c 50|a0 3c 10|80 3c 00") == ["90 3c 50", "a0 3c 10", "80 3c 00"]
    assert line.play("90 3c 51|a0 3c 10|80 3c 00") == ["91 3c 51", "a1 3c 10", "81 3c 00"]


def test_a_chord_is_released_whole_after_the_route_has_gone() -> None:
    line = Line(Route("x", "a", "synth", EVERYTHING, chord=(0, 4, 7)))
    assert line.play("90 3c 40") == ["90 3c 40", "90 40 40", "90 43 40"]
    line.use()
    assert line.play("80 3c 00") == ["80 3c 00", "80 40 00", "80 43 00"]


def test_a_drone_is_switched_by_its_key_and_ends_with_its_route() -> None:
    drone = Route("x", "a", "synth", EVERYTHING, note_low=36, note_high=36, drone=(38, 45))
    line = Line(drone)
    assert line.play("90 24 50|80 24 00") == ["90 26 50", "90 2d 50"]
    assert line.play("90 24 50|80 24 00") == ["80 26 40", "80 2d 40"]
    line.play("90 24 50")
    line.use()
    assert line.taken() == ["80 26 40", "80 2d 40"]


def test_a_pedal_made_by_a_map_is_released_when_the_map_goes() -> None:
    line = Line(mapping(remap("cc 4", "cc 64")))
    assert line.play("b0 04 7f") == ["b0 40 7f"]
    line.use()
    assert line.taken() == ["b0 40 00"]


def test_a_note_sets_a_controller_and_starts_a_sequence() -> None:
    line = Line(mapping(remap("note 40", "cc 80", target_range=(10, 90)), remap("note 41", "retrigger")))
    assert line.play("90 28 40|80 28 00|90 2a 01") == ["b0 50 5a", "b0 50 0a", "90 2a 01"]
    assert line.play("90 29 40|80 29 00") == ["fc", "fa"]


@pytest.mark.parametrize(
    ("parameter", "whole"),
    [
        (None, False),
        ((99, -1, -1), False),
        ((99, -1, 0), False),
        ((99, 0, -1), False),
        ((99, 0, 0), True),
        ((101, 127, 127), True),
    ],
)
def test_a_parameter_is_complete_when_both_halves_are_known(
    parameter: tuple[int, int, int] | None, whole: bool
) -> None:
    assert is_complete(parameter) is whole


def test_a_controller_may_become_number_0() -> None:
    line = Line(mapping(remap("cc 1", "cc 0")))
    assert line.play("b0 01 05") == ["b0 00 05"]
