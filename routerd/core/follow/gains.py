"""The gains of the loop that follows a source, by how much it remembers.

The loop is of second order: with e = arrival − prediction, prediction += period + K1·e and period += K2·e.
K1 and K2 for a noise bandwidth B·T per tick and a damping ζ are those of M. Rice, Digital Communications: A
Discrete-Time Approach, Appendix C, Eq. C.57–58, as other loops cite it. A narrow loop is calm and slow, so
the gains begin where a line is fitted through the last n arrivals, with n growing (a growing-memory filter:
K1 = 2(2n−1)/(n(n+1)), K2 = 6/(n(n+1)), the recursive least-squares line), until they have come down to the
narrow ones.
"""

from __future__ import annotations

NARROW_BANDWIDTH = 0.01
"""B·T of the settled loop: white jitter comes out √(2·B·T) = 0.142 of what came in."""

DAMPING = 0.5**0.5


def loop_gains(bandwidth: float, damping: float = DAMPING) -> tuple[float, float]:
    """Return K1 and K2 for the noise bandwidth B·T (per tick) and damping ζ: Rice, Eq. C.57–58."""
    theta = bandwidth / (damping + 1 / (4 * damping))
    scale = 1 + 2 * damping * theta + theta * theta
    return 4 * damping * theta / scale, 4 * theta * theta / scale


def _gains_by_memory() -> tuple[tuple[float, float], ...]:
    """Return the gains for each memory; the last are those of the narrow loop."""
    narrow = loop_gains(NARROW_BANDWIDTH)
    table = []
    for n in range(2, 1000):
        gains = 2 * (2 * n - 1) / (n * (n + 1)), 6 / (n * (n + 1))
        if gains[0] <= narrow[0] or gains[1] <= narrow[1]:
            break
        table.append(gains)
    return (*table[:1] * 2, *table, narrow)


GAINS = _gains_by_memory()
LONGEST_MEMORY = len(GAINS) - 1
