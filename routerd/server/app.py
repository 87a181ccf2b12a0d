"""The server itself: what people can ask of the show, and what it tells.

Composes link, view, running order, state folder, event stream and report; has no HTTP in it. All of
it runs on one event loop; what blocks (reading the rig folder, writing the state folder) is put on threads.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from time import monotonic_ns
from typing import TYPE_CHECKING, Any

import structlog

from routerd.core.clock.grid import Segment
from routerd.core.errors import LinkError, RigFolderError
from routerd.core.model.codec import from_json
from routerd.core.model.plain import Plain
from routerd.core.model.rig import AfterRestart
from routerd.core.model.set_list import Book, SetList
from routerd.core.model.snapshot import Snapshot
from routerd.core.units import NS_PER_S
from routerd.link.messages import Tap, TickRecord
from routerd.server.announcing import HealthWatch
from routerd.server.boottime import steady_s
from routerd.server.disk import Disk
from routerd.server.http.events import EventHub
from routerd.server.link_client import REPLY_S, EngineLink, EngineSilentError
from routerd.server.log import EventLog
from routerd.server.order_choice import Decision, Origin, decide
from routerd.server.state import State, StateFolder, WorkingBook
from routerd.server.state_keeper import StateKeeper
from routerd.server.view import View, facts_by_identifier

if TYPE_CHECKING:
    from routerd.server.shows.record_keeper import ShowLog
    from routerd.server.soundcheck.service import Soundchecks

MINUTE_FRESH_NS = NS_PER_S
"""How long the last minute's report is good for: many may ask, it is worked out once."""

CLOSE_S = 3.0
"""How long the last writes may take; the engine waits somewhat longer."""

EVENING_S = 12 * 3600
"""A set that began longer ago than this was another evening's."""

MOST_UNDO = 20
"""How many changes of the running order can be taken back."""


