"""A long evening of chance sounds as it was recorded, to the nanosecond; see tests/recorded.py."""

from __future__ import annotations

import pytest

from tests.recorded import DIGESTS, EVENINGS, digests_of

RECORDED = DIGESTS.read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("evening", range(EVENINGS))
def test_the_evening_is_as_it_was_recorded(evening: int) -> None:
    recorded = [line for line in RECORDED if line.startswith(f"{evening} ")]
    for line, before in zip(digests_of(evening), recorded, strict=True):
        assert line == before, f"compare `python -m tests.recorded show {evening}` with an older checkout"
