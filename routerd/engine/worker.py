"""The real-time worker: the one thread that the show belongs to, and the way of inputs into it.

The show is single-threaded; whoever holds the lock may call it. The clock thread takes the lock
for every tick. An input thread puts its message into the inbox and, when the lock is free, carries
everything in the inbox through the show itself: a message then costs no change of thread. When the
lock is taken, its holder empties the inbox before it lets go. Threads that are not real-time only
ever put calls into the inbox and wake the clock thread, so none of them can hold the lock while
the machine is busy with something else.

A deadline takes two calls of `Show.advance`. The first, made ahead of the deadline, puts nothing but the
ticks into the sink, so that only the sending is left for the instant itself. What waited for them (changes,
Start, pulses, bulk data) comes with the second, which is due at once: in the gap right behind the tick, where
there is most time until the next one.

Nothing here logs, parses or waits for anything but the next deadline. What others should know goes
into bounded queues (`records`, `outbox`) that the event loop empties; overflow is counted and reported.

More than 400 lines: the lock, the inbox and the ways out are one state, and a message passes few functions.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from time import monotonic_ns, sleep

from routerd.core.errors import PortError
from routerd.core.midi.messages import TICK_BYTES
from routerd.core.model import events
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.timing import Segment
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.input import Input
from routerd.core.show.replica import LoseOutput, Request, pack, perform
from routerd.core.show.show import Show
from routerd.core.units import NEVER_NS
from routerd.engine.journal import AT, Writer
from routerd.engine.realtime import (
    BURST,
    CLOCK_PRIORITY,
    FloodLimit,
    keep_interpreter,
    make_thread_realtime,
    share_interpreter,
)
from routerd.engine.recorder import Recorder
from routerd.link.frames import OWN_RATE, TickRecord
from routerd.link.messages import Happened
from routerd.ports.base import OutputPort, Received, StalledError

SPIN_NS = 200_000
"""The thread wakes this long before a deadline: some 25 µs go by until it runs, 80 µs until a tick is
worked out by a processor that has done something else meanwhile; it watches the clock for the rest."""

RECORD_LIMIT = 20_000
OUTBOX_LIMIT = 5_000
INBOX_LIMIT = 1_000
"""With more than so many messages on their way an input thread waits until it is its turn to carry: all
inputs together are slowed down to what can be routed; what is too much stays with the operating system."""

FAULT_AGAIN_NS = 10_000_000_000
"""A fault that comes with every message shall not fill the log."""

TICK_CHECK_EVERY = 16
"""After so many sends in one go, check whether a tick has come due meanwhile."""

WARM_EVERY_NS = 5_000_000
"""After so long without a message the way of one is gone through without effect, see `warming`."""

PLAYED_NS = 10_000_000_000
"""But only until so long after the last one: while nobody plays it would be for nothing."""

WARM_ROOM_NS = 2_000_000
"""And not when the next deadline is so near."""

GRID_EVERY_NS = 50_000_000
"""Tempo may change with every tick; it is reported no more often than this."""


@dataclass(frozen=True, slots=True)
class Call:
    """Something that the clock thread is to do: `function(now_ns)`, and `then` once its effects are out."""

    function: Callable[[int], None]
    then: Callable[[], None] | None = None


Arrival = tuple[Input, bytes, int]
"""A message on its way: the input, its bytes, and when it arrived."""

Note = Snapshot | Segment | Happened | Callable[[], None]
"""For the event loop: what goes to the server as it is, or a call."""


class Worker:
    """Runs a show. `call` and `receiver` may be used from any thread, `run` is the clock thread's body."""

    def __init__(self, show: Show, on_outbox: Callable[[], None]) -> None:
        self.show = show
        self._effects, self._ticks, self._clock = show.effects, show.ticks, show.transport.clock
        self._loops = show.routes.loops
        self.ports: dict[Wire, OutputPort] = {}
        self.lost: deque[tuple[Wire, OutputPort, str]] = deque()
        """Ports that have refused a message, and why; the port thread takes them from here."""
        self.records: deque[TickRecord] = deque()
        self.recorder = Recorder()
        self.outbox: deque[Note] = deque()
        self.priority = 0
        self.received = 0
        self.sent = 0
        self.faults = 0
        self.last_fault = ""
        self._fault_reported_ns = 0
        self.records_dropped = 0
        self.outbox_dropped = 0
        self._dropped_span: tuple[int, int] | None = None
        self.journal: Writer | None = None
        """Where a spare reads what the show is given; None without one."""
        self._words: list[int] | memoryview[int] = [0] * 4
        """The journal's, see there: how far sending has come."""
        self.begin: Callable[[], None] = lambda: None
        """Called by the clock thread before anything else."""
        self.mark: Callable[[int], None] = lambda _: None
        """Called with the number of each tick when it has gone out."""
        self.warm: Callable[[int], None] = lambda _: None
        """Called by the clock thread with the time when nothing has come for a while, see `warming`."""
        self._warmed_ns = 0
        self._received_then = 0
        self._played_ns = 0
        self._on_outbox = on_outbox
        self._inbox: deque[Arrival | Call] = deque()
        self._lock = threading.Lock()
        self._wake = threading.Lock()
        self._wake.acquire()
        self._planned_ns = 0
        self._hands_off_ns = 0
        """From then on the lock is left to the clock thread: it is up, or about to be."""
        self._flood_limits: dict[str, FloodLimit] = {}
        """Of the input that a device had last."""
        self._revision = -1
        self._segment = self._clock.segment
        self._grid_ns = 0
        """From then on another grid is posted, also when nothing else has changed."""
        self._stopping = False

    # From other threads

    def receiver(self, input: Input) -> Received:
        """Return what an input port of that input's device calls with each message."""
        inbox = self._inbox
        flood = partial(events.Flood, device=input.name)
        limit = FloodLimit(lambda: self.post(Happened(flood(monotonic_ns()))))
        self._flood_limits[input.name] = limit
        take, let_go = self._lock.acquire, self._lock.release

        def received(data: bytes, at_ns: int) -> None:
            # Most of what a message costs is finding this code in the processor's caches: so there is little
            # of it on the way that most messages take (2), and what can wait comes behind the message.
            if at_ns >= self._hands_off_ns or inbox or not take(False):
                # 1. The clock is up or about to be, others are waiting, or somebody holds the lock: queue up
                #    behind them, so that no message overtakes another and no tick waits for a message.
                #    Whoever holds the lock carries this one, too; else this thread does.
                if len(inbox) > INBOX_LIMIT:
                    self._wait_for_room()
                if (journal := self.journal) is not None:
                    journal.waits(input.number, data, at_ns)
                inbox.append((input, data, at_ns))
                self._carry()
            else:
                # 2. Nobody is about: carry it through the show here and now.
                try:
                    self._take_message(input, data, at_ns)
                    earlier = self.show.next_deadline_ns() < self._planned_ns
                finally:
                    let_go()
                # 3. If something is due earlier now than the clock thread sleeps until, let it plan anew.
                if earlier:
                    self._rouse()
                # 4. Who came while the lock was held has left its message to its holder: to us.
                if inbox:
                    self._carry()
            # 5. Count towards a flood only now, behind the message.
            limit.count += 1
            if limit.count >= BURST:
                limit.check(monotonic_ns())

        return received

    def call(self, function: Callable[[int], None], then: Callable[[], None] | None = None) -> None:
        """Have the clock thread call `function(now_ns)` with the show at rest; returns at once.

        `then` is called on the clock thread when the effects are out and their snapshot is in the outbox.
        """
        self._inbox.append(Call(function, then))
        self._rouse()

    def play(self, input: Input, data: bytes) -> None:
        """Take a message as if the input's device had played it now, on the clock thread; returns at once."""
        at_ns = monotonic_ns()

        def carry(_now_ns: int) -> None:
            with self.show.learning_nothing():
                self._take_message(input, data, at_ns)

        self.call(carry)

    def post(self, message: Snapshot | Segment | Happened) -> None:
        """Put something for the server into the outbox; what is too much is dropped and counted."""
        if len(self.outbox) >= OUTBOX_LIMIT:
            self.outbox_dropped += 1
            return
        self.outbox.append(message)
        self._on_outbox()

    def post_call(self, function: Callable[[], None]) -> None:
        """Have the event loop call a function, behind all that was posted before; never dropped."""
        self.outbox.append(function)
        self._on_outbox()

    def keep_journal(self, journal: Writer | None) -> None:
        """Tell a spare what the show is given from now on, or nobody; called with the show at rest."""
        self.journal = journal
        self._words = [0] * 4 if journal is None else journal.words

    def perform(self, request: Request, now_ns: int) -> None:
        """Have the show do what is asked; called with the show at rest. Raises as the show does."""
        if self.journal is not None:
            self.journal.request(pack(request, self.show.compiled), now_ns)
        perform(self.show, request, now_ns)

    def be_nobodys(self) -> None:
        """Carry messages on the threads that bring them, for ever: no clock thread will run."""
        self._hands_off_ns = NEVER_NS
        self._flush()
        self.outbox.clear()

    def become_copy(self) -> None:
        """Be a copy of the worker that has called this process into being, in a `Call`: all it had to do is
        done there, and its thread's lock is nobody's here."""
        self._lock.release()
        self.begin = lambda: None
        for queue in (self._inbox, self.outbox, self.records):
            queue.clear()
        self.recorder.on = False
        self.keep_journal(None)

    def take_over(self, rest: Sink, at_ns: int, from_tick: int) -> None:
        """Send at `at_ns` what another worker has left to send; called before `run`, by the same thread.

        The records of the ticks from `from_tick` on have gone with the other one.
        """
        self._effects.sink[:] = rest
        self._revision = -1
        while monotonic_ns() < at_ns:
            pass
        self._flush()
        self.mark(self._ticks.number)
        if from_tick <= self._ticks.number:
            self._dropped_span = (from_tick, self._ticks.number)
            self.records_dropped = self._ticks.number - from_tick + 1

    def take_late(self, number: int, data: bytes, at_ns: int) -> None:
        """Take a message that another worker had received, and not yet taken; called before `run`."""
        inputs = self.show.compiled.inputs
        if number < len(inputs):
            self._inbox.append((inputs[number], data, at_ns))

    def break_off(self) -> None:
        """What is done to the show next cannot be told to a spare; called with the show at rest."""
        if self.journal is not None:
            self.journal.break_off()

    def flooding(self, now_ns: int) -> list[str]:
        """Return the devices whose inputs are held back because they flood."""
        return [device for device, limit in list(self._flood_limits.items()) if limit.floods(now_ns)]

    def is_at_work(self, ahead_ns: int) -> bool:
        """Return whether something is carried through the show, or a deadline is within `ahead_ns`."""
        return self._lock.locked() or 0 < self._hands_off_ns < monotonic_ns() + ahead_ns

    def stop(self) -> None:
        """Let `run` return."""
        self._stopping = True
        self._rouse()

    def take_records(self) -> tuple[list[TickRecord], Happened | None]:
        """Return the tick records so far and, when some had to be dropped, an event that says which."""
        records = self.records
        taken = [records.popleft() for _ in range(len(records))]
        span, self._dropped_span = self._dropped_span, None
        if span is None:
            return taken, None
        count, self.records_dropped = self.records_dropped, 0
        return taken, Happened(events.RecordsDropped(monotonic_ns(), count, *span))

    # The clock thread

    def run(self) -> None:
        """Keep time until `stop`."""
        self.begin()
        self.priority = make_thread_realtime(CLOCK_PRIORITY)
        show = self.show
        while not self._stopping:
            with self._lock:
                deadline_ns = show.next_deadline_ns()
                now_ns = monotonic_ns()
                if deadline_ns - now_ns <= SPIN_NS:
                    # 1. Work it out ahead, as at the deadline, and let no other thread have the interpreter
                    #    meanwhile: only the sending is left for the instant.
                    keep_interpreter()
                    at_ns = max(now_ns, deadline_ns)
                    if self.journal is not None:
                        self.journal.advance(at_ns)
                    self._guard(show.advance, at_ns)
                    # 2. Wait for the instant with open eyes, and send the ticks, if it was for ticks.
                    self._send_ticks(deadline_ns)
                    # 3. Send whatever else there is. Behind ticks the show is due again at once, so the next
                    #    turn is its second call, with what waited for them; nobody gets the lock in between
                    #    who would not have to queue up (`_hands_off_ns` still lies behind us).
                    self._flush()
                    if self.journal is not None:
                        self.journal.done()
                    continue
                # 4. There is time: carry what the others could not, up to the moment in which 1 is due.
                if self._inbox:
                    self._drain(deadline_ns - SPIN_NS)
                    deadline_ns = show.next_deadline_ns()
                # 5. From here on inputs may take the lock until shortly before the deadline.
                self._planned_ns = deadline_ns
                self._hands_off_ns = deadline_ns - SPIN_NS
            # 6. What came between 4 and the release of the lock would have nobody to carry it.
            if self._inbox:
                continue
            # 7. Sleep until then, unless a call or an earlier deadline rouses us, or it is time to warm up.
            while True:
                now_ns = self._keep_warm()
                rest_ns = max(0, self._hands_off_ns - now_ns)
                warms = rest_ns > WARM_EVERY_NS and self._plays(now_ns)
                if self._wake.acquire(timeout=(WARM_EVERY_NS if warms else rest_ns) / 1e9) or not warms:
                    break

    def _keep_warm(self) -> int:
        """Go through the way of a message if none has come for a while and nothing is due; give the time."""
        now_ns = monotonic_ns()
        if self._received_then != self.received:
            self._received_then, self._played_ns = self.received, now_ns
        elif (
            now_ns - self._warmed_ns >= WARM_EVERY_NS
            and now_ns + WARM_ROOM_NS <= self._hands_off_ns
            and self._plays(now_ns)
        ):
            self._warmed_ns = now_ns
            self.warm(now_ns)
            return monotonic_ns()
        return now_ns

    def _plays(self, now_ns: int) -> bool:
        """Return whether somebody plays: a message has come not long ago."""
        return now_ns - self._played_ns < PLAYED_NS

    def _rouse(self) -> None:
        with contextlib.suppress(RuntimeError):  # it has been woken already
            self._wake.release()

    # With the lock

    def _carry(self) -> None:
        while self._inbox and not self._is_clocks_turn() and self._lock.acquire(blocking=False):
            try:
                done = self._drain(self._hands_off_ns)
                earlier = self.show.next_deadline_ns() < self._planned_ns
            finally:
                self._lock.release()
            if earlier:
                self._rouse()
            if not done:
                return  # the clock thread carries the rest behind its tick

    def _wait_for_room(self) -> None:
        while len(self._inbox) > INBOX_LIMIT and not self._stopping:
            if self._is_clocks_turn():
                sleep(SPIN_NS / 1e9)
            else:
                with self._lock:
                    self._drain(self._hands_off_ns)

    def _is_clocks_turn(self) -> bool:
        """Return whether the clock thread is up, or about to be: taking the lock now makes a tick late."""
        return monotonic_ns() >= self._hands_off_ns

    def _drain(self, until_ns: int) -> bool:
        """Carry what is in the inbox through the show; False when it is `until_ns` and something is left."""
        inbox = self._inbox
        while inbox:
            if monotonic_ns() >= until_ns:
                return False
            item = inbox.popleft()
            if not isinstance(item, Call):
                self._take_message(*item)
                continue
            self._guard(item.function, monotonic_ns())
            self._flush()
            if self.journal is not None:
                self.journal.done()
            if item.then is not None:
                item.then()
        return True

    def _take_message(self, input: Input, data: bytes, at_ns: int) -> None:
        show, recorder = self.show, self.recorder
        sink = self._effects.sink
        # 1. While the server listens in, keep it as it came.
        if recorder.on:
            recorder.came_in(input.number, data, at_ns)
        # 2. Tell the spare, if there is one. Then route it. What it leads to now lies in the sink, as (wire,
        #    bytes).
        journal = self.journal
        if journal is not None:
            journal.message(input.number, data, at_ns)
        try:
            show.receive(input, data, at_ns)
        except Exception as error:  # noqa: BLE001 - whatever a message did, the next one is routed
            self.fault(error)
        if len(sink) == 1 and not recorder.on and (port := self.ports.get(sink[0][0])) is not None:
            # 3. One message in, one out: what `_send` does, written out, as every call costs.
            wire, out = sink.pop()
            self._words[AT] = 1
            try:
                port.send(out)
            except PortError as error:
                self._lose(wire, error, (out,))
            else:
                recorder.routed(monotonic_ns() - at_ns)
                loops = self._loops  # what `went` does, written out
                loops.sent[out] = wire.sent[out] = at_ns
                if loops.links:
                    loops.expect(wire, out, at_ns)
                if out is TICK_BYTES:
                    self._record(wire, monotonic_ns())
                wire.messages_sent += 1
                wire.bytes_sent += len(out)
                self.sent += 1
        elif sink:
            # 4. Several, or somebody listens in.
            sent = self.sent
            self._send(sink)
            if self.sent != sent:
                recorder.routed(monotonic_ns() - at_ns)
        if journal is not None:
            journal.done()
        # 5. Count, then post the snapshot and the events that it has led to: nobody on stage waits for those.
        self.received += 1
        input.received += 1
        self._flush()

    def _guard(self, function: Callable[[int], None], now_ns: int) -> None:
        try:
            function(now_ns)
        except Exception as error:  # noqa: BLE001 - the clock goes on whatever a call did
            self.fault(error)

    def fault(self, error: Exception) -> None:
        """Count a fault and report it; the same one again only after a while, however often it comes."""
        self.faults += 1
        fault = f"{type(error).__name__}: {error}"
        now_ns = monotonic_ns()
        if fault != self.last_fault or now_ns - self._fault_reported_ns > FAULT_AGAIN_NS:
            self._fault_reported_ns = now_ns
            self.post(Happened(events.Fault(now_ns, what=fault, count=self.faults)))
        self.last_fault = fault

    def _send_ticks(self, at_ns: int) -> None:
        """Send the ticks that the show has worked out ahead, or wait for the same instant without one.

        A tick comes alone. All that can be looked up is looked up before `at_ns`; what is found cold
        in the processor's caches afterwards makes every port late.
        """
        # 1. Look up what will be needed: which port of which wire.
        ways: list[tuple[Wire, Callable[[bytes], None]]] = []
        sink = self._effects.sink
        if sink and sink[0][1] is TICK_BYTES:
            ways = [(wire, port.send) for wire, _ in sink if (port := self.ports.get(wire))]
            sink.clear()
        sent: list[int] = []
        stamp, now = sent.append, monotonic_ns
        # 2. Watch the clock, as no sleep ends so exactly.
        while now() < at_ns:
            pass
        # 3. Before the sends: a port may let go of the interpreter, and wants it back soon.
        share_interpreter()
        # 4. Send, and stamp each tick right behind its own send: what is counted and recorded can wait.
        words, step = self._words, 0
        for wire, send in ways:
            words[AT] = step + 1
            try:
                send(TICK_BYTES)
            except PortError as error:
                self._lose(wire, error)
            stamp(now())
            step += 2
            words[AT] = step
        # 5. Note the number for an engine that may have to go on from here, then count and record.
        self.mark(self._ticks.number)
        for (wire, _), sent_ns in zip(ways, sent, strict=True):
            if wire in self.ports:
                self.sent += 1
                self._record(wire, sent_ns)
                wire.messages_sent += 1
                wire.bytes_sent += 1

    def _flush(self) -> None:
        """Send what the show has put into its sink; a tick that comes due meanwhile goes first."""
        show, effects = self.show, self._effects
        sink = effects.sink
        if sink:
            self._send(sink)
        # the snapshot first: who has been given an event finds what it tells of in the status
        if effects.revision != self._revision:
            self._revision = effects.revision
            self._segment = self._clock.segment
            self.post(show.snapshot())
        elif self._clock.segment is not self._segment and monotonic_ns() >= self._grid_ns:
            self._segment = self._clock.segment
            self._grid_ns = monotonic_ns() + GRID_EVERY_NS
            self.post(self._segment)
        if effects.events:
            for event in effects.events:
                self.post(Happened(event))
            effects.events.clear()

    def _send(self, sink: Sink) -> None:
        """Hand over what is in the sink, and what is put behind the place where this stands meanwhile."""
        # The time of the show, not this instant: it is what a spare knows, too.
        ports, went, now_ns, words = self.ports, self._loops.went, self._effects.now_ns, self._words
        place = count = 0
        try:
            for wire, data in sink:
                place += 1
                port = ports.get(wire)
                if port is None:
                    continue
                words[AT] = 2 * place - 1
                try:
                    port.send(data)
                except PortError as error:
                    unsent = [data, *(later for other, later in sink[place:] if other is wire)]
                    sink[place:] = [send for send in sink[place:] if send[0] is not wire]
                    self._lose(wire, error, unsent)
                    continue
                words[AT] = 2 * place
                wire.messages_sent += 1
                wire.bytes_sent += len(data)
                if data is TICK_BYTES:
                    self._record(wire, monotonic_ns())
                else:
                    went(wire, data, now_ns)
                    if self.recorder.on:
                        self.recorder.went_out(wire.number, data, monotonic_ns())
                count += 1
                if count % TICK_CHECK_EVERY == 0:
                    self._let_tick_pass(sink, place)
        finally:
            sink.clear()
            self.sent += count

    def _let_tick_pass(self, sink: Sink, place: int) -> None:
        """Put a tick that has come due meanwhile at this place of the sink."""
        show = self.show
        end = len(sink)
        due_ns = min(self._clock.next_due_ns, show.transport.schedule.next_ns)
        if place == end or due_ns > (now_ns := monotonic_ns()):
            return
        if self.journal is not None:
            self.journal.advance_within(place, now_ns)
        self._guard(show.advance, now_ns)
        sink[place:] = sink[end:] + sink[place:end]

    def _record(self, wire: Wire, sent_ns: int) -> None:
        ticks = self._ticks
        stamp = (ticks.number, ticks.due_ns)
        if ticks.stamps and wire in ticks.stamps:
            own = ticks.stamps[wire]
            if own is None:  # not one of the ticks that it owes
                return
            stamp = own
        if len(self.records) >= RECORD_LIMIT:
            self.records_dropped += 1
            first = self._dropped_span[0] if self._dropped_span else ticks.number
            self._dropped_span = (first, ticks.number)
            return
        number = wire.number | OWN_RATE if wire.own_rate else wire.number
        self.records.append(TickRecord(*stamp, sent_ns, number, ticks.song_number))

    def _lose(self, wire: Wire, error: PortError, unsent: Sequence[bytes] = ()) -> None:
        """A port refused: it counts as gone until the port thread has opened it again."""
        self.lost.append((wire, self.ports.pop(wire), str(error)))
        since_ns = error.since_ns if isinstance(error, StalledError) else None
        lost = LoseOutput(wire, tuple(unsent), str(error), since_ns)
        now_ns = monotonic_ns()
        if self.journal is not None:
            self.journal.request(pack(lost, self.show.compiled), now_ns, within=True)
        perform(self.show, lost, now_ns)
