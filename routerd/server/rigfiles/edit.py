"""Writes one key of some devices into rig.yaml; comments, order, quotes and line ends stay as they are.

A key is given as its path inside the device (`("identity-reply",)`, `("timing", "offset")`), a value as it
is to be written. The place of each device is found by the marks of the parsed file. What is to be written
is read back before it takes the place of the old file, and must differ from it in these values only.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

from routerd import storage
from routerd.core.errors import FileEditError
from routerd.server.rigfiles.text import LARGEST_FILE_BYTES

Key = tuple[str, ...]
"""The path of a key inside a device."""

_Edit = tuple[int, int, str]
"""From where to where in the text, and what stands there instead."""


def with_values(text: str, key: Key, values: Mapping[str, str]) -> str:
    """Return the text of rig.yaml with `key` of each device at its value; raises FileEditError."""
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        devices = _group(_find(root, "devices"), "devices")
        edits = [_edit(_group(_find(devices, name), name), key, value) for name, value in values.items()]
    except yaml.YAMLError as error:
        raise FileEditError(f"rig.yaml cannot be read: {error}") from error
    changed = text
    for begin, end, new in sorted(edits, reverse=True):
        changed = changed[:begin] + new + changed[end:]
    wanted = _plain(text)
    for name, value in values.items():
        wanted = _set(wanted, ("devices", name, *key), value)
    try:
        same = _plain(changed) == wanted
    except yaml.YAMLError:
        same = False
    if not same:
        raise FileEditError(f"rig.yaml cannot be edited here as it is written; write '{key[-1]}' by hand")
    return changed


def write_values(rig_file: Path, key: Key, values: Mapping[str, str]) -> str:
    """Write them into the file; return the text that was there before. Raises FileEditError."""
    try:
        before = storage.read(rig_file, LARGEST_FILE_BYTES, inside=rig_file.parent).decode()
        replace(rig_file, with_values(before, key, values))
    except OSError as error:
        raise FileEditError(f"{rig_file} cannot be changed: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise FileEditError(f"{rig_file} cannot be changed: it is not UTF-8 text") from error
    return before


def replace(rig_file: Path, text: str) -> None:
    """Put `text` in the place of the file. Raises OSError."""
    storage.put(rig_file, text.encode(), inside=rig_file.parent)


def _plain(text: str) -> Any:
    """Return the file's values, every scalar as it is written."""
    return yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506 - it makes nothing but text, lists and groups


def _set(values: Any, key: Key, value: str) -> Any:
    """Return groups of values with one more, or another one, in place of the old."""
    if not key:
        return value
    group = values if isinstance(values, dict) else {}
    return {**group, key[0]: _set(group.get(key[0]), key[1:], value)}


def _group(node: Any, name: str) -> yaml.MappingNode:
    if not isinstance(node, yaml.MappingNode) or not node.value:
        raise FileEditError(f"rig.yaml has no group {name!r} where one was expected, or an empty one")
    return node


def _find(node: Any, key: str) -> Any:
    pairs = node.value if isinstance(node, yaml.MappingNode) else []
    return next((value for name, value in pairs if name.value == key), None)


def _edit(group: yaml.MappingNode, key: Key, value: str) -> _Edit:
    """Put a value in the place of the old one, or with its key before the first of its group."""
    first, *rest = key
    found = _find(group, first)
    if found is not None:
        if rest:
            return _edit(_group(found, first), tuple(rest), value)
        return found.start_mark.index, found.end_mark.index, value
    for inner in reversed(rest):
        value = f"{{{inner}: {value}}}"
    mark = group.value[0][0].start_mark
    glue = ", " if group.flow_style else "\n" + " " * mark.column
    return mark.index, mark.index, f"{first}: {value}{glue}"
