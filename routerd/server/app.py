"""The server as a whole: what it is made of, and where each message of the engine goes.

It is built at once, when the link to the engine is open, and hands each of its parts what that part needs; no
part knows the whole. It has no HTTP in it: `routerd.server.http.application` gives handlers of requests their
parts. All of it runs on one event loop; what blocks (the rig folder, the state folder) is put on threads.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import replace
from time import monotonic_ns

from routerd.core.model import events
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.timing import Segment
from routerd.core.units import NS_PER_S
from routerd.link.frames import Tap, TickRecord
from routerd.link.messages import (
    Counters,
    EngineFacts,
    Happened,
    Hello,
    PortStates,
    Reload,
    Traffic,
)
from routerd.server.feed import Beats, EventHub, Feed
from routerd.server.health import SILENT_CHECKS, HealthWatch
from routerd.server.link_client import EngineLink, Unasked
from routerd.server.report import Measurements, Report
from routerd.server.rig_loader import RigFiles, RigLoader
from routerd.server.shows.show_log import ShowLog
from routerd.server.state import StateFolder
from routerd.server.state_keeper import StateKeeper
from routerd.server.view import View, boottime_s

MINUTE_FRESH_NS = NS_PER_S
"""How long the last minute's report is good for: many may ask, it is worked out once."""

CLOSE_S = 3.0
"""How long the last writes may take; the engine waits somewhat longer."""


class Reports:
    """Jitter reports of the show so far and of the last minute."""

    def __init__(self, view: View, measurements: Measurements) -> None:
        self._view = view
        self._measurements = measurements
        self._minute: tuple[int, Report | None] = (-MINUTE_FRESH_NS, None)
        self._working_out = asyncio.Lock()

    def report(self) -> Report:
        """Return the jitter report since this process was started."""
        conditions = replace(self._view.conditions, starts=self._view.hello.server_restarts + 1)
        return self._measurements.report(monotonic_ns(), conditions)

    async def last_minute(self) -> Report:
        """Return the jitter report on the last minute, worked out on a thread."""
        async with self._working_out:
            at_ns, minute = self._minute
            if minute is None or monotonic_ns() - at_ns > MINUTE_FRESH_NS:
                work_out = self._measurements.frozen_minute()
                minute = await asyncio.to_thread(work_out, monotonic_ns(), self._view.conditions)
                self._minute = (monotonic_ns(), minute)
            return minute


class App:
    """See the module's head. `greeted`: the engine has sent its hello; `reload_asked`: SIGHUP has come."""

    def __init__(self, link: EngineLink, state_folder: StateFolder, files: RigFiles) -> None:
        self.link = link
        self.view = View()
        self.feed = Feed(lambda on: link.tap(on=on))
        self.hub = EventHub(f"{self.view.started_ns:x}")
        self.feed.events.subscribe(self.hub.publish)
        self.beats = Beats(self.hub, self._foretold)
        self.health = HealthWatch(self.view, self.feed.events.emit)
        self.state = StateKeeper(state_folder, self.view)
        self.measurements = Measurements(self.view.started_ns)
        self.reports = Reports(self.view, self.measurements)
        self.rig = RigLoader(
            files=files,
            engine=link,
            view=self.view,
            state=self.state,
            feed=self.feed,
            measurements=self.measurements,
        )
        self.record = ShowLog(self.view, self.feed, state_folder.path, self.state.disk, self.reports.report)
        self.rig_folder = files.folder
        self.greeted = asyncio.Event()
        self.reload_asked = asyncio.Event()

    # What the engine sends (routerd.server.link_client.Listener)

    def on_message(self, message: Unasked) -> None:
        """Take a message of the engine."""
        view = self.view
        view.silent_checks = 0
        if isinstance(message, Snapshot):
            self._on_snapshot(message)
        elif isinstance(message, Segment):
            view.snapshot = replace(view.snapshot, grid=message)
            self.beats.refresh()
        elif isinstance(message, Happened):
            self.measurements.event(message.event)
            self.feed.emit(message.event)
        elif isinstance(message, Counters):
            view.counters = message.counts
        elif isinstance(message, EngineFacts):
            view.facts = message
        elif isinstance(message, Traffic):
            self.measurements.traffic(message)
            self.feed.traffic.emit(message)
        elif isinstance(message, PortStates):
            self._on_ports(message)
        elif isinstance(message, Reload):
            self.reload_asked.set()
        else:
            self._on_hello(message)

    def _on_hello(self, hello: Hello) -> None:
        view = self.view
        view.hello = hello
        view.counters = hello.counters.counts
        view.facts = hello.facts
        self._on_ports(hello.port_states)
        if hello.reload_wanted:
            self.reload_asked.set()
        self.greeted.set()

    def _on_snapshot(self, snapshot: Snapshot) -> None:
        view, before = self.view, self.view.snapshot
        view.snapshot = snapshot
        self.beats.refresh()
        if (snapshot.loops, snapshot.chattering) != (before.loops, before.chattering):
            self.health.refresh()
        view.pace.update(snapshot.song, snapshot.transport, boottime_s())
        self.rig.on_snapshot()
        self.state.changed()

    def _foretold(self) -> Snapshot | None:
        """Return the snapshot that beats are worked out from; nothing is known of a silent engine."""
        view = self.view
        return view.snapshot if view.ready and view.silent_checks < SILENT_CHECKS else None

    def on_ticks(self, records: list[TickRecord]) -> None:
        """Take tick records."""
        self.measurements.add(records)
        self.feed.ticks.emit(records)

    def on_taps(self, taps: list[Tap]) -> None:
        """Take messages that came in or went out; they come only while somebody listens to them."""
        self.feed.messages.emit(taps)

    def _on_ports(self, states: PortStates) -> None:
        for port in self.view.take_ports(states):
            about = port.device, port.direction, port.pattern, port.port
            self.feed.events.emit(events.PortState(monotonic_ns(), *about, port.state, port.error))
        self.health.refresh()

    async def close(self) -> None:
        """Let streams end and write what has changed."""
        self.hub.close()
        writing = asyncio.gather(self.state.close(), self.record.close())
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(writing, CLOSE_S)
