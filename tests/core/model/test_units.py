"""Tempo text, note names and bar arithmetic.

Note numbers and frequencies: CRC Handbook, "Musical scales", Table 1 (C0 16.352 Hz,
C2 65.406 Hz, C4 261.63 Hz, C#4 277.18 Hz, A4 440 Hz, C6 1046.50 Hz). Middle C is note 60: M1 p. 10.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from routerd.core.units import (
    BPM_MAX,
    BPM_MIN,
    format_bpm,
    parse_bpm,
    parse_note,
    ticks_per_bar,
    ticks_per_beat,
)


@pytest.mark.parametrize(
    ("text", "bpm"),
    [
        ("120", Fraction(120)),
        (" 121.5 ", Fraction(243, 2)),
        ("243/2", Fraction(243, 2)),
        ("99.98", Fraction(4999, 50)),
        ("10", Fraction(10)),
        ("480", Fraction(480)),
    ],
)
def test_tempo_text_is_exact(text: str, bpm: Fraction) -> None:
    assert parse_bpm(text) == bpm


@pytest.mark.parametrize(
    "text",
    [
        "",
        "fast",
        "nan",
        "inf",
        "1e2",
        "1e999999999",
        "120,5",
        "1_20",
        "120/0",
        "-120",
        "+120",
        "٣٠",
        "1" * 5000,
    ],
)
def test_what_is_no_tempo_says_what_to_write(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not a tempo; write a decimal such as 121\.5") as caught:
        parse_bpm(text)
    assert len(str(caught.value)) < 120


@pytest.mark.parametrize("text", ["9.999999", "480.000001", "0", "1215", "1/3"])
def test_tempo_outside_the_flood_limits_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="outside 10 to 480 BPM"):
        parse_bpm(text)


@given(st.fractions(BPM_MIN, BPM_MAX, max_denominator=10**15))
@example(Fraction(10) + Fraction(1, 2**21))
def test_tempo_survives_writing_and_reading(bpm: Fraction) -> None:
    assert parse_bpm(format_bpm(bpm)) == bpm


@given(st.decimals(10, 480, places=3))
def test_decimal_tempo_is_written_as_a_decimal(decimal: object) -> None:
    text = format_bpm(Fraction(str(decimal)))
    assert "/" not in text
    assert Fraction(text) == Fraction(str(decimal))


@pytest.mark.parametrize(
    ("bpm", "text"),
    [
        (Fraction(120), "120"),
        (Fraction(243, 2), "121.5"),
        (Fraction(361, 3), "361/3"),
        (Fraction(1601, 16), "100.0625"),
        (Fraction(1, 20), "0.05"),
    ],
)
def test_tempo_is_written_as_people_write_it(bpm: Fraction, text: str) -> None:
    assert format_bpm(bpm) == text


@pytest.mark.parametrize(
    ("name", "number", "hertz"),
    [
        ("C0", 12, 16.352),
        ("C2", 36, 65.406),
        ("C4", 60, 261.63),
        ("C#4", 61, 277.18),
        ("A4", 69, 440.0),
        ("C6", 84, 1046.50),
    ],
)
def test_note_names_against_the_published_frequencies(name: str, number: int, hertz: float) -> None:
    assert parse_note(name) == number
    assert 440 * 2 ** ((parse_note(name) - 69) / 12) == pytest.approx(hertz, rel=5e-5)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("60", 60),
        (" 0 ", 0),
        ("127", 127),
        ("C-1", 0),
        ("G9", 127),
        ("Db4", 61),
        ("c#4", 61),
        ("bb3", 58),
        ("Cb4", 59),
        ("B#3", 60),
    ],
)
def test_a_note_is_read_by_number_or_name(text: str, number: int) -> None:
    assert parse_note(text) == number


@pytest.mark.parametrize(
    "text", ["", "H4", "C", "C##4", "128", "-1", "G#9", "Cb-1", "4C", "C4 "[:1], "C100", "6.0"]
)
def test_what_is_no_note_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="note"):
        parse_note(text)


def test_bars_and_beats_of_24_ticks_to_the_quarter() -> None:
    """24 timing clocks to the quarter note (M1 p. 30)."""
    assert ticks_per_bar(4, 4) == 96
    assert ticks_per_bar(3, 4) == 72
    assert ticks_per_bar(7, 8) == 84
    assert ticks_per_bar(5, 16) == 30
    assert ticks_per_beat(4) == 24
    assert ticks_per_beat(8) == 12
    for unit in (1, 2, 4, 8, 16, 32):
        assert ticks_per_beat(unit) * unit == 96
