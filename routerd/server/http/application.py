"""The HTTP service: connections and their limits, requests let in, bodies read, answers sent.

Everything that goes wrong with a request, the router's own 404 and 405 included, leaves as a problem
document (RFC 9457), and nothing a client sends gets further than this process.

Whatever many clients do, slow, half open or never reading: the number of connections is bounded and a new one
takes the place of one that asks nothing, so that a person who asks is answered. Line and headers are bounded
by aiohttp (8 KB a line, 128 headers), bodies by `operation.LARGEST_BODY_BYTES` and BODY_S.
"""

from __future__ import annotations

import asyncio
import errno
import math
import os
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from functools import partial
from typing import Any

import structlog
from aiohttp import web

from routerd.server import stage
from routerd.server.app import App
from routerd.server.http import (
    about,
    access,
    command_handlers,
    monitor_handlers,
    report_handlers,
    set_list_handlers,
    show_handlers,
)
from routerd.server.http.bodies import Body, Moment, Nothing, read_body
from routerd.server.http.guard import Guard
from routerd.server.http.operation import (
    LARGEST_BODY_BYTES,
    STREAM,
    Call,
    Operation,
    Operations,
    json_response,
    problem_response,
)
from routerd.server.http.problems import ProblemError
from routerd.server.rigfiles.problems import nearest, one_of, quote
from routerd.server.soundcheck.run import Access as RunAccess
from routerd.server.soundcheck.service import Soundchecks
from routerd.server.status import status_now
from routerd.server.view import View

BODY_S = 10.0

OPERATIONS: tuple[Operation, ...] = (
    *show_handlers.OPERATIONS,
    *set_list_handlers.OPERATIONS,
    *command_handlers.OPERATIONS,
    *monitor_handlers.OPERATIONS,
    *report_handlers.OPERATIONS,
    *stage.OPERATIONS,
    *access.OPERATIONS,
    *about.OPERATIONS,
)
"""All there are, in the order of the help page."""

_HandlerType = Callable[[web.Request], Awaitable[web.StreamResponse]]


def make_app(app: App, guard: Guard) -> web.Application:
    """Return the application that answers for `app`."""
    turn = asyncio.Lock()
    open_to_all: set[_HandlerType] = set()
    admission = access.Admission(guard)

    @web.middleware
    async def watch(request: web.Request, handler: _HandlerType) -> web.StreamResponse:
        headers = request.headers
        if "Upgrade" in headers:
            _read_no_more(request)
        async with turn:  # one request begins in each round of the loop: pings are answered between any two
            await asyncio.sleep(0)
        try:
            admission.let_in(request, public=request.match_info.handler in open_to_all)
            response = await handler(request)
        except web.HTTPNotFound:
            response = problem_response(request.path, _no_such_path(request.path))
        except Exception as error:  # noqa: BLE001 - whatever it was, the client gets a problem document
            end_if_out_of_memory(error)
            response = problem_response(request.path, error)
        finally:
            admission.has_gone(request)
        if "Upgrade" in headers and not response.prepared:
            response.force_close()
        return response

    web_app = web.Application(middlewares=[watch], client_max_size=LARGEST_BODY_BYTES)
    web_app.cleanup_ctx.append(admission.renewing)
    soundchecks = Soundchecks(
        RunAccess(app.view, app.link, app.feed, app.measurements), app.state, app.rig, app.rig_folder
    )
    web_app.cleanup_ctx.append(partial(_looking_back, soundchecks))
    for operation, owner in _owned(app, guard, soundchecks):
        answer = _answering(app.view, operation, owner)
        if operation.public:
            open_to_all.add(answer)
        web_app.router.add_route(operation.method, operation.path, answer)
        if operation.method == "GET" and STREAM not in operation.media:
            web_app.router.add_route("HEAD", operation.path, answer)
    return web_app


async def _looking_back(soundchecks: Soundchecks, _app: web.Application) -> AsyncIterator[None]:
    """Have a soundcheck that was interrupted reported, however long the disk takes."""
    looking = asyncio.create_task(soundchecks.look_back())
    yield
    looking.cancel()
    await asyncio.gather(looking, return_exceptions=True)


