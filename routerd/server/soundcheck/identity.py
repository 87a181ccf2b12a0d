"""The roll call's question and its answers: identity request and reply (M1 p. 40).

M1 is the MIDI 1.0 Detailed Specification, document version 4.2.1.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

REQUEST = bytes.fromhex("F0 7E 7F 06 01 F7")
"""To every device on the wire, whatever its own number (7F)."""

ANSWER_S = 1.5
"""How long to wait for an answer."""

OTHERS_S = 0.3
"""How long to wait behind one: two devices of one product may be behind one port, by a thru box, say."""

_REPLY_BYTES = 15
_LONG_REPLY_BYTES = 17


class Identity(NamedTuple):
    """What a device says it is. Numbers are as the manufacturer assigned them.

    `manufacturer` is its SysEx number in hexadecimal, one byte or three; `channel` the device's own number
    from 0 to 126, 127 for any.
    """

    channel: int
    manufacturer: str
    family: int
    member: int
    version: str

    @property
    def words(self) -> str:
        """For people."""
        return (
            f"manufacturer {self.manufacturer}, family {self.family}, member {self.member}, "
            f"version {self.version}, device number {self.channel}"
        )


def all_words(identities: Iterable[Identity]) -> str:
    """Return what all say who have answered one request, equal ones counted."""
    counts = Counter(identity.words for identity in identities)
    return "; and ".join(f"{count} times {words}" if count > 1 else words for words, count in counts.items())


def parse_identity(data: bytes) -> Identity | None:
    """Return what an identity reply says, None for any other message.

    Two-byte numbers come least significant byte first; a manufacturer number that begins with 00 has three
    bytes.
    """
    if len(data) < _REPLY_BYTES or data[:2] != b"\xf0\x7e" or data[3:5] != b"\x06\x02" or data[-1] != 0xF7:
        return None
    length = 3 if data[5] == 0 else 1
    if len(data) != (_LONG_REPLY_BYTES if length == 3 else _REPLY_BYTES) or max(data[1:-1]) > 0x7F:
        return None
    rest = data[5 + length :]
    return Identity(
        channel=data[2],
        manufacturer=data[5 : 5 + length].hex(" ").upper(),
        family=rest[0] | rest[1] << 7,
        member=rest[2] | rest[3] << 7,
        version=rest[4:8].hex(" ").upper(),
    )
