"""What happens, for whoever wants to know: streams that listeners subscribe to.

Events go to the log and to everybody who listens (HTTP clients, the show's record, a soundcheck); tick
records, totals of traffic and whole messages go only to listeners. The engine sends whole messages only while
somebody listens to them.

HTTP clients read events as server-sent events from an `EventHub`. Each has a queue of its own, and one that
does not keep up is cut off and counted: it comes back by itself and is given what it missed, as far back as
the ring reaches (HTML standard, section 9.2: `Last-Event-ID`). Every stream opens with `hello`, whose id is
that of the event it goes on from, so that a reader has an id from the first moment on.

Beats are foretold: `Beats` works out from the snapshot's grid when the next ones are due and hands them out
ahead of time, to readers who have asked for them, and while there is one only.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from time import monotonic_ns, time_ns
from typing import Generic, TypeVar

from routerd import __version__
from routerd.core.model import events
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.timing import State
from routerd.core.units import NS_PER_MS, NS_PER_S, shown_bpm, ticks_per_bar, ticks_per_beat
from routerd.link.frames import Tap, TickRecord
from routerd.link.messages import Traffic
from routerd.server.log import EventLog

T = TypeVar("T")


class Stream(Generic[T]):
    """Hands values to its listeners, in the order in which they came.

    `on_demand` is called with True when the first has come, with False when the last has gone.
    """

    def __init__(self, on_demand: Callable[[bool], None] = lambda _: None) -> None:
        self._on_demand = on_demand
        self._listeners: list[Callable[[T], object]] = []

    def subscribe(self, listener: Callable[[T], object]) -> None:
        """Call `listener` with every value from now on."""
        self._listeners.append(listener)
        if len(self._listeners) == 1:
            self._on_demand(True)

    def unsubscribe(self, listener: Callable[[T], object]) -> None:
        """Call it no more; raises ValueError when it is not subscribed."""
        self._listeners.remove(listener)
        if not self._listeners:
            self._on_demand(False)

    def emit(self, value: T) -> None:
        """Call every listener; one may subscribe or leave meanwhile."""
        for listener in tuple(self._listeners):
            listener(value)


class Feed:
    """The streams; `want_messages` switches whole messages on or off."""

    def __init__(self, want_messages: Callable[[bool], None]) -> None:
        self.events: Stream[events.AnyEvent] = Stream()
        self.ticks: Stream[list[TickRecord]] = Stream()
        self.traffic: Stream[Traffic] = Stream()
        self.messages: Stream[list[Tap]] = Stream(want_messages)
        self._log = EventLog()

    def emit(self, event: events.AnyEvent) -> None:
        """Log an event and hand it to everybody who listens."""
        self._log.take(event)
        self.events.emit(event)


RING_EVENTS = 200
QUEUE_EVENTS = 256
"""More than the ring, so that a reader who has just been given all of it is not at once behind."""

MOST_READERS = 64

HEARTBEAT_S = 15.0

RETRY_MS = 1000
"""After so long a browser comes back when its stream has ended."""

Sent = tuple[int, bytes]


def wall_time(at_ns: int) -> str:
    """Return the wall-clock time of an instant of CLOCK_MONOTONIC, in UTC to the millisecond (RFC 3339)."""
    wall_s = (time_ns() - monotonic_ns() + at_ns) / NS_PER_S
    return datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Reader:
    """One client, with `beats` or without. `cut` is called when it does not keep up."""

    def __init__(self, cut: Callable[[], None], *, beats: bool = False) -> None:
        self.cut = cut
        self.beats = beats
        self.queue: asyncio.Queue[bytes | None] = asyncio.Queue(QUEUE_EVENTS + 3)


class EventHub:
    """Numbers events and hands them to every reader; `epoch` tells this run's numbers from another's."""

    def __init__(self, epoch: str) -> None:
        self._epoch = epoch
        self._number = 0
        self._ring: deque[Sent] = deque(maxlen=RING_EVENTS)
        self._readers: set[Reader] = set()
        self.dropped_readers = 0
        self.beats_wanted = asyncio.Event()
        """Set while somebody reads beats."""

    @property
    def readers(self) -> int:
        """How many are reading now."""
        return len(self._readers)

    @property
    def last_id(self) -> str:
        """The id of the last event."""
        return self._id(self._number)

    def _id(self, number: int) -> str:
        return f"{self._epoch}-{number}"

    def publish(self, event: events.AnyEvent) -> None:
        """Hand an event to everybody."""
        self._number += 1
        frame = _frame(event, identity=self.last_id)
        self._ring.append((self._number, frame))
        for reader in list(self._readers):
            self._hand(reader, frame)

    def publish_beat(self, event: events.Beat | events.BeatsChanged) -> None:
        """Hand a beat to those who want beats; it has no id and nobody is given it later."""
        frame = _frame(event)
        for reader in list(self._readers):
            if reader.beats:
                self._hand(reader, frame)

    def _hand(self, reader: Reader, frame: bytes) -> None:
        if reader.queue.qsize() >= QUEUE_EVENTS:
            self.dropped_readers += 1
            self.leave(reader)
            reader.cut()
        else:
            reader.queue.put_nowait(frame)

    def join(
        self, cut: Callable[[], None], last_id: str | None, *, generation: int = 0, beats: bool = False
    ) -> Reader:
        """Return a new reader, which is greeted; with the id of the last event it has seen, what it missed
        follows."""
        reader = Reader(cut, beats=beats)
        seen, lost = self._number, None
        missed: list[Sent] = []
        is_gap = False
        if last_id is not None:
            epoch, _, number = last_id.rpartition("-")
            same_run = epoch == self._epoch and number.isascii() and number.isdecimal() and len(number) < 20
            seen = min(int(number), self._number) if same_run else 0
            missed = [sent for sent in self._ring if sent[0] > seen]
            lost = self._number - seen - len(missed) if same_run else None
            is_gap = lost != 0
        # what it is greeted with is where the stream goes on from: the next id must not be that of the last
        # event before all that was missed has been read
        goes_on_from = self._id(self._number - len(missed))
        now_ns = monotonic_ns()
        hello = events.Hello(now_ns, goes_on_from, generation, __version__)
        reader.queue.put_nowait(_frame(hello, identity=goes_on_from, retry_ms=RETRY_MS))
        if is_gap:
            reader.queue.put_nowait(_frame(events.Gap(now_ns, lost)))
        for _, frame in missed:
            reader.queue.put_nowait(frame)
        self._readers.add(reader)
        if beats:
            self.beats_wanted.set()
        return reader

    def leave(self, reader: Reader) -> None:
        """Take a reader off; harmless when it has left already."""
        self._readers.discard(reader)
        if not any(one.beats for one in self._readers):
            self.beats_wanted.clear()

    def close(self) -> None:
        """Let every reader's stream end."""
        for reader in list(self._readers):
            self.leave(reader)
            reader.queue.put_nowait(None)


