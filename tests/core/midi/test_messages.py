"""The table of MIDI wire facts against M1 and against mido, a reference library of its own."""

from __future__ import annotations

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mido.messages.specs import SPEC_BY_STATUS

from routerd.core.midi import messages
from routerd.core.midi.messages import (
    MESSAGE_LENGTH,
    STATUSES_OF_KIND,
    Kind,
    is_whole,
    message_length,
)


def length_by_the_standard(byte: int) -> int:
    """M1 pp. 3 and 9, Tables II, V, VI: bytes of a message that starts with `byte`; 0: none or any."""
    if byte < 0x80:
        return 0
    if byte < 0xC0 or 0xE0 <= byte < 0xF0:
        return 3
    if byte < 0xF0:
        return 2
    return {0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1, 0xF8: 1, 0xFA: 1, 0xFB: 1, 0xFC: 1, 0xFE: 1, 0xFF: 1}.get(
        byte, 0
    )


@pytest.mark.parametrize("byte", range(256))
def test_length_of_every_byte(byte: int) -> None:
    assert message_length(byte) == MESSAGE_LENGTH[byte] == length_by_the_standard(byte)


@pytest.mark.parametrize("byte", range(256))
def test_length_of_every_byte_agrees_with_mido(byte: int) -> None:
    spec = SPEC_BY_STATUS.get(byte)
    fixed = spec is not None and byte != messages.SYSEX
    assert message_length(byte) == (spec["length"] if fixed else 0)


def test_undefined_status_bytes_begin_no_message() -> None:
    """M1 Tables V and VI: F4, F5, F9 and FD are undefined; F7 only ends a SysEx."""
    assert {byte for byte in range(0x80, 0x100) if message_length(byte) == 0} == {
        0xF4, 0xF5, 0xF9, 0xFD, 0xF0, 0xF7,
    }  # fmt: skip


def test_every_channel_status_has_one_kind() -> None:
    """M1 Table II."""
    owners = {}
    for kind, statuses in STATUSES_OF_KIND.items():
        for status in statuses:
            assert status not in owners
            owners[status] = kind
    assert owners == {
        0x80: Kind.NOTES,
        0x90: Kind.NOTES,
        0xA0: Kind.POLY_PRESSURE,
        0xB0: Kind.CC,
        0xC0: Kind.PROGRAM,
        0xD0: Kind.CHANNEL_PRESSURE,
        0xE0: Kind.PITCH_BEND,
    }


@pytest.mark.parametrize("channel", range(16))
def test_builders_agree_with_mido(channel: int) -> None:
    for value in (0, 1, 63, 64, 127):
        assert messages.note_on(channel, 60, value) == bytes(
            mido.Message("note_on", channel=channel, note=60, velocity=value).bytes()
        )
        assert messages.note_off(channel, value) == bytes(
            mido.Message("note_off", channel=channel, note=value, velocity=64).bytes()
        )
        assert messages.controller(channel, value, 5) == bytes(
            mido.Message("control_change", channel=channel, control=value, value=5).bytes()
        )
        assert messages.program_change(channel, value) == bytes(
            mido.Message("program_change", channel=channel, program=value).bytes()
        )


@pytest.mark.parametrize("sixteenths", [0, 1, 4, 10, 127, 128, 8192, 16383])
def test_song_position_agrees_with_mido(sixteenths: int) -> None:
    """Least significant byte first (M1 p. 27)."""
    assert messages.song_position(sixteenths) == bytes(mido.Message("songpos", pos=sixteenths).bytes())


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (messages.TICK_BYTES, "clock"),
        (messages.START_BYTES, "start"),
        (messages.CONTINUE_BYTES, "continue"),
        (messages.STOP_BYTES, "stop"),
    ],
)
def test_realtime_bytes_agree_with_mido(data: bytes, name: str) -> None:
    assert mido.Message.from_bytes(data).type == name


NOT_WHOLE = """
    |00|3c 40|90|90 3c|90 3c 27 40|90 80 27|90 3c 80|90 f8 27|c0|c0 80|c0 01 02
    |f0|f0 7d|f0 80 f7|f0 f0 f7|f0 f8 f7|f0 f7 f7|f7|f4|f5|f9|fd|f8 f8|f1|f1 80
    |f2 00|f2 00 80|f3|f6 00|fe 00
"""
WHOLE = """
    90 3c 27|80 00 7f|af 7f 7f|b0 7b 00|c5 7f|df 00|e0 00 40|f0 f7|f0 7e 7f 06 01 f7
    |f1 7f|f2 7f 7f|f3 00|f6|f8|fa|fb|fc|fe|ff
"""


@pytest.mark.parametrize("hexes", NOT_WHOLE.split("|"))
def test_what_is_not_one_whole_message(hexes: str) -> None:
    assert not is_whole(bytes.fromhex(hexes))


@pytest.mark.parametrize("hexes", WHOLE.split("|"))
def test_what_is_one_whole_message(hexes: str) -> None:
    assert is_whole(bytes.fromhex(hexes))


def mido_accepts(data: bytes) -> bool:
    """Return whether mido reads `data` as one message that it would write again as the same bytes."""
    try:
        return bytes(mido.Message.from_bytes(data).bytes()) == data
    except (ValueError, IndexError):
        return False


@given(st.binary(max_size=6))
def test_is_whole_agrees_with_mido(data: bytes) -> None:
    assert is_whole(data) == mido_accepts(data)


@given(st.integers(0x80, 0xFF), st.lists(st.integers(0, 127), max_size=3))
def test_is_whole_agrees_with_mido_near_the_mark(status: int, rest: list[int]) -> None:
    data = bytes((status, *rest))
    assert is_whole(data) == mido_accepts(data)
