"""Events for the kernel's sequencer against ALSA's own encoder, snd_midi_event_encode of libasound."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.errors import PortError
from routerd.ports.sequencer import DIRECT, EventEncoder, decode
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


def padded(event: bytes) -> bytes:
    """Return an event as the kernel hands it out: what follows it fills whole cells."""
    return event + bytes(-len(event) % 28)


@given(st.lists(short_messages | st.binary(max_size=200).map(lambda b: b"\xf0" + bytes(x & 127 for x in b))))
def test_what_is_read_of_a_client_is_what_was_sent_to_it(messages: list[bytes]) -> None:
    events = b"".join(padded(encoder.encode(message)) for message in messages)
    assert [heard.data for heard in decode(events)] == messages


def test_events_of_two_controllers_are_the_messages_that_they_stand_for() -> None:
    for kind, number, expected in (
        (14, 7, ["b20711", "b22722"]),  # a 14-bit controller: upper half, lower half (M1 Table III)
        (15, 0x81, ["b26301", "b26201", "b20611", "b22622"]),  # non-registered: 99, 98, then data entry
        (16, 0x01, ["b26500", "b26401", "b20611", "b22622"]),  # registered: 101, 100
    ):
        event = bytes((kind, 1, 0, 0)) + struct.pack("=II", 3, 5) + bytes(4)
        event += struct.pack("=B3xIi", 2, number, 0x11 << 7 | 0x22)
        heard = list(decode(event))
        assert [one.data.hex() for one in heard] == expected
        assert heard[0].queue_ns == 3_000_000_005
