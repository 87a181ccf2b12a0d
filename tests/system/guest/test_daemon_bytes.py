"""What devices send raw over USB: SysEx of every size, legal bytes in odd places, and illegal ones.

The kernel's USB gadget takes the bytes apart into USB MIDI events, the host's driver and the sequencer put
them together again; all of that and the daemon must lose nothing legal.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator

import pytest
from daemon import BULK_SIZES, Daemon, dump_of
from far_program import FarProgram
from listener import Aseqdump
from usb import DeviceEnd, Gadget, wait_for

from routerd.core.midi.messages import is_whole

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

FAR_S = 20.0
QUIET_S = 8.0
Twins = tuple[Gadget, Gadget]


@pytest.fixture(scope="module")
def ear(daemon: Daemon) -> Iterator[FarProgram]:
    """The program behind "box" for all tests of this module: it takes seconds to start."""
    daemon.song("Through")
    with FarProgram("alsa", "Far Box") as program:
        daemon.wait_for_port("box")
        program.settle()  # it is told again of what may have been lost with the port
        yield program
    daemon.wait_for_port("box", "output", "missing")


def read_dump(end: DeviceEnd, length: int) -> bytes:
    """Read until so many bytes have come that are no clocks, or none for a while; return all, clocks too."""
    got = bytearray()
    count = 0
    until = time.monotonic() + QUIET_S
    while count < length and time.monotonic() < until:
        piece = end.read()
        got += piece
        news = len(piece) - piece.count(0xF8)
        count += news
        if news:
            until = time.monotonic() + QUIET_S
        time.sleep(0.01)
    return bytes(got)


def assert_same(got: bytes, wanted: bytes) -> None:
    """Say where two dumps part; they are too long to be shown."""
    if got != wanted:
        at = next((n for n, (a, b) in enumerate(zip(got, wanted, strict=False)) if a != b), len(got))
        pytest.fail(
            f"{len(got)} bytes instead of {len(wanted)}, alike up to {at}: then"
            f" {got[at : at + 12].hex()} instead of {wanted[at : at + 12].hex()}"
        )


@pytest.mark.timeout(300)
def test_a_patch_dump_from_a_file_arrives_whole_while_the_clock_goes_on(
    daemon: Daemon, watcher: Aseqdump, twins: Twins
) -> None:
    daemon.song("Remap")
    dumps = b"".join(dump_of(size) for size in BULK_SIZES)
    with twins[1].open() as end:
        wait_for("clocks at the device", lambda: b"\xf8" in end.read())
        clocks = len(watcher.clocks())
        daemon.song("Bulk")
        got = read_dump(end, len(dumps))
    start = got.index(0xF0)
    assert_same(got[start:].replace(b"\xf8", b""), dumps)
    # Real-time bytes may stand inside a SysEx (M1 p. 30).
    inside = got[start : got.rindex(0xF7)].count(0xF8)
    print(f"{inside} clocks inside {len(dumps)} bytes of SysEx")
    assert inside > 10
    assert len(watcher.clocks()) - clocks >= inside - 2, "the other program got its clocks meanwhile"


@pytest.mark.timeout(200)
@pytest.mark.parametrize("size", BULK_SIZES)
def test_sysex_through_the_daemon_arrives_whole(daemon: Daemon, twins: Twins, size: int) -> None:
    daemon.song("Through")
    with twins[0].open() as source, twins[1].open() as target:
        source.write(dump_of(size))
        got = read_dump(target, size)
    assert_same(got.replace(b"\xf8", b""), dump_of(size))


LONG = dump_of(1500)
"""Many of the chunks of 256 bytes in which the sequencer passes a device's SysEx on."""
VECTORS = {
    "running status (M1 p. A-1)": ("903c27 402b 4325", "903c27 90402b 904325"),
    "running status, release by velocity 0 (M1 pp. 10, A-1)": ("903c27 3c00 3e29", "903c27 803c40 903e29"),
    "running status on controllers (M1 p. A-2)": ("b07c00 0137", "b07c00 b00137"),
    "clock inside a message (M1 p. 30)": ("903cf840 3e41", "903c40 903e41"),
    "clock between status and data": ("90f83d40", "903d40"),
    "clock inside a SysEx": ("f07ef87f0601f7", "f07e7f0601f7"),
    "active sensing and start inside a SysEx": ("f07dfe01fa02f7", "f07d0102f7"),
    "a clock inside a long SysEx": (
        (LONG[:1500] + b"\xf8" + LONG[1500:]).hex(),
        LONG.hex(),
    ),
    "clocks at many places in a long SysEx": (
        b"\xf8".join(LONG[at : at + 100] for at in range(0, len(LONG), 100)).hex(),
        LONG.hex(),
    ),
    "SysEx that a note ends (M1 p. T-8)": ("f07d02903c40", "903c40"),
    "long SysEx that a note ends": (LONG[:-1].hex() + "903c40", "903c40"),
    "SysEx that another SysEx ends": ("f07d02f07d03f7", "f07d03f7"),
    "long SysEx that another SysEx ends": (LONG[:-1].hex() + "f07d03f7", "f07d03f7"),
    "SysEx that a tune request ends": ("f07d02f6 903e40", "903e40"),
    "undefined F4 ends running status (M1 p. A-2)": ("903c40 f4 3e41", "903c40"),
    "undefined F5 ends running status (M1 p. A-2)": ("903c40 f5 3e41", "903c40"),
    "undefined F9 leaves running status (M1 p. A-2)": ("903c40 f9 3e41", "903c40 903e41"),
    "undefined FD leaves running status (M1 p. A-2)": ("903c40 fd 3e41", "903c40 903e41"),
    "undefined F9 and FD inside a SysEx": ("f07df901fd02f7", "f07d0102f7"),
    "data bytes out of nowhere": ("f07d01f7 123456 904041", "f07d01f7 904041"),
    "an end without a beginning": ("f7 f7 904042", "904042"),
    "a message that never ends": ("9040 b04a11", "b04a11"),
    "system reset is never passed on (M1 p. 33)": ("ff 904043", "904043"),
    "song position and song select end here": ("f21020 f305 904044", "904044"),
    "two-byte messages": ("c005 06 d030 31", "c005 c006 d030 d031"),
}


