"""What every command prints, and the one function that makes control characters visible.

File names, port names and what a service answers come from outside: a line feed in one must not forge a line,
an escape sequence must not reach the terminal. All commands print by way of this module.

Both processes of a service write their lines by a thread of their own, a LogWriter: a held terminal or a full
pipe must hold up nobody. What does not fit into the queue meanwhile is dropped, counted and reported. When
nobody reads any more (a closed pipe, a full disk) lines are lost, and that is all. LogForm says what a line
looks like, in both processes and for what their libraries say.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import queue
import sys
import threading
import traceback
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Protocol, TextIO


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


def length_words(seconds: float) -> str:
    """Return a length of time as minutes and seconds, with hours where there are any: 4:10, 1:02:30."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def clock_words(seconds: float) -> str:
    """Return a moment of a show, from its start, as h:mm:ss."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


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


QUEUE_LINES = 1000
STANDARD_ERROR = 2


class Stream(Protocol):
    """What lines are written to."""

    def write(self, text: str, /) -> object:
        """Write text; may raise OSError or ValueError."""

    def flush(self) -> None:
        """Have it leave this process."""


class Descriptor:
    """Standard error as a stream. It has no lock that the interpreter would wait for when it ends."""

    def write(self, text: str) -> None:
        """Write all of it, however long that takes; raises OSError."""
        data = text.encode("utf-8", "backslashreplace")
        while data:
            data = data[os.write(STANDARD_ERROR, data) :]

    def flush(self) -> None:
        """Do nothing: nothing is kept."""


PRIORITIES = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
"""Levels of the log as numbers of syslog(3)."""


class LogForm:
    """What a line of the log looks like: text for a person on a terminal, else one JSON object.

    Where the journal reads them, sd-daemon(3)'s prefix with the priority stands before it.
    """

    def __init__(self, component: str, number: int = STANDARD_ERROR) -> None:
        """`component` is "engine" or "server"; `number` is the descriptor that lines go to."""
        self.component = component
        self.on_terminal = _is_terminal(number)
        self._journal = not self.on_terminal and reads_journal(number, os.environ)

    def line(
        self,
        text: str,
        level: str,
        fields: Mapping[str, Any] | None = None,
        error: BaseException | None = None,
    ) -> str:
        """Return what is said as a line; on a terminal the traceback of an `error` stands below it."""
        fields = {} if fields is None else {key: _visible_value(value) for key, value in fields.items()}
        trace = ""
        if error is not None:
            trace = visible_lines("".join(traceback.format_exception(error)).rstrip("\n"))
        now = datetime.now(UTC)
        if self.on_terminal:
            more = "".join(f" {key}={value!r}" for key, value in fields.items())
            return visible(f"{now.astimezone():%H:%M:%S} routerd: {text}{more}") + (trace and f"\n{trace}")
        if trace:
            fields["exception"] = trace
        stamp = now.isoformat(timespec="microseconds").replace("+00:00", "Z")
        said = {"event": visible(text), **fields, "level": level, "timestamp": stamp}
        line = visible_json(
            json.dumps({"component": self.component, **said}, ensure_ascii=False, default=str)
        )
        return f"<{PRIORITIES.get(level, 6)}>{line}" if self._journal else line

    def stray(self, line: str) -> str:
        """Return a line that the interpreter or a library has put onto standard error."""
        return visible(line) if self.on_terminal else self.line(visible(line), "error")


def _visible_value(value: Any) -> Any:
    """Return a field of a line with what is text in it as `visible` returns it."""
    if isinstance(value, str):
        return visible(str.__str__(value))  # of an enumeration its value
    if isinstance(value, list | tuple):
        return [_visible_value(one) for one in value]
    if isinstance(value, dict):
        return {visible(str(key)): _visible_value(one) for key, one in value.items()}
    return value


def _is_terminal(number: int) -> bool:
    try:
        return os.isatty(number)
    except OSError:
        return False


def reads_journal(number: int, environ: Mapping[str, str]) -> bool:
    """Return whether a descriptor leads to systemd's journal: $JOURNAL_STREAM, see systemd.exec(5)."""
    try:
        found = os.fstat(number)
    except OSError:
        return False
    return environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


class LogWriter:
    """Writes lines to a stream. `prepare` is called first on the thread that does it."""

    def __init__(
        self, stream: Stream, form: LogForm | None = None, prepare: Callable[[], object] = lambda: None
    ) -> None:
        self._stream = stream
        self._form = form
        self._prepare = prepare
        self._lines: queue.Queue[str | None] = queue.Queue(QUEUE_LINES)
        self._dropped = 0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def msg(self, line: str) -> None:
        """Write one line, some time soon."""
        try:
            if self._dropped:
                words = f"({self._dropped} log lines were dropped here)"
                self._lines.put_nowait(words if self._form is None else self._form.line(words, "warning"))
                self._dropped = 0
            self._lines.put_nowait(line)
        except queue.Full:
            self._dropped += 1

    def close(self, patience_s: float = 0.2) -> None:
        """Write what waits, but do not wait long for it."""
        try:
            self._lines.put_nowait(None)
        except queue.Full:
            return
        self._thread.join(patience_s)

    def _run(self) -> None:
        self._prepare()
        while (line := self._lines.get()) is not None:
            try:
                self._stream.write(line.encode("utf-8", "backslashreplace").decode() + "\n")
                self._stream.flush()
            except (OSError, ValueError):  # nobody reads any more; the show goes on
                continue


class Log:
    """The log of a process: lines are written at once until `begin`, then by a thread."""

    def __init__(self, component: str) -> None:
        self.form = LogForm(component)
        self.writer: LogWriter | None = None

    def begin(self, prepare: Callable[[], object] = lambda: None, stream: Stream | None = None) -> LogWriter:
        """Have a thread write from now on; `prepare` is called first on it."""
        self.writer = LogWriter(stream or Descriptor(), self.form, prepare)
        return self.writer

    def say(
        self, text: str, level: str = "warning", error: BaseException | None = None, /, **fields: Any
    ) -> None:
        """Write a line, with the traceback of an `error`; fields may have these names as well."""
        line = self.form.line(text, level, fields, error)
        if self.writer is not None:
            self.writer.msg(line)
            return
        with contextlib.suppress(OSError):
            Descriptor().write(line + "\n")


class LineStream(io.TextIOBase):
    """Stands in for standard error: what the interpreter and its library say there takes the same way."""

    def __init__(self, writer: LogWriter, form: LogForm) -> None:
        super().__init__()
        self._writer = writer
        self._form = form
        self._begun = ""

    def writable(self) -> bool:
        """Say yes."""
        return True

    def write(self, text: str) -> int:
        """Take text; whole lines are written soon."""
        *lines, self._begun = (self._begun + text).split("\n")
        for line in lines:
            self._writer.msg(self._form.stray(line))
        return len(text)
