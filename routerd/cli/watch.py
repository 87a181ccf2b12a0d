"""What a running show looks like on a terminal: `routerd status` on one screen, `routerd monitor` as it goes.

The status comes from `GET /v1/status`, problems first; `--watch` keeps it live. The monitor's messages come
from `GET /v1/monitor`. Nothing here knows the show. Colour is only ever added to words.
"""

from __future__ import annotations

import itertools
import json
import time
import urllib.parse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from routerd.cli.client import Client, ServiceError
from routerd.core.model.codec import JsonObject
from routerd.core.units import NS_PER_S
from routerd.printing import complain, length_words, say, say_lines, visible

WATCH_S = 0.25
"""How often `--watch` asks. Bars and beats are those of the moment when it was asked."""


AWAY_S = 15.0
"""So long the server may be away while the monitor runs."""


def print_status(client: Client, *, as_json: bool, watch: bool) -> int:
    """Print the status; return 0: all is well, 1: it names problems, 2: no service answers."""
    try:
        text = client.ask("GET", "/v1/status")
        status = json.loads(text)
        if as_json:
            say_lines(text)
            return 1 if status["problems"] else 0
        console = Console(highlight=False, soft_wrap=True)
        if watch and console.is_terminal:
            return _watch(client, console, status)
        console.print(screen(status))
        return 1 if status["problems"] else 0
    except ServiceError as error:
        complain(f"routerd: {error}")
        return 2


def _watch(client: Client, console: Console, status: JsonObject) -> int:
    """Show the status until Ctrl-C; when the service does not answer, that is shown instead."""
    with Live(screen(status), console=console, screen=True, auto_refresh=False) as live:
        try:
            while True:
                try:
                    status = json.loads(client.ask("GET", "/v1/status"))
                    live.update(screen(status), refresh=True)
                except ServiceError as error:
                    live.update(Text(f"! {visible(str(error))}", style="bold red"), refresh=True)
                time.sleep(WATCH_S)
        except KeyboardInterrupt:
            return 1 if status["problems"] else 0


def screen(status: JsonObject) -> Group:
    """Return the screen of a status, as /v1/status has it."""
    return Group(*_lines(status))


def _lines(status: JsonObject) -> Iterator[Text]:
    for words in status["problems"]:
        yield Text(f"! {visible(words)}", style="bold red")
    yield from _place_lines(status)
    yield from _time_lines(status)
    yield from _waiting_lines(status)
    yield from _by_hand_lines(status)
    yield from _port_lines(status["ports"])


def _place_lines(status: JsonObject) -> Iterator[Text]:
    song, in_set, following = status["song"], status["set_list"], status["next_song"]
    title = visible(song["title"]) if song else "no song"
    place = f"{in_set['position']} of {in_set['songs']}, " if in_set["position"] else ""
    yield Text.assemble((title, "bold"), f"   {place}{visible(in_set['name'])}")
    if song and song["sections"]:
        on = status["section"] and status["section"]["number"]
        names = [(visible(section["name"]), section["number"] == on) for section in song["sections"]]
        parts = [Text(f"<{name}>", "bold") if is_on else Text(f" {name} ") for name, is_on in names]
        yield Text.assemble("section  ", Text(" ").join(parts))
    yield Text(f"next     {visible(following['title']) if following else 'nothing: this is the last song'}")


def _time_lines(status: JsonObject) -> Iterator[Text]:
    tempo, position, source = status["tempo"], status["position"], status["following"]
    by = {"song": "the song's", "hand": "set by hand"}.get(tempo["set_by"], tempo["set_by"])
    yield Text.assemble(
        f"{status['transport']}  ",
        (f"bar {position['bar']} beat {position['beat']}", "bold"),
        f"   {status['meter']}   {tempo['bpm']:g} BPM ({by})",
    )
    if source is None:
        yield Text("clock    routerd leads")
    else:
        yield Text(f"clock    {visible(source['device'])} leads: {source['state']}")
    durations = status["durations"]
    over_s = durations["over_s"] if durations["over_s"] is not None else durations["planned_over_s"]
    if over_s is not None:
        yield Text(f"time     {length_words(abs(over_s))} {'over' if over_s > 0 else 'under'} the slot")


def _waiting_lines(status: JsonObject) -> Iterator[Text]:
    if armed := status["armed"]:
        what = armed["argument"] if armed["title"] is None else armed["title"]
        argument = "" if what is None else f" {visible(str(what))}"
        yield Text(f"armed    {armed['action']}{argument}, waits for {armed['when']}", style="bold yellow")
    for key, words in (("muted", "muted    "), ("soloed", "solo     ")):
        if status[key]:
            yield Text(words + visible(", ".join(status[key])), style="bold yellow")


def _by_hand_lines(status: JsonObject) -> Iterator[Text]:
    for item in status["song"]["checklist"] if status["song"] else ():
        where = "".join(f" ({visible(words)})" for words in (item["who"], item["section"]) if words)
        box = "[x]" if item["done"] else "[ ]"
        yield Text(f"by hand  {box} {visible(item['text'])}{where}", style="" if item["done"] else "bold")


def _port_lines(ports: list[JsonObject]) -> Iterator[Text]:
    shut = [port for port in ports if port["state"] != "open"]
    for port in shut:
        why = f": {visible(port['error'])}" if port["error"] else ""
        words = f"port     {visible(port['device'])} {port['direction']} is {port['state']}{why}"
        yield Text(f"{words}; wanted {visible(port['pattern'])}", style="bold red")
    yield Text(f"ports    {len(ports) - len(shut)} of {len(ports)} open")


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
    """Print messages as they come, until Ctrl-C; return 0, or 2: the service does not answer, or refuses.

    A server that goes is started again by the engine, so it is asked again for a while.
    """
    gives_up_s = 0.0
    try:
        while True:
            try:
                lines = client.lines(choice.path)
                first = next(lines, "")
                complain(choice.words)  # not among the messages, which a program may read
                gives_up_s = float("inf")
                for kind, body in events_of(itertools.chain([first], lines)):
                    _print_event(kind, body, as_json=as_json)
            except ServiceError as error:
                if time.monotonic() > gives_up_s:
                    complain(f"routerd: {error}")
                    return 2
            if gives_up_s == float("inf"):
                gives_up_s = time.monotonic() + AWAY_S
                complain("routerd: the server has gone; asking again until it is back")
            time.sleep(WATCH_S)
    except KeyboardInterrupt:
        return 0


def _print_event(kind: str, body: JsonObject, *, as_json: bool) -> None:
    if as_json:
        say_lines(json.dumps({"kind": kind, **body}))
        return
    for line in lines_of(kind, body):
        say(line)


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
