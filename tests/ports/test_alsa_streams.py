"""Streams with running status and real-time bytes anywhere, also inside SysEx, against ALSA's own encoder.

The published rules are M1 pp. 5, 29, 30 (real time may stand anywhere and changes nothing), A-1 and A-2
(running status), T-8 (any other status ends a SysEx). On ALSA a stream reaches us in events, a long SysEx in
pieces; RtMidi glues whatever came between to them, and `handed_over` does as its input does.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import is_whole
from routerd.ports.sysex_assembly import SysexAssembly
from tests.alsa_codec import SYSEX_EVENT, codec

CHUNK = 16
"""Bytes of SysEx in one event; the kernel's own are larger, which makes less difference."""


def whole_by_alsa(stream: bytes) -> list[bytes]:
    """Return the messages that ALSA finds when it has room for every SysEx."""
    with codec() as alsa:
        return [data for _, data in alsa.events(stream)]


def handed_over(stream: bytes) -> Iterator[bytes]:
    """Yield what RtMidi gives a program: it collects until a SysEx has ended or another event comes."""
    message = b""
    with codec(CHUNK) as alsa:
        for kind, data in alsa.events(stream):
            message += data
            if kind != SYSEX_EVENT or message.endswith(b"\xf7"):
                yield message
                message = b""


def assembled(stream: bytes) -> list[bytes]:
    """Return the messages that are made of the stream, whether or not it is glued."""
    with codec(CHUNK) as alsa:
        events = [data for _, data in alsa.events(stream)]
    glued, apart = SysexAssembly(), SysexAssembly()
    messages = [message for data in handed_over(stream) for message in glued.take(data)]
    assert [message for data in events for message in apart.take(data)] == messages
    return messages


@pytest.mark.parametrize(
    ("stream", "messages"),
    [
        ("90 3c 27 40 2b 43 25", ["90 3c 27", "90 40 2b", "90 43 25"]),  # M1 p. A-1
        ("90 3c 27 3c 00 3e 29", ["90 3c 27", "90 3c 00", "90 3e 29"]),  # M1 p. A-1
        ("b0 7c 00 01 37", ["b0 7c 00", "b0 01 37"]),  # M1 p. A-2
        ("90 3c f8 40 3e 41", ["f8", "90 3c 40", "90 3e 41"]),  # real time inside a message (M1 p. 30)
        ("f0 7e f8 7f 06 01 f7", ["f8", "f0 7e 7f 06 01 f7"]),  # and inside a SysEx (M1 p. 30)
        (
            "f0 7d" + " 01" * 40 + " f8" + " 02" * 40 + " fe f7",
            ["f8", "fe", "f0 7d" + " 01" * 40 + " 02" * 40 + " f7"],
        ),
        ("f0 7d 02 90 3c 40 3e 41", ["90 3c 40", "90 3e 41"]),  # any other status ends it (M1 p. T-8)
        ("90 3c 40 f3 01 3e 41 90 3e 41", ["90 3c 40", "f3 01", "90 3e 41"]),  # common clears (M1 p. A-2)
    ],
)
def test_published_streams_are_taken_apart_as_printed(stream: str, messages: list[str]) -> None:
    data = bytes.fromhex(stream)
    assert [message.hex(" ") for message in assembled(data)] == messages
    if not stream.startswith("f0 7d 02 90"):  # ALSA keeps the beginning of a SysEx that never ends
        assert [message.hex(" ") for message in whole_by_alsa(data)] == messages


seven = st.integers(0, 127)
channel_message = st.one_of(
    st.builds(
        lambda s, a, b: bytes((s, a, b)), st.sampled_from((0x80, 0x90, 0x91, 0xB0, 0xE5)), seven, seven
    ),
    st.builds(lambda s, a: bytes((s, a)), st.sampled_from((0xC0, 0xD3)), seven),
)
common = st.sampled_from((b"\xf1\x23", b"\xf2\x10\x01", b"\xf3\x05", b"\xf6"))
bodies = st.one_of(st.lists(seven, max_size=8), st.lists(seven, min_size=2 * CHUNK, max_size=5 * CHUNK))
sysex = bodies.map(lambda body: b"\xf0" + bytes(body) + b"\xf7")
real_time = st.sampled_from((0xF8, 0xFA, 0xFB, 0xFC, 0xFE))


@st.composite
def streams(draw: st.DrawFn) -> tuple[bytes, list[bytes], list[bytes]]:
    """Return a stream, its messages without real time, and its real-time messages."""
    messages = draw(st.lists(st.one_of(channel_message, channel_message, common, sysex), max_size=12))
    stream = bytearray()
    running = -1
    for message in messages:
        leave_out = message[0] == running and draw(st.booleans())
        stream += message[leave_out:]
        running = message[0] if message[0] < 0xF0 else -1
    inserted = []
    for place, byte in sorted(draw(st.lists(st.tuples(st.integers(0, len(stream)), real_time), max_size=8))):
        stream.insert(min(place + len(inserted), len(stream)), byte)
        inserted.append(bytes((byte,)))
    return bytes(stream), messages, inserted


@given(streams())
def test_any_stream_is_taken_apart_as_by_alsa_and_as_it_was_made(
    made: tuple[bytes, list[bytes], list[bytes]],
) -> None:
    stream, messages, inserted = made
    got = assembled(stream)
    assert got == whole_by_alsa(stream)
    assert [message for message in got if message[0] < 0xF8] == messages
    assert [message for message in got if message[0] >= 0xF8] == inserted


@given(st.binary(max_size=80))
def test_of_any_bytes_only_whole_messages_come_in_and_those_that_alsa_finds(noise: bytes) -> None:
    """SysEx that is cut off is told apart: ALSA hands its beginning over, here it goes nowhere."""
    got = assembled(noise)
    assert all(is_whole(message) for message in got)
    assert got == [message for message in whole_by_alsa(noise) if is_whole(message)]