def _frame(event: events.AnyEvent, *, identity: str | None = None, retry_ms: int | None = None) -> bytes:
    head = "" if identity is None else f"id: {identity}\n"
    if retry_ms is not None:
        head += f"retry: {retry_ms}\n"
    data = {"at": wall_time(event.at_ns), **events.event_to_json(event)}
    return f"{head}event: {event.kind}\ndata: {json.dumps(data)}\n\n".encode()


AHEAD_NS = 250 * NS_PER_MS
"""Beats are handed out so long before they are due: a page on a poor network still has them in time."""

LATE_NS = 100 * NS_PER_MS
"""A beat that nobody could foretell, such as the first behind Start, is announced so late at most."""

MOVED_NS = 2 * NS_PER_MS
"""A beat that is due so much earlier or later than it was announced is announced anew; less nobody sees."""


def _still_holds(before: events.Beat, now: events.Beat) -> bool:
    """Return whether `before`, which was announced, is as good as what is known now."""
    return abs(now.at_ns - before.at_ns) <= MOVED_NS and replace(now, at_ns=before.at_ns) == before


def beats_from(snapshot: Snapshot, tick: int) -> Iterator[events.Beat]:
    """Yield the beats from a tick of the grid on, as far as the snapshot foretells them: without end."""
    beats, unit = snapshot.meter
    bar_ticks, beat_ticks = ticks_per_bar(beats, unit), ticks_per_beat(unit)
    bpm = shown_bpm(snapshot.bpm)
    first_bar: tuple[int, int] | None = None
    """A tick that begins a bar of the song, and the number of that bar."""
    if snapshot.transport is State.RUNNING:
        first_bar = snapshot.origin_tick + snapshot.meter_from.tick, snapshot.meter_from.bar + 1
        tick = max(tick, snapshot.origin_tick)
    elif snapshot.click.counting_to:
        first_bar = snapshot.click.counting_to, 1
    while True:
        # bars are counted from a tick of the grid at all times, also while transport stands
        within = (tick - snapshot.bar_origin_tick) % bar_ticks
        beat, rest = divmod(within, beat_ticks)
        if rest:
            tick += min(beat_ticks - rest, bar_ticks - within)
            continue
        counts_in = tick < snapshot.click.counting_to
        bar = None
        if first_bar is not None and not counts_in:
            bar = (tick - first_bar[0]) // bar_ticks + first_bar[1]
        yield events.Beat(snapshot.grid.due_ns(tick), tick, bar, beat + 1, f"{beats}/{unit}", bpm, counts_in)
        tick += beat_ticks


