"""What every command prints, and the one function that makes control characters visible.

File names, port names and what a service answers come from outside: a line feed in one must not forge a line,
an escape sequence must not reach the terminal. All commands print by way of this module.
"""

from __future__ import annotations

import json
import os
import sys
from typing import TextIO


def open_standard_streams() -> None:
    """Have something at descriptors 0 to 2, or the next thing opened would be taken for one of them."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:  # `routerd run rig 2>&-`
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)  # takes the lowest number that is free
    sys.stdout = sys.stdout or open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stderr = sys.stderr or open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115


def visible(text: str) -> str:
    r"""Return text on one line and without control characters: each is written as its escape, such as \x1b.

    So are characters that turn the direction of writing or cannot be seen, and bytes that are not UTF-8.
    """
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in text)


def visible_lines(text: str) -> str:
    """Return text of several lines, each as `visible` returns it."""
    return "\n".join(visible(line) for line in text.split("\n"))


def visible_json(text: str) -> str:
    """Return a JSON text of the same meaning, on one line, with such characters escaped as JSON does it."""
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else json.dumps(one)[1:-1] for one in text)


def counted(number: int, noun: str) -> str:
    """Return the number with its noun, in the plural where that is due."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def say(line: str = "") -> None:
    """Print one line."""
    _write(sys.stdout, f"{visible(line)}\n")


def complain(line: str) -> None:
    """Print one line on standard error."""
    _write(sys.stderr, f"{visible(line)}\n")


def say_lines(text: str) -> None:
    """Print text of several lines; only its line feeds are left as they are."""
    _write(sys.stdout, visible_lines(text.removesuffix("\n")) + "\n")


def say_document(document: str, form: str) -> None:
    """Print a document of the form "text", "json" or "html"; the latter two as they are but on a terminal."""
    if form == "text" or sys.stdout.isatty():
        say_lines(document)
    else:
        _write(sys.stdout, document if document.endswith("\n") else f"{document}\n")


def _write(stream: TextIO | None, text: str) -> None:
    """Write text, in the characters that the stream has; nothing at all without a stream."""
    if stream is None:
        return
    encoding = stream.encoding or "utf-8"
    stream.write(text.encode(encoding, "backslashreplace").decode(encoding))
    stream.flush()