def _owned(app: App, guard: Guard, soundchecks: Soundchecks) -> Iterator[tuple[Operation, Any]]:
    """Yield each operation with the object whose method answers it, which gets what it needs and no more."""
    view, link = app.view, app.link
    status = partial(status_now, view, app.hub)
    reports = report_handlers.ReportHandlers(
        reports=app.reports,
        soundchecks=soundchecks,
        record=app.record,
        view=view,
        measurements=app.measurements,
        cache=app.state.folder.path,
    )
    owners: tuple[tuple[Operations, Any], ...] = (
        (show_handlers.OPERATIONS, show_handlers.ShowHandlers(view, status, app.hub, link)),
        (set_list_handlers.OPERATIONS, set_list_handlers.SetListHandlers(view, app.rig, app.feed.emit)),
        (command_handlers.OPERATIONS, command_handlers.CommandHandlers(view, link, status, app.rig.reload)),
        (monitor_handlers.OPERATIONS, monitor_handlers.MonitorHandlers(view, app.feed, app.rig.played)),
        (report_handlers.OPERATIONS, reports),
        (stage.OPERATIONS, stage.StageHandlers(stage.read_assets())),
        (access.OPERATIONS, access.AccessHandlers(guard)),
        (about.OPERATIONS, about.AboutHandlers(OPERATIONS)),
    )
    for operations, owner in owners:
        yield from ((operation, owner) for operation in operations)


def _read_no_more(request: web.Request) -> None:
    """Leave alone what comes behind a wish for another protocol: none is spoken here (RFC 9110, 7.8)."""
    if request.transport is not None and not request.body_exists:
        request.transport.pause_reading()


def _no_such_path(path: str) -> ProblemError:
    close = nearest(path, sorted({operation.path for operation in OPERATIONS}))
    remedy = "GET / lists what there is" if close is None else f"did you mean {close}?"
    return ProblemError("not-found", f"there is no {quote(path)}; {remedy}")


def _answering(view: View, operation: Operation, owner: Any) -> _HandlerType:
    async def answer(request: web.Request) -> web.StreamResponse:
        body: Body = Nothing()
        if operation.body is not None:
            example = operation.example or ('{"when": "bar"}' if issubclass(operation.body, Moment) else "{}")
            body = read_body(await _received(request), operation.body, example)
        for one in operation.parameters:
            given = request.query.get(one.name) if one.place == "query" else None
            choices = ("true", "false") if one.kind == "boolean" else one.choices
            if given is not None and choices and given not in choices:
                raise ProblemError("wrong-query", f"{one.name} is {one_of(choices)}, not {quote(given)}")
        if operation.needs_rig and not view.ready:
            raise ProblemError("not-ready", "the rig folder is still being loaded")
        result = await operation.handler(owner, Call(request, body, operation.path, request[access.CALLER]))
        return result if isinstance(result, web.StreamResponse) else json_response(result)

    return answer


async def _received(request: web.Request) -> bytes:
    coding = request.headers.get("Content-Encoding", "identity")
    if coding.lower() != "identity":
        raise ProblemError("unknown-coding", f"a body is taken as it is, not as {quote(coding)}")
    try:
        async with asyncio.timeout(BODY_S):
            return await request.read()
    except TimeoutError as error:
        raise ProblemError("too-slow", f"the body did not arrive within {BODY_S:g} s") from error
    except (web.RequestPayloadError, ConnectionError, RuntimeError) as error:  # the last one: it has closed
        raise ProblemError("malformed-request", f"the body cannot be read: {error}") from error


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
            structlog.get_logger().error(words, why=error.strerror)


MOST_CONNECTIONS = 256
IDLE_S = 30.0
"""How long a connection may stay without a whole request, however slowly one trickles in."""
HANDSHAKE_S = 5.0
"""How long a connection may take to agree on TLS; until then it does not count as one."""
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


@asynccontextmanager
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
    server = await loop.create_server(
        lambda: _Connection(connections, manager, loop=loop, **options),
        sock=listener,
        ssl=tls,
        ssl_handshake_timeout=None if tls is None else HANDSHAKE_S,
    )
    try:
        yield
    finally:
        server.close()
        await runner.cleanup()
