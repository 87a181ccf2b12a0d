"""What replaces what on a wire that is full; the halves of 14-bit controllers lie 32 apart (M1 p. 12)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import is_release
from routerd.core.output.lanes import (
    PAUSE,
    SURPLUS,
    expression_keys,
    is_surplus,
    pause,
    pause_ns,
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


BANK, DATA, PARAMETERS = (0, 32), (6, 38), range(96, 102)
SWITCHES, CHANNEL_MODE = (*range(64, 70), *range(80, 85)), range(120, 128)
CHANNEL_MESSAGES = [bytes((status, number, 5)) for status in range(0x80, 0xF0) for number in range(128)]


def value_set_by(data: bytes) -> tuple[object, ...] | None:
    """Return what a channel message sets where only the newest counts (M1 Table III), else None."""
    kind, channel, number = data[0] >> 4, data[0] % 16, data[1]
    if kind in (0xD, 0xE):
        return kind, channel
    if kind == 0xA:
        return kind, channel, number
    if kind != 0xB or number in (*BANK, *DATA, *PARAMETERS, *SWITCHES, *CHANNEL_MODE):
        return None
    return kind, channel, number - 32 if 32 <= number < 64 else number


def test_every_channel_message_has_the_key_of_what_it_sets() -> None:
    keys: dict[int, tuple[object, ...]] = {}
    for data in CHANNEL_MESSAGES:
        value, key = value_set_by(data), thinning_key(data)
        assert (value is None) == (key == -1), data.hex(" ")
        if value is not None:
            assert keys.setdefault(key, value) == value, data.hex(" ")
    assert len(keys) == len({value for value in map(value_set_by, CHANNEL_MESSAGES) if value is not None})


def test_every_channel_message_that_sets_a_sound() -> None:
    for data in CHANNEL_MESSAGES:
        parts = data[0] >> 4 == 0xB and data[1] in (*BANK, *DATA, *PARAMETERS, *CHANNEL_MODE)
        assert sets_sound(data) == (parts or data[0] >> 4 == 0xC), data.hex(" ")


KEYS_AND_PEDALS = st.builds(
    lambda kind, channel, number, value: bytes((kind | channel, number, value)),
    st.sampled_from((0x80, 0x90, 0xA0, 0xB0)), st.sampled_from((0, 1)), st.sampled_from((64, 65)),
    st.sampled_from((0, 63, 64, 127)),
)  # fmt: skip


@given(st.lists(st.tuples(KEYS_AND_PEDALS, st.integers(1, 12)), max_size=8), KEYS_AND_PEDALS)
def test_the_surplus_is_what_more_releases_than_presses_wait(
    runs: list[tuple[bytes, int]], release: bytes
) -> None:
    """Of the same pedal, or of the same key; pressure of a key is neither."""
    if not is_release(release):
        return
    waiting = [data for data, count in runs for _ in range(count)]
    pedal = release[0] >> 4 == 0xB
    surplus = 0
    for data in waiting:
        same = (data[0] % 16, data[1]) == (release[0] % 16, release[1])
        if same and (data[0] >> 4 == 0xB if pedal else data[0] >> 4 in (8, 9)):
            is_off = data[2] < 64 if pedal else data[0] >> 4 == 8 or data[2] == 0
            surplus += 1 if is_off else -1
    assert is_surplus(waiting, release) == (surplus >= 8)


def receiver_after(messages: list[bytes]) -> dict[tuple[int, int], int]:
    """Return what a receiver is on: a new upper half clears the lower one (M1 p. 12)."""
    on: dict[tuple[int, int], int] = {}
    for status, number, value in messages:
        on[status, number] = value
        if number < 32:
            on[status, number + 32] = 0
    return on


@given(
    st.lists(
        st.builds(
            lambda channel, number, value: bytes((0xB0 | channel, number, value)),
            st.sampled_from((0, 1)), st.sampled_from((1, 31, 33, 34, 63, 70, 71, 95)), st.integers(0, 3),
        ),
        max_size=20,
    )
)  # fmt: skip
def test_a_receiver_of_what_waits_is_on_what_it_would_be_on_had_it_got_everything(
    messages: list[bytes],
) -> None:
    values: dict[int, list[bytes]] = {}
    replaced = sum(put_value(values, thinning_key(data), data) for data in messages)
    waiting = [data for cell in values.values() for data in cell]
    assert replaced == len(messages) - len(waiting)
    assert all(len(cell) <= 2 for cell in values.values())
    assert receiver_after(waiting) == receiver_after(messages)


@pytest.mark.parametrize("ns", [0, 1, 200_000_000, 2**62])
def test_a_pause_says_how_long(ns: int) -> None:
    assert pause_ns(pause(ns)) == ns
    assert pause(ns)[0] == PAUSE
