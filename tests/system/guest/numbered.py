"""Tracebacks that pytest can show, whatever instruction an exception was raised at.

A test's time limit is an exception raised by a signal, at any instruction. Some have no line (Python's data
model, codeobject.co_positions): the jump back from an `if` that does not hold to the head of its loop, for
one. pytest counts on there being a line: a TypeError while it reports ends it, and the whole run with it.
Such an entry gets the first line of its function here.
"""

from __future__ import annotations

from types import TracebackType
from typing import Any

import pytest


def number_lines(call: pytest.CallInfo[Any]) -> None:
    """Give every entry of the traceback that a part of a test ended with a line."""
    if call.excinfo is not None:
        error = call.excinfo.value
        _number_all(error)
        call.excinfo = pytest.ExceptionInfo.from_exception(error)


def _number_all(error: BaseException) -> None:
    """Do so for an exception, those that led to it, and those that it groups."""
    seen: set[int] = set()
    chain: list[BaseException | None] = [error]
    while chain:
        link = chain.pop()
        if link is None or id(link) in seen:
            continue
        seen.add(id(link))
        link.__traceback__ = _numbered(link.__traceback__)
        chain += [link.__cause__, link.__context__]
        if isinstance(link, BaseExceptionGroup):
            chain += link.exceptions


def _numbered(traceback: TracebackType | None) -> TracebackType | None:
    entries = []
    while traceback is not None:
        entries.append(traceback)
        traceback = traceback.tb_next
    numbered: TracebackType | None = None
    for entry in reversed(entries):
        line: int | None = entry.tb_lineno
        if line is None:
            line = entry.tb_frame.f_code.co_firstlineno
        numbered = TracebackType(numbered, entry.tb_frame, entry.tb_lasti, line)
    return numbered
