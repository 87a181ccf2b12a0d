"""From bytes to values with lines: reading a file, and YAML as strict as configs/README.md says.

A few lines more than most modules: the reader's limits, its messages and the tree that it builds are one
state.
"""

from __future__ import annotations

import errno
import re
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import yaml

from routerd import storage
from routerd.core.errors import UsageError
from routerd.server.rigfiles.problems import INVALID, Problem, Remedy, quote, unquoted

_REASONS = {
    errno.ENOENT: ("does not exist", "make it, or correct the name"),
    errno.EACCES: ("may not be read by this user", "give the user that runs routerd the right to read it"),
    errno.EPERM: ("may not be read by this user", "give the user that runs routerd the right to read it"),
    errno.ELOOP: ("is a link that leads back to itself", "replace the link by the file"),
    errno.ENOTDIR: ("lies in something that is not a folder", "correct the name"),
    errno.ENAMETOOLONG: ("has a name that is too long", "give it a shorter name"),
}


class UnreadableFileError(UsageError):
    """A file or folder cannot be read: what is wrong, and what would be right."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what = what
        self.remedy = remedy


def read_file(path: Path, most_bytes: int, folder: Path) -> bytes:
    """Return the content of a regular file in the rig folder, at most one byte more than `most_bytes`.

    A link in the folder that leads out of it is not followed. Raises UnreadableFileError.
    """
    try:
        with storage.open_regular(path, inside=folder) as file:
            return file.read(most_bytes + 1)
    except storage.NotRegularError as error:
        raise UnreadableFileError(
            "is a folder or something else that is not a file", "put a file there, or remove it"
        ) from error
    except storage.OutsideError as error:
        raise UnreadableFileError("is outside the rig folder", "copy it into the rig folder") from error
    except (OSError, ValueError) as error:
        raise _explain(error) from error


def list_folder(path: Path) -> list[str]:
    """Return the names in a folder, sorted, without hidden ones; raises UnreadableFileError."""
    try:
        return sorted(entry.name for entry in path.iterdir() if not entry.name.startswith("."))
    except (OSError, ValueError) as error:
        raise _explain(error) from error


def _explain(error: OSError | ValueError) -> UnreadableFileError:
    number = error.errno if isinstance(error, OSError) else None
    what, remedy = _REASONS.get(number or 0, ("cannot be read", "check the disk and the name"))
    return UnreadableFileError(what, remedy)


KeyPath = tuple[str | int, ...]

LARGEST_FILE_BYTES = 1_000_000
DEEPEST = 24
MOST_VALUES = 50_000
MOST_PROBLEMS = 100

EVENT_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]{0,17})(?:\.[0-9]{0,30})?(?:[eE][+-]?[0-9]{1,2})?\Z")


class PlainNumber(str):
    """A number that was written with a point or an exponent, and without quotes; it is text where text is
    wanted, so that a title such as 2.0 stays what it is."""

    __slots__ = ()

    @property
    def number(self) -> int | str:
        """Return it as a whole number if it is one, else as a decimal without exponent: 8.7e1 is 87."""
        value = Decimal(self)
        return int(value) if value == value.to_integral_value() else f"{value.normalize():f}"


_WHOLE_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]{0,17})\Z")

_UNPRINTABLE = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)

_ACCEPTED = re.compile(r"(?:^|\s)#\s*accepted: *([a-z-]+(?: *, *[a-z-]+)*)")
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_TOO_MANY = "mapping values are not allowed"
_IN_BRACKETS = ("expected ',' or ']'", "expected ',' or '}'")


# What libyaml and PyYAML's own parser say, and what a person can do about it. First match wins.
_SYNTAX = (
    ((_TOO_MANY,), "there is a ':' too many, or the line is indented too far",
     "put text that has ': ' in it in quotes, and line keys up with their neighbours"),
    (("could not find expected ':'",), "a key has no ':' after it",
     "write 'key: value', with a space after the ':'"),
    (("sequence entries are not allowed",), "a list begins on the line of its key",
     "begin each entry on a line of its own with '- ', or write the list in brackets"),
    (("unexpected end of stream", "unexpected document separator"),
     "a quote is opened and never closed", "close it with the same kind of quote"),
    ((*_IN_BRACKETS, "flow node"),
     "a bracket is opened and not closed in time",
     "close it, and put commas between the items"),
    (("node content",), "a closing bracket has no opening one", "remove it, or put the value in quotes"),
    (("nesting depth",), f"values are nested more than {DEEPEST} deep", "compare with the example files"),
    (("cannot start any token",), "the value starts with a character that YAML keeps for itself",
     "put the value in quotes"),
    (("unknown escape character", "hexadecimal", "escape code"),
     "there is a backslash that means nothing inside double quotes",
     "use single quotes, or write two backslashes"),
    (("alphabetic or numeric",), "a value starts with '*' or '&'", "put it in quotes"),
    (("a tag",), "a value starts with '!'", "put it in quotes"),
    (("block scalar",), "there is something after the '|' or '>' that starts a longer text",
     "begin the text on the next line, indented"),
    (("expected key", "expected '-' indicator", "block end"), "the line does not fit the lines above it",
     "line keys up with their neighbours and begin each list entry with '- '"),
)  # fmt: skip


# For these the mistake is where the thing began, not where the parser noticed.
_TOLD_WHERE_IT_BEGAN = ("quoted scalar", "simple key", "flow sequence", "flow mapping", "flow node")


@dataclass(slots=True)
class Document:
    """One file as plain values, the lines of its keys and items, and what was wrong with it so far."""

    file: str
    data: Any = INVALID
    lines: dict[KeyPath, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    accepted: dict[int, tuple[str, ...]] = field(default_factory=dict)
    """By line: the words of a comment that accepts warnings, see routerd.server.offline.check."""

    def line(self, path: KeyPath) -> int:
        """Return the line of the key or item at `path`, or of the nearest thing around it."""
        for length in range(len(path), -1, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return 1

    def report(self, line: int, what: str, remedy: Remedy) -> None:
        """Add a problem; after a hundred in one file the rest is only hinted at."""
        count = len(self.problems)
        if count < MOST_PROBLEMS:
            self.problems.append(
                Problem(self.file, line, what, remedy if isinstance(remedy, str) else remedy())
            )
        elif count == MOST_PROBLEMS:
            last = max(problem.line for problem in self.problems)
            self.problems.append(
                Problem(self.file, last, f"there are more than {MOST_PROBLEMS} mistakes", "fix these first")
            )


def read_document(file: str, raw: bytes) -> Document:
    """Return `raw` as a document; whatever is wrong with it stands in its problems."""
    document = Document(file)
    text = _decode(document, raw)
    if text is None:
        return document
    _note_accepted(document, text)
    loader = EVENT_LOADER(text)
    try:
        document.data = _Builder(document, loader).whole()
    except _GiveUpError:
        pass
    except yaml.MarkedYAMLError as error:
        _report_syntax(document, error, text)
    except yaml.YAMLError:
        document.report(1, "this is not YAML", "write it with a plain text editor, as 'key: value' lines")
    finally:
        loader.dispose()
    return document


def _note_accepted(document: Document, text: str) -> None:
    for number, row in enumerate(text.splitlines(), 1) if "accepted:" in text else ():
        comment = _ACCEPTED.search(row)
        if comment is not None:
            document.accepted[number] = tuple(comment[1].replace(" ", "").split(","))


class _GiveUpError(Exception):
    """The rest of the file cannot be read; the reason has been reported."""


def _decode(document: Document, raw: bytes) -> str | None:
    if len(raw) > LARGEST_FILE_BYTES:
        document.report(1, "the file is larger than 1 MB", "keep text here, and patch dumps in .syx files")
        return None
    if raw.startswith(_UTF16_MARKS):
        document.report(1, "the file is UTF-16 text", "save it as UTF-8")
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.object[: error.start]
        binary = b"\0" in raw
        document.report(
            1 + start.count(b"\n"),
            "this is not a text file" if binary else "there is a character that is not UTF-8",
            "put a YAML text file here" if binary else "save the file as UTF-8",
        )
        return None
    odd = _UNPRINTABLE.search(text)
    if odd is not None:
        line = 1 + text.count("\n", 0, odd.start())
        document.report(line, f"there is an invisible character (U+{ord(odd[0]):04X})", "remove it")
        return None
    return text


def _report_syntax(document: Document, error: yaml.MarkedYAMLError, text: str) -> None:
    mark = error.problem_mark or error.context_mark
    line = 1 if mark is None else mark.line + 1
    said = f"{error.context or ''} {error.problem or ''}"
    rows = text.rstrip().splitlines() or [""]
    row = rows[min(line, len(rows)) - 1]
    if "\t" in row[: len(row) - len(row.lstrip())]:
        document.report(line, "the line is indented with a tab", "indent with spaces, two for each step")
        return
    if mark is not None and any(part in said for part in (*_IN_BRACKETS, _TOO_MANY)):
        found = _around_colon(row, mark.column, in_brackets=_TOO_MANY not in said)
        if found:
            document.report(line, *unquoted(found))
            return
    for marks, what, remedy in _SYNTAX:
        if any(part in said for part in marks):
            if error.context_mark is not None and any(part in said for part in _TOLD_WHERE_IT_BEGAN):
                line = error.context_mark.line + 1
            document.report(min(line, len(rows)), what, remedy)
            return
    document.report(min(line, len(rows)), "this is not YAML from here on", "compare with the example files")


def _around_colon(row: str, column: int, *, in_brackets: bool) -> str:
    """Return the text that has a ':' at that column: from the key before it to the end of the line, or in
    brackets to the next comma; "" where there is no such text."""
    if row[column : column + 1] != ":":
        return ""
    if not in_brackets:
        return row[:column].partition(": ")[2] and row.partition(": ")[2].strip()
    starts = [row.rfind(sign, 0, column) + len(sign) for sign in (": ", "[") if sign in row[:column]]
    ends = [row.find(sign, column) for sign in (",", "}", "]") if sign in row[column:]]
    return row[max(starts) : min(ends, default=len(row))].rpartition(", ")[2].strip() if starts else ""


class _Builder:
    """Puts events together into values, noting the line of every key and item."""

    def __init__(self, document: Document, loader: Any) -> None:
        self._document = document
        self._next = loader.get_event
        self._values = 0

    def whole(self) -> Any:
        self._next()  # the stream starts
        event = self._next()
        if isinstance(event, yaml.StreamEndEvent):
            self._document.report(1, "the file is empty", "write it, or remove it")
            return INVALID
        data = self._value(self._next(), ())
        if data is None:
            self._document.report(1, "the file has no content", "write it, or remove it")
            data = INVALID
        self._next()  # the document ends
        event = self._next()
        if not isinstance(event, yaml.StreamEndEvent):
            self._document.report(
                event.start_mark.line + 1, "a second document starts here", "remove the '---' line"
            )
        return data

    def _value(self, event: Any, path: KeyPath) -> Any:
        line = event.start_mark.line + 1
        self._document.lines.setdefault(path, line)
        self._values += 1
        if self._values > MOST_VALUES:
            self._give_up(line, f"there are more than {MOST_VALUES} values in the file", "split the file")
        if len(path) > DEEPEST:
            self._give_up(line, f"values are nested more than {DEEPEST} deep", "compare with the examples")
        if isinstance(event, yaml.AliasEvent):
            self._document.report(line, f"'*{event.anchor}' is an alias", "write the value out here")
            return INVALID
        if isinstance(event, yaml.ScalarEvent):
            value: Any = _scalar(event)
        elif isinstance(event, yaml.SequenceStartEvent):
            value = self._list(path)
        else:
            value = self._mapping(path)
        if event.anchor is not None:
            self._document.report(line, f"'&{event.anchor}' is an anchor", "remove it")
        if event.tag is not None:
            self._document.report(
                line, f"{quote(event.tag.replace('tag:yaml.org,2002:', '!!'))} is a tag", "remove it"
            )
            return INVALID
        return value

    def _list(self, path: KeyPath) -> list[Any]:
        items: list[Any] = []
        while not isinstance(event := self._next(), yaml.SequenceEndEvent):
            here = (*path, len(items))
            item = self._value(event, here)
            if item is None:
                self._document.report(
                    self._document.line(here), "a list entry is empty", "write it, or remove its '-'"
                )
                item = INVALID
            items.append(item)
        return items

    def _mapping(self, path: KeyPath) -> dict[str, Any]:
        pairs: dict[str, Any] = {}
        while not isinstance(event := self._next(), yaml.MappingEndEvent):
            line = event.start_mark.line + 1
            if not isinstance(event, yaml.ScalarEvent):
                self._give_up(line, "a key must be one word or text", "write 'key: value'")
            key = event.value
            here = (*path, key)
            again = key in pairs
            if again:
                first = self._document.lines[here]
                self._document.report(
                    line, f"{quote(key)} is written twice (first in line {first})", "keep one of the two"
                )
                self._value(self._next(), (*path, key, "again"))
                continue
            self._document.lines[here] = line
            value = self._value(self._next(), here)
            if value is None:
                self._document.report(
                    line, f"{quote(key)} has no value", "write one after the ':', or remove the line"
                )
                value = INVALID
            pairs[key] = value
        return pairs

    def _give_up(self, line: int, what: str, remedy: str) -> None:
        self._document.report(line, what, remedy)
        raise _GiveUpError


def _scalar(event: Any) -> str | int | bool | None:
    value: str = event.value
    if not event.implicit[0]:
        return value
    if value in {"", "~", "null"}:
        return None
    if value in {"true", "false"}:
        return value == "true"
    if _WHOLE_NUMBER.match(value):
        return int(value)
    return PlainNumber(value) if _NUMBER.match(value) else value
