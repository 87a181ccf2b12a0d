"""The log: lines a person can read on a terminal, JSON lines otherwise, on standard error.

Lines are written by a thread of their own: a terminal that is held or a full pipe must not hold up
the API. What does not fit into the queue meanwhile is dropped, counted and told.
"""

from __future__ import annotations

import logging
import os
import queue
import sys
import threading
from typing import Any, TextIO

import structlog

QUEUE_LINES = 1000


class LogWriter:
    """Writes lines to a stream from a thread of its own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
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
        while (line := self._lines.get()) is not None:
            try:
                self._stream.write(line.encode("utf-8", "backslashreplace").decode() + "\n")
                self._stream.flush()
            except (OSError, ValueError):  # nobody reads any more; the show goes on
                continue


class _Forward(logging.Handler):
    """Takes what libraries say by the standard library's logging into our log."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log one record, with its traceback if it has one."""
        structlog.get_logger().log(
            max(record.levelno, logging.INFO), record.getMessage(), by=record.name, exc_info=record.exc_info
        )


def set_up_log(stream: TextIO | None = None) -> LogWriter:
    """Configure structlog; return the writer, to be closed at the end."""
    stream = sys.stderr if stream is None else stream
    on_terminal = stream.isatty()
    writer = LogWriter(stream)
    last: list[Any]
    if on_terminal:
        colours = "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
        last = [structlog.dev.ConsoleRenderer(colors=colours)]
    else:
        last = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer(ensure_ascii=False)]
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(
                fmt="%H:%M:%S.%f" if on_terminal else "iso", utc=not on_terminal
            ),
            *last,
        ],
        logger_factory=lambda *_: writer,
        cache_logger_on_first_use=False,
    )
    logging.basicConfig(handlers=[_Forward()], level=logging.WARNING, force=True)
    return writer


_SENTENCES = {
    "song": ("info", "song"),
    "section": ("info", "section"),
    "transport": ("info", "transport"),
    "tempo": ("info", "tempo"),
    "armed": ("info", "armed"),
    "armed-gone": ("warning", "what was armed before the restart is gone"),
    "panic": ("warning", "panic: everything silenced"),
    "refused": ("warning", "refused"),
    "set-list": ("info", "running order changed"),
    "loaded": ("info", "rig folder loaded"),
    "port-opened": ("info", "port opened"),
    "port-closed": ("warning", "port closed"),
    "port-missing": ("warning", "port is not open; it is opened as soon as it can be"),
    "ticks-missed": ("error", "ticks were given up: the machine stood still"),
    "records-dropped": ("warning", "tick records were dropped; the report says so"),
    "fault": ("error", "fault"),
    "soundcheck": ("info", "soundcheck"),
    "soundcheck-ended": ("info", "soundcheck is over"),
    "desk-started": ("info", "API is up"),
}


def log_event(event: dict[str, Any]) -> None:
    """Write the one line of an event."""
    level, words = _SENTENCES.get(event["kind"], ("info", event["kind"]))
    fields = {key: value for key, value in event.items() if key not in ("kind", "at_ns", "event")}
    getattr(structlog.get_logger(), level)(words, **fields)


def log_realtime(realtime: dict[str, Any]) -> None:
    """Say plainly what of real-time treatment was not granted, and how to allow it."""
    log = structlog.get_logger()
    if realtime["scheduling"] != "fifo":
        log.warning(
            "real-time scheduling is not permitted: ticks will be late whenever the machine is busy",
            remedy=realtime["remedy"],
        )
    elif realtime["remedy"]:
        log.warning(
            "real-time scheduling is permitted, but not everything that helps it", remedy=realtime["remedy"]
        )
    else:
        log.info("real-time scheduling is permitted", priority=realtime["priority"], memory_locked=True)
