"""A file against its shape: pydantic's findings put into plain words, and a model to go on with.

Every mistake shall be told in one go, also those that only the rules across values can find. So
after the findings are noted, each wrong value is replaced (`MISTAKE`, or an empty group) and the
file is read again; what was replaced is remembered, and the rules leave it alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Generic, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from routerd.server.rigfiles.entry import Entry
from routerd.server.rigfiles.leaf import WRONG, Advice, Surroundings
from routerd.server.rigfiles.problems import MISTAKE, Remedy, choose, one_of, shown
from routerd.server.rigfiles.text import Document, Path

M = TypeVar("M", bound=Entry)

_MOST_PASSES = 6
_KEY_MARK = "[key]"
_KEY_WORDS: dict[Any, str] = {"cc": "controller", "devices": "device"}
_GROUP_WANTED = frozenset({"dict_type", "model_type", "model_attributes_type"})


@dataclass(slots=True)
class Checked(Generic[M]):
    """A document, its model as far as it could be read, and the places where values were replaced."""

    document: Document
    model: M | None
    _assembled: set[Path] = field(default_factory=set)
    _around: set[Path] = field(default_factory=set)

    def mark(self, path: Path) -> None:
        """Remember that the value at `path` was replaced."""
        self._assembled.add(path)
        self._around.update(path[:length] for length in range(len(path)))

    def is_sound(self, path: Path) -> bool:
        """Return whether nothing at, in or around `path` was replaced."""
        return path not in self._around and not any(
            path[:length] in self._assembled for length in range(len(path) + 1)
        )

    def report(self, path: Path, what: str, remedy: Remedy) -> None:
        """Add a problem at the line of `path`."""
        self.document.report(self.document.line(path), what, remedy)


def check(document: Document, shape: type[M], surroundings: Surroundings) -> Checked[M]:
    """Read `document` as `shape`, adding what is wrong to its problems."""
    checked: Checked[M] = Checked(document, None)
    _note_mistakes(document.data, (), checked.mark)
    for attempt in range(_MOST_PASSES):
        try:
            checked.model = shape.model_validate(document.data, context=surroundings)
            break
        except ValidationError as error:
            for finding in error.errors(include_url=False):
                loc = finding["loc"]
                is_key = _is_of_key(finding)
                path = loc[:-1] if is_key else loc
                if attempt == 0 and finding.get("input") is not MISTAKE:
                    _tell(document, shape, path, finding)
                checked.mark(path)
                remove = is_key or finding["type"] == "extra_forbidden"
                document.data = _mend(document.data, path, None if remove else finding["type"])
    return checked


def _note_mistakes(value: Any, path: Path, mark: Callable[[Path], None]) -> None:
    if value is MISTAKE:
        mark(path)
    elif isinstance(value, dict):
        for key, inner in value.items():
            _note_mistakes(inner, (*path, key), mark)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            _note_mistakes(inner, (*path, index), mark)


def _is_of_key(finding: Any) -> bool:
    return bool(finding["loc"]) and finding["loc"][-1] == _KEY_MARK


def _mend(data: Any, path: Path, kind: str | None) -> Any:
    """Return `data` with the value at `path` made readable, or removed when `kind` is None."""
    replacement: Any = MISTAKE
    if kind == "list_type":
        replacement = []
    elif kind in _GROUP_WANTED:
        replacement = {}
    if not path:
        return replacement
    holder = data
    try:
        for step in path[:-1]:
            holder = holder[step]
        if kind is None:
            holder.pop(path[-1], None)
        else:
            holder[path[-1]] = replacement
    except (KeyError, IndexError, TypeError, AttributeError):
        return data  # it lay in something that another finding has replaced or removed
    return data


def _tell(document: Document, shape: type[Entry], path: Path, finding: Any) -> None:
    kind: str = finding["type"]
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "")
    label = key
    if len(path) > 1 and path[-2] in _KEY_WORDS:
        label = _KEY_WORDS[path[-2]] if _is_of_key(finding) else f"{_KEY_WORDS[path[-2]]} {key}"
    here = shape_at(shape, path[:-1])
    remedy: Remedy
    if kind == WRONG:
        advice: Advice = finding["ctx"]["advice"]
        what, remedy = f"{label} {advice.what}", advice.remedy
    elif kind == "missing" and here is not None:
        what = f"'{key}' is missing"
        remedy = f"add a line such as '{key}: {_example(here, key)}'"
    elif kind == "extra_forbidden" and here is not None:
        what, remedy = (
            f"{shown(key)} is not a key of a {here.model_config['title']}",
            partial(choose, key, keys_of(here)),
        )
    elif kind == "list_type":
        what = f"'{key}' must be a list, not {shown(finding['input'])}"
        remedy = "write each entry on its own line, beginning with '- '"
    elif kind in _GROUP_WANTED:
        what, remedy = _tell_group(shape, path, key, finding["input"])
    else:
        what, remedy = f"'{key}' cannot be used as it is written", "compare with configs/README.md"
    document.report(document.line(path), what, remedy)


def _tell_group(shape: type[Entry], path: Path, key: str, value: Any) -> tuple[str, str]:
    inner = shape_at(shape, path)
    keys = f" with keys such as {one_of(keys_of(inner)[:4])}" if inner is not None else ""
    place = (
        f"an entry of '{key}'" if path and isinstance(path[-1], int) else f"'{key}'" if key else "the file"
    )
    what = f"{place} must be a group of 'key: value' lines, not {shown(value)}"
    return what, f"write 'key: value' lines{keys}"


def keys_of(shape: type[Entry]) -> list[str]:
    """Return the keys of a shape as they are written in a file."""
    return [info.alias or name for name, info in shape.model_fields.items()]


def shape_at(shape: type[Entry], path: Path) -> type[Entry] | None:
    """Return the shape of the group at `path`, or None where there is a plain value."""
    kind: Any = shape
    for step in path:
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            info = next(
                (info for name, info in kind.model_fields.items() if (info.alias or name) == step), None
            )
            if info is None:
                return None
            kind = info.annotation
        else:
            kind = get_args(kind)[-1] if get_args(kind) else None
        if type(None) in get_args(kind):
            kind = get_args(kind)[0]
    return kind if isinstance(kind, type) and issubclass(kind, Entry) else None


def _example(shape: type[Entry], key: str) -> str:
    for name, info in shape.model_fields.items():
        if (info.alias or name) == key and info.examples:
            return str(info.examples[0])
    return "…"
