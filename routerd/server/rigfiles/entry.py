"""What the shapes of all files are made of: a group of keys, and how a key is described."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


def key(description: str, example: Any, default: Any = ..., alias: str | None = None) -> Any:
    """Return the field of one key."""
    return Field(default, alias=alias, description=description, examples=[example])


def lines(description: str, example: Any, alias: str | None = None) -> Any:
    """Return the field of a list, empty when left out."""
    return Field(default_factory=list, alias=alias, description=description, examples=[example])


class Entry(BaseModel):
    """Base of everything written in a file: unknown keys are mistakes, and words are joined by hyphens."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        arbitrary_types_allowed=True,
        alias_generator=lambda name: name.replace("_", "-"),
    )