class App:
    """See the module's head. `read_folder` reads the rig folder; `measure` makes Measurements;
    `save_set` writes a running order into the rig folder and returns the file's name (blocking)."""

    def __init__(
        self,
        state_folder: StateFolder,
        read_folder: Callable[[], Awaitable[Any]],
        measure: Callable[[int], Any],
        save_set: Callable[[SetList], str],
        rig_disk: Disk,
    ) -> None:
        self.view = View()
        self.started_ns = self.view.started_ns
        self.hub = EventHub(f"{self.started_ns:x}")
        self.keeper = StateKeeper(state_folder, self.view)
        self.greeted = asyncio.Event()
        self._read_folder = read_folder
        self.measurements = measure(self.started_ns)
        self.tap_takers: list[Callable[[list[Tap]], None]] = []
        self.record_takers: list[Callable[[list[TickRecord]], None]] = []
        self.event_takers: list[Callable[[Plain], None]] = []
        self.traffic_takers: list[Callable[[Plain], None]] = []
        self.health = HealthWatch(self.view, self.publish)
        self._log = EventLog()
        self._minute: tuple[int, Plain] = (-MINUTE_FRESH_NS, {})
        self._working_out = asyncio.Lock()
        self._link: EngineLink | None = None
        self.changing = asyncio.Lock()
        """Held by whoever changes the book or the running order; never while a disk is waited for."""
        self.rig_files = asyncio.Lock()
        """Held by whoever reads or writes the rig folder, and taken before `changing`."""
        self.rig_disk = rig_disk
        self.save_set = save_set
        self.rig_file = Path()
        """rig.yaml; set once, before anything is asked."""
        self._snapshot_came = asyncio.Event()
        self.reload_asked = asyncio.Event()

    @cached_property
    def soundchecks(self) -> Soundchecks:
        """What runs and keeps soundchecks; loaded when first asked for."""
        from routerd.server.soundcheck.service import Soundchecks

        return Soundchecks(self)

    @cached_property
    def show_log(self) -> ShowLog:
        """What this show leaves on the disk; begins when first asked for, after the engine's hello."""
        from routerd.server.shows.record_keeper import ShowLog

        return ShowLog(self)

    @property
    def link(self) -> EngineLink:
        """The link to the engine; set once, before anything is asked."""
        if self._link is None:
            raise LinkError("there is no link to the engine yet")
        return self._link

    @link.setter
    def link(self, link: EngineLink) -> None:
        self._link = link

    # What the engine tells (Listener)

    def told(self, kind: str, body: Any) -> None:
        """Take a message of the engine."""
        view = self.view
        view.silent_looks = 0
        if kind == "snapshot":
            before, snapshot = view.snapshot, from_json(Snapshot, body)
            view.snapshot = snapshot
            if (snapshot.loops, snapshot.chattering) != (before.loops, before.chattering):
                self.health.look()
            view.pace.look(snapshot.song, snapshot.transport, steady_s())
            self._snapshot_came.set()
            self._name_numbers()
            self.keeper.changed()
        elif kind == "grid":
            view.snapshot = replace(view.snapshot, grid=from_json(Segment, body))
        elif kind == "event":
            self.measurements.event(body)
            self.tell(body)
        elif kind == "counters":
            view.counters = body
        elif kind == "facts":
            view.facts = body
        elif kind == "traffic":
            self.measurements.traffic(body)
            for taker in self.traffic_takers:
                taker(body)
        elif kind == "ports":
            self._take_ports(body)
        elif kind == "reload":
            self.reload_asked.set()
        elif kind == "hello":
            view.hello = body
            view.counters = body["counters"]
            view.facts = body["facts"]
            self._take_ports(body["port_states"])
            if body.get("reload_wanted"):
                self.reload_asked.set()
            self.greeted.set()

    def ticked(self, records: list[TickRecord]) -> None:
        """Take tick records."""
        self.measurements.add(records)
        for taker in self.record_takers:
            taker(records)

    def tapped(self, taps: list[Tap]) -> None:
        """Take messages that came in or went out; they come only while somebody has asked for them."""
        for taker in self.tap_takers:
            taker(taps)

    def want_taps(self, taker: Callable[[list[Tap]], None]) -> None:
        """Give `taker` every message from now on, until `spare_taps`."""
        self.tap_takers.append(taker)
        self.link.tap(on=True)

    def spare_taps(self, taker: Callable[[list[Tap]], None]) -> None:
        """Give it no more."""
        self.tap_takers.remove(taker)
        if not self.tap_takers:
            self.link.tap(on=False)

    def tell(self, event: Plain) -> None:
        """Tell an event to the log and to everybody who listens."""
        self._log.take(event)
        self.publish(event)

    def publish(self, event: Plain) -> None:
        """Tell an event to everybody who listens."""
        self.hub.publish(event)
        for taker in self.event_takers:
            taker(event)

    def _take_ports(self, ports: list[Plain]) -> None:
        for port in self.view.take_ports(ports):
            event = {key: port[key] for key in ("device", "direction", "pattern", "state", "error")}
            self.publish({"kind": "port-missing", "at_ns": monotonic_ns(), **event})
        self.health.look()

    def _name_numbers(self) -> None:
        snapshot = self.view.snapshot
        titles = [self.view.title(identifier) for identifier in snapshot.songs]
        self.measurements.name(list(snapshot.outputs), titles)
        song = snapshot.song
        self.measurements.song(None if song is None else self.view.title(song))

    # Books

    async def begin(self, working: WorkingBook | None) -> None:
        """Give the engine its first book: the rig folder's, or the last one that worked.

        Raises RigFolderError when there is neither, LinkError when the engine refuses it.
        """
        state = await self.keeper.read()
        loaded = await self._read_folder()
        book: Book | None = loaded.book
        set_lists: tuple[SetList, ...] = loaded.set_lists
        if book is None:
            problems = [str(problem) for problem in loaded.problems]
            if working is None:
                raise RigFolderError(problems)
            self.view.problems["files"] = problems
            structlog.get_logger().error(
                "the rig folder has mistakes: THE LAST BOOK THAT WORKED IS PLAYED INSTEAD",
                count=len(problems),
            )
            book, set_lists = working.book, working.set_lists
        decision = Decision(book.set_list, Origin(book.set_list.name, book.set_list))
        place = None
        if state is not None:
            decision = decide(book, set_lists, state.set_list, state.origin, at_start=True)
            if state.origin.chosen == decision.origin.chosen:
                place = state.place
                self._go_on(state)
                plays = book.rig.after_restart is not AfterRestart.SILENT and state.transport != "stopped"
                if place is not None and plays:
                    place = {**place, "play": True}
        await self._give(book, set_lists, decision, 1, place)

    def _go_on(self, state: State) -> None:
        """Take up what is remembered of this evening."""
        self.keeper.undo = list(state.undo)
        if state.began_s is not None and 0 <= steady_s() - state.began_s < EVENING_S:
            self.view.pace.began_s = state.began_s

    async def resume(self, working: WorkingBook | None) -> None:
        """Take the view of a show that goes on: this process was started again, nothing is changed.

        Raises RigFolderError when the engine's songs are not known here.
        """
        hello = self.view.hello
        state = await self.keeper.read()
        known = working is not None and (working.engine_started_ns, working.generation) == (
            hello["book_from_ns"],
            hello["generation"],
        )
        if working is None or not known:
            loaded = await self._read_folder()
            if loaded.book is None:
                raise RigFolderError([str(problem) for problem in loaded.problems])
            working = WorkingBook(loaded.book, loaded.set_lists, 0, 0)
            self.view.problems["names"] = ["titles may be newer than what is loaded; POST /v1/reload"]
        self.view.songs = facts_by_identifier(working.book.songs)
        self.measurements.rig(working.book.rig)
        self.view.set_lists = working.set_lists
        current = self.view.set_list
        self.keeper.origin = Origin(current.name, current) if state is None else state.origin
        if state is not None:
            self._go_on(state)
        self._name_numbers()

    async def reload(self) -> None:
        """Read the rig folder again and give the engine the new book, keeping song, section and order.

        Raises RigFolderError and changes nothing when the folder has mistakes; LinkError when the engine
        refuses or does not answer.
        """
        async with self.rig_files:
            loaded = await self._read_folder()
            if loaded.book is None:
                problems = [str(problem) for problem in loaded.problems]
                self.view.problems["files"] = problems
                raise RigFolderError(problems)
            async with self.changing:
                decision = decide(
                    loaded.book, loaded.set_lists, self.view.set_list, self.keeper.origin, at_start=False
                )
                generation = self.view.snapshot.generation + 1
                await self._give(loaded.book, loaded.set_lists, decision, generation, None)
            self.view.problems.pop("files", None)

    async def _give(
        self,
        book: Book,
        set_lists: tuple[SetList, ...],
        decision: Decision,
        generation: int,
        place: Plain | None,
    ) -> None:
        if decision.why:
            structlog.get_logger().warning("the running order of the files is taken", why=decision.why)
        book = Book(book.rig, book.songs, decision.set_list)
        await self.link.book(book, generation, place)
        view = self.view
        view.songs = facts_by_identifier(book.songs)
        self.measurements.rig(book.rig)
        view.set_lists = set_lists
        view.problems.pop("names", None)
        self.keeper.origin = decision.origin
        self.measurements.event({"kind": "loaded", "at_ns": monotonic_ns()})
        await self.keeper.keep_book(WorkingBook(book, set_lists, view.hello["started_ns"], generation))
        await self._snapshot_of(generation)
        self._name_numbers()
        summary = {"generation": generation, "songs": len(book.songs), "set_list": book.set_list.name}
        self.tell({"kind": "loaded", "at_ns": monotonic_ns(), **summary})
        self.keeper.changed()

    async def _snapshot_of(self, generation: int) -> None:
        try:
            async with asyncio.timeout(REPLY_S):
                while self.view.snapshot.generation < generation:
                    self._snapshot_came.clear()
                    await self._snapshot_came.wait()
        except TimeoutError as error:
            raise EngineSilentError("the engine has loaded the book but not shown it") from error

    # What people ask

    async def command(self, action: str, argument: int | str | None = None, when: str = "now") -> None:
        """Have the show do something; raises CommandError and LinkError as the link does."""
        await self.link.command(action, argument, when)

    async def set_order(
        self, set_list: SetList, base: SetList | None = None, *, undoing: bool = False
    ) -> None:
        """Give tonight a new running order; with `base` it is that set of the folder from now on.

        The caller holds `changing`. `undoing`: it is the one before the last change.
        """
        before = self.view.set_list
        await self.link.order(set_list)
        if undoing:
            self.keeper.undo.pop()
        elif set_list != before:
            self.keeper.undo = [*self.keeper.undo, before][-MOST_UNDO:]
        if base is not None:
            self.keeper.origin = Origin(self.keeper.origin.chosen, base)
        self.keeper.changed()
        event = {"name": set_list.name, "order": list(set_list.order)}
        self.tell({"kind": "set-list", "at_ns": monotonic_ns(), **event})

    def saved(self, set_list: SetList) -> None:
        """Note that the file of the set now says this."""
        self.keeper.origin = Origin(self.keeper.origin.chosen, set_list)
        others = tuple(one for one in self.view.set_lists if one.name != set_list.name)
        self.view.set_lists = (*others, set_list)
        self.keeper.changed()

    def report(self) -> Plain:
        """Return the jitter report since this process was started."""
        report: Plain = self.measurements.report(monotonic_ns(), self.facts)
        return report

    async def last_minute(self) -> Plain:
        """Return the jitter report on the last minute."""
        async with self._working_out:
            at_ns, minute = self._minute
            if monotonic_ns() - at_ns > MINUTE_FRESH_NS:
                work_out = self.measurements.frozen_minute()
                minute = await asyncio.to_thread(work_out, monotonic_ns(), self.facts)
                self._minute = (monotonic_ns(), minute)
            return minute

    @property
    def facts(self) -> Plain:
        """What a report says of the machine: `realtime` and the kind of `ports`."""
        hello = self.view.hello
        return {"realtime": hello["realtime"], "ports": hello["ports"]}

    async def close(self) -> None:
        """Let streams end and write what has changed."""
        self.hub.close()
        writing = [self.keeper.close()]
        if "show_log" in vars(self):
            writing.append(self.show_log.close())
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.gather(*writing), CLOSE_S)
