"""`routerd do`: the actions of a show as commands for scripts, with short answers, and what to wait for.

Made from the table of actions: an action's word, its summary and the keys of its argument are those of the
API. The first key stands behind the word, the others are options; what can be undone has `--off`.

A few more lines than most modules: words in, waiting and words out are one command.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import MISSING, fields
from enum import StrEnum
from fractions import Fraction
from types import NoneType
from typing import Any, get_args, get_type_hints

from routerd.cli.client import Client, ServiceError
from routerd.core.model.actions import ACTIONS, Argument, Form, Row
from routerd.core.model.codec import JsonObject
from routerd.core.model.commands import WHEN_WORDS, parse_when
from routerd.printing import complain, say, say_lines, visible

POLL_S = 0.1
BAR_POLL_S = 0.02
"""How often the status is asked for while something is waited for; near a bar line more often."""

PATIENCE_S = 15.0
"""So long the server may be away while something is waited for: it is started again, and the show goes on."""

GRACE_S = 0.3
"""So long at most is waited for an event that the status knows of already."""

OTHERS = {
    "reload": ("POST", "/v1/reload", "read the rig folder again; mistakes change nothing"),
    "set-list": ("PUT", "/v1/set-list", "play another set list of the rig folder"),
}
"""What is no action of the show, but goes the same way: method, path, summary."""

_ON_OFF = {"on": True, "off": False}

ENDED = {"disarmed": "forgotten", "armed-gone": "forgotten", "refused": "refused"}
"""The events by which what was armed ends without being done."""

UNTIL_WORDS = "change, bar, bar 17, port or port DEVICE"

NOT_DONE = ("refused", "broken-files", "engine-refused")
"""Problems of a request that was right and could be read: the show, or the files, would not have it."""


def add_actions(parser: argparse.ArgumentParser, common: argparse.ArgumentParser) -> None:
    """Define a command for each action, for reload and for waiting; `common` has the service's place."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    waits = argparse.ArgumentParser(add_help=False, parents=[common])
    waits.add_argument("--json", action="store_true", help="what the API answers, instead of a line")
    waits.add_argument(
        "--within",
        type=_seconds,
        metavar="SECONDS",
        help="how long to wait at most (default: without an end); exit status 1 when it has not come by then",
    )
    acts = argparse.ArgumentParser(add_help=False, parents=[waits])
    acts.add_argument(
        "--wait",
        nargs="?",
        const="change",
        type=_until,
        metavar="UNTIL",
        help=f"return when it has happened: {UNTIL_WORDS} (default: change, what was armed is done)",
    )
    for action, row in ACTIONS.items():
        if row.over_http:
            command = actions.add_parser(
                action.value, parents=[acts], help=_help(row), description=_help(row)
            )
            _add_argument(command, row)
    for word, (_, _, summary) in OTHERS.items():
        command = actions.add_parser(word, parents=[acts], help=summary, description=summary)
        if word == "set-list":
            command.add_argument("name", metavar="NAME", help="its name, or its file's name")
    wait = actions.add_parser(
        "wait",
        parents=[waits],
        help="do nothing, and return when something has happened",
        description="Return when what was armed is done (change), on the next bar line (bar) or one of the "
        "song (bar 17), or when every port (port) or those of a device (port DEVICE) are open.",
    )
    wait.add_argument("wait", type=_until, metavar="UNTIL", help=f"one of {UNTIL_WORDS}")


def _help(row: Row) -> str:
    return f"{row.summary[0].lower()}{row.summary[1:]}"


