"""Mutants that change nothing that can be seen, each with the reason; see `mutants`."""

from __future__ import annotations

WITHOUT_EFFECT: dict[tuple[str, str, str], str] = {}
"""By file, text of the line, and change."""
