"""`routerd monitor`: what comes in and goes out just now, and why a message went nowhere."""

from __future__ import annotations

import itertools
import json
import urllib.parse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from routerd.cli.client import Client, ServiceError
from routerd.core.units import NS_PER_S
from routerd.printing import complain, say, say_lines


@dataclass(frozen=True, slots=True)
class Choice:
    """Which messages are wanted; what is empty wants all."""

    devices: tuple[str, ...] = ()
    kinds: str = ""
    channel: str = ""

    @property
    def path(self) -> str:
        """The path of the API that has them."""
        query = {"device": ",".join(self.devices), "kind": self.kinds, "channel": self.channel}
        return "/v1/monitor?" + urllib.parse.urlencode({key: value for key, value in query.items() if value})

    @property
    def words(self) -> str:
        """What is listened to, for people."""
        of = ", ".join(self.devices) or "every device"
        kinds = self.kinds.replace(",", ", ") or "all but clock and Active Sensing (--kind clock,other)"
        channel = f", channel {self.channel}" if self.channel else ""
        return f"listening to {of}{channel}: {kinds}; Ctrl-C ends it"


def print_messages(client: Client, choice: Choice, *, as_json: bool) -> int:
    """Print messages as they come, until Ctrl-C; return 0, or 2: the service does not answer, or refuses."""
    try:
        lines = iter(client.lines(choice.path))
        first = next(lines, "")
        complain(choice.words)  # not among the messages, which a program may read
        for kind, body in events_of(itertools.chain([first], lines)):
            if as_json:
                say_lines(json.dumps({"kind": kind, **body}))
                continue
            for line in lines_of(kind, body):
                say(line)
    except KeyboardInterrupt:
        return 0
    except ServiceError as error:
        complain(f"routerd: {error}")
        return 2
    complain("routerd: the service has ended")
    return 2


def events_of(lines: Iterable[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield kind and body of server-sent events (HTML standard, section 9.2), as the API writes them."""
    kind = ""
    for line in lines:
        if line.startswith("event: "):
            kind = line.removeprefix("event: ")
        elif line.startswith("data: "):
            yield kind, json.loads(line.removeprefix("data: "))


def lines_of(kind: str, body: dict[str, Any]) -> Iterator[str]:
    """Yield an event of the monitor as lines for people; time is the system's monotonic clock, in s."""
    if kind == "dropped":
        yield f"... {body['messages']} messages more than could be shown"
        return
    head = f"{body['at_ns'] / NS_PER_S:12.3f}  {body['direction']:<3}  {body['device']:<16}"
    yield f"{head}  {body['bytes']:<8}  {body['words']}"
    if body["direction"] == "out":
        return
    indent = " " * 21
    if body["loop"]:
        yield f"{indent}this input hears a loop; what comes back over it is held back"
    for words in body["controls"]:
        yield f"{indent}a control: {words}"
    for fate in body["fates"]:
        words = fate["why_not"] or "; ".join(one["words"] for one in fate["sent"])
        sign = "no " if fate["why_not"] else "-> "
        yield f"{indent}{sign}{fate['route']} (to {fate['target']}): {words}"
    if not body["controls"] and not body["fates"]:
        yield f"{indent}no route leads from {body['device']} here"
