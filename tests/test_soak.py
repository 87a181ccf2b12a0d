"""Twelve minutes at full traffic on simulated time; `python -m tests.bench.soak` is the long form."""

from __future__ import annotations

from tests.bench.soak import MOST_UNTOLD_NS, soak

MOST_NEW_BLOCKS = 3000
"""Of some 160 000: counters of devices and notes that had not been met before the first twelfth was over. A
leak of one block a message would make 50 000."""


def test_at_full_traffic_nothing_drifts_grows_hangs_or_is_miscounted() -> None:
    outcome = soak(hours=0.2, seed=7)
    print("\n".join(outcome.lines()))
    assert outcome.account.ticks > 20_000
    assert outcome.account.worst_drift_ns <= MOST_UNTOLD_NS * outcome.account.tempos
    assert outcome.miscounted == []
    assert (outcome.left_on, outcome.queued, outcome.dropped, outcome.missed) == (0, 0, 0, 0)
    assert outcome.blocks[-1] - outcome.blocks[0] < MOST_NEW_BLOCKS
