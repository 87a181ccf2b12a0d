"""Writes suggested time offsets into rig.yaml, touching nothing else: comments, order and quotes stay.

The place of each device is found by the marks of the parsed file. What was written is read back before it
takes the place of the old file, and must differ from it in these offsets only.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

from routerd.core.errors import FileError

_Edit = tuple[int, int, str]
"""From where to where in the text, and what stands there instead."""


def with_offsets(text: str, offsets: Mapping[str, float]) -> str:
    """Return the text of rig.yaml with `timing: {offset: …}` in ms for each device; raises FileError."""
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        devices = _value(root, "devices")
        edits = [_edit(_value(devices, name), name, ms) for name, ms in offsets.items()]
    except yaml.YAMLError as error:
        raise FileError(f"rig.yaml cannot be read: {error}") from error
    changed = text
    for begin, end, new in sorted(edits, reverse=True):
        changed = changed[:begin] + new + changed[end:]
    wanted = _plain(text)
    for name, ms in offsets.items():
        wanted["devices"][name]["timing"] = {
            **(wanted["devices"][name].get("timing") or {}),
            "offset": _number(ms),
        }
    try:
        same = _plain(changed) == wanted
    except yaml.YAMLError:
        same = False
    if not same:
        raise FileError("rig.yaml is written in a way that cannot be edited here; write the offsets by hand")
    return changed


def write_offsets(rig_file: Path, offsets: Mapping[str, float]) -> str:
    """Write them into the file; return the text that was there before. Raises FileError."""
    try:
        before = rig_file.read_text(encoding="utf-8")
        replace(rig_file, with_offsets(before, offsets))
    except (OSError, UnicodeDecodeError) as error:
        raise FileError(f"{rig_file} cannot be changed: {error}") from error
    return before


def replace(rig_file: Path, text: str) -> None:
    """Put `text` in the place of the file, all at once and with its permissions. Raises OSError."""
    beside = rig_file.with_name(f".{rig_file.name}.new")
    with beside.open("w", encoding="utf-8") as file:
        os.fchmod(file.fileno(), rig_file.stat().st_mode & 0o777)
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(rig_file)


def _plain(text: str) -> Any:
    """Return the file's values, every scalar as it is written."""
    return yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506 - it makes nothing but text, lists and groups


def _number(ms: float) -> str:
    return f"{ms:.2f}".rstrip("0").rstrip(".")


def _value(node: Any, key: str) -> yaml.MappingNode:
    found = _find(node, key)
    if not isinstance(found, yaml.MappingNode):
        raise FileError(f"rig.yaml has no group {key!r} where one was expected")
    return found


def _find(node: Any, key: str) -> Any:
    pairs = node.value if isinstance(node, yaml.MappingNode) else []
    return next((value for name, value in pairs if name.value == key), None)


def _edit(device: yaml.MappingNode, name: str, ms: float) -> _Edit:
    timing = _find(device, "timing")
    if timing is None:
        return _insert(device, f"timing: {{offset: {_number(ms)}}}", name)
    if not isinstance(timing, yaml.MappingNode):
        raise FileError(f"device {name!r} of rig.yaml has a 'timing' that is no group")
    offset = _find(timing, "offset")
    if offset is None:
        return _insert(timing, f"offset: {_number(ms)}", name)
    return offset.start_mark.index, offset.end_mark.index, _number(ms)


def _insert(group: yaml.MappingNode, entry: str, name: str) -> _Edit:
    """Put an entry before the first of a group, in the group's own style."""
    if not group.value:
        raise FileError(f"device {name!r} of rig.yaml has an empty group")
    first = group.value[0][0].start_mark
    glue = ", " if group.flow_style else "\n" + " " * first.column
    return first.index, first.index, entry + glue
