"""A release follows the way of its press, once, whatever has changed between them."""

from __future__ import annotations

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control, Controls, PressTimes, compile_controls
from routerd.core.model.route import Route
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.input import Input
from routerd.core.routing.tables import compile_tables
from tests.stage import KEYS, MODULAR, SAMPLER, route


class Keys:
    """The input of "keys", two outputs without a slow wire, and what went out."""

    def __init__(self, *routes: Route) -> None:
        wires = [Wire((device,), number) for number, device in enumerate((SAMPLER, MODULAR))]
        self.outputs = {wire.name: wire.timed for wire in wires}
        for output in self.outputs.values():
            output.wire.connected = True
        self.input = Input(KEYS)
        self.sink: Sink = []
        self.use(*routes)

    def use(self, *routes: Route) -> None:
        (self.input.table,) = compile_tables(routes, {"keys": 0}, self.outputs).tables

    def play(self, hexes: str) -> list[str]:
        """Return what these messages become, each as "device: bytes"."""
        for text in hexes.split("|"):
            self.input.receive(bytes.fromhex(text), 0, self.sink)
        return self.taken()

    def taken(self) -> list[str]:
        out = [f"{wire.name}: {data.hex(' ')}" for wire, data in self.sink]
        self.sink.clear()
        return out


def controls_of(*controls: tuple[int, int]) -> Controls:
    meant = [Control("keys", status, number, Command(Action.NEXT), channel=0) for status, number in controls]
    return compile_controls(meant, (), PressTimes())


@pytest.mark.parametrize(("release", "velocity"), [("80 3c 20", "20"), ("90 3c 00", "40")])
def test_release_goes_the_way_of_its_press(release: str, velocity: str) -> None:
    """Velocity 0 is a release; 64 is what an instrument without release velocity sends (M1 p. 10)."""
    keys = Keys(route("sampler", transpose=12, to_channel=3))
    assert keys.play("90 3c 50") == ["sampler: 93 48 50"]
    keys.use(route("modular"))
    assert keys.play(release) == [f"sampler: 83 48 {velocity}"]
    assert keys.play("90 3c 50") == ["modular: 90 3c 50"]
    assert keys.play(release) == [f"modular: 80 3c {velocity}"]


def test_a_press_that_was_not_let_in_has_no_release() -> None:
    keys = Keys()
    assert keys.play("90 3c 50") == []
    keys.use(route("modular"))
    assert keys.play("80 3c 00") == []


def test_a_release_without_a_press_goes_by_the_table() -> None:
    """It may end a note that was pressed before routerd started."""
    assert Keys(route("modular", transpose=1)).play("80 3c 11") == ["modular: 80 3d 11"]


def test_velocity_options_do_not_touch_the_release() -> None:
    keys = Keys(route("modular", velocity_fixed=100))
    assert keys.play("90 3c 01|90 3c 00") == ["modular: 90 3c 64", "modular: 80 3c 40"]


def test_pressed_again_without_a_release() -> None:
    """Each press is released once, so nothing is left to sound on a device that stacks voices."""
    keys = Keys(route("sampler"))
    keys.play("90 3c 50")
    keys.use(route("modular"))
    assert keys.play("90 3c 51") == ["sampler: 80 3c 40", "modular: 90 3c 51"]
    assert keys.play("90 3c 52") == ["modular: 80 3c 40", "modular: 90 3c 52"]
    assert keys.play("80 3c 40") == ["modular: 80 3c 40"]


def test_same_note_on_two_channels_is_two_notes() -> None:
    keys = Keys(route("modular"))
    keys.play("90 3c 50|91 3c 50")
    assert keys.play("81 3c 40") == ["modular: 81 3c 40"]
    assert keys.play("80 3c 40") == ["modular: 80 3c 40"]


def test_pedal_comes_up_where_it_went_down() -> None:
    """Hold pedals are on from 64 (M1 Table III)."""
    keys = Keys(route("sampler", to_channel=2))
    assert keys.play("b0 40 7f") == ["sampler: b2 40 7f"]
    keys.use(route("modular"))
    assert keys.play("b0 40 00") == ["modular: b0 40 00", "sampler: b2 40 00"]
    assert keys.play("b0 40 00") == ["modular: b0 40 00"]


