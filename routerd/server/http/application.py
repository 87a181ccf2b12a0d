"""The HTTP application: lets requests in, reads their bodies, has them answered.

Everything that goes wrong with a request, the router's own 404 and 405 included, leaves as a problem
document (RFC 9457), and nothing a client sends gets further than this process.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from functools import partial
from typing import Any

from aiohttp import web

from routerd.server.app import App
from routerd.server.http import (
    about,
    command_handlers,
    report_handlers,
    set_list_handlers,
    show_handlers,
    tuning_handlers,
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
from routerd.server.out_of_memory import end_if_out_of_memory
from routerd.server.rigfiles.problems import choose, nearest, shown
from routerd.server.soundcheck.run import Access
from routerd.server.soundcheck.service import Soundchecks
from routerd.server.status import status_now
from routerd.server.view import View

BODY_S = 10.0
_SAFE = ("GET", "HEAD")
"""These change nothing, so a link from anywhere may lead here."""

OPERATIONS: tuple[Operation, ...] = (
    *show_handlers.OPERATIONS,
    *set_list_handlers.OPERATIONS,
    *command_handlers.OPERATIONS,
    *tuning_handlers.OPERATIONS,
    *report_handlers.OPERATIONS,
    *about.OPERATIONS,
)
"""All there are, in the order of the help page."""

_HandlerType = Callable[[web.Request], Awaitable[web.StreamResponse]]


def make_app(app: App, guard: Guard) -> web.Application:
    """Return the application that answers for `app`."""
    turn = asyncio.Lock()

    @web.middleware
    async def watch(request: web.Request, handler: _HandlerType) -> web.StreamResponse:
        headers = request.headers
        if "Upgrade" in headers:
            _read_no_more(request)
        async with turn:  # one request begins in each round of the loop: pings are answered between any two
            await asyncio.sleep(0)
        try:
            sent_by = None if request.method in _SAFE else headers.get("Sec-Fetch-Site")
            who = headers.get("Origin"), headers.get("Authorization"), sent_by
            guard.check(headers.getall("Host", []), *who)
            response = await handler(request)
        except web.HTTPNotFound:
            response = problem_response(request.path, _no_such_path(request.path))
        except Exception as error:  # noqa: BLE001 - whatever it was, the client gets a problem document
            end_if_out_of_memory(error)
            response = problem_response(request.path, error)
        if "Upgrade" in headers and not response.prepared:
            response.force_close()
        return response

    web_app = web.Application(middlewares=[watch], client_max_size=LARGEST_BODY_BYTES)
    for operation, owner in _owned(app):
        answer = _answering(app.view, operation, owner)
        web_app.router.add_route(operation.method, operation.path, answer)
        if operation.method == "GET" and STREAM not in operation.media:
            web_app.router.add_route("HEAD", operation.path, answer)
    return web_app


def _owned(app: App) -> Iterator[tuple[Operation, Any]]:
    """Yield each operation with the object whose method answers it, which gets what it needs and no more."""
    view, link = app.view, app.link
    status = partial(status_now, view, app.hub)
    access = Access(view, link, app.feed, app.measurements)
    soundchecks = Soundchecks(access, app.state, app.rig, app.rig_folder)
    reports = report_handlers.ReportHandlers(
        reports=app.reports,
        soundchecks=soundchecks,
        record=app.record,
        view=view,
        measurements=app.measurements,
        cache=app.state.folder.path,
    )
    owners: tuple[tuple[Operations, Any], ...] = (
        (show_handlers.OPERATIONS, show_handlers.ShowHandlers(view, status, app.hub)),
        (set_list_handlers.OPERATIONS, set_list_handlers.SetListHandlers(view, app.rig, app.feed.emit)),
        (command_handlers.OPERATIONS, command_handlers.CommandHandlers(view, link, status, app.rig.reload)),
        (tuning_handlers.OPERATIONS, tuning_handlers.TuningHandlers(view, link, status)),
        (report_handlers.OPERATIONS, reports),
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
    return ProblemError("not-found", f"there is no {shown(path)}; {remedy}")


def _answering(view: View, operation: Operation, owner: Any) -> _HandlerType:
    async def answer(request: web.Request) -> web.StreamResponse:
        body: Body = Nothing()
        if operation.body is not None:
            example = operation.example or ('{"when": "bar"}' if issubclass(operation.body, Moment) else "{}")
            body = read_body(await _received(request), operation.body, example)
        known = [query.name for query in operation.query]
        for key in request.query:
            if key not in known:
                remedy = choose(key, known) if known else "this path takes nothing after the ?"
                raise ProblemError("wrong-query", f"{shown(key)}: {remedy}")
        if operation.needs_rig and not view.ready:
            raise ProblemError("not-ready", "the rig folder is still being loaded")
        result = await operation.handler(owner, Call(request, body, operation.path))
        return result if isinstance(result, web.StreamResponse) else json_response(result)

    return answer


async def _received(request: web.Request) -> bytes:
    coding = request.headers.get("Content-Encoding", "identity")
    if coding.lower() != "identity":
        raise ProblemError("unknown-coding", f"a body is taken as it is, not as {shown(coding)}")
    try:
        async with asyncio.timeout(BODY_S):
            return await request.read()
    except TimeoutError as error:
        raise ProblemError("too-slow", f"the body did not arrive within {BODY_S:g} s") from error
    except (web.RequestPayloadError, ConnectionError, RuntimeError) as error:  # the last one: it has closed
        raise ProblemError("malformed-request", f"the body cannot be read: {error}") from error
