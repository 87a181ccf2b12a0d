"""The server's end of the link: reads what the engine sends, asks it, sends it rigs.

What the engine sends unasked goes to a listener; answers go to whoever asked. When the engine has gone, `run`
returns and every question that waits fails. Pings are answered here, on the event loop that serves
the API, so that a server that hangs is noticed.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from functools import partial
from typing import Protocol, TypeVar

from routerd.core.errors import CommandError, LinkError, NotFoundError
from routerd.core.model.commands import Apply, Command, SendPast, Sound, TakeOrder
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, Snapshot
from routerd.core.model.timing import Segment
from routerd.link.frames import MessageTrace, Tap, TickRecord, Unpacker, pack_message
from routerd.link.messages import (
    AnyMessage,
    Ask,
    Commit,
    Counters,
    EngineFacts,
    FromServer,
    Happened,
    Hello,
    Loaded,
    Ping,
    PlayIn,
    Pong,
    PortStates,
    Refuse,
    Reload,
    Reply,
    Serving,
    TakeOver,
    Trace,
    Traffic,
)

REPLY_S = 2.0
"""How long a command may wait for its answer: the clock thread answers within a tick or so."""

LOADED_S = 30.0
"""How long the engine may take to compile a rig. It compiles between ticks, on whatever time is left."""


T = TypeVar("T")


class EngineSilentError(LinkError):
    """The engine has not answered in time; what was asked may or may not have been done."""


Unasked = Hello | Reload | Snapshot | Segment | PortStates | Counters | EngineFacts | Traffic | Happened
"""What the engine sends unasked."""


class Listener(Protocol):
    """Whoever wants what the engine sends unasked."""

    def on_message(self, message: Unasked) -> None:
        """Take what the engine sends unasked."""

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
        self._answers: dict[int, asyncio.Future[Reply]] = {}
        self._loaded: dict[int, asyncio.Future[Loaded]] = {}
        self._sending = asyncio.Lock()
        self._taps = self._serves = False

    @classmethod
    async def over(cls, end: socket.socket) -> EngineLink:
        """Return the link over this end of a socket pair; it reads nothing before `run`."""
        reader, writer = await asyncio.open_connection(sock=end)
        return cls(reader, writer)

    @property
    def open(self) -> bool:
        """Whether there is an engine at the other end."""
        return not self._writer.is_closing()

    async def run(
        self, listener: Listener, meet: Callable[[], Awaitable[socket.socket | None]] | None = None
    ) -> None:
        """Read until the engine has gone; raises LinkError when it does not speak this version.

        `meet` returns a connection to the engine that goes on in its place, None when there is none.
        """
        while True:
            await self._read(listener)
            end = None if meet is None else await meet()
            if end is None:
                return
            self._reader, self._writer = await asyncio.open_connection(sock=end)
            if self._taps:
                self.tap(on=True)
            if self._serves:
                self.say_serving()

    async def _read(self, listener: Listener) -> None:
        unpacker = Unpacker()
        try:
            while data := await self._reader.read(65536):
                for message in unpacker.feed(data):
                    if isinstance(message, MessageTrace):
                        listener.on_taps(message.messages)
                    elif isinstance(message, list):
                        listener.on_ticks(message)
                    else:
                        self._take(message, listener)
        except ConnectionError:
            pass
        finally:
            _fail(self._answers.values())
            _fail(self._loaded.values())
            self._writer.close()

    def _take(self, message: AnyMessage, listener: Listener) -> None:
        if isinstance(message, Ping):
            self._send(Pong(message.number))
        elif isinstance(message, Reply):
            _settle(self._answers.pop(message.number, None), message)
        elif isinstance(message, Loaded):
            _settle(self._loaded.pop(message.generation, None), message)
        elif isinstance(message, Unasked):
            listener.on_message(message)
        else:
            raise LinkError(f"an engine does not send {type(message).__name__}")

    def _send(self, message: FromServer) -> None:
        if not self._writer.is_closing():
            self._writer.write(pack_message(message))

    # Towards the engine

    async def command(self, command: Command) -> None:
        """Have a command carried out; returns when it is, with its snapshot taken.

        Raises CommandError as the show raised it, EngineSilentError without an answer.
        """
        await self._ask(partial(Ask, Apply(command)))

    async def sound(self, device: str, channel: int, note: int, velocity: int, seconds: int) -> None:
        """Sound a note to tune by for so long, or with velocity 0 end it; raises as `command` does."""
        await self._ask(partial(Ask, Sound(device, channel, note, velocity, seconds)))

    def tap(self, *, on: bool) -> None:
        """Have every message in and out sent here from now on, or no longer."""
        self._taps = on
        self._send(Trace(on))

    def send_to(self, device: str, messages: list[bytes]) -> None:
        """Send whole messages to a device, past all routes, as its wire allows."""
        self._send(Ask(SendPast(device, tuple(messages))))

    def play(self, device: str, messages: list[bytes]) -> None:
        """Have whole messages routed as if the device had played them. What is pressed must be released."""
        self._send(PlayIn(device, tuple(messages)))

    async def take_over(self) -> None:
        """Have the spare take over a moment later; raises CommandError where there is none that could."""
        await self._ask(TakeOver)

    async def order(self, set_list: SetList) -> None:
        """Give the engine a new set list; raises as `command` does."""
        await self._ask(partial(Ask, TakeOrder(set_list)))

    async def load_rig(self, rig_folder: RigFolder, generation: int, resume: ResumePoint | None) -> None:
        """Send a rig, piece by piece, and wait until it is in; raises LinkError when it is refused."""
        async with self._sending:
            self._send(rig_folder.rig)
            for song in rig_folder.songs:
                self._send(song)
                await self._drain()
            self._send(rig_folder.set_list)
            async with _expect(self._loaded, generation) as answer:
                self._send(Commit(generation, resume))
                loaded = await _within(LOADED_S, answer)
        if loaded.error is not None:
            raise LinkError(f"the engine refuses the rig: {loaded.error}")

    async def refuse(self, problems: list[str]) -> None:
        """Tell the engine that this server cannot start, and why."""
        self._send(Refuse(tuple(problems)))
        await self._drain()

    def say_serving(self) -> None:
        """Tell the engine that the API answers from now on."""
        self._serves = True
        self._send(Serving())

    async def _ask(self, numbered: Callable[[int], FromServer]) -> None:
        number = next(self._numbers)
        async with _expect(self._answers, number) as answer:
            self._send(numbered(number))
            reply = await _within(REPLY_S, answer)
        if reply.error is not None:
            raise (NotFoundError if reply.missing else CommandError)(reply.error)

    async def _drain(self) -> None:
        with contextlib.suppress(ConnectionError):
            await self._writer.drain()


def _fail(waiting: Iterable[asyncio.Future[T]]) -> None:
    for one in waiting:
        if not one.done():
            one.set_exception(EngineSilentError("the engine has gone"))


def _settle(waiting: asyncio.Future[T] | None, answer: T) -> None:
    if waiting is not None and not waiting.done():
        waiting.set_result(answer)


@contextlib.asynccontextmanager
async def _expect(waiting: dict[int, asyncio.Future[T]], number: int) -> AsyncIterator[asyncio.Future[T]]:
    answer: asyncio.Future[T] = asyncio.get_running_loop().create_future()
    waiting[number] = answer
    try:
        yield answer
    finally:
        waiting.pop(number, None)
        if answer.done() and not answer.cancelled():
            answer.exception()  # seen, so that nobody warns when the asker had gone


async def _within(seconds: float, answer: asyncio.Future[T]) -> T:
    try:
        return await asyncio.wait_for(answer, seconds)
    except TimeoutError as error:
        raise EngineSilentError(f"the engine has not answered within {seconds:g} s") from error
