"""What is recorded of a lot of things is as it was; see tests/recorded.py."""

from __future__ import annotations

from itertools import zip_longest

import pytest

from tests.recorded import DIGESTS, EVENINGS, FOLDER_PARTS, Evening, digest, folder_part
from tests.recorded_parts import PARTS, recorded_part


def recorded(kind: str) -> list[str]:
    return (DIGESTS / f"{kind}.txt").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("evening", range(EVENINGS))
def test_an_evening_is_as_it_was_recorded(evening: int) -> None:
    before = [
        [line for line in recorded(kind) if line.startswith(f"{evening} ")] for kind in ("sound", "state")
    ]
    stretches = Evening(evening).stretches()
    for number, (stretch, sound, state) in enumerate(zip_longest(stretches, *before)):
        assert stretch is not None, f"stretch {number} of evening {evening} is missing"
        for kind, lines, line in zip(("sound", "state"), stretch, (sound, state), strict=True):
            now = digest(f"{evening} {number}", lines)
            assert now == line, f"compare by python -m tests.recorded show {kind}"


@pytest.mark.parametrize("number", range(FOLDER_PARTS))
def test_folders_come_to_what_was_recorded(number: int) -> None:
    (before,) = (line for line in recorded("files") if line.startswith(f"{number}: "))
    assert digest(str(number), folder_part(number)) == before, (
        "compare by python -m tests.recorded show files"
    )


@pytest.mark.parametrize(
    ("part", "number"), [(name, n) for name, (_, runs) in PARTS.items() for n in range(runs)]
)
def test_a_part_does_what_was_recorded(part: str, number: int) -> None:
    name = f"{part} {number}"
    (before,) = (line for line in recorded("parts") if line.startswith(f"{name}: "))
    assert digest(name, recorded_part(part, number)) == before, (
        "compare by python -m tests.recorded show parts"
    )