def _add_argument(command: argparse.ArgumentParser, row: Row) -> None:
    """Define the argument of an action, its first key without its name."""
    for number, (key, kind, needed) in enumerate(_keys(row.argument) if row.argument else ()):
        read, choices, may_be_null = _reading(kind)
        metavar = None if choices else key.upper()
        said: dict[str, Any] = {"type": read, "choices": choices, "metavar": metavar}
        if kind is bool:
            command.add_argument(f"--not-{key}", dest=key, action="store_false", help=f"not {key} after all")
        elif number == 0:
            nargs = None if needed and not may_be_null else "?"
            command.add_argument(key, nargs=nargs, help=_key_help(key, kind), **said)
        else:
            command.add_argument(f"--{key}", help=_key_help(key, kind), **said)
    if row.undo is not None:
        command.add_argument("--off", dest="on", action="store_false", help="end it instead")
    if row.armable:
        command.add_argument(
            "--when", type=_when, metavar="MOMENT", help=f"when to do it: {WHEN_WORDS} (default: now)"
        )


def _keys(argument: type[Argument]) -> Iterator[tuple[str, Any, bool]]:
    """Yield the keys that people write, their types, and whether each is needed."""
    hints = get_type_hints(argument, include_extras=True)
    for one in fields(argument):
        if one.name in argument.names():
            yield one.name, hints[one.name], one.default is MISSING


def _reading(kind: Any) -> tuple[Any, list[str] | None, bool]:
    """Return how a word is read as a value of that type, the words there are, and whether it may be null."""
    may_be_null = NoneType in get_args(kind)
    if kind == bool | None:
        return str, list(_ON_OFF), True
    inner = next((one for one in get_args(kind) if one is not NoneType), kind) if may_be_null else kind
    form = next((one for one in getattr(inner, "__metadata__", ()) if isinstance(one, Form)), None)
    if form in (Form.SONG, Form.SECTION):
        return _number_or_name, None, may_be_null
    if form is not None:
        return _bpm, None, may_be_null
    if isinstance(inner, type) and issubclass(inner, StrEnum):
        return str, [one.value for one in inner], may_be_null
    return inner, None, may_be_null


def _key_help(key: str, kind: Any) -> str:
    if kind == bool | None:
        return "when left out: the other of the two"
    forms = (form for one in (kind, *get_args(kind)) for form in getattr(one, "__metadata__", ()))
    form = next((one for one in forms if isinstance(one, Form)), None)
    return _FORM_WORDS[form] if form else _KEY_WORDS.get(key, key)


_FORM_WORDS = {
    Form.SONG: "its number in the set list, its title, or its file's name",
    Form.SECTION: "its number in the song, or its name",
    Form.TEMPO: "quarter notes per minute, such as 121.5",
    Form.CHANGE: "BPM, such as 0.5",
}
_KEY_WORDS = {
    "device": "as rig.yaml names it",
    "route": "the routes with this name",
    "number": "of the step, from 1; when left out: the next open one",
    "bar": "from 1; when left out: where it was stopped",
    "at": "when it restarts",
    "what": "what the message will be",
}


def _number_or_name(word: str) -> int | str:
    return int(word) if word.isascii() and word.isdecimal() else word


def _bpm(word: str) -> float | str:
    try:
        Fraction(word)
    except (ValueError, ZeroDivisionError) as error:
        raise argparse.ArgumentTypeError(f"{word!r} is not a number of BPM, such as 121.5") from error
    return word if "/" in word else float(word)


def _when(word: str) -> str:
    try:
        return str(parse_when(word))
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _seconds(word: str) -> float:
    seconds = float(word)
    if not 0 < seconds < float("inf"):
        raise argparse.ArgumentTypeError(f"{word} is not a length of time; write seconds, such as 10")
    return seconds


def _until(word: str) -> str:
    kind, _, rest = word.partition(" ")
    fits = {"change": not rest, "bar": not rest or (rest.isdecimal() and int(rest) > 0), "port": True}
    if not fits.get(kind, False):
        raise argparse.ArgumentTypeError(f"{word!r} cannot be waited for; write {UNTIL_WORDS}")
    return word


