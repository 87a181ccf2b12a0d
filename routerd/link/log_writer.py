"""Lines for people, written by a thread of their own: a held terminal or a full pipe must hold up nobody.

What does not fit into the queue meanwhile is dropped, counted and told. When nobody reads any more (a closed
pipe, a full disk) lines are lost, and that is all. Both processes write this way.
"""

from __future__ import annotations

import io
import os
import queue
import threading
from collections.abc import Callable
from typing import Protocol

from routerd.printing import visible

QUEUE_LINES = 1000
STANDARD_ERROR = 2


class Stream(Protocol):
    """What lines are written to."""

    def write(self, text: str, /) -> object:
        """Write text; may raise OSError or ValueError."""

    def flush(self) -> None:
        """Have it leave this process."""


class Descriptor:
    """A file descriptor as a stream. It has no lock that the interpreter would wait for when it ends."""

    def __init__(self, number: int = STANDARD_ERROR) -> None:
        self._number = number

    def write(self, text: str) -> None:
        """Write all of it, however long that takes; raises OSError."""
        data = text.encode("utf-8", "backslashreplace")
        while data:
            data = data[os.write(self._number, data) :]

    def flush(self) -> None:
        """Do nothing: nothing is kept."""


class LogWriter:
    """Writes lines to a stream. `prepare` is called first on the thread that does it."""

    def __init__(self, stream: Stream, prepare: Callable[[], object] = lambda: None) -> None:
        self._stream = stream
        self._prepare = prepare
        self._lines: queue.Queue[str | None] = queue.Queue(QUEUE_LINES)
        self._dropped = 0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def msg(self, line: str) -> None:
        """Write one line, some time soon."""
        try:
            if self._dropped:
                self._lines.put_nowait(f"({self._dropped} log lines were dropped here)")
                self._dropped = 0
            self._lines.put_nowait(line)
        except queue.Full:
            self._dropped += 1

    debug = info = warning = warn = error = critical = fatal = exception = failure = log = msg

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


class LineStream(io.TextIOBase):
    """Stands in for standard error: what the interpreter and its library say there takes the same way."""

    def __init__(self, writer: LogWriter) -> None:
        super().__init__()
        self._writer = writer
        self._begun = ""

    def writable(self) -> bool:
        """Say yes."""
        return True

    def write(self, text: str) -> int:
        """Take text; whole lines are written soon."""
        *lines, self._begun = (self._begun + text).split("\n")
        for line in lines:
            self._writer.msg(visible(line))
        return len(text)
