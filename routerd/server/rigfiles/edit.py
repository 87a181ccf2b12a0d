"""The one editor of YAML: it changes some values of a file and leaves every other character as it was.

Comments, order, quotes and line ends stay. Places are found by the marks of the parsed file. What is to be
written is read back before it takes the place of the old file, and must differ from it in these values only.

Two edits are made: one key of some devices in rig.yaml, given as its path inside the device
(`("identity-reply",)`, `("timing", "offset")`), and a running order with its encore in a set's file, only
when somebody asks for it; then the whole folder is read again, and put back if it has a mistake.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from itertools import accumulate
from pathlib import Path
from typing import Any

import yaml

from routerd import storage
from routerd.core.errors import FileEditError
from routerd.core.model.set_list import SetList
from routerd.server.rigfiles.folder import load_folder
from routerd.server.rigfiles.text import LARGEST_FILE_BYTES, UnreadableFileError, read_document, read_file

Key = tuple[str, ...]
"""The path of a key inside a device."""

_Edit = tuple[int, int, str]
"""From where to where in the text, and what stands there instead."""

LONGEST_STEM = 64
_LEADS_OUT = "the folder sets or the file is a link that leads out of the rig folder"


# Any file


def _compose(text: str, file: str) -> yaml.MappingNode:
    """Return the file's tree with marks; raises FileEditError."""
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except (yaml.YAMLError, RecursionError) as error:
        raise FileEditError(f"{file} cannot be read; `routerd check` shows why") from error
    return _group(node, file)


def _group(node: Any, name: str) -> yaml.MappingNode:
    if not isinstance(node, yaml.MappingNode) or not node.value:
        raise FileEditError(f"{name} is not a group of keys as expected, or an empty one")
    return node


def _find(node: yaml.MappingNode, key: str) -> Any:
    return next((value for name, value in node.value if name.value == key), None)


def _values_of(text: str) -> Any:
    """Return the file's values, every scalar as it is written."""
    return yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506 - it makes nothing but text, lists and groups


def _edited(text: str, edits: Iterable[_Edit], wanted: Any, refusal: str) -> str:
    """Return the text with edits that make its values `wanted`; raises FileEditError where they do not."""
    changed = text
    for begin, end, new in sorted(edits, reverse=True):
        changed = changed[:begin] + new + changed[end:]
    try:
        same = _values_of(changed) == wanted
    except yaml.YAMLError:
        same = False
    if not same:
        raise FileEditError(refusal)
    return changed


def _read(path: Path, folder: Path) -> str:
    try:
        return storage.read(path, LARGEST_FILE_BYTES, inside=folder).decode()
    except UnicodeDecodeError as error:
        raise FileEditError(f"{path} cannot be changed: it is not UTF-8 text") from error


# A key of some devices


def with_values(text: str, key: Key, values: Mapping[str, str]) -> str:
    """Return the text of rig.yaml with `key` of each device at its value; raises FileEditError."""
    devices = _group(_find(_compose(text, "rig.yaml"), "devices"), "'devices' in rig.yaml")
    wanted = _values_of(text)
    edits = []
    for name, value in values.items():
        edits.append(_edit_of(_group(_find(devices, name), f"{name!r} in rig.yaml"), key, value))
        wanted = _with(wanted, ("devices", name, *key), value)
    refusal = f"rig.yaml cannot be edited here as it is written; write '{key[-1]}' by hand"
    return _edited(text, edits, wanted, refusal)


def write_values(rig_file: Path, key: Key, values: Mapping[str, str]) -> str:
    """Write them into the file; return the text that was there before. Raises FileEditError."""
    try:
        before = _read(rig_file, rig_file.parent)
        replace(rig_file, with_values(before, key, values))
    except OSError as error:
        raise FileEditError(f"{rig_file} cannot be changed: {error.strerror}") from error
    return before


def replace(rig_file: Path, text: str) -> None:
    """Put `text` in the place of the file. Raises OSError."""
    storage.put(rig_file, text.encode(), inside=rig_file.parent)


def _with(values: Any, key: Key, value: str) -> Any:
    """Return groups of values with one more, or another one, in place of the old."""
    if not key:
        return value
    group = values if isinstance(values, dict) else {}
    return {**group, key[0]: _with(group.get(key[0]), key[1:], value)}


def _edit_of(group: yaml.MappingNode, key: Key, value: str) -> _Edit:
    """Put a value in the place of the old one, or with its key before the first of its group."""
    first, *rest = key
    found = _find(group, first)
    if found is not None:
        if rest:
            return _edit_of(_group(found, f"{first!r} in rig.yaml"), tuple(rest), value)
        return found.start_mark.index, found.end_mark.index, value
    for inner in reversed(rest):
        value = f"{{{inner}: {value}}}"
    mark = group.value[0][0].start_mark
    glue = ", " if group.flow_style else "\n" + " " * mark.column
    return mark.index, mark.index, f"{first}: {value}{glue}"


