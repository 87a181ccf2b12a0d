"""The engine process: puts worker, ports, link and supervision together, and takes them down cleanly.

More lines than most: what this process owns is made, kept going and ended here, and the order matters.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Container, Sequence
from time import monotonic_ns
from typing import Any

from routerd.core.errors import RouterdError
from routerd.core.model import events
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.timing import Segment
from routerd.core.show.compiler import CompiledRig
from routerd.core.show.replica import ShutDown
from routerd.core.show.show import Show
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.engine.crash_memory import open_crash_memory
from routerd.engine.guard import ENDING as SERVICE_ENDS
from routerd.engine.guard import Guard
from routerd.engine.port_keeper import PortKeeper
from routerd.engine.process import ENDING, Begun, SignalKeeper, ignore_all, slept_since, watch_suspension
from routerd.engine.realtime import (
    LOOP_PRIORITY,
    Facts,
    calm_interpreter,
    make_thread_realtime,
    prepare_process,
    spare_collector,
)
from routerd.engine.recovery import Recovery, RecoveryError, record_of, recover
from routerd.engine.server_link import ServerLink, counters_of, traffic_of
from routerd.engine.spare import Spares, Standing, populate
from routerd.engine.supervision import PING_EVERY_S, Notifier, Supervisor, in_step
from routerd.engine.warming import make_warmer
from routerd.engine.worker import Worker
from routerd.link.messages import Counters, EngineFacts, Happened, Hello, Reload, SpareState
from routerd.link.working_rig import UNREADABLE, Origin
from routerd.ports import open_system
from routerd.printing import LineStream, Log

FLUSH_EVERY_S = PING_EVERY_S
COUNTERS_EVERY_S = 2 * PING_EVERY_S
TICK_FRESH_NS = NS_PER_S
"""Ready only when the last tick is younger than this (at 10 BPM ticks are 250 ms apart)."""

DRAIN_S = 0.4
"""How long a stop waits for the last messages to leave slow wires."""

SCAN_S = 0.5
"""How long a stop waits for ports that are being opened, where an engine that died may have left notes."""

UNSENT_LIMIT = 1_000
"""Events that are kept for a server to come; the oldest go first."""

STEADY_NS = 10 * NS_PER_S
"""An engine that has lived so long has not died of what it went on from."""

THREAD_STACK_BYTES = 512 * 1024

SPARE_LOOK_S = PING_EVERY_S / 2
SPARE_AGAIN_S = 0.003
SPARE_ASKED_S = 0.3
"""How long a takeover that is asked for waits, so that the server can answer whoever has asked."""

SPARE_SETTLE_NS = 500 * NS_PER_MS
"""A spare is made when neither rig nor ports have changed for so long."""

SPARE_CHECK_NS = NS_PER_S
"""How often its state is compared."""


class Engine:
    """One run of the service."""

    def __init__(self, begun: Begun, signals: SignalKeeper, log: Log, guard: Guard | None = None) -> None:
        """With a `guard` there is a parent, and a spare."""
        options = self._options = begun.options
        self._begun = begun
        self._log = log
        self._say = log.say
        self._warnings = begun.warnings
        self._signals = signals
        threading.stack_size(THREAD_STACK_BYTES)  # before memory is locked: all of it would be
        self._started_ns = monotonic_ns()
        self._system = open_system(options.ports, far_end_port=options.far_end_port)
        self._facts: Facts = prepare_process()
        self._origin = Origin(str(options.folder), options.set_name)
        self._memory = open_crash_memory(options.state_dir, self._warn)
        self._recovery = self._recover()
        """The show that goes on where another engine has died, until the server brings a newer rig."""
        self._remembers = self._recovery is None
        """Whether the memory shows the whole show, as it does not while songs are still to come."""
        show = Show(monotonic_ns()) if self._recovery is None else self._recovery.show
        self._worker = Worker(show, self._outbox_filled)
        self._worker.warm = make_warmer(self._started_ns)
        self._unsent: deque[Happened] = deque(maxlen=UNSENT_LIMIT)
        self._completing: asyncio.Task[None] | None = None
        self._resumed_gap_ms = None if self._recovery is None else round(self._recovery.gap_ns / NS_PER_MS)
        self._suspensions = watch_suspension()
        self._keeper = PortKeeper(self._system, self._worker, self._ports_changed)
        self._notifier = Notifier.from_environment(os.environ)
        self._supervisor = self._make_supervisor()
        self._retired: list[object] = []
        """What belongs to the engine that this one has been a copy of: never freed, as that would end it."""
        self._spares: Spares | None = None
        if guard is not None:
            self._spares = Spares(
                guard,
                self._worker,
                self._facts,
                system=self._system,
                retreat=self._become_copy,
                resume=self._resume,
            )
            self._worker.begin = self._spares.hold
        self._loop: asyncio.AbstractEventLoop | None = None
        self._flush_scheduled = False
        self._port_changes = 0
        self._spare_of = (0, 0)
        """The rig and the changes of ports that the spare knows of."""
        self._ready = False
        self._reload_wanted = False
        self._unkept = ""
        self._ended: asyncio.Event | None = None
        self._status = 0

    async def run(self) -> int:
        """Run until a signal or a refusal; return the exit status."""
        self._loop = asyncio.get_running_loop()
        self._ended = asyncio.Event()
        self._signals.attach(self._loop, self._end, self._reload)
        if self._options.lifeline is not None:
            self._loop.add_reader(self._options.lifeline, self._end, "whoever started this service has gone")
        clock = threading.Thread(target=self._worker.run, name="clock", daemon=True)
        make_thread_realtime(LOOP_PRIORITY)
        calm_interpreter()
        if self._memory is not None:
            self._worker.mark = self._memory.mark
        clock.start()
        if self._recovery is not None:
            self._keeper.keep(self._recovery.show.compiled)
            self._completing = asyncio.create_task(self._complete(self._recovery))
        self._keeper.thread.start()
        return await self._run_beside(clock, self._ended)

    async def _run_beside(self, clock: threading.Thread, ended: asyncio.Event) -> int:
        """Run all that is slow, beside the thread that keeps time, until the end."""
        tasks = [
            asyncio.create_task(self._supervisor.run()),
            asyncio.create_task(self._flush_regularly()),
            asyncio.create_task(self._keep_house(clock)),
        ]
        if self._spares is not None:
            tasks.append(asyncio.create_task(self._keep_spare(self._spares)))
        ending = asyncio.create_task(ended.wait())
        await asyncio.wait([*tasks, ending], return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            if task.done() and task.exception() is not None:
                self._say(f"the engine fails: {task.exception()!r}", "error")
                self._status = 1
                self._remembers = False  # the next one goes on from where this one was
        await self._shut_down(tasks, clock)
        return self._status

    def _end(self, why: str) -> None:
        if self._ended is not None and not self._ended.is_set():
            self._say(f"{why}: ending", "info")
            self._ended.set()
        if self._loop is not None and self._options.lifeline is not None:
            self._loop.remove_reader(self._options.lifeline)

    def _reload(self) -> None:
        """Have the server process read the rig folder again, now or as soon as it can."""
        link = self._supervisor.link
        self._reload_wanted = link is None or not link.open
        if link is not None:
            link.send(Reload())

    async def _shut_down(self, tasks: list[asyncio.Task[None]], clock: threading.Thread) -> None:
        self._notifier.stopping()
        if self._spares is not None:
            self._spares.words[SERVICE_ENDS] = self._status == 0
            self._spares.end()
        self._supervisor.stopping = True
        silent = asyncio.Event()
        loop = asyncio.get_running_loop()
        show = self._worker.show
        if self._resumed_gap_ms is not None:  # devices may still play what a dead engine has left
            await asyncio.to_thread(self._keeper.scanned.wait, SCAN_S)
        self._worker.call(
            lambda now_ns: self._worker.perform(ShutDown(), now_ns),
            lambda: loop.call_soon_threadsafe(silent.set),  # type: ignore[arg-type]
        )
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(silent.wait(), DRAIN_S)
            until_ns = monotonic_ns() + int(DRAIN_S * NS_PER_S)
            while not show.drained(monotonic_ns()) and monotonic_ns() < until_ns:  # noqa: ASYNC110
                await asyncio.sleep(0.005)  # a wire sets no event when its last byte has left
        self._flush()
        stopping = asyncio.create_task(self._supervisor.stop())
        self._worker.stop()
        clock.join(0.2)
        self._keeper.stop()
        await stopping
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if self._memory is not None and self._status == 0:
            self._memory.forget()

    # The spare

    async def _keep_spare(self, spares: Spares) -> None:
        """See that there is a spare that knows everything, from when the rig is in and its ports are open."""
        changed_ns, seen = monotonic_ns(), (0, 0)
        checked_ns = 0
        while True:
            await in_step(SPARE_LOOK_S)
            now_ns = monotonic_ns()
            standing = spares.standing()
            state = self._seen_now()
            if state != seen:
                changed_ns, seen = now_ns, state
            spares.wanted = self._options.spare or self._worker.show.compiled.rig.spare
            if not spares.wanted:
                if standing is not Standing.NONE:
                    self._worker.call(lambda _: spares.dismiss())
            elif standing is Standing.READY and state == self._spare_of:
                if now_ns - checked_ns > SPARE_CHECK_NS:
                    checked_ns = now_ns
                    self._worker.call(spares.check)
            elif standing is Standing.COMING and state == self._spare_of:
                pass
            elif spares.possible and state[0] and now_ns - changed_ns > SPARE_SETTLE_NS and self._remembers:
                if standing is Standing.DIFFERS:
                    self._say("the spare was not in the state of the engine; another one is made")
                await self._make_spare(spares)
                self._spare_of = state

    async def _make_spare(self, spares: Spares) -> None:
        """Have the clock thread make one, in a gap, while no port is asked or opened."""
        loop, made = asyncio.get_running_loop(), False
        while not made:
            if not self._keeper.at_work.acquire(blocking=False):
                await asyncio.sleep(SPARE_AGAIN_S)
                continue
            tried: asyncio.Future[bool] = loop.create_future()

            def make(_now_ns: int, tried: asyncio.Future[bool] = tried) -> None:
                result = spares.make()
                loop.call_soon_threadsafe(tried.set_result, result)

            self._worker.call(make)
            try:
                made = await tried
            finally:
                self._keeper.at_work.release()
            if not made:
                await asyncio.sleep(SPARE_AGAIN_S)
        while spares.standing() is Standing.COMING:  # what it has copied need not be copied here  # noqa: ASYNC110
            await asyncio.sleep(SPARE_AGAIN_S)
        await asyncio.to_thread(populate)

    def _take_over(self) -> str:
        """Have the spare take over as soon as whoever has asked knows; return why it cannot."""
        spares = self._spares
        if spares is None or self._loop is None:
            return "this service runs without a spare"
        if not spares.wanted:
            return "there is no spare: rig.yaml says spare: false"
        if spares.standing() is not Standing.READY or self._spare_of != self._seen_now():
            return f"the spare is not ready: {spares.failed or 'it is being made'}"
        self._loop.call_later(SPARE_ASKED_S, spares.ask)
        return ""

    def _seen_now(self) -> tuple[int, int]:
        """Return the rig in force, and how often ports have changed: what a spare has to know of."""
        return self._worker.show.generation, self._port_changes

    def _become_copy(self) -> None:
        """In the spare: what belongs to the engine is let be."""
        self._retired += [self._supervisor, self._loop, self._ended, self._completing, sys.stderr]
        sys.stderr = sys.__stderr__
        self._loop = self._ended = self._completing = None
        self._flush_scheduled = False
        self._unsent.clear()
        self._log.writer = None
        self._supervisor.become_copy()
        self._keeper.become_copy()

    def _resume(self, known: Container[int]) -> None:
        """In a spare that has taken over, on the clock thread behind the first tick: begin with the rest.

        `known`: when the messages came that have been taken, in ns.
        """

        def end(number: int, _frame: object) -> None:
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._end, signal.Signals(number).name)

        def reload(_number: int, _frame: object) -> None:
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._reload)

        for number in ENDING:
            signal.signal(number, end)
        signal.signal(signal.SIGHUP, reload)
        self._keeper.go_on(known)
        threading.Thread(target=self._run_on, name="loop", daemon=True).start()

    def _run_on(self) -> None:
        """Be the event loop of an engine that has taken over, until the end of the process."""
        status = 1
        try:
            make_thread_realtime(LOOP_PRIORITY)
            writer = self._log.begin(lambda: make_thread_realtime(LOOP_PRIORITY))
            if self._spares is not None:
                self._say(f"{self._spares.story()}; the spare has taken over", "warning", pid=os.getpid())
            with contextlib.redirect_stderr(LineStream(writer, self._log.form)):
                status = asyncio.run(self._go_on())
            self._say("stopped", "info" if status == 0 else "error", status=status)
            writer.close()
        finally:
            os._exit(status)

    async def _go_on(self) -> int:
        self._loop, self._ended = asyncio.get_running_loop(), asyncio.Event()
        before, self._supervisor = self._supervisor, self._make_supervisor(adopts=True)
        self._supervisor.restarts = before.restarts
        self._ready = False
        if self._spares is not None:
            await asyncio.to_thread(self._spares.end_with_parent)
        if self._options.lifeline is not None:
            self._loop.add_reader(self._options.lifeline, self._end, "whoever started this service has gone")
        return await self._run_beside(threading.main_thread(), self._ended)

    # After an engine that has died

    def _recover(self) -> Recovery | None:
        if self._memory is None:
            return None
        try:
            recovery = recover(self._memory, self._options.state_dir, self._origin, monotonic_ns())
        except RecoveryError as why:
            if str(why):
                self._say(f"an engine has died here; not going on from where it was: {why}")
            return None
        song = recovery.show.snapshot().song
        gap_s = recovery.gap_ns / NS_PER_S
        self._say(f"an engine has died here; going on in {song!r}, {gap_s:.3f} s without a tick")
        return recovery

    async def _complete(self, recovery: Recovery) -> None:
        """Compile the songs that are still to come."""
        try:
            compiled = await recovery.rest(self._worker)
        except (*UNREADABLE, RouterdError) as error:
            words = f"the rest of the last working rig makes no sense ({error!r}); the server sends it anew"
            self._say(words)
            return
        self._remembers = True

        def complete(now_ns: int) -> None:
            self._worker.break_off()
            recovery.complete(compiled, now_ns)

        self._worker.call(complete)
        spare_collector()

    # Towards the server

    def _make_supervisor(self, *, adopts: bool = False) -> Supervisor:
        return Supervisor(
            self._begun,
            self._make_link,
            self._greet,
            self._say,
            adopts=adopts,
        )

    def _make_link(self, ponged: Any, serving: Any) -> ServerLink:
        return ServerLink(
            self._worker, self._loaded, self._refused, ponged, serving, take_over=self._take_over
        )

    def _greet(self) -> Hello:
        recovery = self._recovery
        reload_wanted, self._reload_wanted = self._reload_wanted, False
        return Hello(
            pid=os.getpid(),
            ports=self._system.kind,
            generation=self._worker.show.generation,
            realtime=self._facts.granted(),
            started_ns=self._started_ns,
            rig_from_ns=self._started_ns if recovery is None else recovery.head.engine_started_ns,
            server_restarts=self._supervisor.restarts,
            port_states=self._keeper.states(),
            counters=self._counters(),
            facts=self._facts_now(),
            resumed_gap_ms=self._resumed_gap_ms,
            brings_old_rig=recovery is not None,
            reload_wanted=reload_wanted,
        )

    def _loaded(self, compiled: CompiledRig) -> None:
        self._keeper.keep(compiled)
        self._send_ports()
        self._recovery, self._remembers = None, True
        spare_collector()

    def _refused(self, problems: Sequence[str]) -> None:
        """The server cannot start and there is no show to protect: say why and end."""
        if self._worker.show.generation or self._ended is None:
            return
        for problem in problems:
            self._say(problem, "error")
        self._status = 1
        self._ended.set()

    def _outbox_filled(self) -> None:
        """Called by the worker, on whatever thread: have the event loop empty the outbox."""
        if not self._flush_scheduled and self._loop is not None:
            self._flush_scheduled = True
            self._loop.call_soon_threadsafe(self._flush)

    def _ports_changed(self) -> None:
        self._port_changes += 1
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._send_ports)

    def _send_ports(self) -> None:
        if self._supervisor.link is not None:
            self._supervisor.link.send(self._keeper.states())

    def _flush(self) -> None:
        self._flush_scheduled = False
        link, reported = self._supervisor.link, self._worker.show.ticks.number - 1
        records, dropped = self._worker.take_records()
        taps = self._worker.recorder.take_taps()
        if link is not None and link.open:
            while self._unsent:
                link.send(self._unsent.popleft())
        if link is not None:
            link.send_ticks(records)
            link.send_taps(taps)
            if dropped is not None:
                link.send(dropped)
            if self._spares is not None:
                self._spares.note_reported(reported)
        outbox = self._worker.outbox
        while outbox:
            note = outbox.popleft()
            if not isinstance(note, Snapshot | Segment | Happened):
                note()
                continue
            if isinstance(note, Snapshot):
                self._remember(note)
            if link is not None and link.open:
                link.send(note)
            elif isinstance(note, Happened):
                self._unsent.append(note)

    def _remember(self, snapshot: Snapshot) -> None:
        if self._memory is not None and self._remembers:
            why = self._memory.keep(record_of(snapshot, self._origin))
            if why:
                why = f"where the show stands cannot be kept: {why}; another engine would start afresh"
                if not self._unkept:
                    self._say(why)
            self._unkept = why

    async def _flush_regularly(self) -> None:
        while True:
            await in_step(FLUSH_EVERY_S)
            self._flush()

    async def _keep_house(self, clock: threading.Thread) -> None:
        """Once a second: counters, young garbage, readiness and the watchdog."""
        worker = self._worker
        while clock.is_alive():
            await in_step(min(COUNTERS_EVERY_S, self._notifier.feed_every_s or COUNTERS_EVERY_S))
            gc.collect(0)
            self._check_for_suspension()
            if self._supervisor.link is not None:
                self._supervisor.link.send(self._facts_now())
                self._supervisor.link.send(self._counters())
                self._supervisor.link.send(traffic_of(self._worker))
            last_tick_ns, now_ns = worker.show.ticks.due_ns, monotonic_ns()
            fresh = now_ns - last_tick_ns < TICK_FRESH_NS
            if not self._ready and fresh and worker.show.generation and self._keeper.scanned.is_set():
                self._ready = True
                self._notifier.ready(self._describe_service())
            elif self._ready:
                self._notifier.status(self._describe_service())
            self._notifier.feed(last_tick_ns, now_ns)
            if self._memory is not None and now_ns - self._started_ns > STEADY_NS:
                self._memory.note_tries(0)
        raise RouterdError("the clock thread has ended")

    def _describe_service(self) -> str:
        """Return the one line that `systemctl status` shows."""
        ports = self._keeper.states().ports
        opened = sum(port.state == "open" for port in ports)
        return f"{self._worker.show.compiled.rig.name}: ticking, {opened} of {len(ports)} ports open"

    def _check_for_suspension(self) -> None:
        if slept_ns := slept_since(self._suspensions):
            slept_s = round(slept_ns / NS_PER_S, 1)
            self._worker.post(Happened(events.Suspended(monotonic_ns(), slept_s)))
            self._keeper.refresh()  # USB devices may have gone and come back without a word

    def _warn(self, text: str) -> None:
        self._say(text)
        self._warnings.append(text)

    def _facts_now(self) -> EngineFacts:
        warnings = (*self._warnings, *filter(None, [self._unkept]))
        spare = SpareState() if self._spares is None else self._spares.state()
        return EngineFacts(tuple(self._worker.flooding(monotonic_ns())), warnings, spare)

    def _counters(self) -> Counters:
        return counters_of(
            self._worker,
            malformed=self._system.malformed,
            server_restarts=self._supervisor.restarts,
            suspensions=self._suspensions.count,
        )


def run(begun: Begun, signals: SignalKeeper, log: Log, guard: Guard | None = None) -> int:
    """Run the service, with a spare where there is a guard; return its exit status."""
    try:
        engine = Engine(begun, signals, log, guard)
    except RouterdError as error:
        begun.give_up()
        log.say(str(error), "error")
        return 1
    writer = log.begin(lambda: make_thread_realtime(LOOP_PRIORITY))
    with contextlib.redirect_stderr(LineStream(writer, log.form)):
        status = asyncio.run(engine.run())
        ignore_all()
    log.say("stopped", "info" if status == 0 else "error", status=status)
    writer.close()
    return status
