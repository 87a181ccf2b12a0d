"""Writing a running order back into its file, only when somebody asks.

Only the lines of `order` and `encore` are replaced: comments and every other key stay as they were written,
and so do the file's line ends.
The file is read and checked again before it takes the place of the old one.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import yaml

from routerd import storage
from routerd.core.errors import FileEditError
from routerd.core.model.set_list import SetList
from routerd.server.rigfiles import load_folder
from routerd.server.rigfiles.files import UnreadableFileError, read_file
from routerd.server.rigfiles.text import LARGEST_FILE_BYTES, read_document

LONGEST_STEM = 64


_LEADS_OUT = "the folder sets or the file is a link that leads out of the rig folder"


def save_set(folder: Path, set_list: SetList) -> str:
    """Write `set_list` into the rig folder; return its file's name there. Raises FileEditError, OSError."""
    path = _path_of(folder, set_list.name)
    before = storage.read(path, LARGEST_FILE_BYTES, inside=folder) if path.exists() else None
    text = _new_text(set_list) if before is None else _changed_text(_decoded(before), set_list)
    try:
        storage.put(path, text.encode(), inside=folder, replace=before is not None)
    except storage.OutsideError as error:
        raise FileEditError(_LEADS_OUT) from error
    loaded = load_folder(folder)
    if loaded.book is None:
        if before is None:
            path.unlink()
        else:
            storage.put(path, before, inside=folder)
        raise FileEditError(f"the file would have mistakes: {loaded.problems[0]}")
    return str(path.relative_to(folder))


def _decoded(content: bytes) -> str:
    try:
        return content.decode()
    except UnicodeDecodeError as error:
        raise FileEditError("its file is not UTF-8 text any more") from error


def _path_of(folder: Path, name: str) -> Path:
    """Return the file of the set of that name, or one for a new set."""
    if not (folder / "sets").resolve().is_relative_to(folder.resolve()):
        raise FileEditError(_LEADS_OUT)
    for path in sorted((folder / "sets").glob("*.yaml")):
        if path.is_symlink():
            continue
        try:
            plain = read_document(path.name, read_file(path, LARGEST_FILE_BYTES, folder)).data
        except UnreadableFileError:
            continue
        if isinstance(plain, dict) and str(plain.get("name")).casefold() == name.casefold():
            return path
    stem = re.sub(r"[^\w]+", "-", name.casefold()).strip("-_")[:LONGEST_STEM] or "set"
    path = folder / "sets" / f"{stem}.yaml"
    if path.exists():
        raise FileEditError(
            f"sets/{stem}.yaml is already the file of another set; give this one another name"
        )
    return path


def _order_lines(set_list: SetList, line_end: str = "\n") -> str:
    lines = ["order:", *(f"  - {_scalar(song)}" for song in set_list.order)]
    if set_list.encore:
        lines.append(f"encore: {set_list.encore}")
    return "".join(line + line_end for line in lines)


def _new_text(set_list: SetList) -> str:
    head = f"name: {_scalar(set_list.name)}\n"
    if set_list.date:
        head += f"date: {set_list.date}\n"
    return head + _order_lines(set_list)


def _changed_text(text: str, set_list: SetList) -> str:
    """Return the file's text with other lines for `order`, in its place, and for `encore`."""
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except (yaml.YAMLError, RecursionError) as error:
        raise FileEditError("its file cannot be read any more; routerd check tells why") from error
    if not isinstance(node, yaml.MappingNode):
        raise FileEditError("its file is not a group of keys")
    lines = text.splitlines(keepends=True)
    spans: dict[str, tuple[int, int]] = {}
    for key, value in node.value:
        end = value.end_mark
        last = end.line if end.column == 0 and end.line > key.start_mark.line else end.line + 1
        spans[str(key.value)] = (key.start_mark.line, _without_trailing(lines, key.start_mark.line, last))
    if "order" not in spans or node.flow_style:
        raise FileEditError("its file does not have 'order' on lines of its own")
    line_end = "\r\n" if lines[0].endswith("\r\n") else "\n"
    for name in sorted({"order", "encore"} & set(spans), key=lambda name: -spans[name][0]):
        start, end_line = spans[name]
        lines[start:end_line] = [_order_lines(set_list, line_end)] if name == "order" else []
    return "".join(lines)


def _without_trailing(lines: list[str], start: int, end: int) -> int:
    """Return where a value's lines end, without the blank lines and comments that follow it."""
    end = min(end, len(lines))
    while end > start + 1 and lines[end - 1].strip().startswith(("#",)) | (not lines[end - 1].strip()):
        end -= 1
    return end


def _scalar(text: str) -> str:
    """Return text as a YAML scalar: bare where nothing in it can be misread, else quoted."""
    plain = re.fullmatch(r"[A-Za-z][\w -]*\w", text) is not None
    safe = text.casefold() not in ("yes", "no", "on", "off", "true", "false", "null")
    return text if plain and safe else json.dumps(text, ensure_ascii=False)
