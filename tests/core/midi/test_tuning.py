"""Tuning against published tables.

CRC: CRC Handbook of Chemistry and Physics, "Musical scales", Table 1. M1 pp. 47–49: the tuning table is
misprinted in rows 42 7F 7F, 43 00 00, 43 00 01 and mis-rounded at the top (they must read 44, 45, 45); the
rows here are the corrected ones, which are also given at midi.org. A volt per octave is common practice,
without a source.
"""

from __future__ import annotations

from math import log2

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import is_whole
from routerd.core.midi.tuning import (
    cents,
    nearest_note,
    note_hz,
    note_name,
    retuned,
    single_note_tuning,
    tuning_data,
    volts,
)
from routerd.core.units import parse_note


@pytest.mark.parametrize(
    ("name", "hz", "digits"),
    [
        ("C0", 16.352, 3), ("C2", 65.406, 3), ("C4", 261.63, 2), ("C#4", 277.18, 2), ("A4", 440, 3),
        ("C6", 1046.50, 2),  # CRC
        ("C5", 523.3, 1), ("A0", 27.5, 4),
    ],
)  # fmt: skip
def test_notes_have_their_published_frequencies(name: str, hz: float, digits: int) -> None:
    assert round(note_hz(parse_note(name)), digits) == hz


ROWS = {
    "00 00 01": 8.1758, "01 00 00": 8.6620, "0C 00 00": 16.3516, "3C 00 00": 261.6256,
    "3D 00 00": 277.1826, "44 7F 7F": 439.9984, "45 00 00": 440.0, "78 00 00": 8372.0181,
    "7F 00 00": 12543.8540, "7F 7F 7E": 13289.6566,
}  # fmt: skip


def tuning_hz(data: tuple[int, int, int]) -> float:
    """Return the frequency that three bytes of a tuning message mean (M1 p. 47)."""
    semitone, msb, lsb = data
    return note_hz(semitone + (msb << 7 | lsb) / (1 << 14))


@pytest.mark.parametrize(("row", "hz"), ROWS.items())
def test_rows_of_the_tuning_table(row: str, hz: float) -> None:
    data = tuple(bytes.fromhex(row))
    assert round(tuning_hz(data), 4) == hz  # type: ignore[arg-type]
    assert tuning_data(tuning_hz(data)) == data  # type: ignore[arg-type]


def test_no_frequency_reads_as_no_change() -> None:
    """7F 7F 7F is no change (M1 p. 48)."""
    assert tuning_data(20_000) == (0x7F, 0x7F, 0x7E)
    assert tuning_data(1.0) == (0, 0, 0)


@given(st.integers(0, 127), st.floats(380, 500))
def test_a_tuning_message_is_exact_to_its_resolution(note: int, concert_pitch_hz: float) -> None:
    """A step is 100/16 384 cents (M1 p. 47)."""
    hz = note_hz(note, concert_pitch_hz)
    if tuning_data(hz) not in ((0, 0, 0), (0x7F, 0x7F, 0x7E)):
        assert abs(cents(tuning_hz(tuning_data(hz)), hz)) <= 0.5 * 100 / 16384 + 1e-9


def test_messages_have_the_form_and_length_of_the_standard() -> None:
    """F0 7F device 08 02 program count [note xx yy zz] × count F7; 8 + 4 × count bytes (M1 p. 49)."""
    (one,) = single_note_tuning({69: 442.0})
    assert one[:7] == bytes.fromhex("F0 7F 7F 08 02 00 01")
    assert one[7] == 69
    assert (len(one), one[-1]) == (12, 0xF7)
    every = retuned(442.0)
    assert [len(message) for message in every] == [8 + 4 * 127, 8 + 4]
    assert all(is_whole(message) for message in every)
    # 442 Hz is 1200 × log2(442/440) = 7.851 cents sharp, so A4 becomes 45H and 0.07851 × 16 384 = 1286 steps
    assert every[0][7 + 4 * 69 : 11 + 4 * 69] == bytes((69, 69, 1286 >> 7, 1286 & 127))


def test_cents_and_volts_between_two_pitches() -> None:
    assert cents(880, 440) == 1200
    assert round(cents(442, 440), 3) == round(1200 * log2(442 / 440), 3) == 7.851
    assert cents(439, 440) < 0
    assert volts(60, 36) == 2.0
    assert volts(37, 36) == pytest.approx(1 / 12)
    assert volts(24, 36) == -1.0


@given(st.integers(0, 127), st.floats(380, 500), st.floats(-49, 49))
def test_the_nearest_note_is_found(note: int, concert_pitch_hz: float, off_cents: float) -> None:
    measured = note_hz(note, concert_pitch_hz) * 2 ** (off_cents / 1200)
    assert nearest_note(measured, concert_pitch_hz) == note
    assert cents(measured, note_hz(note, concert_pitch_hz)) == pytest.approx(off_cents, abs=1e-6)


@pytest.mark.parametrize("measured", [0.0, -3.0, float("nan"), float("inf")])
def test_what_is_no_frequency(measured: float) -> None:
    with pytest.raises(ValueError, match="not a frequency"):
        nearest_note(measured)


@given(st.integers(0, 127))
def test_names_are_read_back(note: int) -> None:
    assert parse_note(note_name(note)) == note
