"""The monitor's bounds: a reader that is slow, or wants too much, loses messages and gets their number."""

from __future__ import annotations

from pathlib import Path

from routerd.core.model.snapshot import Snapshot
from routerd.link.frames import INPUT_BIT, Tap
from routerd.server.http.monitor import MOST_A_SECOND, QUEUE_MESSAGES, Monitor, Reader, Wanted
from routerd.server.rigfiles import load_folder
from routerd.server.view import NO_SNAPSHOT

DEMO = Path(__file__).parents[2] / "configs" / "demo"
S = 1_000_000_000


ALL = Wanted()


def reader(wanted: Wanted = ALL) -> Reader:
    folder = load_folder(DEMO).rig_folder
    assert folder is not None

    def snapshot() -> Snapshot:
        return NO_SNAPSHOT

    return Reader(Monitor(folder), wanted, snapshot)


def frames(one: Reader) -> list[bytes]:
    found = []
    while not one.queue.empty():
        found.append(one.queue.get_nowait() or b"")
    return found


def notes(count: int, at_ns: int) -> list[Tap]:
    return [Tap(at_ns, INPUT_BIT, bytes((0x90, 60, 1 + number % 100))) for number in range(count)]


def test_a_reader_that_does_not_read_gets_the_number_of_what_it_lost() -> None:
    one = reader()
    for second in range(3):
        one.take(notes(MOST_A_SECOND, second * S))
    assert one.queue.qsize() == QUEUE_MESSAGES
    got = frames(one)
    assert all(frame.startswith(b"event: message") for frame in got)
    one.take(notes(1, 4 * S))
    dropped, message = frames(one)
    assert dropped == b'event: dropped\ndata: {"messages": %d}\n\n' % (3 * MOST_A_SECOND - QUEUE_MESSAGES)
    assert message.startswith(b"event: message")


def test_more_than_can_be_read_in_a_second_is_counted() -> None:
    one = reader()
    one.take(notes(MOST_A_SECOND + 7, 5 * S))
    assert len(frames(one)) == MOST_A_SECOND
    one.take(notes(1, 6 * S))
    assert frames(one)[0] == b'event: dropped\ndata: {"messages": 7}\n\n'


def test_pieces_of_a_sysex_are_said_to_be_such() -> None:
    one = reader()
    pieces = (b"\xf0\x7d" + bytes(3), bytes(20), b"\x01\xf7", b"\xf0\x7d\xf7")
    one.take([Tap(0, 0, data) for data in pieces])
    words = [frame.split(b'"words": ')[1].split(b'"')[1] for frame in frames(one)]
    assert words == [
        b"SysEx, its first 5 bytes: F0 7D 00 00 00",
        b"SysEx, 20 bytes more",
        b"SysEx, 2 bytes more",
        b"SysEx 3 bytes: F0 7D F7",
    ]


def test_clock_comes_when_it_is_asked_for_only() -> None:
    one = reader()
    one.take([Tap(0, 0, b"\xf8"), Tap(0, 0, b"\xfe")])
    assert frames(one) == []
    one = reader(Wanted(kinds=frozenset({"clock"})))
    one.take([Tap(0, 0, b"\xf8"), Tap(0, 0, b"\xfe"), Tap(0, 0, b"\x90\x3c\x64")])
    assert len(frames(one)) == 1
