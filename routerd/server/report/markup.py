"""Pieces of HTML that every part of a page is made of. Texts are plain; cells of tables are HTML already."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

SIGNS = {
    "steady": "✔",
    "pass": "✔",
    "warn": "▲",
    "fair": "●",
    "unsteady": "▲",
    "bad": "✖",
    "failed": "✖",
    "fail": "✖",
    "unknown": "?",
}
"""A shape for every grade, so that none hangs on its colour."""


def grade_html(grade: str) -> str:
    """Return a grade as its sign and word."""
    return f'<span class="grade {escape(grade)}">{SIGNS.get(grade, "")} {escape(grade)}</span>'


def list_html(items: Iterable[str]) -> str:
    """Return a list of plain texts."""
    return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def table_html(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table of cells that are HTML already; on a narrow screen it scrolls by itself."""
    top = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<div class="scroll"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def micro(value_us: float | None) -> str:
    """Return µs in few characters; a dash for none."""
    if value_us is None:
        return "–"
    return f"{value_us:.1f}" if abs(value_us) < 100 else f"{value_us:.0f}"


def clock_words(seconds: float) -> str:
    """Return a length as h:mm:ss."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
