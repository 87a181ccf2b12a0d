"""Values to JSON and back by their type hints: what comes back is the same, and nothing else is taken."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from enum import Enum, StrEnum
from fractions import Fraction
from typing import Any, Literal, NamedTuple

import pytest

from routerd.core.model.codec import MalformedError, decode, encode, from_json, to_json


class Colour(StrEnum):
    RED = "red"
    GREEN = "green"


class Level(Enum):
    LOW = 1
    HIGH = 2


class Pair(NamedTuple):
    first: int
    rate: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True)
class Leaf:
    name: str
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Branch:
    number: int


@dataclass(frozen=True, slots=True)
class Tree:
    leaf: Leaf
    pair: Pair
    either: Leaf | Branch
    colour: Colour = Colour.RED
    level: Level = Level.LOW
    numbers: frozenset[int] = frozenset()
    pairs: tuple[tuple[int, str], ...] = ()
    words: dict[str, tuple[int, ...]] = field(default_factory=dict)
    argument: int | str | None = None
    maybe: Branch | None = None
    volts: float = 0.0
    way: Literal["in", "out"] = "in"
    whatever: Any = None
    _cache: int = field(init=False, compare=False, default=7)


TREE = Tree(
    Leaf("one", b"\x90\x3c"),
    Pair(3, Fraction(1, 3)),
    Branch(5),
    Colour.GREEN,
    Level.HIGH,
    frozenset({3, 1, 2}),
    ((1, "a"), (2, "b")),
    {"x": (1, 2)},
    "text",
    Branch(0),
    2.5,
    "out",
    {"anything": [1, None]},
)
PLAIN: dict[str, Any] = {
    "leaf": {"name": "one", "data": "903c"},
    "pair": [3, "1/3"],
    "either": ["Branch", {"number": 5}],
    "colour": "green",
    "level": 2,
    "numbers": [1, 2, 3],
    "pairs": [[1, "a"], [2, "b"]],
    "words": {"x": [1, 2]},
    "argument": "text",
    "maybe": {"number": 0},
    "volts": 2.5,
    "way": "out",
    "whatever": {"anything": [1, None]},
}


def test_every_kind_of_field_has_its_form() -> None:
    assert json.loads(json.dumps(to_json(TREE))) == PLAIN
    assert from_json(Tree, PLAIN) == TREE
    assert decode(Tree, encode(TREE)) == TREE


def test_what_is_as_by_default_is_not_written_and_comes_back() -> None:
    small = Tree(Leaf(""), Pair(0), Leaf("x"))
    assert to_json(small) == {
        "leaf": {"name": ""},
        "pair": [0, "1"],
        "either": ["Leaf", {"name": "x"}],
        "words": {},
    }
    assert from_json(Tree, to_json(small)) == small
    assert from_json(Pair, [4]) == Pair(4)


def test_a_hint_says_what_a_class_cannot() -> None:
    assert encode((Leaf("a"), Leaf("b")), tuple[Leaf, ...]) == b'[{"name":"a"},{"name":"b"}]'
    assert decode(tuple[Leaf, ...], b'[{"name":"a"}]') == (Leaf("a"),)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"leaf": None}, "leaf: None is not an object"),
        ({"leaf": {"name": 1}}, "leaf: name: 1 is not text"),
        ({"leaf": {}}, "leaf: Leaf lacks name"),
        ({"leaf": {"name": "", "size": 1}}, "leaf: Leaf has no 'size'"),
        ({"leaf": {"name": "", "data": "f"}}, "data: 'f' is not bytes in hexadecimal"),
        ({"pair": [True]}, "pair: True is not a whole number"),
        ({"pair": []}, "is not a list of 2"),
        ({"pair": [1, "1", 2]}, "is not a list of 2"),
        ({"pair": [1, "1/0"]}, "'1/0' is not a fraction"),
        ({"pair": [1, "1e999999999"]}, "is not a fraction"),
        ({"pair": [1, "9" * 5000]}, "is not a fraction"),
        ({"pair": [1, 1]}, "1 is not a fraction"),
        ({"either": {"number": 5}}, "is none of Leaf, Branch"),
        ({"either": ["Root", {}]}, "is none of Leaf, Branch"),
        ({"either": [["Leaf"], {}]}, "is none of Leaf, Branch"),
        ({"either": ["Leaf"]}, "is none of Leaf, Branch"),
        ({"colour": "blue"}, "'blue' is none of red, green"),
        ({"colour": ["red"]}, "is none of red, green"),
        ({"numbers": 3}, "3 is not a list"),
        ({"numbers": ["3"]}, "numbers: '3' is not a whole number"),
        ({"pairs": [[1]]}, "is not a list of 2"),
        ({"words": []}, "words: [] is not an object"),
        ({"argument": 1.5}, "argument: 1.5 is not text"),
        ({"maybe": 0}, "maybe: 0 is not an object"),
        ({"volts": "2"}, "volts: '2' is not a number"),
        ({"volts": False}, "volts: False is not a number"),
        ({"way": "up"}, "way: 'up' is none of in, out"),
        ({"_cache": 8}, "Tree has no '_cache'"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_place(change: dict[str, Any], words: str) -> None:
    with pytest.raises(MalformedError) as caught:
        from_json(Tree, {**PLAIN, **change})
    assert words in str(caught.value)
    assert len(str(caught.value)) < 200


def test_a_union_that_json_cannot_tell_apart_is_a_mistake_of_ours() -> None:
    with pytest.raises(TypeError, match="cannot be told apart"):
        to_json((b"",), tuple[bytes | Fraction, ...])
    with pytest.raises(TypeError, match="no form in JSON"):
        from_json(complex, 1)
