"""How answers and problems are put on the wire.

Every kind of error of the house has its problem here, so that handlers can let errors pass.
"""

from __future__ import annotations

import json
from dataclasses import asdict, is_dataclass
from http import HTTPStatus
from typing import Any

import structlog
from aiohttp import web

from routerd.core.errors import CommandError, LinkError, NotFoundError
from routerd.errand import StuckError
from routerd.printing import visible_json, visible_lines
from routerd.server.http.problems import MEDIA_TYPE, ProblemDocument, ProblemError, document_of
from routerd.server.link_client import EngineSilentError
from routerd.server.rigfiles.problems import one_of, shown

LARGEST_BODY_BYTES = 1_000_000

_ALWAYS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}


def json_response(
    value: Any, status: int = 200, media: str = "application/json", headers: dict[str, str] | None = None
) -> web.Response:
    """Return `value`, a dataclass or JSON values, as a response."""
    return json_text_response(json_text(value), status, media, headers)


def json_text(value: Any) -> bytes:
    """Return `value`, a dataclass or JSON values, as the body of a response."""
    plain = asdict(value) if is_dataclass(value) and not isinstance(value, type) else value
    text = visible_json(json.dumps(plain, ensure_ascii=False, separators=(",", ":")))
    return f"{text}\n".encode()


def json_text_response(
    body: bytes, status: int = 200, media: str = "application/json", headers: dict[str, str] | None = None
) -> web.Response:
    """Return a body of `json_text` as a response."""
    return web.Response(body=body, status=status, content_type=media, headers={**_ALWAYS, **(headers or {})})


def text_response(text: str, headers: dict[str, str] | None = None) -> web.Response:
    """Return plain text."""
    body = visible_lines(text).encode()
    sent = {**_ALWAYS, **(headers or {})}
    return web.Response(body=body, content_type="text/plain", charset="utf-8", headers=sent)


def problem_response(path: str, error: Exception) -> web.Response:
    """Return the problem document that tells `error` to whoever asked for `path`."""
    headers: dict[str, str] = {}
    if isinstance(error, web.HTTPException):
        problem = _of_http(path, error, headers)
    else:
        problem = document_of(_of_error(path, error), path)
    if problem.status == HTTPStatus.UNAUTHORIZED:
        headers["WWW-Authenticate"] = "Bearer"
    if problem.status == HTTPStatus.SERVICE_UNAVAILABLE:
        headers["Retry-After"] = "1"
    plain = {key: value for key, value in asdict(problem).items() if value != ()}
    return json_response(plain, problem.status, MEDIA_TYPE, headers)


def _of_error(path: str, error: Exception) -> ProblemError:
    if isinstance(error, ProblemError):
        return error
    if isinstance(error, CommandError):
        return ProblemError("not-found" if isinstance(error, NotFoundError) else "refused", str(error))
    if isinstance(error, StuckError):
        return ProblemError("disk-silent", str(error.strerror))
    if isinstance(error, EngineSilentError):
        structlog.get_logger().error("no answer to a request", path=path, why=str(error))
        return ProblemError("engine-silent", str(error))
    if isinstance(error, LinkError):
        structlog.get_logger().error("a request failed", path=path, why=str(error))
        return ProblemError("engine-refused", str(error))
    structlog.get_logger().error("a request failed", path=path, exc_info=error)
    return ProblemError("internal", f"{type(error).__name__}; the log says more")


def _of_http(path: str, error: web.HTTPException, headers: dict[str, str]) -> ProblemDocument:
    if isinstance(error, web.HTTPMethodNotAllowed):
        allowed = sorted(error.allowed_methods)
        headers["Allow"] = ", ".join(allowed)
        detail = f"{path} takes {one_of(allowed)}, not {shown(error.method)}"
        return document_of(ProblemError("method-not-allowed", detail), path)
    if isinstance(error, web.HTTPRequestEntityTooLarge):
        headers["Connection"] = "close"
        detail = f"a body may have up to {LARGEST_BODY_BYTES} bytes"
        return document_of(ProblemError("too-large", detail), path)
    return ProblemDocument("about:blank", error.reason, error.status, error.reason, path)
