"""Writes the show log while the show goes on: once a second, on a thread, and never waited for.

Messages are written less often, many at once: a write costs the machine about the same whatever is in it, and
a kernel that is busy with one may not be interrupted for the clock.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic_ns

from routerd.core.model import events
from routerd.core.model.codec import JsonObject
from routerd.core.units import NS_PER_S, NS_PER_US
from routerd.errand import Disk
from routerd.link.frames import OWN_RATE, Tap, TickRecord
from routerd.link.messages import Traffic
from routerd.server.feed import Feed
from routerd.server.report.figures import Report
from routerd.server.shows.record import (
    FOLDER,
    NAME,
    RecordFolder,
    event_line,
    head,
    make_room,
    name_of,
    shows_in,
)
from routerd.server.view import NO_SNAPSHOT, Trouble, View

WRITE_EVERY_S = 1.0
MESSAGES_EVERY = 5
"""Messages are in every fifth write, in the next one once they are switched off, and when there are many."""

MANY_MESSAGES = 10_000
LATE_S = 1.5
"""So long after recording was switched off messages from before may still come: the engine gathers them."""

REPORT_EVERY_S = 60.0
MOST_WAITING = 50_000
"""Lines, and messages, that wait for a slow disk; more are dropped and counted."""


class ShowLog:
    """One for each start of the server, from `begin` to `close`. `dropped` counts what could not be kept.

    It is written into a folder of its own in `state_folder`, by way of `disk`; `report` makes the show's.
    """

    def __init__(
        self, view: View, feed: Feed, state_folder: Path, disk: Disk, report: Callable[[], Report]
    ) -> None:
        self._view = view
        self._feed = feed
        self._shows = state_folder / FOLDER
        self._disk = disk
        self._report = report
        self._began_at = datetime.now(UTC)
        self.dropped = 0
        self.name = ""
        self._folder: RecordFolder | None = None
        """None until it has been looked for on the disk, which may take its time."""
        self._number = 1
        self._lines: list[JsonObject] = []
        self._taps: list[Tap] = []
        self._writes = 0
        self._on = False
        self._ended_ns = 0
        self._sparing: asyncio.TimerHandle | None = None
        self._worst: dict[int, tuple[int, int]] = {}
        self._full: set[str] = set()
        self._task: asyncio.Task[None] | None = None

    @property
    def recording(self) -> bool:
        """Whether messages are kept."""
        return self._on

    @property
    def folder(self) -> Path:
        """Where it is written."""
        return self._shows / self.name

    def begin(self) -> None:
        """Begin to write; the engine has sent its hello."""
        hello = self._view.hello
        ago = timedelta(microseconds=(monotonic_ns() - hello.started_ns) // 1000)
        self._began_at = datetime.now(UTC) - ago
        self.name = self._began_at.strftime(NAME)
        self._number = hello.server_restarts + 1
        facts = {"started_ns": hello.started_ns, "ports": hello.ports, "server": self._number}
        self._put(head({**facts, "began": datetime.now(UTC).isoformat(timespec="seconds")}))
        self._feed.events.subscribe(self._on_event)
        self._feed.ticks.subscribe(self._on_ticks)
        self._feed.traffic.subscribe(self._on_traffic)
        self._name_ways()
        self._task = asyncio.create_task(self._write_regularly())

    def record(self, *, on: bool) -> None:
        """Keep every message in and out from now on, or no longer."""
        if on and not self.recording:
            self._name_ways()
            if self._sparing is None:
                self._feed.messages.subscribe(self._on_messages)
            else:
                self._sparing.cancel()
                self._sparing = None
        elif not on and self.recording:
            self._ended_ns = monotonic_ns()
            self._sparing = asyncio.get_running_loop().call_later(LATE_S, self._spare)
        changed, self._on = on is not self._on, on
        if changed:
            self._feed.emit(events.Recording(monotonic_ns(), on=on, show=self.name))

    def _spare(self) -> None:
        self._sparing = None
        self._feed.messages.unsubscribe(self._on_messages)

    async def kept(self) -> list[str]:
        """Return the names of the shows that are kept, this one among them, oldest first."""
        return await self._disk.do(lambda: shows_in(self._shows))

    async def report_of(self, show: str) -> Report:
        """Return the report of one of those; raises RecordError where it has none that makes sense."""
        return await self._disk.do(lambda: RecordFolder(self._shows / show).whole_report([]))

    async def close(self) -> None:
        """Write what is left, and the report; nothing before `begin`."""
        if self._task is None:
            return
        self._task.cancel()
        if self._sparing is not None:
            self._sparing.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        await self._write(with_report=True)

    # What comes in

    def _put(self, line: JsonObject) -> None:
        if len(self._lines) >= MOST_WAITING:
            self.dropped += 1
            return
        self._lines.append(line)

    def _on_event(self, event: events.AnyEvent) -> None:
        self._put(event_line(event))
        if isinstance(event, events.Loaded):
            self._name_ways()

    def _name_ways(self) -> None:
        """Say what the numbers in messages from now on stand for."""
        snapshot = self._view.snapshot
        if snapshot is not NO_SNAPSHOT:
            song = snapshot.song
            names = {
                "outputs": snapshot.outputs,
                "inputs": snapshot.inputs,
                "bpm": str(snapshot.bpm),
                "meter": str(snapshot.meter),
                "song": song,
                "title": None if song is None else self._view.title(song),
                "section": self._section(),
            }
            self._put({"names": names, "at_ns": monotonic_ns()})

    def _section(self) -> str | None:
        """Return the name of the section that is on."""
        snapshot = self._view.snapshot
        facts = self._view.songs.get(snapshot.song or "")
        sections = () if facts is None else facts.sections
        return next((one.name for one in sections if one.number == snapshot.section), None)

    def _on_ticks(self, records: list[TickRecord]) -> None:
        for record in records:
            late_ns = record.sent_ns - record.due_ns
            output = record.output & ~OWN_RATE
            count, worst_ns = self._worst.get(output, (0, late_ns))
            self._worst[output] = (count + 1, max(worst_ns, late_ns))

    def _on_traffic(self, traffic: Traffic) -> None:
        outputs = self._view.snapshot.outputs
        ticks = {
            outputs[number]: [count, worst_ns // NS_PER_US]
            for number, (count, worst_ns) in self._worst.items()
            if number < len(outputs)
        }
        self._worst.clear()
        sent = {one.wire: one.messages for one in traffic.outputs}
        came = dict(traffic.inputs)
        self._put({"at_ns": traffic.at_ns, "ticks": ticks, "out": sent, "in": came, "cpu_ns": traffic.cpu_ns})

    def _on_messages(self, taps: list[Tap]) -> None:
        if not self.recording:
            taps = [tap for tap in taps if tap.at_ns <= self._ended_ns]
        room = MOST_WAITING - len(self._taps)
        self._taps += taps[:room]
        self.dropped += max(0, len(taps) - room)

    # The disk

    def _find_place(self) -> RecordFolder:
        """Return the folder of this show, in which another server may have written already; on a thread."""
        if self._folder is None:
            self.name = name_of(self._shows, self._began_at, self._view.hello.started_ns)
            make_room(self._shows, self.name)
            self._folder = RecordFolder(self._shows / self.name, self._shows.parent)
        return self._folder

    async def _write_regularly(self) -> None:
        await self._blocking(self._find_place)
        report_ns = monotonic_ns()
        while True:
            await asyncio.sleep(WRITE_EVERY_S)
            due = monotonic_ns() - report_ns > REPORT_EVERY_S * NS_PER_S
            if due:
                report_ns = monotonic_ns()
            await self._write(with_report=due)

    async def _write(self, *, with_report: bool) -> None:
        lines, self._lines = self._lines, []
        self._writes += 1
        taps: list[Tap] = []
        turn = self._writes % MESSAGES_EVERY == 0 or with_report or not self.recording
        if turn or len(self._taps) >= MANY_MESSAGES:
            taps, self._taps = self._taps, []
        report = self._report() if with_report and self._view.ready else None

        def write() -> None:
            folder = self._find_place()
            if lines and not folder.append_lines(lines):
                self._is_full("log")
            if taps and not folder.append_taps(taps):
                self._is_full("messages")
            if report is not None:
                folder.write_report(self._number, report)

        if not await self._blocking(write):
            self.dropped += len(lines) + len(taps)
        if self._full:
            text = "this show's record has reached its full size; nothing more is kept ({})"
            self._view.problems.report(Trouble.RECORD, *[text.format(each) for each in sorted(self._full)])

    def _is_full(self, what: str) -> None:
        self.dropped += 1
        self._full.add(what)

    async def _blocking(self, work: Callable[[], object]) -> bool:
        problems = self._view.problems
        try:
            await self._disk.do(work)
        except OSError as error:
            what = f"the show log cannot be written ({error.strerror}); the show goes on without it"
            problems.report(Trouble.SHOW_LOG, what)
            return False
        problems.report(Trouble.SHOW_LOG)
        return True
