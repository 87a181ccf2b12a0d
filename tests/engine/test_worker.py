"""What a worker does with one message and one change of the show; its threads are not started here."""

from __future__ import annotations

from fractions import Fraction

from routerd.core.clock.clock import Segment
from routerd.core.show.show import Show
from routerd.engine.worker import Worker
from tests.stage import compiled


def at_rest() -> Worker:
    """Return a worker that has posted its first snapshot."""
    worker = Worker(Show(0), lambda: None)
    worker.show.load(compiled(), 1, 0)
    worker._flush()
    worker.outbox.clear()
    return worker


def test_each_message_is_counted_once_for_its_device_and_for_all() -> None:
    worker = at_rest()
    keys, pedals = worker.show.compiled.inputs[:2]
    for _ in range(3):
        worker._take_message(keys, b"\x90\x3c\x40", 0)
    worker._take_message(pedals, b"\xb0\x40\x7f", 0)
    assert (keys.received, pedals.received, worker.received) == (3, 1, 4)


def test_another_grid_is_reported_when_nothing_else_has_changed() -> None:
    """While a source is followed each of its ticks moves the grid, which is reported every 50 ms at most."""
    worker = at_rest()
    clock = worker.show.transport.clock
    moved = [Segment(n * 1000, n, Fraction(120 + n)) for n in range(1, 4)]
    clock.segment = moved[0]
    worker._flush()
    expected = Segment(anchor_ns=1000, anchor_tick=1, bpm=Fraction(121))
    assert list(worker.outbox) == [expected]
    worker._grid_ns = 1 << 62  # the 50 ms last
    clock.segment = moved[1]
    worker._flush()
    assert len(worker.outbox) == 1
    worker._grid_ns = 0  # and are over
    worker._flush()
    assert list(worker.outbox)[1:] == [Segment(anchor_ns=2000, anchor_tick=2, bpm=Fraction(122))]
    worker._flush()
    assert len(worker.outbox) == 2
