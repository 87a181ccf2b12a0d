"""The table of actions: each word has its row, something that it does, and its line in configs/README.md."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from routerd.core.model.actions import ACTIONS, Action, Row, Subject, ToSong
from routerd.core.model.commands import Command
from routerd.core.show import commands as show_commands

README = Path(__file__).parents[3] / "configs" / "README.md"


def line_of(action: Action, row: Row) -> str:
    """Return an action's line of the table in configs/README.md."""
    undoes = next((one for one, other in ACTIONS.items() if other.undo is action), None)
    if undoes is not None:
        return f"| `{action}` | {row.summary}. | `{undoes}`, pressed again | `{undoes}` with `on: false` |"
    control = "no" if row.control is None else " ".join(f"`{key}`" for key in row.control.keys) or "yes"
    names = row.argument.names() if row.argument is not None else ()
    keys = [
        f"`{name}`" for name in (*names, *(("on",) if row.undo else ()), *(("when",) if row.armable else ()))
    ]
    body = " ".join(keys) or "none"
    return f"| `{action}` | {row.summary}. | {control} | {body} |"


def test_every_action_has_a_row_and_something_that_it_does() -> None:
    assert list(ACTIONS) == list(Action)
    assert set(show_commands._ACTIONS) == set(Action)


@pytest.mark.parametrize("action", Action)
def test_the_reference_has_every_action(action: Action) -> None:
    assert line_of(action, ACTIONS[action]) in README.read_text(encoding="utf-8").splitlines()


def test_the_reference_has_no_other_action() -> None:
    text = README.read_text(encoding="utf-8").partition("\n## action\n")[2].partition("\n## ")[0]
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert len(rows) == len(Action)


@pytest.mark.parametrize("action", Action)
def test_what_a_control_says_is_part_of_the_argument(action: Action) -> None:
    row = ACTIONS[action]
    keys = row.control.keys if row.control is not None else ()
    assert set(keys) <= set(row.argument.names() if row.argument else ())
    if keys and row.control is not None and row.argument is not None:
        needed = set(row.argument.needed()) & set(keys)
        assert bool(row.control.lacks and row.control.remedy) == bool(needed or row.argument.one_of)


@pytest.mark.parametrize("action", [action for action, row in ACTIONS.items() if row.undo is not None])
def test_what_takes_an_action_back_has_the_same_argument(action: Action) -> None:
    undo = ACTIONS[action].undo
    assert undo is not None
    assert ACTIONS[undo].argument is ACTIONS[action].argument


def test_a_field_that_nobody_writes_has_a_default() -> None:
    for row in ACTIONS.values():
        if row.argument is not None:
            inner = [one.name for one in fields(row.argument) if one.metadata.get("internal")]
            assert not set(inner) & set(row.argument.needed())


def test_a_command_has_the_argument_of_its_action() -> None:
    assert Command(Action.SONG, ToSong("opener")).argument == ToSong("opener")
    with pytest.raises(ValueError, match="song takes ToSong, not None"):
        Command(Action.SONG)
    with pytest.raises(ValueError, match="song takes ToSong"):
        Command(Action.SONG, Subject(device="pad"))
    with pytest.raises(ValueError, match="next takes no argument"):
        Command(Action.NEXT, ToSong("opener"))
