"""When an engine is taken for hung: simulated hours on machines that stand still in every way.

How often machines stand still, and for how long, is an assumption, and far more than was measured.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import pytest

from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.engine.hang import BUSY, HANG_NS, HangJudge

PERIOD_NS = 60 * NS_PER_S // 24 // 120
INCIDENT_NS = NS_PER_S
"""One stretch in which something stands still."""

Stretch = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Machine:
    """Two processors, of which one has the engine and one the spare, and when either stands still."""

    engine: tuple[Stretch, ...] = ()
    spare: tuple[Stretch, ...] = ()
    dies_ns: int = 1 << 62
    """From when on the engine does nothing any more, and wants nothing."""

    def ticked_ns(self, due_ns: int) -> int:
        """Return when a tick goes out."""
        at_ns = when_free(self.engine, due_ns)
        return at_ns if at_ns < self.dies_ns else 1 << 62


def when_free(stretches: tuple[Stretch, ...], at_ns: int) -> int:
    """Return the first moment from `at_ns` on in which none of them holds."""
    for begin_ns, end_ns in sorted(stretches):
        if begin_ns <= at_ns < end_ns:
            at_ns = end_ns
    return at_ns


def judged_hung_ns(machine: Machine, chance: random.Random) -> int:
    """Return when the spare takes the engine for hung within an incident, 0 for never."""
    judge, now_ns, due_ns = HangJudge(HANG_NS), 0, PERIOD_NS
    while now_ns < INCIDENT_NS:
        wake_ns = judge.next_look_ns(now_ns, due_ns)
        now_ns = when_free(machine.spare, wake_ns) + int(chance.expovariate(1 / 40_000))
        moved, late_ns = machine.ticked_ns(due_ns) <= now_ns, now_ns - wake_ns
        busy = now_ns < machine.dies_ns
        if judge.look(now_ns, due_ns, woken_late_ns=late_ns, has_moved=moved, is_busy=partial(bool, busy)):
            return now_ns
        while machine.ticked_ns(due_ns) <= now_ns:
            due_ns += PERIOD_NS
    return 0


def standstills(chance: random.Random, most: int, longest_ns: int) -> Iterator[Stretch]:
    for _ in range(chance.randrange(most + 1)):
        begin_ns = chance.randrange(INCIDENT_NS)
        yield begin_ns, begin_ns + int(longest_ns * chance.random() ** 3)


def incident(chance: random.Random) -> Machine:
    """Return a second in which a machine stands still now and then, as a whole, the engine's processor up to
    30 ms longer, or one of the two.
    """
    whole = tuple(standstills(chance, 2, 400 * NS_PER_MS))
    one = () if whole else tuple(standstills(chance, 1, BUSY * HANG_NS - 2 * NS_PER_MS))
    longer = ((begin_ns, end_ns + chance.randrange(30 * NS_PER_MS)) for begin_ns, end_ns in whole)
    return Machine(engine=(*longer, *one), spare=(*whole, *standstills(chance, 2, 100 * NS_PER_MS)))


def taken_for_hung(seed: int, incidents: int) -> int:
    """Return how often an engine that lives is taken for hung in so many seconds, each with an incident."""
    chance = random.Random(seed)
    return sum(judged_hung_ns(incident(chance), chance) > 0 for _ in range(incidents))


@pytest.mark.parametrize("seed", range(4))
def test_no_machine_that_stands_still_is_taken_for_a_hang(seed: int) -> None:
    assert taken_for_hung(seed, 900) == 0


def test_a_hang_is_seen_within_five_milliseconds_of_the_margin() -> None:
    chance = random.Random(5)
    for _ in range(500):
        dies_ns = chance.randrange(INCIDENT_NS // 2)
        late_ns = judged_hung_ns(Machine(dies_ns=dies_ns), chance) - PERIOD_NS * max(
            1, -(-dies_ns // PERIOD_NS)
        )
        assert HANG_NS <= late_ns < HANG_NS + 5 * NS_PER_MS
