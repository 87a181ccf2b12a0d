"""What computes on the event loop waits for the clock, and not for ever."""

from __future__ import annotations

import asyncio
from time import monotonic_ns

import pytest

from routerd.core.show.show import Show
from routerd.core.units import NS_PER_MS
from routerd.engine.server_link import give_way
from routerd.engine.worker import Worker


class AtWork:
    """A worker that is at work until a moment."""

    def __init__(self, until_ns: int) -> None:
        self.until_ns = until_ns
        self.asked: list[int] = []

    def is_at_work(self, ahead_ns: int) -> bool:
        self.asked.append(ahead_ns)
        return monotonic_ns() < self.until_ns


async def took_ns(worker: AtWork) -> int:
    begun_ns = monotonic_ns()
    await give_way(worker.is_at_work)  # type: ignore[arg-type]
    return monotonic_ns() - begun_ns


async def test_it_waits_while_the_clock_is_at_work() -> None:
    worker = AtWork(monotonic_ns() + 5 * NS_PER_MS)
    assert await took_ns(worker) >= 4 * NS_PER_MS
    assert not worker.is_at_work(0)
    assert len(worker.asked) > 2


async def test_it_does_not_wait_for_ever() -> None:
    async with asyncio.timeout(5):
        assert await took_ns(AtWork(monotonic_ns() + 3_600_000 * NS_PER_MS)) >= 20 * NS_PER_MS


async def test_it_only_lets_others_run_when_there_is_room() -> None:
    ran = []
    asyncio.get_running_loop().call_soon(ran.append, True)
    worker = AtWork(0)
    await took_ns(worker)
    assert ran == [True]
    assert len(worker.asked) == 1


@pytest.mark.parametrize(("due_in_ms", "at_work"), [(None, False), (-1, True), (1, True), (50, False)])
def test_a_worker_is_at_work_from_a_piece_before_its_deadline(due_in_ms: int | None, at_work: bool) -> None:
    worker = Worker(Show(0), lambda: None)
    if due_in_ms is not None:
        worker._hands_off_ns = monotonic_ns() + due_in_ms * NS_PER_MS
    assert worker.is_at_work(2 * NS_PER_MS) is at_work


def test_a_worker_is_at_work_while_somebody_has_the_lock() -> None:
    worker = Worker(Show(0), lambda: None)
    with worker._lock:
        assert worker.is_at_work(0)
    assert not worker.is_at_work(0)
