"""Tells log and event stream which lines of `routerd.server.health` have appeared or gone.

Each is told once; one that comes and goes all the time is told a few times and then only when it has
settled, so that a port that flaps cannot fill a log.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from time import monotonic_ns
from typing import NamedTuple

from routerd.core.model.plain import Plain
from routerd.core.units import NS_PER_S
from routerd.server.health import Key, Line, lines_of
from routerd.server.log import log_health
from routerd.server.view import View

LOOK_S = 0.5
"""How often lines are looked at, beside the moments when something is known to have changed."""

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
        self._told: dict[Key, Line] = {}
        self._seen: dict[Key, tuple[Line | None, int]] = {}
        """What was there at the last look, and since when it has been so."""
        self._changes: dict[Key, deque[int]] = {}

    def look(self, lines: Iterable[Line], now_ns: int) -> list[Announcement]:
        """Return what to announce now that `lines` hold."""
        present = {line.key: line for line in lines}
        out: list[Announcement] = []
        for key in {**self._told, **self._seen, **present}:
            line, told = present.get(key), self._told.get(key)
            if key not in self._seen or self._seen[key][0] != line:
                self._seen[key] = line, now_ns
            if line == told:
                if line is None:
                    self._forget(key, now_ns)
                continue
            changes = self._recent(key, now_ns)
            calm = self._calm(key, now_ns)
            if len(changes) >= MOST_CHANGES and not calm:
                continue
            changes.append(now_ns)
            restless = len(changes) >= MOST_CHANGES and not calm
            if told is not None:
                out.append(Announcement(False, self._told.pop(key), restless))
            if line is not None:
                out.append(Announcement(True, line, restless))
                self._told[key] = line
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

    def __init__(self, view: View, publish: Callable[[Plain], None]) -> None:
        self._view = view
        self._publish = publish
        self._announcer = Announcer()

    async def run(self) -> None:
        """Look regularly, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            self._view.silent_looks += 1
            self.look()

    def look(self) -> None:
        """Announce what is wrong or right again since the last look; nothing before the first book."""
        if not self._view.ready:
            return
        now_ns = monotonic_ns()
        for appeared, line, restless in self._announcer.look(lines_of(self._view, now_ns), now_ns):
            log_health(line.text, line.remedy, appeared=appeared, restless=restless)
            event: Plain = {"kind": "problem" if appeared else "problem-ended", "at_ns": now_ns}
            event |= {"about": line.kind, "device": line.device, "line": str(line)}
            self._publish({**event, "comes_and_goes": restless})