# A running order


def save_set(folder: Path, set_list: SetList) -> str:
    """Write `set_list` into the rig folder; return its file's name there. Raises FileEditError, OSError."""
    path = _path_of(folder, set_list.name)
    before = _read(path, folder) if path.exists() else None
    file = f"sets/{path.name}"
    text = _new_set(set_list) if before is None else _with_order(before, file, set_list)
    try:
        storage.put(path, text.encode(), inside=folder, replace=before is not None)
    except storage.OutsideError as error:
        raise FileEditError(_LEADS_OUT) from error
    loaded = load_folder(folder)
    if loaded.rig_folder is None:
        if before is None:
            path.unlink()
        else:
            storage.put(path, before.encode(), inside=folder)
        raise FileEditError(f"{loaded.problems[0]}; then save again")
    return file


def _path_of(folder: Path, name: str) -> Path:
    """Return the file of the set of that name, or one for a new set."""
    if not (folder / "sets").resolve().is_relative_to(folder.resolve()):
        raise FileEditError(_LEADS_OUT)
    unreadable: dict[str, str] = {}
    for path in sorted((folder / "sets").glob("*.yaml")):
        if path.is_symlink():
            continue
        try:
            document = read_document(f"sets/{path.name}", read_file(path, LARGEST_FILE_BYTES, folder))
        except UnreadableFileError as error:
            unreadable[path.name] = f"sets/{path.name} {error.what}; {error.remedy}"
            continue
        if isinstance(document.data, dict):
            if str(document.data.get("name")).casefold() == name.casefold():
                return path
        elif document.problems:
            unreadable[path.name] = str(document.problems[0])
    stem = re.sub(r"[^\w]+", "-", name.casefold()).strip("-_")[:LONGEST_STEM] or "set"
    path = folder / "sets" / f"{stem}.yaml"
    if path.name in unreadable:
        raise FileEditError(f"{unreadable[path.name]}, and save again")
    if path.exists():
        raise FileEditError(
            f"sets/{stem}.yaml is already the file of another set; give this one another name"
        )
    return path


def _order_lines(set_list: SetList, line_end: str = "\n") -> str:
    lines = ["order:", *(f"  - {_as_scalar(song)}" for song in set_list.order)]
    if set_list.encore:
        lines.append(f"encore: {set_list.encore}")
    return "".join(line + line_end for line in lines)


def _new_set(set_list: SetList) -> str:
    head = f"name: {_as_scalar(set_list.name)}\n"
    if set_list.date:
        head += f"date: {set_list.date}\n"
    return head + _order_lines(set_list)


def _with_order(text: str, file: str, set_list: SetList) -> str:
    """Return the text of `file` with other lines for `order`, in its place, and for `encore`."""
    node = _compose(text, file)
    lines = text.splitlines(keepends=True)
    starts = [0, *accumulate(map(len, lines))]
    line_end = "\r\n" if lines[0].endswith("\r\n") else "\n"
    edits: list[_Edit] = []
    for key, value in node.value:
        if key.value in ("order", "encore"):
            first, end = key.start_mark.line, value.end_mark
            last = end.line if end.column == 0 and end.line > first else end.line + 1
            new = _order_lines(set_list, line_end) if key.value == "order" else ""
            edits.append((starts[first], starts[_without_trailing(lines, first, last)], new))
    line = next((key.start_mark.line + 1 for key, _ in node.value if key.value == "order"), 1)
    refusal = (
        f"{file}:{line}: the order is not on lines of its own; write 'order:' on one, each song below it as "
        "'  - title', and save again"
    )
    if node.flow_style or not any(new for _, _, new in edits):
        raise FileEditError(refusal)
    wanted = {**_values_of(text), "order": list(set_list.order), "encore": str(set_list.encore)}
    if not set_list.encore:
        del wanted["encore"]
    return _edited(text, edits, wanted, refusal)


def _without_trailing(lines: list[str], start: int, end: int) -> int:
    """Return where a value's lines end, without the blank lines and comments that follow it."""
    end = min(end, len(lines))
    while end > start + 1 and lines[end - 1].strip().startswith(("#",)) | (not lines[end - 1].strip()):
        end -= 1
    return end


def _as_scalar(text: str) -> str:
    """Return text as a YAML scalar: bare where nothing in it can be misread, else quoted."""
    plain = re.fullmatch(r"[A-Za-z][\w -]*\w", text) is not None
    safe = text.casefold() not in ("yes", "no", "on", "off", "true", "false", "null")
    return text if plain and safe else json.dumps(text, ensure_ascii=False)
