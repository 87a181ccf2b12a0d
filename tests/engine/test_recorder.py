"""What the engine records of messages: counted exactly to an eighth, bounded, and told when it overflows."""

from __future__ import annotations

import pytest

from routerd.core.errors import LinkError
from routerd.engine.recorder import CELLS, TAP_LIMIT, Recorder, cell_of, upper_ns
from routerd.link.frames import INPUT_BIT, MessageTrace, Tap, Unpacker, pack_tap, pack_taps


def test_every_time_lies_in_its_cell_and_no_cell_is_wider_than_an_eighth() -> None:
    assert [cell_of(took_ns) for took_ns in range(20)] == [*range(16), 16, 16, 17, 17]
    for took_ns in [*range(5000), 10**6, 10**9 + 7, 2**39]:
        cell = cell_of(took_ns)
        assert upper_ns(cell - 1) < took_ns <= upper_ns(cell) if cell else took_ns == 0
        assert upper_ns(cell) - took_ns <= took_ns / 8
    assert cell_of(1 << 62) == CELLS - 1
    assert cell_of(-5) == 0  # a port's stamp may lie a hair ahead


def test_times_are_taken_once() -> None:
    recorder = Recorder()
    for took_ns in (1000, 1000, 50_000):
        recorder.routed(took_ns)
    assert recorder.take_times() == [(upper_ns(cell_of(1000)), 2), (upper_ns(cell_of(50_000)), 1)]
    assert recorder.take_times() == []


def test_what_overflows_is_dropped_and_counted() -> None:
    recorder = Recorder()
    for number in range(TAP_LIMIT + 3):
        recorder.went_out(2, b"\x90\x3c\x01", number)
    recorder.came_in(0, bytes(70_000), 5)
    assert recorder.dropped == 4
    assert len(recorder.take_taps()) == TAP_LIMIT
    assert recorder.take_taps() == []


def test_taps_cross_the_link_whole() -> None:
    dump = b"\xf0\x7d" + bytes(299) + b"\xf7"
    taps = [Tap(123_456_789_012, 3, b"\x90\x3c\x01"), Tap(-5, INPUT_BIT | 1, dump)]
    frame = pack_taps(pack_tap(*tap) for tap in taps)
    unpacker = Unpacker()
    got = [batch for byte in frame for batch in unpacker.feed(bytes((byte,)))]
    assert got == [MessageTrace(taps)]
    assert list(Unpacker().feed(pack_taps([]))) == [MessageTrace([])]


@pytest.mark.parametrize("cut", [1, 3, 12])
def test_a_cut_batch_is_refused(cut: int) -> None:
    frame = bytearray(pack_taps([pack_tap(1, 2, b"\x90\x3c\x01")])[:-cut])
    frame[:4] = (len(frame) - 4).to_bytes(4, "big")
    with pytest.raises(LinkError):
        list(Unpacker().feed(bytes(frame)))
