"""Connections and their limits.

Whatever many clients do, slow, half open or never reading: the number of connections is bounded and a new one
takes the place of one that asks nothing, so that a person who asks is answered. Over TLS those that have not
agreed on it yet are bounded apart, because each of them takes a third of a megabyte (asyncio's buffers).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import math
import os
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from typing import Any

from aiohttp import web

from routerd.server.http.operation import problem_response
from routerd.server.http.problems import ProblemError
from routerd.server.log import LOG

EXIT_STATUS = 3
_WORDS = b"routerd: the server has no memory left and ends\n"


def end_if_out_of_memory(error: BaseException | None) -> None:
    """End this process at once if the error means that; nothing that needs memory is tried any more."""
    no_thread = isinstance(error, RuntimeError) and "start new thread" in str(error)
    if isinstance(error, MemoryError) or no_thread:
        os.write(2, _WORDS)
        os._exit(EXIT_STATUS)


SHUTDOWN_S = 0.1
"""How long requests that are being answered may go on at the end."""

_SHORTAGES = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM}
SHORTAGE_AGAIN_S = 60.0
"""A shortage is logged when it begins, and again when it comes back after so long."""


class Shortage:
    """An event loop's exception handler: connections that cannot be taken are logged once, not a hundred
    times a second, as the loop tries them."""

    def __init__(self) -> None:
        self._last_s = -math.inf

    def __call__(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Take what the loop has to say."""
        error = context.get("exception")
        end_if_out_of_memory(error)
        if not isinstance(error, OSError) or error.errno not in _SHORTAGES:
            loop.default_exception_handler(context)
            return
        before_s, self._last_s = self._last_s, loop.time()
        if self._last_s - before_s > SHORTAGE_AGAIN_S:
            words = "new connections have to wait: too many files and connections are open"
            LOG.say(words, "error", why=error.strerror)


MOST_CONNECTIONS = 256
IDLE_S = 30.0
"""How long a connection may stay without a whole request, however slowly one trickles in."""
HANDSHAKE_S = 5.0
"""How long a connection may take to agree on TLS."""
MOST_HANDSHAKES = 32
"""How many may be about it at once: of more the oldest goes."""
ACCEPT_AGAIN_S = 1.0
"""So long after one that could not be taken the next is tried."""
LINGERING_S = 1.0
"""How long what is left of a refused body is read, so that its client gets to read the answer."""
READ_BYTES = 32 * 1024
"""How much of a connection is read ahead of what is asked for."""
UNREAD_MS = 30_000
"""How long the kernel keeps an answer for a client that does not take it."""


class _Connections:
    """Those that are open, in the order in which they came."""

    def __init__(self) -> None:
        self._open: dict[_Connection, None] = {}

    def add(self, one: _Connection) -> None:
        """Take one in; beyond MOST_CONNECTIONS the oldest that asks nothing goes, or else this one."""
        self._open[one] = None
        if len(self._open) > MOST_CONNECTIONS:
            next((other for other in self._open if other is not one and other.is_idle), one).cut()

    def remove(self, one: _Connection) -> None:
        """One has gone."""
        self._open.pop(one, None)


class _Connection(web.RequestHandler):
    __slots__ = ("_others",)

    def __init__(self, others: _Connections, manager: Any, **options: Any) -> None:
        super().__init__(manager, **options)
        self._others = others

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Count it in; bound how long it may leave an answer unread (Linux)."""
        super().connection_made(transport)
        opened = transport.get_extra_info("socket")
        if opened is not None and hasattr(socket, "TCP_USER_TIMEOUT"):
            opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNREAD_MS)
        self._others.add(self)

    def connection_lost(self, exc: BaseException | None) -> None:
        """Count it out."""
        self._others.remove(self)
        super().connection_lost(exc)

    @property
    def is_idle(self) -> bool:
        """Whether nothing is being answered here."""
        return self._current_request is None

    def cut(self) -> None:
        """Close it without a word."""
        self._others.remove(self)
        if self.transport is not None:
            self.transport.abort()

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """Answer what the parser could not read with a problem document, and close the connection."""
        if exc is not None and status >= 500:
            return super().handle_error(request, status, exc, message)
        lines = (message or "").strip().splitlines() or ["it cannot be read"]
        response = problem_response("/", ProblemError("malformed-request", lines[0].rstrip(":")))
        response.force_close()
        return response


@contextlib.asynccontextmanager
async def serving(
    app: web.Application, listener: socket.socket, tls: ssl.SSLContext | None = None
) -> AsyncIterator[None]:
    """Serve `app` on a listening socket for the length of the block, over TLS where there is a context."""
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    manager = runner.server
    if manager is None:
        raise RuntimeError("the server has not been set up")
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(Shortage())
    # packed bodies are refused, so they are not unpacked either
    options: dict[str, Any] = {
        "access_log": None,
        "auto_decompress": False,
        "keepalive_timeout": IDLE_S,
        "lingering_time": LINGERING_S,
        "read_bufsize": READ_BYTES,
    }
    connections = _Connections()

    def make() -> _Connection:
        return _Connection(connections, manager, loop=loop, **options)

    server = await loop.create_server(make, sock=listener) if tls is None else None
    taking = None if tls is None else asyncio.create_task(_take(listener, tls, make))
    try:
        yield
    finally:
        if server is not None:
            server.close()
        if taking is not None:
            taking.cancel()
        await runner.cleanup()


async def _take(listener: socket.socket, tls: ssl.SSLContext, make: Callable[[], _Connection]) -> None:
    """Take connections and have them agree on TLS, until cancelled."""
    loop = asyncio.get_running_loop()
    agreeing: dict[asyncio.Task[None], None] = {}
    try:
        while True:
            try:
                opened, _ = await loop.sock_accept(listener)
            except OSError as error:
                loop.call_exception_handler({"message": "a connection cannot be taken", "exception": error})
                await asyncio.sleep(ACCEPT_AGAIN_S)
                continue
            task = asyncio.create_task(_agree(opened, tls, make))
            agreeing[task] = None
            task.add_done_callback(lambda done: agreeing.pop(done, None))
            await asyncio.sleep(0)  # it begins; and a flood leaves the loop to others
            if len(agreeing) > MOST_HANDSHAKES:
                oldest = next(iter(agreeing))
                del agreeing[oldest]
                oldest.cancel()
    finally:
        for task in agreeing:
            task.cancel()


async def _agree(opened: socket.socket, tls: ssl.SSLContext, make: Callable[[], _Connection]) -> None:
    """Make a connection of a socket, or close it: who speaks no TLS, or is slow about it, has no answer."""
    loop = asyncio.get_running_loop()
    with contextlib.suppress(OSError):
        await loop.connect_accepted_socket(make, opened, ssl=tls, ssl_handshake_timeout=HANDSHAKE_S)
