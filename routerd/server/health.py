"""What is wrong right now, one plain line each with its remedy.

The one table behind every place that shows it: `problems` in the status, `GET /v1/health`, the log, the
events `problem` and `problem-ended`, and the metrics all read from SOURCES. A source is a function of a View
and the time to lines, and keeps nothing. To add one, write the function and put it into SOURCES. What it
needs to know of the engine travels in the snapshot, the counters or `facts` (see routerd.link.messages); what
only the server knows is reported to `View.problems`.

`HealthWatch` reports to log and event stream which lines have appeared or gone. Each is reported once; one
that comes and goes all the time is reported a few times and then only when it has settled, so that a port
that flaps cannot fill a log.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from time import monotonic_ns
from typing import NamedTuple

from routerd.core.model import events
from routerd.core.units import NS_PER_S
from routerd.link.messages import PortState
from routerd.server.log import log_health
from routerd.server.view import Trouble, View

OPENING_NS = 3 * NS_PER_S
"""A port may take so long to open before that is a problem."""

RESTARTED_NS = 60 * NS_PER_S
"""How long a process that died is still reported after another has taken its place."""

SILENT_CHECKS = 6
"""The engine reports every second; after so many checks, two a second, without one it does not answer."""

MOST_MISTAKES = 50
"""Lines about the rig folder; `routerd check` and a reload list them all."""


class Key(NamedTuple):
    """Which problem a line is about; `about` tells apart those of one kind and device."""

    kind: str
    device: str | None
    about: str


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that is wrong.

    `kind` is a word for programs, `text` says what is wrong and `remedy` what to do, both for people and
    without figures that change all the time: a changed text is announced again.
    """

    kind: str
    text: str
    remedy: str = ""
    device: str | None = None
    about: str = ""

    @property
    def key(self) -> Key:
        """Which problem this is."""
        return Key(self.kind, self.device, self.about)

    def __str__(self) -> str:
        return f"{self.text}; {self.remedy}" if self.remedy else self.text


Source = Callable[[View, int], Iterable[Line]]


def lines_of(view: View, now_ns: int) -> list[Line]:
    """Return every line that holds at `now_ns`, the most basic first."""
    lines: list[Line] = []
    for source in SOURCES:
        try:
            lines += source(view, now_ns)
        except Exception as error:  # noqa: BLE001 - one source that fails must not hide the others
            what = f"{source.__name__.strip('_')} cannot be checked: {type(error).__name__}: {error}"
            lines.append(Line("internal", what, "this is a defect of routerd", about=source.__name__))
    return lines


# The sources


def _files(view: View, _now_ns: int) -> Iterator[Line]:
    mistakes = view.problems.of(Trouble.FILES)
    for mistake in mistakes[:MOST_MISTAKES]:
        yield Line("files", mistake, about=mistake)
    if len(mistakes) > MOST_MISTAKES:
        yield Line(
            "files", f"{len(mistakes) - MOST_MISTAKES} more", "routerd check lists them all", about="more"
        )


_FULL_DISK = "free some space on the disk, and make the folder writable; it is tried every second"

_SERVER_REMEDIES = {
    Trouble.NAMES: "",
    Trouble.STATE: _FULL_DISK,
    Trouble.RIG: _FULL_DISK,
    Trouble.SHOW_LOG: _FULL_DISK,
    Trouble.RECORD: "a new one begins when the service is started again",
    Trouble.REMEMBERED: "check the disk or the network",
    Trouble.TOKENS: "correct the file; it is read again every two seconds",
    Trouble.CERTIFICATE: "renew it; a new file is taken within two seconds",
    Trouble.SOUNDCHECK: "choose the song to go on with (nothing changes by itself), and run it again",
    Trouble.API: "it is tried every second, and the clock goes on meanwhile",
}
"""What to do about the troubles of the server itself, but for those with files."""


def _server(view: View, _now_ns: int) -> Iterator[Line]:
    for about, remedy in _SERVER_REMEDIES.items():
        for text in view.problems.of(about):
            yield Line(about, text, remedy)


def _engine_silent(view: View, _now_ns: int) -> Iterator[Line]:
    if view.silent_checks >= SILENT_CHECKS:
        yield Line(
            "engine-silent",
            "the engine does not answer: nothing shown here is certain any more",
            "if it does not come back by itself, restart the service",
        )


def _scheduling(view: View, _now_ns: int) -> Iterator[Line]:
    realtime = view.hello.realtime
    if realtime.scheduling != "fifo":
        text = "real-time scheduling is not permitted: ticks will be late whenever the machine is busy"
        yield Line("scheduling", text, realtime.remedy or "")


