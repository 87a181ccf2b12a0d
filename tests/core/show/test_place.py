"""Places in a set list: where next and previous lead, also when the order changes under one's feet."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action
from routerd.core.model.codec import MalformedError, from_json
from routerd.core.model.snapshot import ResumePoint
from routerd.core.show.place import Place, Standing
from tests.stage import compiled

ABCD = ("a", "b", "c", "d")


def test_a_place_that_was_kept_outside_the_order_may_be_at_either_end_and_not_beyond() -> None:
    here = Place(ABCD, 1)
    assert [here.kept("x", None, gap) for gap in (0, 4)] == [Place(ABCD, None, 0), Place(ABCD, None, 4)]
    for wrong in (-1, 5, None):
        assert here.kept("x", None, wrong) == here.at_song("x")
    assert here.kept("c", 2, None) == Place(ABCD, 2)
    for index in (-1, 0, 4):
        assert here.kept("c", index, 0) == here.at_song("c")
    for key in ("index", "gap"):  # what is no number never comes so far
        with pytest.raises(MalformedError, match=key):
            from_json(ResumePoint, {key: "2"})


def test_next_and_previous_inside_and_at_the_ends() -> None:
    assert (Place(ABCD, 0).previous_index, Place(ABCD, 0).next_index) == (None, 1)
    assert (Place(ABCD, 3).previous_index, Place(ABCD, 3).next_index) == (2, None)
    assert (Place(ABCD, None, 2).previous_index, Place(ABCD, None, 2).next_index) == (1, 2)
    assert (Place().previous_index, Place().next_index) == (None, None)


@pytest.mark.parametrize("index", [-1, 4])
def test_no_place_outside_the_order(index: int) -> None:
    with pytest.raises(IndexError):
        Place(ABCD, 0).at(index)


def test_a_song_called_by_name() -> None:
    place = Place(("a", "b", "a", "c", "b"), 1)
    assert place.at_song("a").index == 2  # where it comes next
    assert place.at_song("b").index == 1  # the one that is on
    assert Place(place.order, 3).at_song("a").index == 2  # else where it came last
    assert place.at_song("x") == Place(place.order, None, 2)  # called in between: next goes on behind


@pytest.mark.parametrize(
    ("before", "song", "order", "after"),
    [
        ("a b c d / 1", "b", "x a b c d", "2"),  # something before
        ("a b c d / 1", "b", "b", "0"),
        ("a b c d / 1", "b", "a c d", "gap 1"),  # dropped while it is on: next is what followed
        ("a b c d / 1", "b", "a d", "gap 1"),
        ("a b c d / 1", "b", "a x", "gap 1"),  # all that followed are gone: behind what came before
        ("a b c d / 3", "d", "a b c x", "gap 3"),
        ("a b c d / 3", "d", "a b c", "gap 3"),
        ("a b c d / 3", "d", "x y", "gap 0"),  # an order of its own: from its beginning
        ("a b c d / 1", "b", "", "gap 0"),
        ("a b a c / 2", "a", "b a c a", "1"),  # played twice: the one that is closest
        ("a b a c / 1", "b", "a a c", "gap 1"),
        ("a b c d / gap 2", "x", "a b y c d", "gap 3"),  # x is not in the order, c comes next
        ("a b c d / gap 2", "x", "a x b c d", "1"),
        (" / gap 0", "None", "a b", "gap 0"),
    ],
)
def test_a_new_order_keeps_the_place(before: str, song: str, order: str, after: str) -> None:
    def place_of(names: str, where: str) -> Place:
        gap = where.startswith("gap")
        number = int(where.removeprefix("gap "))
        return Place(tuple(names.split()), None if gap else number, number if gap else 0)

    names, where = before.split("/")
    assert place_of(names, where.strip()).reordered(tuple(order.split()), song) == place_of(order, after)


orders = st.lists(st.sampled_from("abcdef"), max_size=8).map(tuple)


@given(orders, st.sampled_from("abcdef"), st.lists(orders, max_size=5))
def test_the_song_that_is_on_never_changes_by_reordering(
    order: tuple[str, ...], song: str, changes: list[tuple[str, ...]]
) -> None:
    place = Place(order).at_song(song)
    for changed in changes:
        place = place.reordered(changed, song)
        assert place.order == changed
        if song in changed:
            assert place.index is not None
            assert changed[place.index] == song
        else:
            assert place.index is None
            assert 0 <= place.gap <= len(changed)


@given(orders.filter(bool), st.data())
def test_the_same_order_again_changes_nothing(order: tuple[str, ...], data: st.DataObject) -> None:
    index = data.draw(st.integers(0, len(order) - 1))
    assert Place(order, index).reordered(order, order[index]) == Place(order, index)


def standing(song: str | None = None) -> Standing:
    book = compiled()
    on = Standing(book, Place(book.set_list.order))
    if song is not None:
        on.place, on.song = on.place.at_song(song), book.songs[song]
    return on


def test_names_and_numbers_of_songs() -> None:
    on = standing("opener")
    assert on.find_song(3).index == 2
    assert on.find_song("middle").index == 1
    for wrong in (0, 4, -1):
        with pytest.raises(NotFoundError, match=f"songs 1 to 3, not {wrong}"):
            on.find_song(wrong)
    for unknown in ("nothing", None, "3"):
        with pytest.raises(NotFoundError, match="no song"):
            on.find_song(unknown)


def test_names_and_numbers_of_sections() -> None:
    on = standing("middle")
    assert on.find_section(3) == 3
    assert on.find_section("chorus") == 2
    for wrong in (0, 4, -1, "solo", None):
        with pytest.raises(NotFoundError, match="it has: verse, chorus, bridge"):
            on.find_section(wrong)
    with pytest.raises(NotFoundError, match="it has: none"):
        standing("opener").find_section(1)


def test_the_ends_say_so() -> None:
    with pytest.raises(CommandError, match="first song"):
        standing("opener").neighbour(Action.PREVIOUS)
    with pytest.raises(CommandError, match="last song"):
        standing("closer").neighbour(Action.NEXT)


def test_no_song_is_on() -> None:
    on = standing()
    assert on.identifier is None
    with pytest.raises(CommandError, match="no song is on"):
        _ = on.section
    assert on.neighbour(Action.NEXT) == 0
