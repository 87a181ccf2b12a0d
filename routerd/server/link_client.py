"""The server's end of the link: reads what the engine tells, asks it, sends it books.

What the engine tells goes to a listener; answers go to whoever asked. When the engine has gone, `run`
returns and every question that waits fails. Pings are answered here, on the event loop that serves
the API, so that a server that hangs is noticed.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import socket
from collections.abc import AsyncIterator
from typing import Any, Protocol

from routerd.core.errors import CommandError, LinkError, NotFoundError
from routerd.core.model.codec import to_json
from routerd.core.model.commands import Command
from routerd.core.model.plain import Plain
from routerd.core.model.set_list import Book, SetList
from routerd.link.messages import Message, Tap, Taps, TickRecord, Unpacker, pack_message

REPLY_S = 2.0
"""How long a command may wait for its answer: the clock thread answers within a tick or so."""

LOADED_S = 30.0
"""How long the engine may take to compile a book. It compiles between ticks, on whatever time is left."""


class EngineSilentError(LinkError):
    """The engine has not answered in time; what was asked may or may not have been done."""


class Listener(Protocol):
    """Whoever wants to know what the engine tells by itself."""

    def on_message(self, kind: str, body: Any) -> None:
        """Take a message of the kinds hello, snapshot, ports, counters, traffic, event."""

    def on_ticks(self, records: list[TickRecord]) -> None:
        """Take a batch of tick records."""

    def on_taps(self, taps: list[Tap]) -> None:
        """Take a batch of messages that came in or went out."""


class EngineLink:
    """One connection to the engine, for the life of this process."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer
        self._numbers = itertools.count(1)
        self._answers: dict[int, asyncio.Future[Any]] = {}
        self._loaded: dict[int, asyncio.Future[Any]] = {}
        self._sending = asyncio.Lock()

    @classmethod
    async def over(cls, end: socket.socket) -> EngineLink:
        """Return the link over this end of a socket pair; it reads nothing before `run`."""
        reader, writer = await asyncio.open_connection(sock=end)
        return cls(reader, writer)

    async def run(self, listener: Listener) -> None:
        """Read until the engine has gone; raises LinkError when it does not speak this version."""
        unpacker = Unpacker()
        try:
            while data := await self._reader.read(65536):
                for message in unpacker.feed(data):
                    if isinstance(message, Message):
                        self._take(message, listener)
                    elif isinstance(message, Taps):
                        listener.on_taps(message)
                    else:
                        listener.on_ticks(message)
        except ConnectionError:
            pass
        finally:
            for waiting in [*self._answers.values(), *self._loaded.values()]:
                if not waiting.done():
                    waiting.set_exception(EngineSilentError("the engine has gone"))
            self._writer.close()

    def _take(self, message: Message, listener: Listener) -> None:
        kind, body = message
        if kind == "ping":
            self._send("pong", body)
        elif kind == "reply":
            _settle(self._answers.pop(body["id"], None), body)
        elif kind == "loaded":
            _settle(self._loaded.pop(body["generation"], None), body)
        else:
            listener.on_message(kind, body)

    def _send(self, kind: str, body: Any) -> None:
        if not self._writer.is_closing():
            self._writer.write(pack_message(kind, body))

    # Towards the engine

    async def command(self, command: Command) -> None:
        """Have a command carried out; returns when it is, with its snapshot taken.

        Raises CommandError as the show raised it, EngineSilentError without an answer.
        """
        await self._ask("command", {"command": to_json(command)})

    async def sound(self, device: str, channel: int, note: int, velocity: int, seconds: int) -> None:
        """Sound a note to tune by for so long, or with velocity 0 end it; raises as `command` does."""
        what = {"device": device, "channel": channel, "note": note}
        await self._ask("sound", {**what, "velocity": velocity, "seconds": seconds})

    def tap(self, *, on: bool) -> None:
        """Have every message in and out told from now on, or no longer."""
        self._send("tap", {"on": on})

    def send_to(self, device: str, messages: list[bytes]) -> None:
        """Send whole messages to a device, past all routes, as its wire allows."""
        self._send("send", {"device": device, "data": [data.hex() for data in messages]})

    def play(self, device: str, messages: list[bytes]) -> None:
        """Have whole messages routed as if the device had played them. What is pressed must be released."""
        self._send("play", {"device": device, "data": [data.hex() for data in messages]})

    async def order(self, set_list: SetList) -> None:
        """Give the engine a new running order; raises as `command` does."""
        await self._ask("order", {"set_list": to_json(set_list)})

    async def book(self, book: Book, generation: int, place: Plain | None) -> None:
        """Send a book, piece by piece, and wait until it is in; raises LinkError when it is refused."""
        async with self._sending:
            self._send("rig", to_json(book.rig))
            for song in book.songs:
                self._send("song", to_json(song))
                await self._drain()
            self._send("set-list", to_json(book.set_list))
            async with _expect(self._loaded, generation) as answer:
                self._send("commit", {"generation": generation, "place": place})
                body = await _within(LOADED_S, answer)
        if body["error"] is not None:
            raise LinkError(f"the engine refuses the book: {body['error']}")

    async def refuse(self, problems: list[str]) -> None:
        """Tell the engine that this server cannot start, and why."""
        self._send("refuse", {"problems": problems})
        await self._drain()

    def say_serving(self) -> None:
        """Tell the engine that the API answers from now on."""
        self._send("serving", {})

    async def _ask(self, kind: str, body: Plain) -> None:
        number = next(self._numbers)
        async with _expect(self._answers, number) as answer:
            self._send(kind, {"id": number, **body})
            reply = await _within(REPLY_S, answer)
        if reply["error"] is not None:
            raise (NotFoundError if reply["missing"] else CommandError)(reply["error"])

    async def _drain(self) -> None:
        with contextlib.suppress(ConnectionError):
            await self._writer.drain()


def _settle(waiting: asyncio.Future[Any] | None, body: Any) -> None:
    if waiting is not None and not waiting.done():
        waiting.set_result(body)


@contextlib.asynccontextmanager
async def _expect(waiting: dict[int, asyncio.Future[Any]], number: int) -> AsyncIterator[asyncio.Future[Any]]:
    answer = asyncio.get_running_loop().create_future()
    waiting[number] = answer
    try:
        yield answer
    finally:
        waiting.pop(number, None)
        if answer.done() and not answer.cancelled():
            answer.exception()  # seen, so that nobody warns when the asker had gone


async def _within(seconds: float, answer: asyncio.Future[Any]) -> Any:
    try:
        return await asyncio.wait_for(answer, seconds)
    except TimeoutError as error:
        raise EngineSilentError(f"the engine has not answered within {seconds:g} s") from error
