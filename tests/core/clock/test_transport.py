"""The state table of start, stop and continue, and where their bytes may lie (M1 pp. 28–32)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.clock.clock import TransportCommand, start_slot, transport_step
from routerd.core.midi.messages import START_LEAD_NS
from routerd.core.model.timing import State

FA, FB, FC = b"\xfa", b"\xfb", b"\xfc"

TABLE = """
    stopped   start     starting FA
    stopped   continue  starting FB
    stopped   stop      stopped  -
    stopped   tick      stopped  -
    starting  start     starting -
    starting  continue  starting -
    starting  stop      stopped  FC
    starting  tick      running  -
    running   start     running  -
    running   continue  running  -
    running   stop      stopped  FC
    running   tick      running  -
"""
ROWS = [tuple(line.split()) for line in TABLE.strip().splitlines()]


@pytest.mark.parametrize(("state", "command", "after", "out"), ROWS)
def test_every_state_answers_every_command(state: str, command: str, after: str, out: str) -> None:
    """Redundant commands are ignored (M1 pp. 31–32); playing begins with a tick (M1 p. 30)."""
    data = b"" if out == "-" else bytes.fromhex(out)
    assert transport_step(State(state), TransportCommand(command)) == (State(after), data)


def test_the_table_above_is_whole() -> None:
    assert {(row[0], row[1]) for row in ROWS} == {(s.value, c.value) for s in State for c in TransportCommand}


@pytest.mark.parametrize(
    ("earliest_ms", "slot_ms"),
    [
        (0.0, 1.0),  # on the tick: 1 ms after it
        (0.4, 1.0),
        (1.0, 1.0),
        (7.0, 7.0),  # in the middle: at once
        (19.0, 19.0),  # just room enough before the next
        (19.001, 21.0),  # no room: behind the next
        (20.0, 21.0),
        (35.5, 35.5),  # wires are busy beyond the next tick
    ],
)
def test_slot_of_start_between_ticks_20_ms_apart(earliest_ms: float, slot_ms: float) -> None:
    """Start and the tick that it starts are at least 1 ms apart (M1 p. 30). 125 BPM: 20 ms a tick."""
    assert start_slot(int(earliest_ms * 1e6), 0, 20_000_000) == int(slot_ms * 1e6)


@given(st.integers(0, 10**8), st.integers(3 * START_LEAD_NS, 10**8))
def test_slot_is_never_early_and_never_beside_a_tick(earliest_ns: int, next_ns: int) -> None:
    at_ns = start_slot(earliest_ns, 0, next_ns)
    assert at_ns >= earliest_ns
    assert at_ns >= START_LEAD_NS
    assert at_ns <= next_ns - START_LEAD_NS or at_ns >= next_ns + START_LEAD_NS
