"""Whatever a body holds, it is understood or refused in words; nothing else can happen."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.units import parse_bpm
from routerd.server.http.application import OPERATIONS
from routerd.server.http.bodies import Body, Moment, read_body
from routerd.server.http.problems import ProblemError

BODIES = {operation.path: operation.body for operation in OPERATIONS if operation.body is not None}
MODELS = list({body.__name__: body for body in BODIES.values()}.values())
KEYS = st.sampled_from(["bpm", "song", "section", "name", "when", "order", "bar"]) | st.text(max_size=5)
LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10)
VALUES = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3)
)


def understood_or_refused(data: bytes, model: type[Body]) -> None:
    """Any other exception than ProblemError fails the test."""
    refusal: ProblemError | None = None
    body: Body | None = None
    try:
        body = read_body(data, model)
    except ProblemError as problem:
        refusal = problem
    if refusal is None:
        assert isinstance(body, model)
    else:
        assert refusal.name in ("malformed-json", "wrong-body")
        assert refusal.detail


@given(st.binary(max_size=60), st.sampled_from(MODELS))
def test_any_bytes_are_understood_or_refused(data: bytes, model: type[Body]) -> None:
    understood_or_refused(data, model)


@given(st.dictionaries(KEYS, VALUES, max_size=4), st.sampled_from(MODELS))
def test_any_object_is_understood_or_refused(value: dict[str, Any], model: type[Body]) -> None:
    understood_or_refused(json.dumps(value).encode(), model)


def tempo_in(data: str) -> Any:
    return dict(read_body(data.encode(), BODIES["/v1/tempo"]))["bpm"]


@given(st.integers(10, 479), st.text("0123456789", min_size=1, max_size=18))
def test_a_tempo_keeps_every_digit(whole: int, digits: str) -> None:
    written = f"{whole}.{digits}"
    for data in (f'{{"bpm": {written}}}', f'{{"bpm": "{written}"}}'):
        assert tempo_in(data) == parse_bpm(written)


@pytest.mark.parametrize("data", [b"", b" \n", b"{}", b"\xef\xbb\xbf{}"])
def test_no_body_is_an_empty_object(data: bytes) -> None:
    assert read_body(data, Moment) == Moment(when="now")
