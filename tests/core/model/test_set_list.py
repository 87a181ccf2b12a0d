"""Edits of a set list: an encore block keeps its boundary."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model import set_list as edits
from routerd.core.model.set_list import SetList


def written(set_list: SetList) -> str:
    """Return the order as letters, the encore behind a bar."""
    cut = len(set_list.order) - set_list.encore
    return "".join(set_list.order[:cut]) + "|" + "".join(set_list.order[cut:])


def read(text: str) -> SetList:
    main, encore = text.split("|")
    return SetList("tonight", tuple(main + encore), "2031-05-06", len(encore), 2700, 30)


@pytest.mark.parametrize(
    ("before", "number", "to", "after"),
    [
        ("abcd|", 4, 1, "dabc|"),
        ("abcd|", 1, 4, "bcda|"),
        ("abcd|", 2, 2, "abcd|"),
        ("abc|de", 1, 2, "bac|de"),
        ("abc|de", 4, 5, "abc|ed"),
        ("abc|de", 1, 3, "bca|de"),  # to the boundary: stays in the set
        ("abc|de", 1, 4, "bc|dae"),
        ("abc|de", 5, 4, "abc|ed"),  # to the boundary: stays in the encore
        ("abc|de", 5, 1, "eabc|d"),
    ],
)
def test_a_moved_song_stands_where_it_was_put(before: str, number: int, to: int, after: str) -> None:
    assert written(edits.move(read(before), number, to)) == after


@pytest.mark.parametrize(
    ("before", "number", "after"),
    [
        ("ab|", 1, "xab|"),
        ("ab|", 3, "abx|"),
        ("ab|cd", 3, "abx|cd"),
        ("ab|cd", 4, "ab|cxd"),
        ("ab|cd", 5, "ab|cdx"),
    ],
)
def test_an_inserted_song_stands_where_it_was_put(before: str, number: int, after: str) -> None:
    assert written(edits.insert(read(before), "x", number)) == after


def test_drops_and_the_encores_boundary() -> None:
    assert written(edits.drop(read("abc|de"), 1)) == "bc|de"
    assert written(edits.drop(read("abc|de"), 4)) == "abc|e"
    assert written(edits.begin_encore(read("abcde|"), 4)) == "abc|de"
    assert written(edits.begin_encore(read("abc|de"), None)) == "abcde|"
    with pytest.raises(CommandError, match="at least one"):
        edits.drop(read("a|"), 1)


def test_places_that_do_not_exist() -> None:
    for edit in (
        lambda now: edits.move(now, 0, 1),
        lambda now: edits.move(now, 1, 4),
        lambda now: edits.insert(now, "x", 5),
        lambda now: edits.drop(now, 4),
        lambda now: edits.begin_encore(now, 9),
    ):
        with pytest.raises(NotFoundError):
            edit(read("abc|"))


@given(st.data())
def test_edits_keep_everything_else(data: st.DataObject) -> None:
    songs = data.draw(st.lists(st.sampled_from("abcdef"), min_size=2, max_size=8))
    now = SetList("tonight", tuple(songs), "2031-05-06", data.draw(st.integers(0, len(songs) - 1)), 2700, 30)
    number, to = data.draw(st.integers(1, len(songs))), data.draw(st.integers(1, len(songs)))
    moved = edits.move(now, number, to)
    assert moved.order[to - 1] == now.order[number - 1]
    assert sorted(moved.order) == sorted(now.order)
    assert 0 <= moved.encore <= now.encore + 1
    assert moved.encore < len(songs)  # a set comes before its encore
    inserted = edits.insert(now, "x", to)
    assert inserted.order[to - 1] == "x"
    assert edits.drop(inserted, to).order == now.order
    assert edits.drop(inserted, to).encore == now.encore
    for after in (moved, inserted):
        assert (after.name, after.date, after.slot_s, after.changeover_s) == (
            "tonight",
            "2031-05-06",
            2700,
            30,
        )


@pytest.mark.parametrize("main", range(1, 4))
@pytest.mark.parametrize("encore", range(4))
def test_every_edit_of_every_small_set(main: int, encore: int) -> None:
    """Told of two lists: one put between them belongs to the first, and the first is never empty."""
    songs = "abcdefg"[: main + encore]
    whole = SetList("tonight", tuple(songs), encore=encore)
    for place in range(len(songs) + 1):
        made = edits.insert(whole, "x", place + 1)
        assert "".join(made.order) == f"{songs[:place]}x{songs[place:]}"
        assert made.encore == encore + (encore > 0 and place > main)
    for place in range(len(songs) if len(songs) > 1 else 0):
        made = edits.drop(whole, place + 1)
        assert "".join(made.order) == songs[:place] + songs[place + 1 :]
        left = main - (place < main)
        assert made.encore == (len(songs) - 1 - left if left else len(songs) - 2)
    for place in range(len(songs)):
        if place:
            assert edits.begin_encore(whole, place + 1) == replace(whole, encore=len(songs) - place)
        assert edits.song_at(whole, place + 1) == songs[place]
    assert edits.begin_encore(whole, None).encore == 0
    with pytest.raises(CommandError):
        edits.begin_encore(whole, 1)
