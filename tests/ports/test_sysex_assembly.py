"""A long SysEx that RtMidi hands over in parts, with real-time bytes and other messages glued to them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.midi.messages import is_whole
from routerd.ports import sysex_assembly as mend
from routerd.ports.sysex_assembly import SysexAssembly

NOTE = b"\x90\x3c\x40"


def taken(*handed_over: str) -> tuple[list[str], int]:
    assembly = SysexAssembly()
    messages = [message.hex() for data in handed_over for message in assembly.take(bytes.fromhex(data))]
    return messages, assembly.malformed


@pytest.mark.parametrize(
    ("handed_over", "messages", "strange"),
    [
        (["903c40", "f8"], ["903c40", "f8"], 0),
        (["f07d01f7"], ["f07d01f7"], 0),
        (["f07d01f8", "02f7"], ["f8", "f07d0102f7"], 0),  # a clock between two chunks
        (["f07d01f8", "02f8", "fe", "03f7"], ["f8", "f8", "fe", "f07d010203f7"], 0),
        (["f07d01f8", "f7"], ["f8", "f07d01f7"], 0),
        (["f07d01903c40", "804000"], ["903c40", "804000"], 1),  # a note ends a SysEx (M1 p. T-8)
        (["f07d01f8", "903c40"], ["f8", "903c40"], 1),
        (["f07d01f07d02f7"], ["f07d02f7"], 1),  # and so does another SysEx
        (["f07d01f6"], ["f6"], 1),
        (["3c40", "903c40"], ["903c40"], 1),
        (["f7", "903c40"], ["903c40"], 1),
        (["f9", "fd", "f4", "f5", "903c40"], ["903c40"], 4),  # undefined (M1 pp. T-6, T-7)
        (["f07d01f9", "02f7"], ["f07d0102f7"], 1),  # F9 ends no SysEx, it is real time (M1 p. A-2)
        (["90", "903c", "903c40"], ["903c40"], 2),
        ([""], [], 0),
    ],
)
def test_whole_messages_are_found(handed_over: list[str], messages: list[str], strange: int) -> None:
    assert taken(*handed_over) == (messages, strange)


def test_a_sysex_without_end_does_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mend, "LONGEST_SYSEX", 100)
    assembly = SysexAssembly()
    assert assembly.take(b"\xf0\x7d" + bytes(89) + b"\xf8") == [b"\xf8"]
    assert assembly.take(bytes(90) + b"\xf8") == [b"\xf8"]
    assert assembly.malformed == 1
    assert assembly.take(bytes(5) + b"\xf7") == []
    assert assembly.take(NOTE) == [NOTE]
    for too_long in (
        b"\xf0\x7d" + bytes(199),
        b"\xf0\x7d" + bytes(199) + b"\xf7",
        b"\xf8\xf0\x7d" + bytes(199) + b"\xf7",
    ):
        assert [message for message in assembly.take(too_long) if len(message) > 1] == []
        assert assembly.take(NOTE) == [NOTE]


@given(
    st.binary(min_size=0, max_size=60).map(lambda raw: bytes(byte & 0x7F for byte in raw)),
    st.lists(st.integers(0, 60), max_size=6),
)
def test_a_sysex_is_whole_wherever_clocks_cut_it(body: bytes, cuts: list[int]) -> None:
    """RtMidi hands over what lies between two clocks, the clock glued to it."""
    assembly = SysexAssembly()
    whole = b"\xf0" + body + b"\xf7"
    places = sorted({min(max(cut, 1), len(whole) - 1) for cut in cuts})
    parts = [whole[a:b] for a, b in zip([0, *places], [*places, len(whole)], strict=True)]
    got = [message for part in parts[:-1] for message in assembly.take(part + b"\xf8")] + assembly.take(
        parts[-1]
    )
    assert got == [b"\xf8"] * len(places) + [whole]
    assert assembly.malformed == 0


@given(st.lists(st.binary(max_size=12), max_size=12))
def test_only_whole_messages_come_out_and_the_next_note_is_heard(noise: list[bytes]) -> None:
    assembly = SysexAssembly()
    messages = [message for data in noise for message in assembly.take(data)]
    assert all(is_whole(message) for message in messages)
    assert assembly.take(NOTE) == [NOTE]
