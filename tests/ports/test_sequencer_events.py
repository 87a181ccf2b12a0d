"""Events for the kernel's sequencer against ALSA's own encoder, snd_midi_event_encode of libasound."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.errors import PortError
from routerd.ports.sequencer import DIRECT, EventEncoder
from tests.alsa_codec import codec

SOURCE, DESTINATION = (129, 3), (20, 1)
ADDRESSED = bytes((DIRECT, *bytes(8), *SOURCE, *DESTINATION))
"""Bytes 3 to 15 of an event: queue, time, source and destination, which no encoder of messages knows."""

data_byte = st.integers(0, 0x7F)
short_messages = st.one_of(
    st.tuples(st.integers(0x80, 0xBF), data_byte, data_byte),
    st.tuples(st.integers(0xC0, 0xDF), data_byte),
    st.tuples(st.integers(0xE0, 0xEF), data_byte, data_byte),
    st.tuples(st.sampled_from((0xF1, 0xF3)), data_byte),
    st.tuples(st.just(0xF2), data_byte, data_byte),
    st.tuples(st.sampled_from((0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF))),
).map(bytes)
encoder = EventEncoder(SOURCE, DESTINATION)


@given(short_messages)
def test_a_short_message_is_the_event_that_alsa_makes_of_it(message: bytes) -> None:
    with codec() as alsa:
        theirs = alsa.event(message)
    ours = encoder.encode(message)
    assert len(ours) == 28
    assert ours[3:16] == ADDRESSED
    assert ours[:3] + ours[16:] == theirs[:3] + theirs[16:]


@given(st.binary(max_size=200))
def test_a_sysex_follows_its_event(data: bytes) -> None:
    message = b"\xf0" + bytes(byte & 0x7F for byte in data) + b"\xf7"
    with codec() as alsa:
        theirs = alsa.event(message)
    ours = encoder.encode(message)
    assert ours[:2] == theirs[:2]  # type and flags: of variable length
    assert struct.unpack_from("=I", ours, 16) == struct.unpack_from("=I", theirs, 16) == (len(message),)
    assert ours[3:16] == ADDRESSED
    assert ours[28:] == message


@pytest.mark.parametrize("piece", [b"\xf0\x7d\x01", b"\x02\x03", b"\x04\xf7", b"\xf7"])
def test_a_piece_of_a_sysex_is_handed_over_as_it_is(piece: bytes) -> None:
    event = encoder.encode(piece)
    assert event[0] == encoder.encode(b"\xf0\xf7")[0]
    assert event[16:20] == struct.pack("=I", len(piece))
    assert event[28:] == piece


@pytest.mark.parametrize("status", [0xF4, 0xF5, 0xF9, 0xFD])
def test_what_midi_does_not_define_is_refused(status: int) -> None:
    with pytest.raises(PortError, match="no event"):
        encoder.encode(bytes((status,)))
