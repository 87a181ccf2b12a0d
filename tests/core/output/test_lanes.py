"""What replaces what on a wire that is full; the halves of 14-bit controllers lie 32 apart (M1 p. 12)."""

from __future__ import annotations

import pytest

from routerd.core.midi.messages import is_release
from routerd.core.output.lanes import (
    SURPLUS,
    expression_keys,
    is_surplus,
    put_value,
    sets_sound,
    thinning_key,
)


def key_of(hexes: str) -> int:
    return thinning_key(bytes.fromhex(hexes))


def put(*hexes: str) -> tuple[list[str], int]:
    """Put values one after the other; return what waits, and how many were replaced."""
    values: dict[int, list[bytes]] = {}
    replaced = sum(put_value(values, key_of(one), bytes.fromhex(one)) for one in hexes)
    return [data.hex(" ") for cell in values.values() for data in cell], replaced


@pytest.mark.parametrize("number", [1, 2, 7, 11, 31])
def test_both_halves_of_a_controller_are_one_value(number: int) -> None:
    upper, lower = f"b0 {number:02x} 40", f"b0 {number + 32:02x} 11"
    assert key_of(upper) == key_of(lower)
    assert put(upper, lower) == ([upper, lower], 0)


def test_a_new_upper_half_clears_the_lower_one() -> None:
    assert put("b0 07 40", "b0 27 11", "b0 07 41") == (["b0 07 41"], 2)


def test_a_new_lower_half_replaces_the_lower_one_alone() -> None:
    assert put("b0 07 40", "b0 27 11", "b0 27 12") == (["b0 07 40", "b0 27 12"], 1)


def test_a_lower_half_may_wait_alone() -> None:
    assert put("b0 27 11", "b0 27 12") == (["b0 27 12"], 1)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("b0 07 40", "b1 07 40"),  # another channel
        ("b0 07 40", "b0 08 40"),  # another controller
        ("b0 1f 40", "b0 5f 40"),  # 95 is not the lower half of 31
        ("b0 4a 40", "b0 0a 40"),  # 74 is not the lower half of 10: there are halves below 64 only
        ("a0 3c 40", "a0 3d 40"),  # the pressure of another key
        ("d0 40", "e0 00 40"),
        ("d0 40", "d1 40"),
    ],
)
def test_other_values_are_others(one: str, other: str) -> None:
    assert -1 != key_of(one) != key_of(other) != -1
    assert put(one, other) == ([one, other], 0)


@pytest.mark.parametrize("hexes", ["e0 00 40", "d0 40", "a0 3c 40", "b0 07 40", "b0 4a 01", "b0 5f 01"])
def test_a_newer_value_takes_the_place_of_the_older(hexes: str) -> None:
    newer = hexes[:-2] + "7f"
    assert put(hexes, "b9 01 01", newer) == ([newer, "b9 01 01"], 1)


@pytest.mark.parametrize(
    "number", [0, 32, 6, 38, *range(64, 70), *range(80, 85), *range(96, 102), *range(120, 128)]
)
def test_bank_parameters_switches_and_channel_mode_are_never_thinned(number: int) -> None:
    assert key_of(f"b0 {number:02x} 7f") == -1


@pytest.mark.parametrize("hexes", ["90 3c 40", "80 3c 40", "c0 05"])
def test_notes_and_programs_are_never_thinned(hexes: str) -> None:
    assert key_of(hexes) == -1


@pytest.mark.parametrize("number", [70, 74, 79, 85, 95, 102, 119])
def test_values_beside_those_are(number: int) -> None:
    assert key_of(f"b0 {number:02x} 7f") != -1


def test_a_note_of_its_own_channel_begins_with_bend_pressure_and_timbre() -> None:
    assert expression_keys(3) == (key_of("e3 00 40"), key_of("d3 00"), key_of("b3 4a 00"))


@pytest.mark.parametrize(
    ("hexes", "sets"),
    [
        ("c0 05", True), ("f0 7d 01 f7", True), ("b0 00 01", True), ("b0 20 01", True), ("b0 06 01", True),
        ("b0 26 01", True), ("b0 60 01", True), ("b0 65 01", True), ("b0 78 00", True), ("b0 66 01", False),
        ("b0 5f 01", False), ("b0 07 01", False), ("90 3c 01", False), ("d0 01", False),
    ],
)  # fmt: skip
def test_what_sets_a_sound(hexes: str, sets: bool) -> None:
    assert sets_sound(bytes.fromhex(hexes)) is sets


@pytest.mark.parametrize(
    ("hexes", "is_one"),
    [
        ("80 3c 40", True), ("90 3c 00", True), ("90 3c 01", False), ("b0 40 00", True), ("b0 40 3f", True),
        ("b0 40 40", False), ("b0 78 00", True), ("b0 77 00", False), ("b0 43 00", False), ("f7", False),
    ],
)  # fmt: skip
def test_what_is_a_release(hexes: str, is_one: bool) -> None:
    """A switch is off below 64 (M1 p. 11)."""
    assert is_release(bytes.fromhex(hexes)) is is_one


def test_surplus_releases_are_counted_by_key_and_channel_against_the_presses() -> None:
    off = bytes.fromhex("80 3c 40")
    others = [bytes.fromhex(one) for one in ("81 3c 40", "80 3d 40", "b0 40 00")] * SURPLUS
    assert not is_surplus([*others, *[off] * (SURPLUS - 1)], off)
    assert is_surplus([*others, *[off] * SURPLUS], off)
    assert is_surplus([bytes.fromhex("90 3c 00")] * SURPLUS, off), (
        "a press of velocity 0 is a release (M1 p. 10)"
    )
    assert not is_surplus([*[off] * SURPLUS, bytes.fromhex("90 3c 40")], off)
    pedal = bytes.fromhex("b0 40 00")
    assert is_surplus([pedal] * SURPLUS, pedal)
    assert not is_surplus([pedal] * SURPLUS, off)
