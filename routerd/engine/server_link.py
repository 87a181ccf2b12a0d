"""The engine's end of the link: reads what the server asks, writes batches, never waits for it.

Rigs arrive as pieces and are compiled here, song by song, on the event loop's thread; the show only
ever sees the finished rig. A slow server costs tick records (counted and reported), never time.

What computes on the event loop keeps out of the clock's way (`give_way`). Every send of the clock thread lets
the interpreter go, and a thread that only computes then keeps it for a while: beside one that compiles songs,
ticks came up to 150 ms late while devices were silenced. So such work comes in pieces, and before each of
them it waits until no tick is due soon and nobody carries anything through the show.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Sequence
from functools import partial
from time import monotonic_ns, process_time_ns
from typing import Any

from routerd.core.errors import CommandError, LinkError, NotFoundError
from routerd.core.midi.rest import Pressed
from routerd.core.model import events
from routerd.core.model.rig import Rig
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.routing.input import Input
from routerd.core.show.compiler import CompiledRig, Compiler
from routerd.core.units import NS_PER_MS
from routerd.engine.worker import Worker
from routerd.link.frames import TickRecord, Unpacker, pack_message, pack_taps, pack_ticks
from routerd.link.messages import (
    Ask,
    Commit,
    Counters,
    FromEngine,
    Happened,
    Hello,
    InputTraffic,
    Loaded,
    OutputTraffic,
    PlayIn,
    Pong,
    Refuse,
    Reply,
    Serving,
    TakeOver,
    Trace,
    Traffic,
)

BACKLOG_LIMIT = 1_000_000
"""Bytes that may wait for a slow server before tick records are dropped."""


class ServerLink:
    """One connection to one server process; a new server gets a new one."""

    def __init__(
        self,
        worker: Worker,
        loaded: Callable[[CompiledRig], None],
        refused: Callable[[Sequence[str]], None],
        ponged: Callable[[], None],
        serving: Callable[[], None],
        *,
        take_over: Callable[[], str] = lambda: "there is no spare",
    ) -> None:
        """`take_over` has the spare take over soon, or returns why it cannot."""
        self._worker = worker
        self._loaded = loaded
        self._compiler: Compiler | None = None
        self._set_list: SetList | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._dropped: list[TickRecord] = []
        self._dropped_count = 0
        self._pressed = Pressed[Input]()
        self._retiring: asyncio.Future[None] | None = None
        self._handlers: dict[type, Callable[[Any], None]] = {
            Rig: self._rig,
            Song: self._song,
            SetList: self._take_set_list,
            Commit: self._commit,
            Ask: self._ask,
            Trace: self._trace,
            PlayIn: self._play,
            TakeOver: lambda message: self.send(Reply(message.number, take_over() or None)),
            Pong: lambda _: ponged(),
            Serving: lambda _: serving(),
            Refuse: lambda message: refused(message.problems),
        }

    async def serve(self, end: socket.socket, greet: Callable[[], Hello]) -> None:
        """Talk to the server at the other end until it goes; `greet` returns the hello."""
        reader, writer = await asyncio.open_connection(sock=end)
        self._writer = writer
        self.send(greet())
        self.send(self._worker.show.snapshot())
        unpacker = Unpacker()
        try:
            while data := await reader.read(65536):
                for message in unpacker.feed(data):
                    if isinstance(message, Song):
                        await give_way(self._worker.is_at_work)
                    self._take(message)
        except (ConnectionError, LinkError) as error:
            self.send(Happened(events.Fault(monotonic_ns(), what=f"link: {error}", count=1)))
        finally:
            self._writer = None
            writer.close()
            self._let_go()

    @property
    def open(self) -> bool:
        """Whether there is a server at the other end."""
        return self._writer is not None and not self._writer.is_closing()

    def send(self, message: FromEngine) -> None:
        """Send one message, if there is a server."""
        if self._writer is not None and self.open:
            self._writer.write(pack_message(message))

    def send_ticks(self, records: list[TickRecord]) -> None:
        """Send a batch of tick records, or drop and count it when the server is too slow."""
        if self._writer is None or self._writer.is_closing() or not records:
            return
        if self._writer.transport.get_write_buffer_size() > BACKLOG_LIMIT:
            self._dropped += records
            self._dropped = [self._dropped[0], *self._dropped[-1:]]
            self._dropped_count += len(records)
            return
        if self._dropped:
            first, last = self._dropped[0].tick, self._dropped[-1].tick
            self.send(Happened(events.RecordsDropped(monotonic_ns(), self._dropped_count, first, last)))
            self._dropped, self._dropped_count = [], 0
        self._writer.write(pack_ticks(records))

    def send_taps(self, taps: list[bytes]) -> None:
        """Send a batch of messages, or drop and count it when the server is too slow."""
        if self._writer is None or self._writer.is_closing() or not taps:
            return
        if self._writer.transport.get_write_buffer_size() > BACKLOG_LIMIT:
            self._worker.recorder.dropped += len(taps)
            return
        self._writer.write(pack_taps(taps))

    def _take(self, message: object) -> None:
        handler = self._handlers.get(type(message))
        if handler is None:
            raise LinkError(f"a server does not send {type(message).__name__}")
        handler(message)

    # What the server sends: one handler for each class

    def _rig(self, rig: Rig) -> None:
        self._compiler = Compiler(rig, self._worker.show.compiled)

    def _song(self, song: Song) -> None:
        if self._compiler is None:
            raise LinkError("a song before a rig")
        try:
            self._compiler.add(song)
        except (KeyError, ValueError) as error:
            self._compiler = None
            raise LinkError(f"song {song.identifier!r} does not fit the rig: {error!r}") from error

    def _take_set_list(self, set_list: SetList) -> None:
        self._set_list = set_list

    def _commit(self, commit: Commit) -> None:
        generation = commit.generation
        compiler, self._compiler = self._compiler, None
        try:
            if compiler is None or self._set_list is None:
                raise LinkError("a commit without a whole rig")
            compiled = compiler.finish(self._set_list)
        except (LinkError, KeyError) as error:
            self.send(Loaded(generation, repr(error)))
            return
        before = self._worker.show.compiled

        def load(now_ns: int) -> None:
            self._worker.break_off()
            self._worker.show.load(compiled, generation, now_ns, commit.resume)

        self._worker.call(
            load,
            lambda: self._worker.post_call(partial(self._retire, before)),
        )
        self._loaded(compiled)
        self.send(Loaded(generation))

    def _ask(self, ask: Ask) -> None:
        """Have the clock thread do it; the answer follows the snapshot of what it has changed."""
        refusals: list[CommandError] = []

        def carry_out(now_ns: int) -> None:
            try:
                self._worker.perform(ask.request, now_ns)
            except CommandError as refusal:
                refusals.append(refusal)

        def answer(number: int) -> None:
            if refusals:
                (refusal,) = refusals
                self.send(Reply(number, str(refusal), isinstance(refusal, NotFoundError)))
            else:
                self.send(Reply(number))

        then = None if ask.number is None else partial(self._worker.post_call, partial(answer, ask.number))
        self._worker.call(carry_out, then)

    def _trace(self, trace: Trace) -> None:
        self._worker.recorder.on = trace.on

    def _play(self, messages: PlayIn) -> None:
        for input in self._worker.show.compiled.inputs:
            if input.name == messages.device:
                for data in messages.data:
                    self._play_message(input, data)

    def _play_message(self, input: Input, data: bytes) -> None:
        self._pressed.take(input, data)
        self._worker.play(input, data)

    def _let_go(self) -> None:
        """End what a server that has gone asked for, and let go of what it has pressed or bent."""
        self._worker.recorder.on = False
        for input, data in self._pressed.rest():
            self._worker.play(input, data)

    def _retire(self, compiled: CompiledRig) -> None:
        """Let go of a rig that is played no more."""
        self._retiring = asyncio.ensure_future(_retire(compiled))


async def _retire(compiled: CompiledRig) -> None:
    """Let go of a rig song by song: at once would hold the interpreter too long."""
    while compiled.songs:
        compiled.songs.popitem()
        await asyncio.sleep(0)


PIECE_NS = 1 * NS_PER_MS
"""What one song takes to be compiled, about."""

_LONGEST_YIELD_NS = 20 * NS_PER_MS
"""With deadlines so dense that there is never room, the work goes on all the same."""

_YIELD_S = 0.0005


async def give_way(is_at_work: Callable[[int], bool]) -> None:
    """Return when there is room for a piece of work, or after 20 ms; see `Worker.is_at_work`."""
    await asyncio.sleep(0)
    until_ns = monotonic_ns() + _LONGEST_YIELD_NS
    while is_at_work(PIECE_NS) and monotonic_ns() < until_ns:  # noqa: ASYNC110
        await asyncio.sleep(_YIELD_S)  # the clock thread has no time to set events


def traffic_of(worker: Worker) -> Traffic:
    """Return what has come and gone."""
    recorder, compiled = worker.recorder, worker.show.compiled
    return Traffic(
        at_ns=monotonic_ns(),
        outputs=tuple(
            OutputTraffic(w.name, w.messages_sent, w.bytes_sent, w.queued, w.thinned) for w in compiled.wires
        ),
        inputs=tuple(InputTraffic(input.name, input.received) for input in compiled.inputs),
        took=tuple(recorder.take_times()),
        cpu_ns=process_time_ns(),
        taps_dropped=recorder.dropped,
    )


def counters_of(worker: Worker, **more: int) -> Counters:
    """Return what the engine has counted; `more` is counted elsewhere."""
    compiled = worker.show.compiled
    counts = {
        "messages_in": worker.received,
        "messages_out": worker.sent,
        "malformed_messages": more.pop("malformed") + sum(input.malformed for input in compiled.inputs),
        "messages_dropped": sum(wire.dropped for wire in compiled.wires)
        + sum(input.withheld for input in compiled.inputs),
        "messages_thinned": sum(wire.thinned for wire in compiled.wires),
        "messages_queued": sum(wire.queued for wire in compiled.wires),
        "most_queued_on_a_port": max((wire.most_queued for wire in compiled.wires), default=0),
        "messages_ungated": sum(wire.ungated for wire in compiled.wires),
        "faults": worker.faults,
        "events_dropped": worker.outbox_dropped,
        **more,
    }
    return Counters(counts)
