"""What the files are made of: groups of keys (`Entry`), single values (`Leaf`), and checking against them.

A leaf's reading function takes the value as written and the context, and returns the value as the model
holds it, or raises `wrong(...)`. The same leaf carries its JSON Schema.

Every mistake shall be reported in one go, also those that only the rules across values can find. So
after pydantic's findings are noted, each wrong value is replaced (`INVALID`, or an empty group) and the
file is read again; what was replaced is remembered, and the rules leave it alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Generic, NamedTuple, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic_core import PydanticCustomError, core_schema

from routerd.server.rigfiles.problems import INVALID, Remedy, nearest, one_of, quote, suggest
from routerd.server.rigfiles.text import Document, KeyPath, PlainNumber

WRONG = "wrong"


class Ends(NamedTuple):
    """Which ends of a device have a port."""

    has_input: bool
    has_output: bool


@dataclass(slots=True)
class ValidationContext:
    """What a value may be checked against.

    `devices` is None when rig.yaml could not be read, and device names are then taken on trust.
    """

    folder: Path
    devices: Mapping[str, Ends] | None = None
    dumps: dict[str, tuple[bytes, ...] | PydanticCustomError] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, repr=False)
class Advice:
    """What is wrong with a value and what would be right; no repr, as pydantic asks for it each time."""

    what: str
    remedy: Remedy


def wrong(what: str, remedy: Remedy) -> PydanticCustomError:
    """Return the error of a value; the key's name is put before `what` when it is reported."""
    return PydanticCustomError(WRONG, "wrong value", {"advice": Advice(what, remedy)})


@dataclass(frozen=True)
class Leaf:
    """Annotation of a field: its reading function and its JSON Schema."""

    read: Callable[[Any, ValidationContext], Any]
    schema: dict[str, Any]

    def _validate(self, value: Any, info: ValidationInfo[ValidationContext]) -> Any:
        if value is INVALID:
            return INVALID
        return self.read(_numbers(value) if _takes_numbers(self.schema) else value, info.context)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Let the reading function alone decide, whatever the annotated type."""
        return core_schema.with_info_plain_validator_function(self._validate)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        """Return the JSON Schema that was given."""
        return dict(self.schema)


def _takes_numbers(schema: Mapping[str, Any]) -> bool:
    """Return whether a schema means numbers: not text, which may be written as one."""
    kinds = schema.get("type", ())
    kinds = {kinds} if isinstance(kinds, str) else {*kinds}
    if "boolean" in kinds:
        return False
    return bool({"number", "integer"} & kinds) or any(map(_takes_numbers, schema.get("anyOf", ())))


def _numbers(value: Any) -> Any:
    if isinstance(value, list):
        return [_numbers(one) for one in value]
    return value.number if isinstance(value, PlainNumber) else value


def option(description: str, example: Any, default: Any = ..., alias: str | None = None) -> Any:
    """Return the field of one key."""
    return Field(default, alias=alias, description=description, examples=[example])


def options(description: str, example: Any, alias: str | None = None) -> Any:
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
    _assembled: set[KeyPath] = field(default_factory=set)
    _around: set[KeyPath] = field(default_factory=set)

    def mark(self, path: KeyPath) -> None:
        """Remember that the value at `path` was replaced."""
        self._assembled.add(path)
        self._around.update(path[:length] for length in range(len(path)))

    def is_sound(self, path: KeyPath) -> bool:
        """Return whether nothing at, in or around `path` was replaced."""
        return path not in self._around and not any(
            path[:length] in self._assembled for length in range(len(path) + 1)
        )

    def report(self, path: KeyPath, what: str, remedy: Remedy) -> None:
        """Add a problem at the line of `path`."""
        self.document.report(self.document.line(path), what, remedy)


def check(document: Document, shape: type[M], context: ValidationContext) -> Checked[M]:
    """Read `document` as `shape`, adding what is wrong to its problems."""
    checked: Checked[M] = Checked(document, None)
    _note_invalid(document.data, (), checked.mark)
    for attempt in range(_MOST_PASSES):
        try:
            checked.model = shape.model_validate(document.data, context=context)
            break
        except ValidationError as error:
            findings = error.errors(include_url=False)
            for finding in findings:
                loc = finding["loc"]
                is_key = _is_of_key(finding)
                path = loc[:-1] if is_key else loc
                reported = finding.get("input") is INVALID or _is_misspelt(finding, findings)
                if attempt == 0 and not reported:
                    _report(document, shape, path, finding)
                checked.mark(path)
                remove = is_key or finding["type"] == "extra_forbidden"
                document.data = _put_right(document.data, path, None if remove else finding["type"])
    return checked


def _is_misspelt(finding: Any, findings: Iterable[Any]) -> bool:
    """Return whether a key is missing because it is misspelt, which is reported at the misspelt one."""
    *group, key = finding["loc"] or ("",)
    return finding["type"] == "missing" and any(
        other["type"] == "extra_forbidden"
        and [*other["loc"][:-1]] == group
        and nearest(str(other["loc"][-1]), [str(key)]) is not None
        for other in findings
    )


def _note_invalid(value: Any, path: KeyPath, mark: Callable[[KeyPath], None]) -> None:
    if value is INVALID:
        mark(path)
    elif isinstance(value, dict):
        for key, inner in value.items():
            _note_invalid(inner, (*path, key), mark)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            _note_invalid(inner, (*path, index), mark)


def _is_of_key(finding: Any) -> bool:
    return bool(finding["loc"]) and finding["loc"][-1] == _KEY_MARK


def _put_right(data: Any, path: KeyPath, kind: str | None) -> Any:
    """Return `data` with the value at `path` made readable, or removed when `kind` is None."""
    replacement: Any = INVALID
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


def _report(document: Document, shape: type[Entry], path: KeyPath, finding: Any) -> None:
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
            f"{quote(key)} is not a key of a {here.model_config['title']}",
            partial(suggest, key, keys_of(here)),
        )
    elif kind == "list_type":
        what = f"'{key}' must be a list, not {quote(finding['input'])}"
        remedy = "write each entry on its own line, beginning with '- '"
    elif kind in _GROUP_WANTED:
        what, remedy = _describe_group(shape, path, key, finding["input"])
    else:
        what, remedy = f"'{key}' cannot be used as it is written", "compare with configs/README.md"
    document.report(document.line(path), what, remedy)


def _describe_group(shape: type[Entry], path: KeyPath, key: str, value: Any) -> tuple[str, str]:
    inner = shape_at(shape, path)
    keys = f" with keys such as {one_of(keys_of(inner)[:4])}" if inner is not None else ""
    place = (
        f"an entry of '{key}'" if path and isinstance(path[-1], int) else f"'{key}'" if key else "the file"
    )
    what = f"{place} must be a group of 'key: value' lines, not {quote(value)}"
    return what, f"write 'key: value' lines{keys}"


def keys_of(shape: type[Entry]) -> list[str]:
    """Return the keys of a shape as they are written in a file."""
    return [info.alias or name for name, info in shape.model_fields.items()]


def shape_at(shape: type[Entry], path: KeyPath) -> type[Entry] | None:
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


def review_twice(checked: Checked[Any], first: dict[str, int], path: KeyPath, name: str, kind: str) -> None:
    """Report a name that a list has already."""
    line = checked.document.line(path)
    if name in first:
        checked.report(
            path,
            f"{kind} {quote(name)} is already in line {first[name]}",
            f"give each {kind} of a list a 'name' of its own",
        )
    first.setdefault(name, line)
