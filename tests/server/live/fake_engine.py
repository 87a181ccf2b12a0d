"""An engine for tests of the server: the real show on a real clock, without threads and ports.

It speaks over a real socket pair with real frames, so nothing in the server is patched. `silent` makes it
keep its answers to itself; what the server has said lies in `said`.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable
from dataclasses import fields
from time import monotonic_ns
from typing import Any, Self, TypeVar

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action
from routerd.core.model.rig import Rig
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import Compiler
from routerd.core.show.replica import perform
from routerd.core.show.show import Show
from routerd.core.units import NS_PER_S
from routerd.link.frames import TickRecord, Unpacker, pack_message, pack_ticks
from routerd.link.messages import (
    Ask,
    Commit,
    Counters,
    FromEngine,
    Happened,
    Hello,
    Loaded,
    PortState,
    PortStates,
    Realtime,
    Reply,
    TakeOver,
)
from tests.stage import ask

ALL_GRANTED = Realtime("fifo", 70, memory_locked=True, idle_held=True)


MOVES_BY_ITSELF = {"revision", "devices", "click", "following"} | {
    *("bpm", "meter", "tempo_moves", "meter_from", "grid", "position_tick")
}
"""What of a snapshot may change without a request: a song's tempo comes with the next tick, for one."""


T = TypeVar("T")


class FakeEngine:
    """Use as an async context manager; `server_end` is the socket that the server gets."""

    def __init__(self, pid: int, realtime: Realtime = ALL_GRANTED) -> None:
        self.show = Show(monotonic_ns())
        self.pid = pid
        self.realtime = realtime
        self.started_ns = monotonic_ns()
        self.said: list[Any] = []
        self.silent = False
        self.refuses_rigs = False
        self.restarts = -1
        self.ports: tuple[PortState, ...] = ()
        self._said_more = asyncio.Event()
        self._compiler: Compiler | None = None
        self._set_list: Any = None
        self._revision = -1
        self._tasks: list[asyncio.Task[None]] = []
        self._writer: asyncio.StreamWriter | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.disconnect()

    async def connect(self) -> socket.socket:
        """Make the link to a (new) app and greet it; return the server's end."""
        await self.disconnect()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
        reader, self._writer = await asyncio.open_connection(sock=ours)
        self.restarts += 1
        self._revision = -1
        self.tell(
            Hello(
                pid=self.pid,
                ports="simulated",
                generation=self.show.generation,
                realtime=self.realtime,
                started_ns=self.started_ns,
                rig_from_ns=self.started_ns,
                server_restarts=self.restarts,
                port_states=PortStates(self.ports),
            )
        )
        self._show_snapshot()
        self._tasks = [asyncio.create_task(self._read(reader)), asyncio.create_task(self._keep_time())]
        return theirs

    async def disconnect(self) -> None:
        """Be gone, as far as the server can tell."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        if self._writer is not None:
            self._writer.close()
            with contextlib.suppress(ConnectionError):
                await self._writer.wait_closed()
            self._writer = None

    def tell(self, message: FromEngine) -> None:
        """Send one message."""
        if self._writer is not None:
            self._writer.write(pack_message(message))

    def tell_ticks(self, records: list[TickRecord]) -> None:
        """Send tick records."""
        assert self._writer is not None
        self._writer.write(pack_ticks(records))

    def press(self, action: Action, argument: int | str | None = None) -> None:
        """Do what a foot switch would."""
        self.show.apply(ask(action, argument), monotonic_ns())
        self._tell_effects()

    def standing(self) -> dict[str, Any]:
        """Return what people's requests change of the show, without what moves by itself."""
        snapshot = self.show.snapshot()
        names = {one.name for one in fields(snapshot)} - MOVES_BY_ITSELF
        return {name: getattr(snapshot, name) for name in names}

    async def heard(self, kind: type[T], count: int = 1) -> list[T]:
        """Wait until the server has sent that many messages of a class; return them."""
        async with asyncio.timeout(30):
            while len(found := [message for message in self.said if isinstance(message, kind)]) < count:
                self._said_more.clear()
                await self._said_more.wait()
        return found

    async def _read(self, reader: asyncio.StreamReader) -> None:
        unpacker = Unpacker()
        while data := await reader.read(65536):
            for message in unpacker.feed(data):
                self.said.append(message)
                self._said_more.set()
                if not self.silent:
                    self._take(message)

    async def _keep_time(self) -> None:
        counters_ns = 0
        while True:
            self._catch_up()
            if (now_ns := monotonic_ns()) - counters_ns > NS_PER_S:
                counters_ns = now_ns
                self.tell(Counters())
            await asyncio.sleep(0.005)

    def _catch_up(self) -> None:
        while self.show.next_deadline_ns() <= (now_ns := monotonic_ns()):
            self.show.advance(now_ns)
        self._tell_effects()

    def _tell_effects(self) -> None:
        self.show.effects.sink.clear()
        for event in self.show.effects.events:
            self.tell(Happened(event))
        self.show.effects.events.clear()
        if self.show.effects.revision != self._revision:
            self._show_snapshot()

    def _show_snapshot(self) -> None:
        self._revision = self.show.effects.revision
        self.tell(self.show.snapshot())

    def _take(self, message: object) -> None:
        if isinstance(message, Rig):
            self._compiler = Compiler(message, self.show.compiled)
        elif isinstance(message, Song):
            assert self._compiler is not None
            self._compiler.add(message)
        elif isinstance(message, SetList):
            self._set_list = message
        elif isinstance(message, Commit):
            self._commit(message)
        elif isinstance(message, TakeOver):
            self._answer(message.number, lambda _: None)
        elif isinstance(message, Ask):
            self._answer(message.number, lambda now_ns: perform(self.show, message.request, now_ns))

    def _commit(self, commit: Commit) -> None:
        assert self._compiler is not None
        if self.refuses_rigs:
            self.tell(Loaded(commit.generation, "no room for it"))
            return
        book = self._compiler.finish(self._set_list)
        self.tell(Loaded(commit.generation))
        self.show.load(book, commit.generation, monotonic_ns(), commit.resume)
        self._tell_effects()

    def _answer(self, number: int | None, function: Callable[[int], None]) -> None:
        self._catch_up()
        refused: tuple[str, bool] | tuple[()] = ()
        try:
            function(monotonic_ns())
        except CommandError as refusal:
            refused = str(refusal), isinstance(refusal, NotFoundError)
        self._tell_effects()
        if number is not None:
            self.tell(Reply(number, *refused))
