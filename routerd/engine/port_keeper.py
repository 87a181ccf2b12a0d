"""Keeps the rig's ports open: opens what is there, notices what goes, tries again what is missing.

Runs on a thread of its own under SCHED_FIFO, one step below the clock, because RtMidi's input
threads inherit the scheduling of the thread that opens a port. Ten times a second it asks every open port
how it stands; ports are listed and opened when something is announced or a try is due. Listing and opening
can hold the interpreter for a while, so it is done in the gap right after a tick.

What may follow from what is seen of a port stands in the table of `routerd.ports.life`. What each change of
state means for the show is here: a port that leaves "open" for whatever reason is lost, and what it was
holding is ended when it comes back, by the one way in which every port is opened.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from functools import partial
from time import monotonic_ns, sleep
from typing import Any

from routerd.core.errors import PortError
from routerd.core.output.wire import Wire
from routerd.core.routing.feed import Feed
from routerd.core.show.compiler import EMPTY_BOOK, CompiledBook
from routerd.core.units import NS_PER_S
from routerd.engine.realtime import PORT_PRIORITY, make_thread_realtime
from routerd.engine.way import Way, ends
from routerd.engine.worker import Worker
from routerd.ports.base import CONNECTED, SETTLE_S, InputPort, OutputPort, PortInfo, PortSystem, StalledError
from routerd.ports.life import Life, Seen, State
from routerd.ports.patterns import doubt_of, match_port, vagueness

ASK_S = 0.1
"""How often open ports are asked how they stand."""

RETRY_S = 2.0
"""How often ports are listed again when that failed. Otherwise nothing is listed until the port system
announces a change, or a port may be tried again."""

_AFTER_TICK_NS = 300_000
_SHOW_WAIT_S = 0.5

_SEEN = {"disconnected": Seen.DISCONNECTED, "stalled": Seen.STANDSTILL}


class PortKeeper:
    """Opens and closes ports as the rig asks and the system offers; see the module's head."""

    def __init__(self, system: PortSystem, worker: Worker, changed: Callable[[], None]) -> None:
        self._system = system
        self._worker = worker
        self._changed = changed
        self._book: CompiledBook = EMPTY_BOOK
        self._wanted: CompiledBook | None = None
        self._wanted_ns = 0
        self._ways: dict[Feed | Wire, Way] = {}
        self._list_ns: int | None = None
        """When listing is tried again, after it has failed."""
        self._seen: Mapping[Feed | Wire, list[dict[str, Any]]] = {}
        self._stir = threading.Event()
        self._stopping = threading.Event()
        self.scanned = threading.Event()
        """Set once the ports of a rig have been listed."""
        self.thread = threading.Thread(target=self._run, name="ports", daemon=True)

    # From other threads

    def keep(self, book: CompiledBook) -> None:
        """Keep the ports of this book open from now on."""
        self._wanted_ns = monotonic_ns()
        self._wanted = book
        self._stir.set()

    def refresh(self) -> None:
        """List the ports again soon: some may have come or gone."""
        self._stir.set()

    def stop(self) -> None:
        """Close every port and end the thread."""
        self._stopping.set()
        self._stir.set()
        self.thread.join(0.5)

    def states(self) -> list[dict[str, Any]]:
        """Return the state of each port of the rig when it was last checked, as the link's `ports` has it.

        Ports that have not been checked yet are "opening", so that none of the rig is left out.
        """
        book = self._wanted or EMPTY_BOOK
        seen, opening = self._seen, Life(self._wanted_ns)
        return [state for end in ends(book) for state in seen.get(end) or Way(end, opening).plain()]

    # The port thread

    def _run(self) -> None:
        make_thread_realtime(PORT_PRIORITY)
        try:
            self._system.watch(self.refresh)
        except PortError:
            self._list_ns = 0  # what is wrong is reported when listing is tried
        while True:
            if stirred := self._stir.wait(ASK_S):
                self._stir.clear()
            if self._stopping.is_set():
                break
            if self._wanted is None:
                continue
            try:
                self._update(self._wanted, stirred=stirred)
            except Exception as error:  # noqa: BLE001 - a mistake here must not end what keeps the ports
                self._worker.fault(error)
            self.scanned.set()
        self._close_all()

    def _update(self, book: CompiledBook, *, stirred: bool) -> None:
        if self._ask() or stirred or self._is_try_due():
            self._wait_for_gap()
            self._scan(book)
        self._publish()

    def _publish(self) -> None:
        seen = {way.way: way.plain() for way in self._ways.values()}
        if seen != self._seen:
            self._seen = seen
            self._changed()

    def _wait_for_gap(self) -> None:
        wait_ns = self._worker.show.transport.clock.next_due_ns + _AFTER_TICK_NS - monotonic_ns()
        if 0 < wait_ns < NS_PER_S:
            sleep(wait_ns / NS_PER_S)

    def _is_try_due(self) -> bool:
        now_ns = monotonic_ns()
        if self._list_ns is not None and now_ns >= self._list_ns:
            return True
        return any(way.port is None and way.life.is_due(now_ns) for way in self._ways.values())

    # What is seen of ports that are open

    def _ask(self) -> bool:
        """Ask every port how it stands; True when one is not as it was, so that ports must be listed.

        Outputs first: what an input lets go of when it is lost must not go to an output that takes nothing.
        """
        stir = False
        allow_late = getattr(self._system, "allow_late", None)
        if allow_late is not None:
            allow_late(int(60 * NS_PER_S / self._worker.show.transport.clock.bpm))
        lost = self._worker.lost
        for _ in range(len(lost)):
            wire, port, why = lost.popleft()
            way = self._ways.get(wire)
            if way is None or way.port is not port:
                continue
            if port.condition().kind == "stalled":
                continue  # it refused because it stands still, as is seen below
            self._see(way, Seen.REFUSED, why)
            self._close(way)
            stir = True
        for way in sorted(self._ways.values(), key=lambda way: not way.is_output):
            if way.port is None:
                continue
            asked_ns = monotonic_ns()
            way.condition = way.port.condition()
            if way.condition.kind == "connected":
                way.sound_ns = asked_ns
            seen = _SEEN.get(way.condition.kind)
            if seen is Seen.STANDSTILL:
                self._see(way, seen, way.condition.why)  # it stays connected, to be asked when that has ended
            elif seen is not None or way.life.state is not State.OPEN:
                stir = True
        return stir

    # What is seen of all ports

    def _scan(self, book: CompiledBook) -> None:
        if book is not self._book:
            self._take(book)
        try:
            inputs, outputs = self._list()
        except PortError as error:
            self._list_ns = monotonic_ns() + round(RETRY_S * NS_PER_S)
            stalled = isinstance(error, StalledError)
            for way in self._outputs_first():
                self._see(way, Seen.STANDSTILL if stalled else Seen.UNREACHABLE, str(error))
                self._close(way)
            return
        self._list_ns = None
        for way in self._outputs_first():
            self._check(way, outputs if way.is_output else inputs)
        # Who knows best what is wanted comes first, so that it is not taken by who would take any.
        for way in sorted(
            self._ways.values(), key=lambda way: (way.is_output, vagueness(way.pattern, way.usb))
        ):
            if way.port is None:
                self._try(way, outputs if way.is_output else inputs)
        for way in self._ways.values():
            self._doubt(way, outputs if way.is_output else inputs)

    def _doubt(self, way: Way, listed: list[PortInfo]) -> None:
        """See whether the pattern of a port finds what was meant; that it finds nothing the state says."""
        taken = {
            other.port.info: other.devices[0].name
            for other in self._ways.values()
            if other is not way and other.port is not None and other.is_output == way.is_output
        }
        doubt = doubt_of(way.pattern, way.usb, listed, taken)
        way.doubt = None if doubt is None or doubt.kind == "none" else (doubt.text, doubt.remedy)

    def _list(self) -> tuple[list[PortInfo], list[PortInfo]]:
        try:
            return self._system.inputs(), self._system.outputs()
        except PortError:
            raise
        except Exception as error:  # no descriptor to be had, say: tried again, for devices may return
            raise PortError(f"looking for ports failed ({error}); tried every {RETRY_S:g} s") from error

    def _check(self, way: Way, listed: list[PortInfo]) -> None:
        """See what has become of a port that was opened."""
        if way.port is None:
            return
        info = next((info for info in listed if info.handle == way.port.info.handle), None)
        if info is None or way.rank(info) is None:
            self._see(way, Seen.ABSENT)
            self._close(way)
            return
        way.port.info = info  # it may have another name now
        if (better := self._better(way, listed)) is not None:
            self._see(way, Seen.ABSENT, f"{better.name!r} matches better")
            self._close(way)
        elif way.condition.kind == "disconnected":
            self._see(way, Seen.DISCONNECTED, way.condition.why)
            self._close(way)
        elif way.condition.kind == "connected" and way.life.state is not State.OPEN:
            self._close(way)  # it stands still no longer; opened anew, it carries nothing from before

    def _free(self, way: Way, listed: list[PortInfo]) -> list[PortInfo]:
        """Return the ports that no other way of this direction has."""
        taken = {
            other.port.info.handle
            for other in self._ways.values()
            if other.port is not None and other.is_output == way.is_output
        }
        return [port for port in listed if port.handle not in taken]

    def _better(self, way: Way, listed: list[PortInfo]) -> PortInfo | None:
        """Return a port that matches better than the one it has: that one only stood in for it."""
        best = match_port(way.pattern, self._free(way, listed), way.usb)
        has, could_have = way.rank(way.port.info), None if best is None else way.rank(best)
        return best if has is not None and could_have is not None and could_have < has else None

    def _try(self, way: Way, listed: list[PortInfo]) -> None:
        """Open a port, if one matches and it is time."""
        info = match_port(way.pattern, self._free(way, listed), way.usb)
        if info is None:
            self._see(way, Seen.ABSENT)
            return
        if monotonic_ns() < way.life.next_try_ns():
            return
        self._see(way, Seen.FOUND)
        self._publish()  # before what may take a while
        try:
            way.port = self._open(way, info)
            way.sound_ns = monotonic_ns()
        except StalledError as error:
            self._see(way, Seen.STANDSTILL, str(error))
        except PortError as error:
            self._see(way, Seen.REFUSED, str(error))
        except Exception as error:  # noqa: BLE001 - as when listing
            self._see(way, Seen.REFUSED, f"opening it failed ({error})")
        else:
            self._see(way, Seen.OPENED)

    def _open(self, way: Way, info: PortInfo) -> InputPort | OutputPort:
        end, name = way.way, ", ".join(device.name for device in way.devices)
        if isinstance(end, Wire):
            return self._system.open_output(info, name)
        return self._system.open_input(info, end.receiver(self._worker.receiver), name)

    def _close(self, way: Way) -> None:
        port, way.port, way.condition = way.port, None, CONNECTED
        if port is not None:
            port.close()

    def _outputs_first(self) -> list[Way]:
        return sorted(self._ways.values(), key=lambda way: not way.is_output)

    # What a change of state means for the show

    def _see(self, way: Way, seen: Seen, why: str = "") -> None:
        life, now_ns = way.life, monotonic_ns()
        was_open = life.state is State.OPEN
        if not life.see(seen, now_ns, why):
            return
        is_open = life.state is State.OPEN
        if was_open and not is_open:
            self._with_show(partial(self._lose, way, life.error or "it has gone"))
        elif is_open and not was_open:
            self._with_show(partial(self._attach, way))

    def _with_show(self, function: Callable[[int], None]) -> None:
        """Have the show changed; when this returns all has been sent that will be because of it."""
        done = threading.Event()

        def change(now_ns: int) -> None:
            function(now_ns)
            done.set()

        self._worker.call(change)
        done.wait(_SHOW_WAIT_S)

    def _lose(self, way: Way, why: str, now_ns: int) -> None:
        if isinstance(way.way, Feed):
            for input in way.way.inputs:
                self._worker.show.input_lost(input, now_ns, why=why)
        elif self._worker.ports.pop(way.way, None) is not None:  # else the worker has lost it by itself
            since_ns = way.condition.since_ns or way.sound_ns
            self._worker.show.output_lost(way.way, now_ns, why=why, since_ns=since_ns)

    def _attach(self, way: Way, now_ns: int) -> None:
        if isinstance(way.way, Feed):
            for input in way.way.inputs:
                self._worker.show.input_opened(input, now_ns)
        else:
            self._worker.ports[way.way] = way.port
            self._worker.show.output_opened(way.way, way.port.takes_pieces, now_ns)

    # Other books, and the end

    def _take(self, book: CompiledBook) -> None:
        keep = ends(book)
        gone = [self._ways.pop(way) for way in list(self._ways) if way not in keep]
        self._book = book
        for way in gone:
            if way.is_output and way.life.state is State.OPEN:
                self._with_show(partial(self._lose, way, "it has left the rig"))
        if any(way.is_output and way.port is not None for way in gone):
            sleep(SETTLE_S)  # what the show has sent on them at last, releases above all, is still under way
        for way in gone:
            self._close(way)
        for end in keep:
            if end not in self._ways:
                self._ways[end] = Way(end, Life(self._wanted_ns))
        provide = getattr(self._system, "provide", None)
        if provide is not None:  # the simulation makes the ports that the rig asks for
            provide(book.rig.devices)

    def _close_all(self) -> None:
        for way in self._ways.values():
            if not way.is_output:
                self._close(way)
        # Outputs are disconnected by the system itself, once Stop and note-offs have left them.
        self._ways.clear()
        self._system.close()