PROBE = 0x8F
"""Where a device plays the same notes again and again we ask whether that is an echo: by the release of a key
that nobody holds on a channel that nobody uses: the last one, here."""


def until_sentinel(ear: FarProgram, number: int) -> list[bytes]:
    """Return what came before the message that stands for the end of a test, but for probes."""
    got = []
    while (message := ear.receive(FAR_S)) != bytes((0xB9, 0x50, number)):
        if message[0] != PROBE:
            got.append(message)
    return got


@pytest.mark.parametrize("what", VECTORS)
def test_odd_bytes_from_a_device(twins: Twins, ear: FarProgram, what: str) -> None:
    sent, wanted = (bytes.fromhex(text) for text in VECTORS[what])
    with twins[0].open() as end:
        end.write(sent + b"\xb9\x50\x01")
        assert_same(b"".join(until_sentinel(ear, 1)), wanted)
        # Nothing is left held for the next: a key pressed twice would be released between. Nor moved: that
        # would be put back once active sensing has stopped.
        end.write(b"".join(bytes((0x80, note, 64)) for note in range(0x3C, 0x48)))
        end.write(b"\xb0\x01\x00\xd0\x00" + b"\xb9\x50\x02")
        until_sentinel(ear, 2)


def test_noise_does_no_harm(daemon: Daemon, twins: Twins, ear: FarProgram) -> None:
    chance = random.Random(20261127)
    faults = daemon.status()["engine"]["counters"]["faults"]
    with twins[0].open() as end:
        for number in range(8):
            noise = bytes(
                chance.choice((chance.randrange(128), chance.randrange(128, 256))) for _ in range(400)
            )
            end.write(noise.replace(b"\xb9", b"\xb8") + bytes((0xB9, 0x50, number)))
            got = until_sentinel(ear, number)
            assert all(is_whole(message) for message in got)
            assert len(got) > 10
    counters = daemon.status()["engine"]["counters"]
    assert counters["faults"] == faults
    daemon.post("/v1/panic")
    daemon.song("Remap")
