"""Keeps the rig's ports open: opens what is there, notices what goes, tries again what is missing.

Runs on a thread of its own under SCHED_FIFO, one step below the clock, because RtMidi's input
threads inherit the scheduling of the thread that opens a port. Ten times a second it asks every open port
how it stands; ports are listed and opened when something is announced or a try is due. Listing and opening
can hold the interpreter for a while, so it is done in the gap right after a tick.

What may follow from what is seen of a port stands in the table of `routerd.ports.life`. What each change of
state means for the show is here: a port that leaves "open" for whatever reason is lost, and what it was
holding is ended when it comes back, by the one way in which every port is opened.

More than 350 lines: what is seen, what is done about it and what the show learns are one turn of one thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Container, Mapping
from functools import partial
from time import monotonic_ns, sleep
from typing import cast

from routerd.core.errors import PortError
from routerd.core.output.wire import Wire
from routerd.core.routing.input import Feed
from routerd.core.show.compiler import EMPTY_RIG, CompiledRig
from routerd.core.show.replica import LoseInput, LoseOutput, OpenInput, OpenOutput
from routerd.core.units import NS_PER_S
from routerd.engine.realtime import PORT_PRIORITY, make_thread_realtime
from routerd.engine.rig_port import RigPort, ends
from routerd.engine.worker import Worker
from routerd.link.messages import PortState, PortStates
from routerd.ports.base import SETTLE_S, Copyable, InputPort, OutputPort, PortInfo, PortSystem, StalledError
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
        self._compiled: CompiledRig = EMPTY_RIG
        self._wanted: CompiledRig | None = None
        self._wanted_ns = 0
        self._ports: dict[Feed | Wire, RigPort] = {}
        """Outputs first."""
        self._list_ns: int | None = None
        """When listing is tried again, after it has failed."""
        self._seen: Mapping[Feed | Wire, list[PortState]] = {}
        self._news = False
        """Whether something has been seen that is not in `_seen` yet."""
        self._stir = threading.Event()
        self._stopping = threading.Event()
        self.scanned = threading.Event()
        """Set once the ports of a rig have been listed."""
        self.at_work = threading.Lock()
        """Held while ports are asked, listed, opened or closed."""
        self.thread = threading.Thread(target=self._run, name="ports", daemon=True)

    def become_copy(self) -> None:
        """Be a copy in a process of its own, made while nothing was at work."""
        self._stir, self._stopping, self.at_work = threading.Event(), threading.Event(), threading.Lock()
        self._list_ns = 0  # what has come or gone meanwhile

    def go_on(self, known: Container[int]) -> None:
        """Begin in such a copy; `known`: when the messages came that have been taken, in ns."""
        self.thread = threading.Thread(target=self._run_on, args=(known,), name="ports", daemon=True)
        self.thread.start()

    # From other threads

    def keep(self, compiled: CompiledRig) -> None:
        """Keep the ports of this rig open from now on."""
        self._wanted_ns = monotonic_ns()
        self._wanted = compiled
        self._stir.set()

    def refresh(self) -> None:
        """List the ports again soon: some may have come or gone."""
        self._stir.set()

    def stop(self) -> None:
        """Close every port and end the thread."""
        self._stopping.set()
        self._stir.set()
        self.thread.join(0.5)

    def states(self) -> PortStates:
        """Return the state of each port of the rig when it was last checked.

        Ports that have not been checked yet are "opening", so that none of the rig is left out.
        """
        compiled = self._wanted or EMPTY_RIG
        seen, opening = self._seen, Life(self._wanted_ns)
        return PortStates(
            tuple(state for end in ends(compiled) for state in seen.get(end) or RigPort(end, opening).state())
        )

    # The port thread

    def _run_on(self, known: Container[int]) -> None:
        """As `_run`, in a copy: the ports that are open are heard first of all."""
        make_thread_realtime(PORT_PRIORITY)
        if isinstance(self._system, Copyable):
            self._system.go_on(known)
        self._run()

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
                with self.at_work:
                    self._update(self._wanted, stirred=stirred)
            except Exception as error:  # noqa: BLE001 - a mistake here must not end what keeps the ports
                self._worker.fault(error)
            self.scanned.set()
        self._close_all()

    def _update(self, compiled: CompiledRig, *, stirred: bool) -> None:
        if self._ask() or stirred or self._is_try_due():
            self._wait_for_gap()
            self._scan(compiled)
            self._news = True
        if self._news:
            self._publish()

    def _publish(self) -> None:
        self._news = False
        seen = {wanted.end: wanted.state() for wanted in self._ports.values()}
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
        return any(wanted.port is None and wanted.life.is_due(now_ns) for wanted in self._ports.values())

    # What is seen of ports that are open

    def _ask(self) -> bool:
        """Ask every port how it stands; True when one is not as it was, so that ports must be listed.

        Outputs first: what an input lets go of when it is lost must not go to an output that accepts no data.
        """
        stir = False
        bpm = self._worker.show.transport.clock.bpm
        self._system.allow_late(60 * NS_PER_S * bpm.denominator // bpm.numerator)
        lost = self._worker.lost
        for _ in range(len(lost)):
            wire, port, why = lost.popleft()
            wanted = self._ports.get(wire)
            if wanted is None or wanted.port is not port:
                continue
            if port.condition().kind == "stalled":
                continue  # it refused because it stands still, as is seen below
            self._see(wanted, Seen.REFUSED, why)
            wanted.close()
            stir = True
        for wanted in self._ports.values():
            if wanted.port is None:
                continue
            asked_ns = monotonic_ns()
            wanted.condition = wanted.port.condition()
            if wanted.condition.kind == "connected":
                wanted.sound_ns = asked_ns
            seen = _SEEN.get(wanted.condition.kind)
            if seen is Seen.STANDSTILL:
                # it stays connected, to be asked when that has ended
                self._see(wanted, seen, wanted.condition.why)
            elif seen is not None or wanted.life.state is not State.OPEN:
                stir = True
        return stir

    # What is seen of all ports

    def _scan(self, compiled: CompiledRig) -> None:
        if compiled is not self._compiled:
            self._take(compiled)
        try:
            inputs, outputs = self._list()
        except PortError as error:
            self._list_ns = monotonic_ns() + round(RETRY_S * NS_PER_S)
            stalled = isinstance(error, StalledError)
            for wanted in self._ports.values():
                self._see(wanted, Seen.STANDSTILL if stalled else Seen.UNREACHABLE, str(error))
                wanted.close()
            return
        self._list_ns = None
        for wanted in self._ports.values():
            self._check(wanted, outputs if wanted.is_output else inputs)
        # Who knows best what is wanted comes first, so that it is not taken by who would take any.
        for wanted in sorted(
            self._ports.values(),
            key=lambda wanted: (wanted.is_output, vagueness(wanted.pattern, wanted.usb)),
        ):
            if wanted.port is None:
                self._try(wanted, outputs if wanted.is_output else inputs)
        for wanted in self._ports.values():
            self._doubt(wanted, outputs if wanted.is_output else inputs)

    def _doubt(self, wanted: RigPort, listed: list[PortInfo]) -> None:
        """See whether the pattern of a port finds what was meant; that it finds nothing the state says."""
        taken = {
            other.port.info: other.devices[0].name
            for other in self._ports.values()
            if other is not wanted and other.port is not None and other.is_output == wanted.is_output
        }
        doubt = doubt_of(wanted.pattern, wanted.usb, listed, taken)
        wanted.doubt = None if doubt is None or doubt.kind == "none" else (doubt.text, doubt.remedy)

    def _list(self) -> tuple[list[PortInfo], list[PortInfo]]:
        try:
            return self._system.inputs(), self._system.outputs()
        except PortError:
            raise
        except Exception as error:  # no descriptor to be had, say: tried again, for devices may return
            raise PortError(f"looking for ports failed ({error}); tried every {RETRY_S:g} s") from error

    def _check(self, wanted: RigPort, listed: list[PortInfo]) -> None:
        """See what has become of a port that was opened."""
        if wanted.port is None:
            return
        info = next((info for info in listed if info.handle == wanted.port.info.handle), None)
        if info is None or wanted.rank(info) is None:
            self._see(wanted, Seen.ABSENT)
            wanted.close()
            return
        wanted.port.info = info  # it may have another name now
        if (better := wanted.better(self._free(wanted, listed))) is not None:
            self._see(wanted, Seen.ABSENT, f"{better.name!r} matches better")
            wanted.close()
        elif wanted.condition.kind == "disconnected":
            self._see(wanted, Seen.DISCONNECTED, wanted.condition.why)
            wanted.close()
        elif wanted.condition.kind == "connected" and wanted.life.state is not State.OPEN:
            wanted.close()  # it stands still no longer; opened anew, it carries nothing from before

    def _free(self, wanted: RigPort, listed: list[PortInfo]) -> list[PortInfo]:
        """Return the ports that no other of this direction has."""
        taken = {
            other.port.info.handle
            for other in self._ports.values()
            if other.port is not None and other.is_output == wanted.is_output
        }
        return [port for port in listed if port.handle not in taken]

    def _try(self, wanted: RigPort, listed: list[PortInfo]) -> None:
        """Open a port, if one matches and it is time."""
        info = match_port(wanted.pattern, self._free(wanted, listed), wanted.usb)
        if info is None:
            self._see(wanted, Seen.ABSENT)
            return
        if monotonic_ns() < wanted.life.next_try_ns():
            return
        self._see(wanted, Seen.FOUND)
        self._publish()  # before what may take a while
        try:
            wanted.port = self._open(wanted, info)
            wanted.sound_ns = monotonic_ns()
        except StalledError as error:
            self._see(wanted, Seen.STANDSTILL, str(error))
        except PortError as error:
            self._see(wanted, Seen.REFUSED, str(error))
        except Exception as error:  # noqa: BLE001 - as when listing
            self._see(wanted, Seen.REFUSED, f"opening it failed ({error})")
        else:
            self._see(wanted, Seen.OPENED)

    def _open(self, wanted: RigPort, info: PortInfo) -> InputPort | OutputPort:
        end, name = wanted.end, ", ".join(device.name for device in wanted.devices)
        if isinstance(end, Wire):
            return self._system.open_output(info, name)
        return self._system.open_input(info, end.receiver(self._worker.receiver), name)

    # What a change of state means for the show

    def _see(self, wanted: RigPort, seen: Seen, why: str = "") -> None:
        life, now_ns = wanted.life, monotonic_ns()
        was_open = life.state is State.OPEN
        if not life.see(seen, now_ns, why):
            return
        self._news = True
        is_open = life.state is State.OPEN
        if was_open and not is_open:
            self._with_show(partial(self._lose, wanted, life.error or "it has gone"))
        elif is_open and not was_open:
            self._with_show(partial(self._attach, wanted))

    def _with_show(self, function: Callable[[int], None]) -> None:
        """Have the show changed; when this returns all has been sent that will be because of it."""
        done = threading.Event()

        def change(now_ns: int) -> None:
            function(now_ns)
            done.set()

        self._worker.call(change)
        done.wait(_SHOW_WAIT_S)

    def _lose(self, wanted: RigPort, why: str, now_ns: int) -> None:
        worker = self._worker
        if isinstance(wanted.end, Feed):
            for input in wanted.end.inputs:
                worker.perform(LoseInput(input, why), now_ns)
        elif worker.ports.pop(wanted.end, None) is not None:  # else the worker has lost it by itself
            since_ns = wanted.condition.since_ns or wanted.sound_ns
            worker.perform(LoseOutput(wanted.end, (), why, since_ns), now_ns)

    def _attach(self, wanted: RigPort, now_ns: int) -> None:
        if isinstance(wanted.end, Feed):
            for input in wanted.end.inputs:
                self._worker.perform(OpenInput(input), now_ns)
        else:
            port = cast("OutputPort", wanted.port)  # as `_open` returns it for a wire
            self._worker.ports[wanted.end] = port
            self._worker.perform(OpenOutput(wanted.end, port.takes_pieces), now_ns)

    # Other rigs, and the end

    def _take(self, compiled: CompiledRig) -> None:
        keep = ends(compiled)
        gone = [self._ports.pop(end) for end in list(self._ports) if end not in keep]
        self._compiled = compiled
        for wanted in gone:
            if wanted.is_output and wanted.life.state is State.OPEN:
                self._with_show(partial(self._lose, wanted, "it has left the rig"))
        if any(wanted.is_output and wanted.port is not None for wanted in gone):
            sleep(SETTLE_S)  # what the show has sent on them at last, releases above all, is still under way
        for wanted in gone:
            wanted.close()
        ports = {end: self._ports.get(end) or RigPort(end, Life(self._wanted_ns)) for end in keep}
        self._ports = dict(sorted(ports.items(), key=lambda item: not item[1].is_output))
        self._system.provide(compiled.rig.devices)

    def _close_all(self) -> None:
        for wanted in self._ports.values():
            if not wanted.is_output:
                wanted.close()
        # Outputs are disconnected by the system itself, once Stop and note-offs have left them.
        self._ports.clear()
        self._system.close()
