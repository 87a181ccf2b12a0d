"""What is thrown at a show: real messages, the same mutated, garbage, floods and clock storms.

Everything follows from a `random.Random`, so that a seed tells the whole stream; and every stream can be
written as bytes (`from_bytes`), so that a coverage-guided fuzzer can make its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random
from typing import NamedTuple

from tests.hostile.under_fire import UnderFire

US, MS = 1_000, 1_000_000


class Throw(NamedTuple):
    """A chunk of bytes for an input, `wait_ns` after the one before and told `late_ns` too late."""

    input: int
    data: bytes
    wait_ns: int
    late_ns: int = 0
    split: bool = True


def legal(random: Random) -> bytes:
    """Return a legal message, of the kinds that instruments send, in about their numbers."""
    channel, low, value = random.choice((0, 0, 1, 2, 9, 15, random.randrange(16))), 0, random.randrange(128)
    kind = random.choices(range(12), (20, 20, 3, 14, 4, 3, 8, 2, 2, 2, 4, 1))[0]
    low = (
        random.randrange(128) if kind != 0 and kind != 1 else random.choice((20, 29, 36, 48, 60, 61, 72, 100))
    )
    match kind:
        case 0:
            return bytes((0x90 | channel, low, value))
        case 1:
            return bytes((random.choice((0x80, 0x90)) | channel, low, random.choice((0, 0, 64))))
        case 2:
            return bytes((0xA0 | channel, low, value))
        case 3:
            number = random.choice((0, 32, 1, 7, 64, 66, 80, 81, 82, 98, 99, 100, 101, 6, 38, 96, low))
            return bytes((0xB0 | channel, number, random.choice((0, 127, value))))
        case 4:
            return bytes((0xC0 | channel, low))
        case 5:
            return bytes((0xD0 | channel, value))
        case 6:
            return bytes((0xE0 | channel, low, value))
        case 7:
            head = random.choice((b"\x7d", b"\x7d\x10", b"\x7f\x7f\x06\x02", b"\x7e\x00\x06\x01", b""))
            return b"\xf0" + head + bytes(random.choice((0, 1, 9, 300, 2000))) + b"\xf7"
        case 8:
            return random.choice(
                (bytes((0xF1, value)), bytes((0xF3, value)), bytes((0xF2, low, value)), b"\xf6")
            )
        case 9:
            return bytes((random.choice((0xFA, 0xFB, 0xFC, 0xFE, 0xFF)),))
        case 10:
            return b"\xf8"
        case _:
            return bytes((0xB0 | channel, random.randrange(120, 128), 0))


def garbage(random: Random) -> bytes:
    """Return bytes of no meaning."""
    return random.randbytes(random.choice((0, 1, 1, 2, 3, 3, 4, 8, 40, 700)))


def _flip(random: Random, data: bytearray) -> None:
    data[random.randrange(len(data))] ^= 1 << random.randrange(8)


def _cut(random: Random, data: bytearray) -> None:
    del data[random.randrange(len(data)) :]


def _insert(random: Random, data: bytearray) -> None:
    data.insert(
        random.randrange(len(data) + 1), random.choice((0xF8, 0xF7, 0xF0, 0xFE, 0x90, 0xB0, 0x00, 0xF9))
    )


def _glue(random: Random, data: bytearray) -> None:
    data += legal(random)


def _drop_status(_random: Random, data: bytearray) -> None:
    del data[0]


_MUTATIONS: tuple[Callable[[Random, bytearray], None], ...] = (_flip, _cut, _insert, _glue, _drop_status)


def mutated(random: Random) -> bytes:
    """Return a legal message with one to three mistakes in it."""
    data = bytearray(legal(random))
    for _ in range(random.randrange(1, 4)):
        if data:
            random.choice(_MUTATIONS)(random, data)
    return bytes(data)


def stream(random: Random, count: int) -> Iterator[Throw]:
    """Yield `count` throws: stretches of playing, of mistakes, of garbage, of floods and of clock storms."""
    left = count
    while left > 0:
        length = min(left, random.choice((20, 100, 400)))
        left -= length
        yield from random.choice(_STRETCHES)(random, length)


def _play(random: Random, length: int) -> Iterator[Throw]:
    input = random.randrange(3)
    for _ in range(length):
        yield Throw(
            input, legal(random), random.choice((0, 0, 0, 0, MS, 3 * MS)), split=random.random() < 0.5
        )


def _mistakes(random: Random, length: int) -> Iterator[Throw]:
    for _ in range(length):
        data = mutated(random) if random.random() < 0.7 else legal(random)
        yield Throw(random.randrange(5), data, random.choice((0, 0, MS)), random.choice((0, 3 * MS)))


def _noise(random: Random, length: int) -> Iterator[Throw]:
    split = random.random() < 0.5
    for _ in range(length):
        yield Throw(random.randrange(5), garbage(random), random.choice((0, 0, 100 * US)), split=split)


def _flood(random: Random, length: int) -> Iterator[Throw]:
    input, data = random.randrange(5), legal(random)
    for _ in range(length):
        if random.random() < 0.3:
            data = legal(random)
        yield Throw(input, data, 0)


def _storm(random: Random, length: int) -> Iterator[Throw]:
    input = random.choice((3, 3, 3, 4))
    for _ in range(length):
        data = random.choice((b"\xf8",) * 20 + (b"\xfa", b"\xfb", b"\xfc", b"\xf2\x01\x01", b"\xf8\xf8"))
        yield Throw(
            input, data, random.choice((0, 0, 0, 0, 1, 50 * US, MS, 20 * MS)), random.choice((0, 0, 2 * MS))
        )


def _steady(random: Random, length: int) -> Iterator[Throw]:
    """A source that behaves, with white jitter, so that something locks; then storms hit what is locked."""
    distance_ns = random.choice((5, 6, 20, 21, 40)) * MS
    for _ in range(length // 8 + 10):
        jitter_ns = random.randrange(distance_ns // 10)
        yield Throw(3, b"\xf8", distance_ns - distance_ns // 20 + jitter_ns)
    yield Throw(3, random.choice((b"\xfa", b"\xfb", b"\xfc")), MS)


def _time_code(random: Random, length: int) -> Iterator[Throw]:
    """Quarter frames as a tape sends them, with some lost, doubled or turned round."""
    rate_bits, frame, step = random.choice((0, 2, 4, 6)), random.randrange(100_000), random.choice((1, 1, -1))
    for number in range(length):
        piece = number % 8 if step > 0 else 7 - number % 8
        frame += step * (number % 4 == 3)
        values = (frame % 24, frame // 24 % 60, frame // 1440 % 60, frame // 86_400 % 24)
        value = values[piece // 2] >> 4 * (piece % 2) & 0xF
        if piece == 7:
            value = (value & 1) | rate_bits
        if random.random() < 0.97:
            yield Throw(4, bytes((0xF1, piece << 4 | value)), 8 * MS)


def _dumps(random: Random, length: int) -> Iterator[Throw]:
    """Dumps without a pause, no two alike, so that they are not taken for a loop."""
    for _ in range(length):
        body = bytes(byte & 0x7F for byte in random.randbytes(random.choice((4, 60, 900))))
        yield Throw(0, b"\xf0" + random.choice((b"\x7d", b"")) + body + b"\xf7", 0)


def _releases(random: Random, length: int) -> Iterator[Throw]:
    input = random.randrange(2)
    for _ in range(length):
        status = random.choice((0x80, 0x90)) | random.choice((0, 0, random.randrange(16)))
        yield Throw(input, bytes((status, random.randrange(128), 0)), 0)


_STRETCHES = (*(_play, _mistakes, _noise, _flood, _storm, _dumps, _releases) * 2, _play, _steady, _time_code)

_WAITS_NS = (0, 0, 0, 1, 300 * US, MS, 5 * MS, 20 * MS)


def from_bytes(data: bytes) -> Iterator[Throw]:
    """Read a stream out of any bytes: a byte says input and time, the next length and way, then the chunk."""
    place = 0
    while place + 1 < len(data):
        where, what = data[place], data[place + 1]
        length = what & 0x1F
        chunk = data[place + 2 : place + 2 + length]
        place += 2 + length
        if what & 0x20:
            chunk = chunk[:1] + bytes(20 * length) + chunk[1:]
        yield Throw(where & 7, chunk, _WAITS_NS[where >> 3 & 7], (where >> 6) * MS, bool(what & 0x40))


def to_bytes(throws: Iterator[Throw]) -> bytes:
    """Write a stream for `from_bytes`, as far as it can be written."""
    out = bytearray()
    for throw in throws:
        wait = min(range(8), key=lambda i: abs(_WAITS_NS[i] - throw.wait_ns))
        chunk = throw.data[:31]
        out += bytes((throw.input & 7 | wait << 3, len(chunk) | throw.split << 6)) + chunk
    return bytes(out)


def throw_all(fire: UnderFire, throws: Iterator[Throw]) -> None:
    """Throw a stream at a show, and look after it now and then."""
    for number, throw in enumerate(throws):
        if throw.wait_ns:
            fire.pass_time(fire.now_ns + throw.wait_ns)
        fire.throw(throw.input, throw.data, throw.late_ns, split=throw.split)
        if number % 256 == 255:
            fire.check_bounds()
    fire.check_bounds()
