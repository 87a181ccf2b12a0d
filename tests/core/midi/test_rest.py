"""What is open after somebody has played (notes, controllers, bend, pressure), and what ends it."""

from __future__ import annotations

import pytest

from routerd.core.midi.rest import Pressed


def rest_of(*hexes: str, who: str = "keys") -> list[tuple[str, str]]:
    pressed: Pressed[str] = Pressed()
    for one in hexes:
        pressed.take(who, bytes.fromhex(one))
    found = [(name, data.hex(" ")) for name, data in pressed.rest()]
    assert pressed.rest() == []
    return found


@pytest.mark.parametrize(
    ("opens", "ends"),
    [
        ("93 3c 40", "83 3c 40"),
        ("b3 07 01", "b3 07 00"),
        ("e3 00 41", "e3 00 40"),  # centre is 00 40 (M1 p. 19)
        ("e3 01 40", "e3 00 40"),
        ("d3 01", "d3 00"),
    ],
)
def test_what_is_open_is_ended_and_what_has_rested_is_not(opens: str, ends: str) -> None:
    ((_, rest),) = rest_of(opens)
    assert rest == ends
    assert rest_of(opens, ends) == []
    assert rest_of(ends) == []
    assert len(rest_of(opens, ends, opens)) == 1


def test_a_note_on_of_velocity_0_is_a_release() -> None:
    """M1 p. 10."""
    assert rest_of("90 3c 40", "90 3c 00") == []


@pytest.mark.parametrize("other", ["91 3c 40", "90 3d 40", "b0 3c 40", "b1 3c 40", "e0 00 00", "d0 3c"])
def test_a_note_stays_open_until_its_own_release(other: str) -> None:
    assert len(rest_of("90 3c 40", other)) == 2
    assert len(rest_of("90 3c 40", other, "80 3c 00")) == 1


@pytest.mark.parametrize("hexes", ["b3 07 01", "e3 00 41", "d3 01"])
def test_each_channel_is_ended_for_itself(hexes: str) -> None:
    other = f"{int(hexes[:2], 16) + 1:02x}" + hexes[2:]
    assert [rest[:2] for _, rest in rest_of(hexes, other)] == [hexes[:2], other[:2]]


def test_it_is_ended_in_the_order_in_which_it_began_for_each_who_played() -> None:
    pressed: Pressed[str] = Pressed()
    pressed.take("keys", b"\x90\x3c\x40")
    pressed.take("pads", b"\x90\x3c\x40")
    pressed.take("keys", b"\xb0\x40\x7f")
    assert [who for who, _ in pressed.rest()] == ["keys", "pads", "keys"]


@pytest.mark.parametrize("hexes", ["c0 05", "f8", "f0 7d 01 f7", "a0 3c 40"])
def test_other_messages_open_nothing(hexes: str) -> None:
    assert rest_of(hexes) == []
