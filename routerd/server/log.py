"""The server's log: lines a person can read on a terminal, JSON lines otherwise, on standard error.

What a line looks like is routerd.printing's, so that both processes write alike.
"""

from __future__ import annotations

import logging
import os
import sys
from collections import deque
from typing import Any, TextIO

from routerd import __version__
from routerd.core.model import events
from routerd.core.units import NS_PER_S
from routerd.link.messages import Realtime
from routerd.printing import LineStream, Log, LogForm, LogWriter

LOG = Log("server")


class _Forward(logging.Handler):
    """Takes what libraries say by the standard library's logging into our log."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log one record, with its traceback if it has one."""
        level = _LEVEL_WORDS.get(record.levelno, "info")
        LOG.say(record.getMessage(), level, (record.exc_info or (None, None))[1], by=record.name)


_LEVEL_WORDS = {logging.WARNING: "warning", logging.ERROR: "error", logging.CRITICAL: "critical"}


def set_up_log(stream: TextIO | None = None) -> LogWriter:
    """Have a thread write the log, what libraries say in it; return the writer, to be closed at the end."""
    LOG.form = LogForm("server")
    if stream is not None:
        LOG.form.on_terminal = stream.isatty()
    writer = LOG.begin(stream=stream)
    logging.basicConfig(handlers=[_Forward()], level=logging.WARNING, force=True)
    if stream is None:
        sys.stderr = LineStream(writer, LOG.form)
        LOG.say("the server has started", "info", pid=os.getpid(), version=__version__)
    return writer


_SENTENCES: dict[type[events.Event], tuple[str, str]] = {
    events.Song: ("info", "song"),
    events.Section: ("info", "section"),
    events.Transport: ("info", "transport"),
    events.Tempo: ("info", "tempo"),
    events.Armed: ("info", "armed"),
    events.TransportIgnored: ("info", "what the clock source says of transport is ignored"),
    events.Disarmed: ("info", "what was armed is forgotten"),
    events.ArmedGone: ("warning", "what was armed before the restart is gone"),
    events.Resumed: ("warning", "the engine had died; another goes on where it was"),
    events.Panic: ("warning", "panic: all that sounded has been ended"),
    events.Refused: ("warning", "refused"),
    events.SetList: ("info", "set list changed"),
    events.EncoreGone: (
        "warning",
        "there is no encore any more, as its only song has left it; say where it begins",
    ),
    events.Loaded: ("info", "rig folder loaded"),
    events.ReloadFailed: ("error", "the rig folder is not taken; what was loaded before goes on"),
    events.PortOpened: ("info", "port opened"),
    events.PortClosed: ("warning", "port closed"),
    events.SensingLost: (
        "warning",
        "active sensing has stopped: the cable or the device is dead; its held notes were released",
    ),
    events.TicksMissed: ("error", "ticks were given up: the machine stood still"),
    events.Suspended: (
        "error",
        "the machine was suspended: devices heard nothing meanwhile, the grid goes on",
    ),
    events.RecordsDropped: ("warning", "tick records were dropped; the report shows how many"),
    events.Fault: ("error", "fault"),
    events.Learning: ("info", "learning from the next message"),
    events.Learnt: ("info", "learnt"),
    events.LearningEnded: ("info", "learning is over"),
    events.Soundcheck: ("info", "soundcheck"),
    events.SoundcheckEnded: ("info", "soundcheck is over"),
    events.ServerStarted: ("info", "API is up"),
}


_UNLOGGED = (
    events.Problem,
    events.ProblemEnded,
    events.Chattering,
    events.QuietAgain,
    events.Loop,
    events.LoopEnded,
    events.Flood,
    events.PortState,
    events.DeviceClock,
)
"""Lines of routerd.server.health, which are logged by `log_health`, and what belongs to one; what comes with
every start."""

PORT_LINES = 30
PORT_LINES_NS = 60 * NS_PER_S
"""A port that opens and closes all the time (a bad cable) gets so many lines within so long."""


class EventLog:
    """Writes the lines of events."""

    def __init__(self) -> None:
        self._ports: dict[tuple[str, str], deque[int]] = {}

    def take(self, event: events.AnyEvent) -> None:
        """Write the one line of an event, if it has one."""
        if isinstance(event, _UNLOGGED):
            return
        if isinstance(event, events.PortOpened | events.PortClosed):
            lines = self._ports.setdefault((event.device, event.direction), deque(maxlen=PORT_LINES))
            if len(lines) == PORT_LINES and event.at_ns - lines[0] < PORT_LINES_NS:
                return
            lines.append(event.at_ns)
        log_event(event)


_UNLOGGED_FIELDS = ("kind", "at_ns", "since_ns", "ending", "from_ns", "begins_ns", "rate_bpm")


def log_event(event: events.AnyEvent) -> None:
    """Write the line of an event."""
    level, words = _SENTENCES.get(type(event), ("info", event.kind))
    if isinstance(event, events.SoundcheckEnded) and event.ended == "interrupted":
        level, words = "warning", "a soundcheck was interrupted, as the server process ended"
    if isinstance(event, events.Panic) and event.ending:
        level, words = "info", "all that sounded has been ended, as the service ends"
    fields = {
        key: value
        for key, value in events.event_to_json(event).items()
        if key not in _UNLOGGED_FIELDS and value is not None
    }
    LOG.say(words, level, **fields)


def log_health(text: str, remedy: str, *, appeared: bool, restless: bool) -> None:
    """Write the line of a problem that has appeared or gone, see routerd.server.health."""
    fields: dict[str, Any] = {"remedy": remedy} if appeared and remedy else {}
    if restless:
        fields["note"] = "it comes and goes: reported again when it has stayed as it is for 10 s"
    if appeared:
        LOG.say(text, "warning", **fields)
    else:
        LOG.say(f"no longer: {text}", "info", **fields)


def log_realtime(realtime: Realtime) -> None:
    """Say plainly what of real-time treatment was not granted, and how to allow it."""
    if realtime.scheduling != "fifo":
        return  # a line of routerd.server.health
    if realtime.remedy:
        words = "real-time scheduling is permitted, but not everything that helps it"
        LOG.say(words, "warning", remedy=realtime.remedy)
    else:
        LOG.say("real-time scheduling is permitted", "info", priority=realtime.priority, memory_locked=True)
