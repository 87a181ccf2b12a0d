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
from typing import Any, Self

from routerd.core.errors import CommandError, NotFoundError
from routerd.core.model.actions import Action
from routerd.core.model.codec import from_json, to_json
from routerd.core.model.commands import Command
from routerd.core.model.rig import Rig
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.core.units import NS_PER_S
from routerd.link.messages import Message, TickRecord, Unpacker, pack_message, pack_ticks
from tests.stage import ask

ALL_GRANTED = {"scheduling": "fifo", "priority": 70, "memory_locked": True, "idle_held": True, "remedy": None}


MOVES_BY_ITSELF = {"revision", "devices", "click", "following"} | {
    *("bpm", "meter", "tempo_moves", "meter_from", "grid", "position_tick")
}
"""What of a snapshot may change without a request: a song's tempo comes with the next tick, for one."""


class FakeEngine:
    """Use as an async context manager; `server_end` is the socket that the server gets."""

    def __init__(self, pid: int, realtime: dict[str, Any] = ALL_GRANTED) -> None:
        self.show = Show(monotonic_ns())
        self.pid = pid
        self.realtime = realtime
        self.started_ns = monotonic_ns()
        self.said: list[Message] = []
        self.silent = False
        self.refuses_books = False
        self.restarts = -1
        self.ports: list[dict[str, Any]] = []
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
            "hello",
            {
                "pid": self.pid,
                "ports": "simulated",
                "generation": self.show.generation,
                "realtime": self.realtime,
                "started_ns": self.started_ns,
                "book_from_ns": self.started_ns,
                "resumed_gap_ms": None,
                "brings_old_book": False,
                "server_restarts": self.restarts,
                "port_states": self.ports,
                "counters": {},
                "facts": {},
            },
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

    def tell(self, kind: str, body: Any) -> None:
        """Send one message."""
        if self._writer is not None:
            self._writer.write(pack_message(kind, body))

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

    async def heard(self, kind: str, count: int = 1) -> list[Message]:
        """Wait until the server has sent that many messages of a kind; return them."""
        async with asyncio.timeout(30):
            while len(found := [message for message in self.said if message.kind == kind]) < count:
                self._said_more.clear()
                await self._said_more.wait()
        return found

    async def _read(self, reader: asyncio.StreamReader) -> None:
        unpacker = Unpacker()
        while data := await reader.read(65536):
            for message in unpacker.feed(data):
                assert isinstance(message, Message)
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
                self.tell("counters", {})
            await asyncio.sleep(0.005)

    def _catch_up(self) -> None:
        while self.show.next_deadline_ns() <= (now_ns := monotonic_ns()):
            self.show.advance(now_ns)
        self._tell_effects()

    def _tell_effects(self) -> None:
        self.show.effects.sink.clear()
        for event in self.show.effects.events:
            self.tell("event", event)
        self.show.effects.events.clear()
        if self.show.effects.revision != self._revision:
            self._show_snapshot()

    def _show_snapshot(self) -> None:
        self._revision = self.show.effects.revision
        self.tell("snapshot", to_json(self.show.snapshot()))

    def _take(self, message: Message) -> None:
        kind, body = message
        if kind == "rig":
            self._compiler = Compiler(from_json(Rig, body), self.show.book)
        elif kind == "song":
            assert self._compiler is not None
            self._compiler.add(from_json(Song, body))
        elif kind == "set-list":
            self._set_list = from_json(SetList, body)
        elif kind == "commit":
            self._commit(body)
        elif kind == "order":
            set_list = from_json(SetList, body["set_list"])
            self._answer(body["id"], lambda now_ns: self.show.set_order(set_list, now_ns))
        elif kind == "sound":
            what = body["device"], body["channel"], body["note"], body["velocity"]
            self._answer(body["id"], lambda now_ns: self.show.sound(*what, now_ns, for_s=body["seconds"]))
        elif kind == "command":
            command = from_json(Command, body["command"])
            self._answer(body["id"], lambda now_ns: self.show.apply(command, now_ns))

    def _commit(self, body: dict[str, Any]) -> None:
        assert self._compiler is not None
        if self.refuses_books:
            self.tell("loaded", {"generation": body["generation"], "error": "no room for it"})
            return
        book = self._compiler.finish(self._set_list)
        self.tell("loaded", {"generation": body["generation"], "error": None})
        self.show.load(book, body["generation"], monotonic_ns(), body["place"])
        self._tell_effects()

    def _answer(self, number: int, function: Callable[[int], None]) -> None:
        self._catch_up()
        answer = {"id": number, "error": None, "missing": False}
        try:
            function(monotonic_ns())
        except CommandError as refusal:
            answer |= {"error": str(refusal), "missing": isinstance(refusal, NotFoundError)}
        self._tell_effects()
        self.tell("reply", answer)
