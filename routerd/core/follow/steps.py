"""Coarse stamps: a source whose arrivals come in steps, as on JACK, which hands over once a period.

Such arrivals are late by anything from nothing to a step. Where ticks are nearly a whole number of steps
apart this is no jitter from one to the next, but a slow drift, and a jump by a step now and then: a line
through what lies between two jumps has the wrong tempo. So the step has to be known. A jump once is a new
phase of the same tempo; one of the same size again tells the step.

Spans are in ns, ages in ticks.
"""

from __future__ import annotations

from routerd.core.units import NS_PER_MS

JUMP_SIGMAS = 5.0
JUMP_LEAST_NS = 0.3 * NS_PER_MS
"""A gap is a jump when it is off by more than the source's own noise (from gap to gap that is √2 σ) ..."""

CALM_PART = 1 / 4
"""... and the gap before it and the two after it by less than so much of that: a late tick is made good by
the next gap, a new tempo stays in every gap."""

ALIKE_PART = 1 / 4
"""Two jumps tell a step when their sizes differ by less than so much of one."""

AGE_TICKS = 1024
"""So long a jump is remembered, and a step after its last jump."""


class Steps:
    """Takes gaps with `take`. `step_ns` is the step of the stamps, 0 while none is known."""

    def __init__(self) -> None:
        self.step_ns = 0.0
        self.apart_ticks = 0
        """How many gaps there were from the jump before to the last one."""
        self._taken = 0
        self._before = ((0.0, False), (0.0, False), (0.0, False))
        """The three gaps before: by how much each was off, and whether that was much when it came."""
        self._size = 0.0
        self._size_at = self._step_at = -AGE_TICKS

    def take(self, excess_ns: float, noise_ns: float) -> float:
        """Take by how much a gap is longer than the ticks in it; return the jump two gaps before, or 0.

        `noise_ns` is the source's noise, rms.
        """
        self._taken += 1
        (before, _), (jump, was_large), (after, _) = self._before
        least = 0.75 * self.step_ns or max(JUMP_LEAST_NS, JUMP_SIGMAS * noise_ns)
        self._before = *self._before[1:], (excess_ns, abs(excess_ns) > least)
        if self.step_ns and self._taken - self._step_at > AGE_TICKS:
            self.step_ns = 0.0
        if not was_large or max(abs(before), abs(after), abs(excess_ns)) > CALM_PART * abs(jump):
            return 0.0
        size, last_size = abs(jump), self._size
        self.apart_ticks = self._taken - self._size_at
        self._size, self._size_at = size, self._taken
        if self.apart_ticks <= AGE_TICKS and abs(size - last_size) < ALIKE_PART * size:
            self.step_ns, self._step_at = size, self._taken
        return jump