def test_half_damper_leaves_nothing_half_sustained() -> None:
    keys = Keys(route("sampler"))
    keys.play("b0 40 7f")
    keys.use(route("modular"))
    assert keys.play("b0 40 3f|b0 40 14") == [
        "modular: b0 40 3f",
        "sampler: b0 40 3f",
        "modular: b0 40 14",
        "sampler: b0 40 14",
    ]
    assert keys.play("b0 40 50") == ["modular: b0 40 50"]
    assert keys.play("b0 40 00|b0 40 01") == ["modular: b0 40 00", "sampler: b0 40 00", "modular: b0 40 01"]


def test_sostenuto_is_a_hold_pedal_and_soft_pedal_is_not() -> None:
    keys = Keys(route("sampler"))
    keys.play("b0 42 7f|b0 43 7f")
    keys.use()
    assert keys.play("b0 43 00|b0 42 00") == ["sampler: b0 42 00"]


@pytest.mark.parametrize("channel", [0, 1, 9, 15])
def test_a_pedal_that_is_held_is_found_by_its_channel(channel: int) -> None:
    keys = Keys(route("sampler"))
    up = f"b{channel:x} 40 00"
    other = f"b{channel ^ 1:x} 40 00"
    keys.play(f"b{channel:x} 40 7f")
    assert keys.input.holds(bytes.fromhex(up))
    assert not keys.input.holds(bytes.fromhex(other))


def test_let_go_releases_once() -> None:
    keys = Keys(route("sampler"))
    keys.play("90 3c 50|b0 40 7f")
    keys.input.let_go(0, keys.sink)
    assert keys.taken() == ["sampler: 80 3c 40", "sampler: b0 40 00"]
    keys.input.let_go(0, keys.sink)
    assert keys.taken() == []
    assert keys.play("80 3c 40") == []


def test_forget_tells_what_the_device_has_missed() -> None:
    keys = Keys(route("sampler"), route("modular", transpose=1))
    keys.play("90 3c 50|b0 40 7f")
    gone = keys.outputs["sampler"]
    assert keys.input.forget(gone) == [b"\x80\x3c\x40", b"\xb0\x40\x00"]
    assert keys.input.forget(gone) == []
    assert keys.play("80 3c 40") == ["modular: 80 3d 40"]


MALFORMED = """
    |3c|3c 40|90|90 3c|90 3c 40 3e|90 80 40|90 3c 80|90 ff 40|c0|c0 05 06|c0 f8|d0 80
    |f0|f0 7d|f0 80 f7|f4|f5|f7|f9|fd|f8 f8|f2 00|f1 ff|f6 00|90 90 90|e0 00
"""


@pytest.mark.parametrize("hexes", MALFORMED.split("|"))
def test_malformed_bytes_go_nowhere_and_are_counted(hexes: str) -> None:
    keys = Keys(route("sampler", kinds=Kind))
    assert keys.play(hexes) == []
    assert keys.input.malformed == 1
    assert keys.play("90 3c 40") == ["sampler: 90 3c 40"]


def test_a_control_is_not_routed_and_works_on_its_edge() -> None:
    keys = Keys(route("sampler", kinds=Kind))
    keys.input.use_controls(controls_of((0x90, 36), (0xB0, 80), (0xC0, 7)), 0, keys.sink)

    def pressed(hexes: str) -> list[bool]:
        turns = [keys.input.receive(bytes.fromhex(t), 0, keys.sink) for t in hexes.split("|")]
        return [turn is not None and turn.down for turn in turns]

    assert pressed("90 24 40|90 24 50|90 24 00|90 24 01|80 24 00|80 24 00") == [
        True,
        False,
        False,
        True,
        False,
        False,
    ]
    assert pressed("b0 50 3f|b0 50 40|b0 50 7f|b0 50 3f|b0 50 7f") == [False, True, False, False, True]
    assert pressed("c0 07|c0 07") == [True, True]
    assert keys.taken() == []
    assert pressed("91 24 40|b0 51 7f|c0 08|d0 07") == [False, False, False, False]
    assert len(keys.taken()) == 4


def test_a_held_key_that_becomes_a_control_is_released() -> None:
    keys = Keys(route("sampler"))
    keys.play("90 24 40|90 25 40|b0 40 7f")
    keys.input.use_controls(controls_of((0x90, 36), (0xB0, 64)), 0, keys.sink)
    assert keys.taken() == ["sampler: 80 24 40", "sampler: b0 40 00"]
    assert keys.play("80 24 40|b0 40 00|80 25 40") == ["sampler: 80 25 40"]
