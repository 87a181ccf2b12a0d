"""What is recorded of a lot of things is as it was; see tests/recorded.py."""

from __future__ import annotations

from itertools import zip_longest

import pytest

from tests.recorded import DIGESTS, KINDS, digest, recording


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_as_it_was_recorded(kind: str) -> None:
    recorded = (DIGESTS / f"{kind}.txt").read_text(encoding="utf-8").splitlines()
    for part, before in zip_longest(recording(kind), recorded):
        assert part is not None, f"{before} is missing"
        assert digest(*part) == before, f"compare by python -m tests.recorded show {kind}"
