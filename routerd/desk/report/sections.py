"""The parts of a page that only a soundcheck has."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

Plain = dict[str, Any]


def soundcheck_sections(document: Plain) -> Iterator[str]:
    """Yield the parts in their order."""
    del document
    yield ""
