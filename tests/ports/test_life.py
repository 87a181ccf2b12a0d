"""The table of a port's life, with literal times in ns."""

from __future__ import annotations

from pathlib import Path

import pytest

from routerd.ports.life import QUARREL_NS, RETRY_NS, TABLE, Life, Seen, State

S = 1_000_000_000
_COLUMNS = (
    Seen.FOUND,
    Seen.OPENED,
    Seen.ABSENT,
    Seen.REFUSED,
    Seen.UNREACHABLE,
    Seen.STANDSTILL,
    Seen.DISCONNECTED,
    Seen.QUARREL,
)
NOTHING = {state: set(Seen) - set(table) for state, table in TABLE.items()}


def a_life(state: State) -> Life:
    """Return a life that has come to this state by the shortest way."""
    life = Life(0)
    ways: dict[State, list[Seen]] = {
        State.OPENING: [],
        State.OPEN: [Seen.OPENED],
        State.MISSING: [Seen.ABSENT],
        State.FAILED: [Seen.REFUSED],
        State.STALLED: [Seen.STANDSTILL],
        State.DISCONNECTED: [Seen.OPENED, Seen.DISCONNECTED],
        State.CONTESTED: [*[Seen.OPENED, Seen.DISCONNECTED, Seen.FOUND] * 2, Seen.OPENED, Seen.DISCONNECTED],
    }
    for seen in ways[state]:
        life.see(seen, 0, "why" if seen is Seen.DISCONNECTED else "")
    assert life.state is state
    return life


def test_every_state_is_in_the_table_and_can_be_left() -> None:
    assert set(TABLE) == set(State)
    assert all(set(table.values()) - {state} for state, table in TABLE.items())


def test_the_developers_page_has_the_table() -> None:
    page = Path("DEVELOPERS.md").read_text(encoding="utf-8")
    for state in State:
        cells = [str(TABLE[state].get(seen, "–")) for seen in Seen]
        order = [list(Seen).index(seen) for seen in _COLUMNS]
        assert f"| {state} | {' | '.join(cells[number] for number in order)} |" in page
    assert f"| state | {' | '.join(_COLUMNS)} |" in page


@pytest.mark.parametrize(
    ("state", "seen"), [(state, seen) for state in State for seen in Seen if seen in NOTHING[state]]
)
def test_what_cannot_be_raises_and_changes_nothing(state: State, seen: Seen) -> None:
    life = a_life(state)
    with pytest.raises(ValueError, match="cannot be"):
        life.see(seen, S)
    assert (life.state, life.since_ns) == (state, 0)


@pytest.mark.parametrize("state", [state for state in State if state is not State.OPEN])
def test_a_port_opens_only_by_being_tried(state: State) -> None:
    assert State.OPEN not in TABLE[state].values() or state is State.OPENING


def test_since_is_when_the_state_began_not_when_it_was_seen_again() -> None:
    life = Life(0)
    assert life.see(Seen.ABSENT, 1 * S)
    assert not life.see(Seen.ABSENT, 2 * S)
    assert life.since_ns == 1 * S
    assert life.see(Seen.REFUSED, 3 * S, "no")
    assert life.see(Seen.REFUSED, 4 * S, "still no"), "another reason is news"
    assert (life.since_ns, life.error) == (3 * S, "still no")


def test_a_port_that_refuses_is_tried_again_with_a_pause() -> None:
    life = Life(0)
    life.see(Seen.FOUND, 0)
    life.see(Seen.OPENED, 0)
    life.see(Seen.REFUSED, S, "full")
    assert life.next_try_ns() == RETRY_NS
    life.see(Seen.FOUND, RETRY_NS)
    life.see(Seen.OPENED, RETRY_NS)
    life.see(Seen.REFUSED, 60 * S, "full")
    assert life.next_try_ns() <= 60 * S, "at once, as it was open for long"


def test_a_system_that_cannot_be_asked_does_not_hold_its_ports_back() -> None:
    life = Life(0)
    life.see(Seen.FOUND, 0)
    life.see(Seen.OPENED, 0)
    life.see(Seen.UNREACHABLE, S // 2, "no server")
    assert (life.state, life.error) == (State.FAILED, "no server")
    assert life.next_try_ns() <= S // 2


def test_three_removals_within_ten_seconds_are_a_quarrel() -> None:
    life = Life(0)
    for at_ns in (0, 4 * S, 10 * S):
        life.see(Seen.FOUND, at_ns)
        life.see(Seen.OPENED, at_ns)
        life.see(Seen.DISCONNECTED, at_ns, "another program has disconnected it")
    assert life.state is State.CONTESTED
    assert life.error == ("another program has disconnected it, 3 times within 10 s; tried again every 10 s")
    assert life.next_try_ns() == 10 * S + QUARREL_NS


def test_three_removals_in_more_than_ten_seconds_are_not() -> None:
    life = Life(0)
    for at_ns in (0, 4 * S, 10 * S + 1):
        life.see(Seen.FOUND, at_ns)
        life.see(Seen.OPENED, at_ns)
        life.see(Seen.DISCONNECTED, at_ns, "another program has disconnected it")
    assert life.state is State.DISCONNECTED
    assert life.next_try_ns() == 10 * S + 1, "at once"
