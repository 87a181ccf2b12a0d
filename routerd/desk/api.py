"""The HTTP server: lets requests in, reads their bodies, and puts answers and problems into words.

Everything that goes wrong with a request, the router's own 404 and 405 included, leaves as a problem
document (RFC 9457), and nothing a client sends gets further than this process.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import asdict, is_dataclass
from http import HTTPStatus
from typing import Any

import structlog
from aiohttp import web
from aiohttp.client_exceptions import ClientError
from aiohttp.http_exceptions import HttpProcessingError

from routerd.core.errors import CommandError, LinkError, NotFoundError
from routerd.desk.bodies import Body, Nothing, read_body
from routerd.desk.config.problems import choose, one_of, shown
from routerd.desk.desk import Desk
from routerd.desk.guard import Guard
from routerd.desk.handlers import Call
from routerd.desk.link_client import EngineSilentError
from routerd.desk.operations import OPERATIONS, Operation
from routerd.desk.problems import MEDIA_TYPE, ProblemDocument, ProblemError, document_of

LARGEST_BODY_BYTES = 1_000_000
BODY_S = 10.0
SHUTDOWN_S = 0.1

_HandlerType = Callable[[web.Request], Awaitable[web.StreamResponse]]


def make_app(desk: Desk, guard: Guard) -> web.Application:
    """Return the application that answers for `desk`."""

    @web.middleware
    async def watch(request: web.Request, handler: _HandlerType) -> web.StreamResponse:
        try:
            headers = request.headers
            guard.check(headers.getall("Host", []), headers.get("Origin"), headers.get("Authorization"))
            return await handler(request)
        except Exception as error:  # noqa: BLE001 - whatever it was, the client gets a problem document
            return _problem(request, error)

    app = web.Application(middlewares=[watch], client_max_size=LARGEST_BODY_BYTES)
    for operation in OPERATIONS:
        app.router.add_route(operation.method, operation.path, _answering(desk, operation))
        if operation.method == "GET":
            app.router.add_route("HEAD", operation.path, _answering(desk, operation))
    return app


async def serve(app: web.Application, listener: Any) -> web.AppRunner:
    """Serve on a listening socket; return what ends it with `cleanup`."""
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    await web.SockSite(runner, listener).start()
    return runner


def _answering(desk: Desk, operation: Operation) -> _HandlerType:
    async def answer(request: web.Request) -> web.StreamResponse:
        body: Body = Nothing()
        if operation.body is not None:
            body = read_body(await _received(request), operation.body)
        for key in request.query:
            if key not in operation.query:
                raise ProblemError("wrong-query", f"{shown(key)}: {_query_remedy(key, operation)}")
        if operation.needs_book and not desk.view.ready:
            raise ProblemError("not-ready", "the rig folder is still being loaded")
        result = await operation.handler(Call(desk, request, body))
        return result if isinstance(result, web.StreamResponse) else _json(result)

    return answer


def _query_remedy(key: str, operation: Operation) -> str:
    return choose(key, operation.query) if operation.query else "this path takes nothing after the ?"


async def _received(request: web.Request) -> bytes:
    try:
        async with asyncio.timeout(BODY_S):
            return await request.read()
    except TimeoutError as error:
        raise ProblemError("too-slow", f"the body did not arrive within {BODY_S:g} s") from error
    except (ClientError, HttpProcessingError, ValueError) as error:
        raise ProblemError("malformed-request", f"the body cannot be read: {error}") from error


def _json(
    value: Any, status: int = 200, media: str = "application/json", headers: dict[str, str] | None = None
) -> web.Response:
    plain = asdict(value) if is_dataclass(value) and not isinstance(value, type) else value
    text = json.dumps(plain, ensure_ascii=False, separators=(",", ":")) + "\n"
    body = text.encode("utf-8", "backslashreplace")
    return web.Response(
        body=body, status=status, content_type=media, headers={"Cache-Control": "no-store", **(headers or {})}
    )


def _problem(request: web.Request, error: Exception) -> web.Response:
    headers: dict[str, str] = {}
    if isinstance(error, web.HTTPException):
        problem = _of_http(request, error, headers)
    else:
        problem = document_of(_of_error(request, error), request.path)
    if problem.status == HTTPStatus.UNAUTHORIZED:
        headers["WWW-Authenticate"] = "Bearer"
    if problem.status == HTTPStatus.SERVICE_UNAVAILABLE:
        headers["Retry-After"] = "1"
    plain = {key: value for key, value in asdict(problem).items() if value != ()}
    return _json(plain, problem.status, MEDIA_TYPE, headers)


def _of_error(request: web.Request, error: Exception) -> ProblemError:
    if isinstance(error, ProblemError):
        return error
    if isinstance(error, NotFoundError):
        return ProblemError("not-found", str(error))
    if isinstance(error, CommandError):
        return ProblemError("refused", str(error))
    if isinstance(error, EngineSilentError):
        structlog.get_logger().error("no answer to a request", path=request.path, why=str(error))
        return ProblemError("engine-silent", str(error))
    if isinstance(error, LinkError):
        structlog.get_logger().error("a request failed", path=request.path, why=str(error))
        return ProblemError("engine-refused", str(error))
    structlog.get_logger().error("a request failed", path=request.path, exc_info=error)
    return ProblemError("internal", f"{type(error).__name__}; the log says more")


def _of_http(request: web.Request, error: web.HTTPException, headers: dict[str, str]) -> ProblemDocument:
    if isinstance(error, web.HTTPMethodNotAllowed):
        allowed = sorted(error.allowed_methods)
        headers["Allow"] = ", ".join(allowed)
        detail = f"{request.path} takes {one_of(allowed)}, not {shown(error.method)}"
        return document_of(ProblemError("method-not-allowed", detail), request.path)
    if isinstance(error, web.HTTPRequestEntityTooLarge):
        headers["Connection"] = "close"
        detail = f"a body may have up to {LARGEST_BODY_BYTES} bytes"
        return document_of(ProblemError("too-large", detail), request.path)
    if isinstance(error, web.HTTPNotFound):
        remedy = choose(request.path, {operation.path for operation in OPERATIONS})
        return document_of(
            ProblemError("not-found", f"there is no {shown(request.path)}; {remedy}"), request.path
        )
    return ProblemDocument("about:blank", error.reason, error.status, error.reason, request.path)
