"""A source of ticks for tests, and a clock that follows it on simulated time."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction

from routerd.core.clock.clock import Clock
from routerd.core.follow.follower import FollowState
from routerd.core.follow.following import Following

MS = 1_000_000
TICK_NS_AT_120 = 2_500_000_000 / 120


def ticks(count: int, period_ns: float = TICK_NS_AT_120, start_ns: float = 0.0) -> list[float]:
    return [start_ns + n * period_ns for n in range(count)]


def jittered(times: Iterable[float], sigma_ns: float, seed: int) -> list[int]:
    """Return arrivals in order: each time with white Gaussian jitter."""
    noise = random.Random(seed)
    return sorted(round(t + noise.gauss(0, sigma_ns)) for t in times)


@dataclass
class Run:
    """What a following clock did: its ticks, and at each accepted arrival the state and the estimate."""

    clock: Clock
    following: Following
    out_ns: list[int] = field(default_factory=list)
    states: list[tuple[int, FollowState]] = field(default_factory=list)
    now_ns: int = 0

    def until(self, until_ns: int) -> None:
        """Let time pass: ticks go out exactly when they are due."""
        while True:
            silent_ns = self.following.follower.silent_at_ns()
            if min(self.clock.next_due_ns, silent_ns) > until_ns:
                break
            if silent_ns < self.clock.next_due_ns:
                self.following.follower.pass_time(silent_ns)
            else:
                tick = self.clock.take_tick(self.clock.next_due_ns)
                assert tick.missed == 0
                self.out_ns.append(tick.due_ns)
            self.note(min(silent_ns, until_ns))
        self.now_ns = until_ns

    def note(self, at_ns: int) -> None:
        state = self.following.follower.state
        if not self.states or self.states[-1][1] is not state:
            self.states.append((at_ns, state))

    def hear(self, arrivals: Iterable[int], each: Callable[[int], None] | None = None) -> None:
        for at_ns in arrivals:
            self.until(max(at_ns, self.now_ns))
            self.following.tick(at_ns, self.now_ns)
            self.note(at_ns)
            if each is not None:
                each(at_ns)

    def when(self, state: FollowState) -> int:
        return next(at_ns for at_ns, found in self.states if found is state)

    def intervals(self, since_ns: int = 0) -> list[int]:
        out = [at_ns for at_ns in self.out_ns if at_ns >= since_ns]
        return [b - a for a, b in itertools.pairwise(out)]


def following(bpm: int = 120, start_ns: int = -10_000_000) -> Run:
    clock = Clock(start_ns, Fraction(bpm))
    return Run(clock, Following(clock), now_ns=start_ns)