def do(options: argparse.Namespace) -> int:
    """Do what is asked and print a line; return 0: done, 1: refused, forgotten or too late, 2: impossible."""
    if options.within and not options.wait:
        complain("routerd: --within needs --wait")
        return 2
    client = Client.of(options)
    ends_s = time.monotonic() + options.within if options.within else float("inf")
    try:
        events = _Events(client)
        if options.action == "wait":
            _status(
                client, ends_s if options.within else 0.0
            )  # a service that is about to start is waited for
        if options.wait == "change":
            events.begin()
        if options.action == "wait":
            answer = _status(client)
        else:
            method, path, _ = OTHERS.get(options.action, ("POST", f"/v1/{options.action}", ""))
            answer = json.loads(client.ask(method, path, body_of(options)))
            answer = _status(client) if options.action == "set-list" else answer
        if options.wait:
            wrong = _wait(client, options.wait, answer, ends_s, events)
            if wrong:
                complain(f"routerd: {wrong}")
                return 1
            answer = _status(client)
    except KeyboardInterrupt:
        return 130
    except ServiceError as error:
        complain(f"routerd: {error}")
        return 1 if error.problem in NOT_DONE else 2
    if options.json:
        say_lines(json.dumps(answer, ensure_ascii=False))
    else:
        for line in lines_of(answer, by_hand=options.action == "done"):
            say(line)
    return 0


def body_of(options: argparse.Namespace) -> JsonObject:
    """Return the body of the request: what was said, and null where that is a word of its own."""
    row = next((row for action, row in ACTIONS.items() if action.value == options.action), None)
    body: JsonObject = {}
    if row is None:
        return {"name": options.name} if options.action == "set-list" else body
    for key, kind, needed in _keys(row.argument) if row.argument else ():
        value = getattr(options, key)
        value = _ON_OFF.get(value, value) if kind == bool | None else value
        if value is not None or (needed and _reading(kind)[2]):
            body[key] = value
    if row.undo is not None and not options.on:
        body["on"] = False
    if row.armable and options.when is not None:
        body["when"] = options.when
    return body


def lines_of(answer: JsonObject, *, by_hand: bool) -> Iterator[str]:
    """Yield where the show stands after it: a line, and one for each thing that waits or is muted."""
    if "song" not in answer:  # learning has an answer of its own
        learning = answer["learning"]
        over = learning is None or learning["over"]
        yield "learning is over" if over else f"listening for a {learning['learns']}; learnt: GET /v1/learn"
        return
    song, section, position = answer["song"], answer["section"], answer["position"]
    place = [song["title"] if song else "no song"] + ([section["name"]] if section else [])
    bar = f"bar {position['bar']} beat {position['beat']}"
    yield visible(f"{', '.join(place)}: {answer['transport']}, {bar}, {answer['tempo']['bpm']:g} BPM")
    if armed := answer["armed"]:
        what = armed["argument"] if armed["title"] is None else armed["title"]
        words = armed["action"] if what is None else f"{armed['action']} {what}"
        yield visible(f"armed: {words}, waits for {armed['when']}")
    for key, words in (("muted", "muted"), ("soloed", "solo")):
        if answer[key]:
            yield visible(f"{words}: {', '.join(answer[key])}")
    if by_hand and song:
        done = sum(step["done"] for step in song["checklist"])
        yield f"by hand: {done} of {len(song['checklist'])} done"


class _Events:
    """Listens to the events from before a change is armed, to hear why one that has gone was not done."""

    def __init__(self, client: Client) -> None:
        self._lines = client.lines("/v1/events")
        self._heard: queue.SimpleQueue[tuple[str, JsonObject]] = queue.SimpleQueue()
        self.last = ""
        """The id of the last one taken."""
        self.over = False
        """Whether there will be no more: the server has gone."""

    def begin(self) -> None:
        """Return when it listens; its thread ends with the process."""
        next(self._lines, "")
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        name = ""
        with contextlib.suppress(ServiceError, ValueError):
            for line in self._lines:
                if line.startswith("id: "):
                    name = line.removeprefix("id: ")
                elif line.startswith("data: "):
                    self._heard.put((name, json.loads(line.removeprefix("data: "))))
        self.over = True

    def take(self, seconds: float) -> JsonObject | None:
        """Return the next event, None when none comes within so long."""
        try:
            self.last, event = self._heard.get(timeout=seconds)
        except queue.Empty:
            return None
        return event