def _ports(view: View, now_ns: int) -> Iterator[Line]:
    shut: list[PortState] = []
    for port in view.ports:
        young = port.state == "opening" and now_ns - (port.since_ns or now_ns) < OPENING_NS
        if young and (was := view.shut.get((port.device, port.direction))):
            shut.append(was)
        elif port.state != "open" and not young:
            shut.append(port)
    for number, port in enumerate(shut):
        alike = [n for n, one in enumerate(shut) if (one.state, one.error) == (port.state, port.error)]
        if port.state not in _PORTS_STATES or not port.error or len(alike) < 2:
            yield _port_line(port)
        elif number == alike[0]:
            yield _ports_line(view, [shut[n] for n in alike])


def _patterns(view: View, _now_ns: int) -> Iterator[Line]:
    seen: set[tuple[str, str]] = set()
    for port in view.ports:
        doubt, pattern = port.doubt, (port.direction, port.pattern)
        if doubt and port.state != "missing" and pattern not in seen:  # a missing port's own line says why
            seen.add(pattern)
            text = f"{port.device}: its {port.direction} pattern {doubt.text}"
            yield Line("pattern", text, doubt.remedy, port.device, port.direction)


def _port_line(port: PortState) -> Line:
    device, direction, state = port.device, port.direction, port.state
    if state == "missing" and (doubt := port.doubt):
        text = f"{device}: its {direction} is missing: {doubt.text}"
        return Line("port", text, doubt.remedy, device, direction)
    words, remedy = _PORT_STATES[state]
    text = words.format(which=f"{device}: its {direction}", pattern=port.pattern)
    if port.error:
        text += f" ({port.error})"
    return Line("port", text, remedy, device, direction)


def _ports_line(view: View, ports: list[PortState]) -> Line:
    """Return the line of several ports for one reason, such as a JACK server that has gone."""
    (state, error), here = (ports[0].state, ports[0].error), {(one.device, one.direction) for one in ports}
    names = dict.fromkeys(one.device for one in ports)
    for one in view.ports:
        if one.device in names and (one.device, one.direction) not in here:
            names[one.device] = "input" if one.direction == "output" else "output"
    words, remedy = _PORTS_STATES[state]
    listed = ", ".join(name if only is None else f"{name} ({only})" for name, only in names.items())
    device = ports[0].device if len(names) == 1 else None
    return Line(
        "port", f"{words.format(len(ports))} ({error}): {listed}", remedy, device, f"{state}: {error}"
    )


_PORTS_STATES = {
    "failed": ("{} ports cannot be opened", "they are tried again by themselves"),
    "stalled": (
        "{} ports stand still: nothing gets through",
        "restart the JACK server, or the program at their other end, if they do not come back",
    ),
}

_PORT_STATES = {
    "missing": (
        "{which} is missing: there is no port {pattern}",
        "plug it in, switch it on or start the program; routerd ports lists what there is",
    ),
    "opening": (
        "{which} has been opening for more than 3 s",
        "if it stays like this, restart the JACK server or the program at its other end",
    ),
    "failed": ("{which} cannot be opened", "it is tried again by itself"),
    "disconnected": ("{which} was disconnected by another program", "it is connected again by itself"),
    "stalled": (
        "{which} stands still: nothing gets through",
        "the program or the JACK server at its other end hangs; restart that if it does not come back",
    ),
    "contested": (
        "{which} is disconnected by another program again and again",
        "stop the program that does this, or have it leave this port alone; it is tried every 10 s",
    ),
}
"""By a port's state: what is wrong, and what to do."""


def _floods(view: View, _now_ns: int) -> Iterator[Line]:
    for device in view.facts.flooding:
        text = f"{device}: floods its input; it is slowed down, and the excess is lost"
        yield Line("flood", text, "look for a loop outside the rig, a broken device or program", device)


def _not_kept(view: View, _now_ns: int) -> Iterator[Line]:
    for text in view.facts.warnings:
        yield Line("not-kept", text, "free some space or allow writing, then start the service again")


def _switches(view: View, _now_ns: int) -> Iterator[Line]:
    for one in view.snapshot.chattering:
        text = f"{one.device}: {one.switch} chatters"
        if one.held_back:
            text += ", so it is not heard until it has been quiet for a second"
        remedy = "check its cable and its contacts; everything can be done over the API meanwhile"
        yield Line("switch", text, remedy, one.device, one.switch)


def _loops(view: View, _now_ns: int) -> Iterator[Line]:
    for device in view.snapshot.loops:
        text = f"{device}: what is sent out comes back here in a loop; it is not routed again"
        remedy = "switch off the echo (local control, thru) of the device, or remove its route or cable"
        yield Line("loop", text, remedy, device)


