"""A DIN wire that is asked for three times what it carries: figures of tests.bench.pacing, held."""

from __future__ import annotations

import pytest

from tests.bench.pacing import BYTE_NS, MS, flood, run


@pytest.mark.parametrize("pieces", [128, 512])
def test_floods_and_dumps_cost_the_clock_nothing_and_notes_little(pieces: int) -> None:
    """Ticks are one byte time late at most, notes wait under 2 ms, the dump takes 1.25 × its bytes."""
    paced = run(pieces, paced=True)
    assert paced.tick_late_ms <= BYTE_NS / MS
    assert paced.note_wait_ms < 2
    assert paced.note_wait_for_sysex_ms <= 1.1 * 4096 / pieces * BYTE_NS / MS + 1
    assert paced.dump_ratio <= 1.25
    unpaced = run(pieces, paced=False)
    assert unpaced.tick_late_ms > 1000
    assert unpaced.note_wait_ms > 1000


def test_one_long_dump_leaves_the_ticks_alone() -> None:
    """Notes have to wait for it: nothing but real time may stand inside a SysEx (M1 T-8, note 2)."""
    paced = run(1, paced=True)
    assert paced.tick_late_ms == 0
    assert paced.dump_ratio <= 1.05


def test_thinning_keeps_the_newest_value_of_every_controller() -> None:
    paced = run(128, paced=True)
    offered = list(flood(4_000 * MS))
    assert 0 < paced.thinned < len(offered)
    for number, value in paced.far.values.items():
        last = next(data for _, data in reversed(offered) if data[1] == number)
        assert (last[2] - value) % 128 <= 3  # what is on its way when the measurement ends
