"""The HTTP server under the application: the listening socket, and requests that are not even HTTP."""

from __future__ import annotations

import asyncio
import errno
import math
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import structlog
from aiohttp import web

from routerd.desk.answers import problem_response
from routerd.desk.problems import ProblemError

SHUTDOWN_S = 0.1
"""How long requests that are being answered may go on at the end."""

_SHORTAGES = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM}
SHORTAGE_AGAIN_S = 60.0
"""A shortage is told when it begins, and again when it comes back after so long."""


class Shortage:
    """An event loop's exception handler: connections that cannot be taken are told once, not a hundred times
    a second, as the loop tries them."""

    def __init__(self) -> None:
        self._last_s = -math.inf

    def __call__(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Take what the loop has to say."""
        error = context.get("exception")
        if not isinstance(error, OSError) or error.errno not in _SHORTAGES:
            loop.default_exception_handler(context)
            return
        before_s, self._last_s = self._last_s, loop.time()
        if self._last_s - before_s > SHORTAGE_AGAIN_S:
            words = "new connections have to wait: too many files and connections are open"
            structlog.get_logger().error(words, why=error.strerror)


class _Connection(web.RequestHandler):
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


@asynccontextmanager
async def serving(app: web.Application, listener: socket.socket) -> AsyncIterator[None]:
    """Serve `app` on a listening socket for the length of the block."""
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    manager = runner.server
    if manager is None:
        raise RuntimeError("the server has not been set up")
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(Shortage())
    # packed bodies are refused, so they are not unpacked either
    options: dict[str, Any] = {"access_log": None, "auto_decompress": False}
    server = await loop.create_server(lambda: _Connection(manager, loop=loop, **options), sock=listener)
    try:
        yield
    finally:
        server.close()
        await runner.cleanup()
