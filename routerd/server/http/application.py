"""The HTTP service: requests let in, bodies read, answers sent.

Everything that goes wrong with a request, the router's own 404 and 405 included, leaves as a problem
document (RFC 9457), and nothing a client sends gets further than this process. Bodies are bounded by
`operation.LARGEST_BODY_BYTES` and BODY_S, line and headers by aiohttp (8 KB a line, 128 headers), connections
by `connections`.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from functools import partial
from typing import Any

from aiohttp import web

from routerd.server import stage
from routerd.server.app import App
from routerd.server.http import (
    about,
    access,
    command_handlers,
    monitor,
    report_handlers,
    set_list_handlers,
    show_handlers,
)
from routerd.server.http.bodies import Body, Moment, Nothing, read_body
from routerd.server.http.connections import end_if_out_of_memory, serving
from routerd.server.http.guard import Guard
from routerd.server.http.negotiation import (
    OnceOnly,
    check_acceptable,
    compress,
    minimal,
    prefers_minimal,
)
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

__all__ = ["OPERATIONS", "make_app", "serving"]

BODY_S = 10.0

OPERATIONS: tuple[Operation, ...] = (
    *show_handlers.OPERATIONS,
    *set_list_handlers.OPERATIONS,
    *command_handlers.OPERATIONS,
    *monitor.OPERATIONS,
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
    only_read: set[_HandlerType] = set()
    once = OnceOnly(problem_response)
    admission = access.Admission(guard)

    @web.middleware
    async def watch(request: web.Request, handler: _HandlerType) -> web.StreamResponse:
        headers = request.headers
        if "Upgrade" in headers:
            _read_no_more(request)
        async with turn:  # one request begins in each round of the loop: pings are answered between any two
            await asyncio.sleep(0)
        try:
            asked = request.match_info.handler
            admission.let_in(request, public=asked in open_to_all, reads=asked in only_read)
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
    ended = access.EndedFile(guard.ended, app.state.folder.path, app.state.disk)
    web_app.cleanup_ctx.append(ended.reading)
    soundchecks = Soundchecks(
        RunAccess(app.view, app.link, app.feed, app.measurements), app.state, app.rig, app.rig_folder
    )
    web_app.cleanup_ctx.append(partial(_looking_back, soundchecks))
    for operation, owner in _owned(app, guard, ended, soundchecks):
        answer = _answering(app.view, operation, owner, once)
        if operation.public:
            open_to_all.add(answer)
        if operation.reads:
            only_read.add(answer)
        web_app.router.add_route(operation.method, operation.path, answer)
        if _has_head(operation):
            web_app.router.add_route("HEAD", operation.path, answer)
    open_to_all.update(_add_options(web_app))

    async def allow_origin(request: web.Request, response: web.StreamResponse) -> None:
        origin = request.headers.get("Origin")
        if origin is not None and guard.allows_origin(origin):
            response.headers["Access-Control-Allow-Origin"] = origin
            response.headers["Access-Control-Expose-Headers"] = _CORS_EXPOSED
        if guard.has_origins:
            response.headers.add("Vary", "Origin")

    web_app.on_response_prepare.append(allow_origin)
    return web_app


async def _looking_back(soundchecks: Soundchecks, _app: web.Application) -> AsyncIterator[None]:
    """Have a soundcheck that was interrupted reported, however long the disk takes."""
    looking = asyncio.create_task(soundchecks.look_back())
    yield
    looking.cancel()
    await asyncio.gather(looking, return_exceptions=True)


def _owned(
    app: App, guard: Guard, ended: access.EndedFile, soundchecks: Soundchecks
) -> Iterator[tuple[Operation, Any]]:
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
        (monitor.OPERATIONS, monitor.MonitorHandlers(view, app.feed, app.rig.played)),
        (report_handlers.OPERATIONS, reports),
        (stage.OPERATIONS, stage.StageHandlers(stage.read_assets())),
        (access.OPERATIONS, access.AccessHandlers(guard, ended)),
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


def _answering(view: View, operation: Operation, owner: Any, once: OnceOnly) -> _HandlerType:
    async def answer(request: web.Request) -> web.StreamResponse:
        check_acceptable(request, operation.media)
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
        call = Call(request, body, operation.path, request[access.CALLER])

        async def act() -> web.StreamResponse:
            result = await operation.handler(owner, call)
            response = result if isinstance(result, web.StreamResponse) else json_response(result)
            return minimal(response) if operation.brief and prefers_minimal(request) else response

        if operation.takes_key:
            response = await once.do(request, call.caller.by, await request.read(), act)
        else:
            response = await act()
        if isinstance(response, web.Response):
            compress(request, response)
        return response

    return answer


_CORS_HEADERS = "Authorization, Content-Type, Idempotency-Key, If-Match, If-None-Match, Last-Event-ID, Prefer"
_CORS_EXPOSED = "Allow, ETag, Preference-Applied, Retry-After"
PREFLIGHT_S = 600


def _add_options(web_app: web.Application) -> Iterator[_HandlerType]:
    """Answer OPTIONS for every path; yield what does."""
    methods: dict[str, list[str]] = {}
    for operation in OPERATIONS:
        own = methods.setdefault(operation.path, [])
        own += [operation.method, *(("HEAD",) if _has_head(operation) else ())]
    for path, own in methods.items():
        allowed = ", ".join([*own, "OPTIONS"])

        async def answer(request: web.Request, allowed: str = allowed) -> web.Response:
            headers = {"Allow": allowed}
            if "Access-Control-Request-Method" in request.headers:
                headers |= {
                    "Access-Control-Allow-Methods": allowed,
                    "Access-Control-Allow-Headers": _CORS_HEADERS,
                    "Access-Control-Max-Age": str(PREFLIGHT_S),
                }
            return web.Response(status=204, headers=headers)

        web_app.router.add_route("OPTIONS", path, answer)
        yield answer


def _has_head(operation: Operation) -> bool:
    return operation.method == "GET" and STREAM not in operation.media


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
