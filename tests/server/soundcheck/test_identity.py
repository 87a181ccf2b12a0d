"""Identity replies, by the format of M1 p. 40 (MIDI 1.0 Detailed Specification 4.2.1)."""

from __future__ import annotations

import pytest

from routerd.server.soundcheck.facts import REQUEST, parse_identity
from routerd.server.soundcheck.figures import Identity

SHORT = bytes.fromhex("F0 7E 10 06 02 7D 42 00 00 20 00 01 00 00 F7")


def test_the_request_goes_to_every_device_number() -> None:
    assert REQUEST.hex(" ") == "f0 7e 7f 06 01 f7"


def test_numbers_come_least_significant_byte_first() -> None:
    assert parse_identity(SHORT) == Identity(0x10, "7D", 0x42, 0x20 << 7, "00 01 00 00")


def test_a_manufacturer_number_of_three_bytes() -> None:
    """The number is invented; 7D is for non-commercial use (M1 p. 34, page from memory)."""
    data = bytes.fromhex("F0 7E 00 06 02 00 7D 7D 05 01 02 00 03 02 01 00 F7")
    assert parse_identity(data) == Identity(0, "00 7D 7D", 0x85, 2, "03 02 01 00")


@pytest.mark.parametrize(
    "text",
    [
        "F0 7E 10 06 01 F7",  # the request itself, come round
        "F0 7E 10 06 02 7D 42 00 00 20 00 01 00 F7",  # a byte short
        "F0 7E 10 06 02 00 7D 7D 00 20 00 01 00 00 F7",  # three-byte number in the short form
        "F0 7E 10 06 02 7D 42 00 00 20 00 01 00 00 00 00 F7",
        "F0 7F 10 06 02 7D 42 00 00 20 00 01 00 00 F7",  # real-time, not non-real-time
        "90 3C 01",
        "F8",
    ],
)
def test_what_is_no_reply_is_none(text: str) -> None:
    assert parse_identity(bytes.fromhex(text)) is None


def test_data_bytes_above_7f_are_no_reply() -> None:
    assert parse_identity(SHORT[:8] + b"\x80" + SHORT[9:]) is None