def _restarts(view: View, now_ns: int) -> Iterator[Line]:
    hello = view.hello
    if hello.resumed_gap_ms is not None and now_ns - hello.started_ns < RESTARTED_NS:
        text = f"the engine died, and another went on after {hello.resumed_gap_ms / 1000:g} s without a tick"
        yield Line("engine-restarted", text, "the log says why")
    spare = view.facts.spare
    if spare.took_over_ns is not None and now_ns - spare.took_over_ns < RESTARTED_NS and not spare.asked_for:
        yield Line("takeover", f"{spare.took_over_why}, and the spare took over", "the log says why")
    if spare.state == "none":
        text = f"there is no spare: {spare.why_none}; an engine that dies leaves a gap"
        yield Line("spare", text, "spare: false in rig.yaml, or --no-spare, does without one")
    if hello.server_restarts and now_ns - view.started_ns < RESTARTED_NS:
        text = f"the API server died or hung and was started again (restart {hello.server_restarts})"
        yield Line("server-restarted", text, "the log says why; the clock did not notice")


SOURCES: tuple[Source, ...] = (
    _files,
    _engine_silent,
    _server,
    _scheduling,
    _ports,
    _patterns,
    _floods,
    _not_kept,
    _loops,
    _switches,
    _restarts,
)
"""In the order in which their lines are shown."""


CHECK_S = 0.5
"""How often lines are checked, beside the moments when something is known to have changed."""

MOST_CHANGES = 12
CHANGES_NS = 60 * NS_PER_S
CALM_NS = 10 * NS_PER_S
"""What has been announced MOST_CHANGES times within CHANGES_NS is announced again only when it has stayed as
it is for CALM_NS."""


class Announcement(NamedTuple):
    """A line that has appeared, or gone. `restless`: it comes and goes, see CALM_NS."""

    appeared: bool
    line: Line
    restless: bool


class Announcer:
    """Decides what of lines that come and go is worth a word. Time is an argument and never goes back."""

    def __init__(self) -> None:
        self._reported: dict[Key, Line] = {}
        self._seen: dict[Key, tuple[Line | None, int]] = {}
        """What was there at the last update, and since when it has been so."""
        self._changes: dict[Key, deque[int]] = {}

    def update(self, lines: Iterable[Line], now_ns: int) -> list[Announcement]:
        """Return what to announce now that `lines` hold."""
        present = {line.key: line for line in lines}
        out: list[Announcement] = []
        for key in {**self._reported, **self._seen, **present}:
            line, reported = present.get(key), self._reported.get(key)
            # 1. Note since when it has been as it is now: calm is counted from there.
            if key not in self._seen or self._seen[key][0] != line:
                self._seen[key] = line, now_ns
            # 2. What was reported last still holds: nothing to announce. What has been gone for long is
            #    forgotten, or lines about songs and files of other evenings would pile up here.
            if line == reported:
                if line is None:
                    self._forget(key, now_ns)
                continue
            # 3. A line that has changed often of late waits until it has settled, whichever way.
            changes = self._recent(key, now_ns)
            calm = self._calm(key, now_ns)
            if len(changes) >= MOST_CHANGES and not calm:
                continue
            # 4. Another text of one problem is its end and its beginning, so that whoever reads only one kind
            #    of event keeps count. The last one before the silence says that it is restless.
            changes.append(now_ns)
            restless = len(changes) >= MOST_CHANGES and not calm
            if reported is not None:
                out.append(Announcement(False, self._reported.pop(key), restless))
            if line is not None:
                out.append(Announcement(True, line, restless))
                self._reported[key] = line
        return out

    def _recent(self, key: Key, now_ns: int) -> deque[int]:
        changes = self._changes.setdefault(key, deque(maxlen=MOST_CHANGES))
        while changes and now_ns - changes[0] > CHANGES_NS and self._calm(key, now_ns):
            changes.popleft()
        return changes

    def _calm(self, key: Key, now_ns: int) -> bool:
        return now_ns - self._seen[key][1] >= CALM_NS

    def _forget(self, key: Key, now_ns: int) -> None:
        """Drop what has been gone for so long that it starts afresh."""
        if not self._recent(key, now_ns):
            del self._seen[key], self._changes[key]


class HealthWatch:
    """Looks at the lines of a view, and publishes an event and writes a line of the log for each change."""

    def __init__(self, view: View, publish: Callable[[events.AnyEvent], None]) -> None:
        self._view = view
        self._publish = publish
        self._announcer = Announcer()
        view.problems.on_change = self.refresh

    async def run(self) -> None:
        """Look regularly, until cancelled."""
        while True:
            await asyncio.sleep(CHECK_S)
            self._view.silent_checks += 1
            self.refresh()

    def refresh(self) -> None:
        """Announce what is wrong or right again since the last check; nothing before the first rig."""
        if not self._view.ready:
            return
        now_ns = monotonic_ns()
        for appeared, line, restless in self._announcer.update(lines_of(self._view, now_ns), now_ns):
            log_health(line.text, line.remedy, appeared=appeared, restless=restless)
            kind = events.Problem if appeared else events.ProblemEnded
            self._publish(kind(now_ns, line.kind, line.device, str(line), comes_and_goes=restless))
