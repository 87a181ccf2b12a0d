"""Values with many optional fields as JSON values: a dictionary of what differs from the default, by name.

What is written for every field in its place is read beside each value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from typing import Any

Plain = dict[str, Any]

Readers = Mapping[str, Callable[[Any], Any]]
"""How fields are read that are not plain numbers, text or truth values."""


def to_plain(value: Any) -> Any:
    """Return a value of the core as JSON values."""
    if is_dataclass(value):
        pairs = ((field, getattr(value, field.name)) for field in fields(value))
        return {field.name: to_plain(one) for field, one in pairs if one != field.default}
    if isinstance(value, frozenset):
        return sorted(to_plain(one) for one in value)
    if isinstance(value, tuple):
        return [to_plain(one) for one in value]
    if isinstance(value, bytes):
        return value.hex()
    return value.value if isinstance(value, StrEnum) else value


def read_fields(plain: Mapping[str, Any], readers: Readers) -> dict[str, Any]:
    """Return the fields of a dataclass that `to_plain` wrote."""
    return {name: readers[name](value) if name in readers else value for name, value in plain.items()}


def read_pairs(plain: list[list[int]]) -> tuple[tuple[int, int], ...]:
    """Return pairs of numbers."""
    return tuple((first, second) for first, second in plain)


def read_messages(plain: list[str]) -> tuple[bytes, ...]:
    """Return messages, or parts of them."""
    return tuple(bytes.fromhex(data) for data in plain)
