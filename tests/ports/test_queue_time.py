"""Instants by the stamps of a queue: literal times, and arrivals held up in every way."""

from __future__ import annotations

import random

import numpy as np
import pytest

from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.ports.alsa import WINDOW_NS, QueueTime

TICK_NS = 20_833_333
BEGIN_NS = 3_600 * NS_PER_S


def instants(stamps_ns: list[int], moments_ns: list[int]) -> list[int]:
    """Return when messages came that have these stamps and were read at those moments."""
    queue = QueueTime()
    return [queue.instant_ns(*when) for when in zip(stamps_ns, moments_ns, strict=True)]


def test_a_thread_held_up_does_not_move_the_instant() -> None:
    stamps = [0, 20 * NS_PER_MS, 40 * NS_PER_MS, 60 * NS_PER_MS]
    late = [50_000, 50_000, 7 * NS_PER_MS, 60_000]
    moments = [BEGIN_NS + stamp + more for stamp, more in zip(stamps, late, strict=True)]
    assert instants(stamps, moments) == [BEGIN_NS + stamp + 50_000 for stamp in stamps]


def test_what_is_handed_over_at_once_after_a_standstill_came_one_after_the_other() -> None:
    came = [BEGIN_NS + n * TICK_NS for n in range(200)]
    still_until_ns = came[150]
    moments = [at + 40_000 if at < came[100] else max(at, still_until_ns) + 40_000 for at in came]
    told = instants([at - BEGIN_NS for at in came], moments)
    assert told == [at + 40_000 for at in came]


def test_without_what_came_before_the_moment_itself_is_told() -> None:
    queue = QueueTime()
    assert queue.instant_ns(0, BEGIN_NS) == BEGIN_NS
    for pause_ns in (2 * WINDOW_NS, 100 * WINDOW_NS):
        now_ns = BEGIN_NS + pause_ns
        late_ns = now_ns + 5 * NS_PER_MS
        assert queue.instant_ns(pause_ns, late_ns) == late_ns


@pytest.mark.parametrize("step_ns", [-80 * NS_PER_MS, 80 * NS_PER_MS])
def test_a_queue_that_steps_is_believed_again_after_two_windows(step_ns: int) -> None:
    came = [BEGIN_NS + n * TICK_NS for n in range(2000)]
    stamps = [at - BEGIN_NS + (step_ns if n >= 500 else 0) for n, at in enumerate(came)]
    told = instants(stamps, [at + 40_000 for at in came])
    assert all(at <= came_ns + 40_000 for at, came_ns in zip(told, came, strict=True))
    assert told == sorted(told)
    settled = 500 + 2 * WINDOW_NS // TICK_NS + 2
    assert told[settled:] == [at + 40_000 for at in came[settled:]]


def test_an_hour_of_stamps_is_as_calm_as_they_are() -> None:
    random.seed(4)
    came = [BEGIN_NS + n * TICK_NS for n in range(3600 * 48)]
    late = [40_000 + int(random.expovariate(1 / 500_000)) for _ in came]
    moments = [at + more for at, more in zip(came, late, strict=True)]
    told = instants([at - BEGIN_NS for at in came], moments)
    settled = WINDOW_NS // TICK_NS
    apart_ns = np.array(told)[settled:] - np.array(came)[settled:]
    assert 40_000 <= apart_ns.min() <= apart_ns.max() < 70_000
    assert np.std(apart_ns) < np.std(late) / 50
    assert told == sorted(told)
