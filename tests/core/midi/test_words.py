"""Messages in the trade's words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import is_whole
from routerd.core.midi.words import CONTROLLER_NAMES, controller_words, message_words


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("90 3C 64", "note on C4 velocity 100, channel 1"),
        ("93 3C 00", "note off C4, channel 4"),
        ("8F 00 40", "note off C-1, channel 16"),
        ("A0 7F 01", "key pressure G9 1, channel 1"),
        ("B0 07 64", "controller 7 (volume) 100, channel 1"),
        ("B0 27 00", "controller 39 (volume LSB) 0, channel 1"),
        ("B9 66 01", "controller 102 1, channel 10"),
        ("C0 00", "program 1, channel 1"),
        ("D1 40", "channel pressure 64, channel 2"),
        ("E0 00 40", "pitch bend +0, channel 1"),
        ("E0 00 00", "pitch bend -8192, channel 1"),
        ("E0 7F 7F", "pitch bend +8191, channel 1"),
        ("F0 7D 01 F7", "SysEx 4 bytes: F0 7D 01 F7"),
        ("F2 10 01", "song position 144"),
        ("F8", "clock"),
        ("FA", "start"),
        ("90 3C", "not one MIDI message: 90 3C"),
        ("3C", "not one MIDI message: 3C"),
    ],
)
def test_a_message_in_words(code: str, words: str) -> None:
    assert message_words(bytes.fromhex(code)) == words


def test_a_long_sysex_is_cut_where_it_is_written_out() -> None:
    assert message_words(b"\xf0" + bytes(98) + b"\xf7") == f"SysEx 100 bytes: F0{' 00' * 11} …"


@pytest.mark.parametrize(
    ("number", "name"),
    [
        *((1, "modulation"), (7, "volume"), (10, "pan"), (11, "expression"), (64, "sustain pedal")),
        *((66, "sostenuto pedal"), (67, "soft pedal"), (120, "all sound off")),
        *((121, "reset all controllers"), (122, "local control"), (123, "all notes off")),
    ],
)
def test_controllers_have_the_names_of_the_standard(number: int, name: str) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, Table III and Table IV, from memory."""
    assert CONTROLLER_NAMES[number] == name
    assert controller_words(number) == f"controller {number} ({name})"


@given(st.binary(max_size=5))
def test_anything_has_words_and_only_whole_messages_are_called_so(data: bytes) -> None:
    assert message_words(data).startswith(("not one", "nothing")) is not is_whole(data)