def _why_not_done(event: JsonObject | None) -> str:
    """Return in words why what was armed was not done, "" when the event does not say so."""
    if event is None or event["kind"] not in ENDED or event.get("device"):  # a switch's press, refused
        return ""
    why = f": {event['why']}" if "why" in event else f" by {event['by']}"
    return f"{event['action']} was {ENDED[event['kind']]}{why}"


def _status(client: Client, until_s: float = 0.0, only: str = "") -> Any:
    """Return the status, or some members of it; a service that does not answer is asked again until then.

    Raises ServiceError.
    """
    path = f"/v1/status?fields={only}" if only else "/v1/status"
    while True:
        try:
            return json.loads(client.ask("GET", path))
        except ServiceError as error:
            if time.monotonic() > until_s or error.problem not in ("", "not-ready"):
                raise
        time.sleep(POLL_S)


def _wait(client: Client, until: str, answer: JsonObject, ends_s: float, events: _Events) -> str:
    """Wait until it has come about; return why it never will, or "". Raises ServiceError."""
    kind, _, rest = until.partition(" ")
    if kind == "port":
        return _wait_for_port(client, rest, ends_s)
    if kind == "bar":
        return _wait_for_bar(client, int(rest or 0), ends_s)
    return _wait_for_change(client, answer["armed"], ends_s, events)


def _wait_for_change(client: Client, armed: Any, ends_s: float, events: _Events) -> str:
    def name(change: JsonObject) -> tuple[Any, ...]:
        return change["action"], change["argument"], change["when"]

    while armed:
        if why := _why_not_done(events.take(POLL_S)):
            return why
        status = _status(client, time.monotonic() + PATIENCE_S, "armed,event")
        now = status["armed"]
        if now is None and events.over:
            return f"{armed['action']} is not armed any more; whether it was done is in the status"
        if now is None or name(now) != name(armed):
            while events.last != status["event"] and (event := events.take(GRACE_S)):
                if why := _why_not_done(event):
                    return why
            return "" if now is None else f"{now['action']} for {now['when']} was armed in its place"
        if time.monotonic() > ends_s:
            return f"{armed['action']} still waits for {armed['when']}"
    return ""


def _wait_for_bar(client: Client, bar: int, ends_s: float) -> str:
    first = None
    while True:
        status = _status(client, time.monotonic() + PATIENCE_S, "position,transport")
        position = status["position"]
        if first is None:
            first = position["bar"]
            if status["transport"] == "stopped":
                complain("routerd: transport is stopped; waiting until it runs (Ctrl-C ends it)")
        if status["transport"] == "running" and (position["bar"] >= bar if bar else position["bar"] != first):
            return ""
        if time.monotonic() > ends_s:
            return f"it is bar {position['bar']}, and transport is {status['transport']}"
        left_s = position["next_bar_s"]
        time.sleep(BAR_POLL_S if left_s is None else min(max(left_s, BAR_POLL_S), 1.0))


def _wait_for_port(client: Client, device: str, ends_s: float) -> str:
    while True:
        ports = _status(client, time.monotonic() + PATIENCE_S, "ports")["ports"]
        mine = [port for port in ports if not device or port["device"] == device]
        if not mine:
            names = ", ".join(dict.fromkeys(port["device"] for port in ports))
            raise ServiceError(f"there is no device {device!r} with a port; choose from {names}")
        shut = [port for port in mine if port["state"] != "open"]
        if not shut:
            return ""
        if time.monotonic() > ends_s:
            words = (f"{port['device']} {port['direction']} is {port['state']}" for port in shut)
            return ", ".join(words)
        time.sleep(POLL_S)
