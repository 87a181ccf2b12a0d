"""What a worker does with one message and one change of the show; how its way is kept warm."""

from __future__ import annotations

import sys
import threading
from fractions import Fraction
from itertools import pairwise
from time import monotonic_ns, sleep

from routerd.core.clock.clock import Segment
from routerd.core.model.actions import Action, Learn, Learns
from routerd.core.model.commands import Command
from routerd.core.model.snapshot import LearningState
from routerd.core.show.show import Show
from routerd.engine.warming import make_warmer
from routerd.engine.worker import PLAYED_NS, WARM_EVERY_NS, WARM_ROOM_NS, Worker
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


def test_what_is_played_for_a_device_is_routed_and_not_learnt() -> None:
    worker = at_rest()
    keys = worker.show.compiled.inputs[0]
    worker.show.apply(Command(Action.LEARN, Learn(Learns.CONTROL)), 0)
    worker.play(keys, b"\x90\x3c\x14")
    worker._drain(1 << 62)
    assert (keys.received, worker.show.snapshot().learning) == (1, LearningState(Learns.CONTROL, over=False))
    worker._take_message(keys, b"\x90\x3e\x14", 0)  # a finger
    assert worker.show.snapshot().learning == LearningState(
        Learns.CONTROL, over=True, device=keys.name, message=b"\x90\x3e\x14"
    )


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


def test_the_way_is_gone_through_in_pauses_of_playing_and_not_when_nobody_plays() -> None:
    worker = Worker(Show(monotonic_ns()), lambda: None)
    worker.call(lambda now_ns: worker.show.load(compiled(), 1, now_ns))
    warmed: list[int] = []
    worker.warm = warmed.append
    worker._played_ns = -PLAYED_NS
    thread = threading.Thread(target=worker.run)
    thread.start()
    try:
        sleep(0.1)
        assert warmed == []
        receive = worker.receiver(worker.show.compiled.inputs[0])
        receive(b"\x90\x3c\x40", monotonic_ns())
        came_ns = monotonic_ns()
        while len(warmed) < 5 and monotonic_ns() < came_ns + PLAYED_NS // 2:
            sleep(0.01)
    finally:
        worker.stop()
        thread.join()
    assert len(warmed) >= 5
    assert all(later - earlier >= WARM_EVERY_NS for earlier, later in pairwise(warmed))


def test_nothing_is_warmed_when_something_is_due() -> None:
    worker = at_rest()
    warmed: list[int] = []
    worker.warm = warmed.append
    worker._played_ns = monotonic_ns()
    worker._hands_off_ns = monotonic_ns() + WARM_ROOM_NS // 2
    worker._keep_warm()
    assert warmed == []
    worker._hands_off_ns = monotonic_ns() + 1_000 * WARM_ROOM_NS
    worker._keep_warm()
    assert len(warmed) == 1


def test_warming_leaves_nothing_behind() -> None:
    warm = make_warmer(0)
    for at_ns in range(1_000, 2_000):
        warm(at_ns * 1_000)
    blocks = sys.getallocatedblocks()
    for at_ns in range(2_000, 6_000):
        warm(at_ns * 1_000)
    assert sys.getallocatedblocks() - blocks < 200