class Beats:
    """Announces beats of the snapshot that `now` returns, None while nothing is known of the engine."""

    def __init__(self, hub: EventHub, now: Callable[[], Snapshot | None]) -> None:
        self._hub = hub
        self._now = now
        self._changed = asyncio.Event()
        self._announced: list[events.Beat] = []
        """Those that are not due yet."""
        self._over: events.Beat | None = None
        """The last that was due: however the grid is moved, it does not come again."""

    def refresh(self) -> None:
        """The snapshot has changed: see whether what was announced still holds."""
        self._changed.set()

    async def run(self) -> None:
        """Announce beats while somebody reads them, until cancelled."""
        while True:
            await self._hub.beats_wanted.wait()
            self._changed.clear()
            now_ns = monotonic_ns()
            again_ns = self.announce(now_ns)
            try:
                async with asyncio.timeout((again_ns - now_ns) / NS_PER_S):
                    await self._changed.wait()
            except TimeoutError:
                pass

    def announce(self, now_ns: int) -> int:
        """Announce what is due within AHEAD_NS and has not been; return when there is more."""
        # 1. What is due by now is over, and the beats after it are looked for.
        for beat in self._announced:
            if beat.at_ns <= now_ns:
                self._over = beat
        waiting = [beat for beat in self._announced if beat.at_ns > now_ns]
        snapshot = self._now()
        coming: list[events.Beat] = []
        again_ns = now_ns + AHEAD_NS
        if snapshot is not None:
            over = self._over
            if over is not None and over.at_ns < now_ns - 2 * LATE_NS:
                over = None
            for beat in beats_from(snapshot, snapshot.grid.tick_at(now_ns - LATE_NS) + 1):
                if beat.at_ns > now_ns + AHEAD_NS:
                    again_ns = min(again_ns, beat.at_ns - AHEAD_NS)
                    break
                if over is not None and (beat.tick, beat.bar or 0) <= (over.tick, over.bar or 0):
                    continue  # the same one, or before it; but with Start a beat gets a bar
                coming.append(beat)
        # 2. What was announced and does not hold any more is taken back as a whole.
        held = len(waiting) <= len(coming) and all(
            _still_holds(before, beat) for beat, before in zip(coming, waiting, strict=False)
        )
        if not held:
            self._hub.publish_beat(events.BeatsChanged(now_ns))
        news = coming[len(waiting) :] if held else coming
        for beat in news:
            self._hub.publish_beat(beat)
        self._announced = waiting + news if held else coming
        return max(again_ns, now_ns + NS_PER_MS)
