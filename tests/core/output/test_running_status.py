"""Bytes on a wire whose interface leaves repeated status bytes out, against M1 and ALSA's own decoder."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from routerd.core.model.rig import Device, WireKind
from routerd.core.output.wire import Sink, Wire
from tests.alsa_codec import codec

BYTE_NS = 320_000


def wire_bytes(messages: list[bytes], *, running: bool = True) -> int:
    """Return how long the model of a DIN wire takes for these messages, in bytes."""
    device = Device("box", output_pattern="box", wire=WireKind.DIN, running_status=running)
    out = Wire((device,), 0)
    out.connected = True
    sink: Sink = []
    total = now_ns = 0
    for data in messages:
        out.offer(data, now_ns, sink)
        assert sink.pop() == (out, data)
        total += (out.busy_until_ns - now_ns) // BYTE_NS
        now_ns = out.busy_until_ns
    return total


def test_running_status_saves_what_the_examples_print() -> None:
    """M1 pp. A-1, A-2: 90 3C 27 40 2B 43 25 are three Note Ons; B0 7C 00 01 37 two controllers."""
    chord = [b"\x90\x3c\x27", b"\x90\x40\x2b", b"\x90\x43\x25"]
    assert wire_bytes(chord) == 7
    assert wire_bytes(chord, running=False) == 9
    assert wire_bytes([b"\xb0\x7c\x00", b"\xb0\x01\x37"]) == 5


def test_system_common_ends_it() -> None:
    """M1 p. A-2: system common clears the buffer, so the status has to be sent again."""
    assert wire_bytes([b"\x90\x3c\x27", b"\xf3\x01", b"\x90\x3c\x00"]) == 8


def alsa_bytes(messages: list[bytes]) -> int:
    """Have every message made an event and the events bytes again, with running status."""
    with codec(running=True) as alsa:
        return sum(len(data) for message in messages for _, data in alsa.events(message))


seven = st.integers(0, 127)
three = st.sampled_from((0x80, 0x81, 0x90, 0x91, 0xA0, 0xE0))
spoken = st.one_of(
    st.builds(lambda s, a, b: bytes((s, a, b)), three, seven, seven),
    st.builds(lambda s, a: bytes((s, a)), st.sampled_from((0xC0, 0xC1, 0xD0, 0xF3)), seven),
    st.sampled_from((b"\xf8", b"\xfb", b"\xfe")),  # real time changes nothing (M1 p. A-2)
    st.lists(seven, max_size=6).map(lambda body: b"\xf0" + bytes(body) + b"\xf7"),
)


@given(st.lists(spoken, max_size=30))
def test_any_messages_take_what_alsa_sends(messages: list[bytes]) -> None:
    """ALSA sends the status anew after real time, which M1 does not ask for: it hears only the rest."""
    real_time = [data for data in messages if data[0] >= 0xF8]
    rest = [data for data in messages if data[0] < 0xF8]
    assert wire_bytes(messages) == alsa_bytes(rest) + len(real_time)
