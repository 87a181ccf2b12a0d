"""The log: JSON lines for machines, and never in the way."""

from __future__ import annotations

import io
import json
import logging
import threading
from collections.abc import Iterator

import pytest
from server_service import log_lines

from routerd.core.model import events
from routerd.printing import QUEUE_LINES, LogWriter
from routerd.server.log import LOG, PORT_LINES, EventLog, log_event, set_up_log
from tests.stage import port_closed, port_opened


@pytest.fixture(autouse=True)
def _restored(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name in ("form", "writer"):
        monkeypatch.setattr(LOG, name, getattr(LOG, name))
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    root.handlers[:], root.level = handlers, level


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_where_there_is_no_terminal_the_log_is_json_lines() -> None:
    stream = io.StringIO()
    writer = set_up_log(stream)
    log_event(events.TicksMissed(1, 3, 5, 7))
    log_event(events.SensingLost(1, "keys"))
    LOG.say("a name", "info", name="Größe \udcff")
    logging.getLogger("library").warning("something odd")
    writer.close()
    # by what they say: what an earlier test has left behind may log its end just now
    lines = {line["event"]: line for line in map(json.loads, stream.getvalue().splitlines())}
    missed = lines["ticks were given up: the machine stood still"]
    assert (missed["level"], missed["count"]) == ("error", 3)
    assert missed["timestamp"].endswith("Z")
    (silent,) = [line for line in lines.values() if line.get("device") == "keys"]
    assert silent["level"] == "warning"
    assert lines["a name"]["name"].startswith("Größe ")
    odd = lines["something odd"]
    assert (odd["by"], odd["level"]) == ("library", "warning")


def test_fields_of_events_may_have_any_name() -> None:
    """Those of a line have names as well: text, level and error."""
    stream = io.StringIO()
    writer = set_up_log(stream)
    log_event(events.Checklist(1, "low-tide", 1, "Tune the left case", True))
    log_event(events.PortState(1, "keys", "input", "Keys*", None, "failed", "it is in use"))
    writer.close()
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [line["text"] for line in lines if "song" in line] == ["Tune the left case"]
    assert [line["error"] for line in lines if "device" in line] == ["it is in use"]


def test_readable_on_a_terminal() -> None:
    stream = Terminal()
    writer = set_up_log(stream)
    log_event(events.Song(1, "low-tide", "Low Tide", None, "4/4", 2))
    try:
        raise ValueError("odd")
    except ValueError as error:
        LOG.say("failed", "error", error)
    writer.close()
    (line,) = [line for line in stream.getvalue().splitlines() if "title='Low Tide'" in line]
    assert "song" in line
    assert "\x1b" not in stream.getvalue()
    assert "ValueError: odd" in stream.getvalue().partition(line)[2]


class Stuck(io.StringIO):
    """A stream that takes nothing until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.go = threading.Event()

    def write(self, text: str) -> int:
        self.go.wait(10)
        return super().write(text)


def test_a_stream_that_is_stuck_holds_nobody_up_and_losses_are_told() -> None:
    stream = Stuck()
    writer = LogWriter(stream)
    for number in range(QUEUE_LINES + 100):
        writer.msg(f"line {number}")
    stream.go.set()
    written_enough = threading.Event()
    for _ in range(1500):
        if stream.getvalue().count("\n") >= QUEUE_LINES:
            break
        written_enough.wait(0.02)
    writer.msg("after")
    writer.close(5)
    lines = stream.getvalue().splitlines()
    assert lines[0] == "line 0"
    assert lines[-1] == "after"
    assert lines[-2].endswith("log lines were dropped here)")


def test_a_stream_that_is_closed_is_no_reason_to_fail() -> None:
    stream = io.StringIO()
    stream.close()
    writer = LogWriter(stream)
    writer.msg("into nothing")
    writer.close()


def test_a_port_that_opens_and_closes_all_the_time_does_not_fill_the_log() -> None:
    log = EventLog()
    with log_lines() as said:
        for tenth in range(3000):  # five minutes
            for device in ("keys", "pads")[: 1 + (tenth == 0)]:
                at_ns = tenth * 10**8
                log.take(port_closed(at_ns, None, device) if tenth % 2 else port_opened(at_ns, None, device))
    assert sum(line["device"] == "pads" for line in said) == 1
    assert len(said) - 1 == 5 * PORT_LINES


def test_what_is_a_line_of_health_is_not_logged_twice() -> None:
    with log_lines() as said:
        EventLog().take(events.Flood(1, "keys"))
    assert said == []
