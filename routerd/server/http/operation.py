"""One operation of the API, declared once beside its handler.

A module of handlers has a table `OPERATIONS` and a class that holds the parts of the server that its handlers
need. The declaration above a handler puts it into the table; from the tables come the routes and checks of
requests (`application`), the OpenAPI document and the help page (`about`):

    @OPERATIONS.add("POST", "/v1/half", "Half the tempo", Status, body=Nothing)
    async def half(self, call: Call[Nothing]) -> Status: ...

How answers and problems are put on the wire is here as well: handlers return values of `shapes`, or a
response, and let the house's errors pass: each kind has its problem in `problem_response`.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Coroutine
from dataclasses import asdict, dataclass, is_dataclass
from http import HTTPStatus
from inspect import cleandoc
from typing import Any, Generic, TypeVar

from aiohttp import web

from routerd.core.errors import CommandError, FileEditError, LinkError, NotFoundError, RigFolderError
from routerd.errand import StuckError
from routerd.printing import counted, visible_json, visible_lines
from routerd.server.feed import HEARTBEAT_S
from routerd.server.http.bodies import Body
from routerd.server.http.guard import Caller
from routerd.server.http.negotiation import (
    FIELDS,
    HEADERS_OF_STATUS,
    IDEMPOTENCY_KEY,
    PREFER,
    Parameter,
)
from routerd.server.http.problems import MEDIA_TYPE, ProblemDocument, ProblemError, document_of
from routerd.server.http.tokens import AGAIN_S
from routerd.server.link_client import EngineSilentError
from routerd.server.log import LOG
from routerd.server.rigfiles.problems import one_of, quote

JSON, TEXT, HTML, STREAM = "application/json", "text/plain", "text/html", "text/event-stream"
METRICS = "application/openmetrics-text"

LARGEST_BODY_BYTES = 1_000_000
SAFE = ("GET", "HEAD", "OPTIONS")
"""Methods that change nothing (RFC 9110, 9.2.1)."""

_AGAIN_S = {HTTPStatus.TOO_MANY_REQUESTS.value: AGAIN_S}
_ALWAYS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}

B_co = TypeVar("B_co", bound=Body, covariant=True)


@dataclass(frozen=True, slots=True)
class Call(Generic[B_co]):
    """One request: its body as the model that the operation names, the operation's path, and who asks."""

    request: web.Request
    body: B_co
    path: str
    caller: Caller


Handler = Callable[[Any, Call[Any]], Coroutine[Any, Any, Any]]
"""A method of a class of handlers, not bound yet."""

H = TypeVar("H", bound=Handler)


TAGS = {
    "show": "Where the show is, how everything is, and what happens",
    "set-list": "Tonight's set list: read it, change it, take changes back, write it into its file",
    "commands": "What a foot switch can do, and more: now, on a bar or with the next press",
    "messages": "What becomes of single messages",
    "reports": "Figures: jitter reports, soundchecks, the show log, metrics",
    "access": "Who asks, and the pages that people look at",
    "about": "The API about itself",
}
"""The groups of operations, in the order of the help page."""


@dataclass(frozen=True, slots=True)
class Operation:
    """One method of one path.

    `summary` is one line of the help; `words` say the rest, and are the handler's docstring where nothing
    else is given. `answer` is the class of the JSON answer, or the name of a schema of the document; `media`
    are the types it may come in, `statuses` those it may come with, `sends` the ANSWER_HEADERS it has,
    `frames` the classes of what a stream's events hold. What is `brief` can be answered 204 (Prefer:
    return=minimal), and of what comes in `parts` the key `fields` names those that are wanted. What only
    `reads` changes nothing although it is no GET, as it wants a body: a token that may read is enough.
    `example` is a body for the help and for what a wrong body is answered; the parameters'
    examples make it a request that works with the demo. Without `needs_rig` it answers at all times, also
    before a rig is loaded. What is `public` is answered without a token, because it has nothing of the rig
    in it.
    """

    method: str
    path: str
    handler: Handler
    tag: str
    summary: str
    words: str
    answer: type | str | None = None
    media: tuple[str, ...] = (JSON,)
    body: type[Body] | None = None
    example: str = ""
    parameters: tuple[Parameter, ...] = ()
    problems: tuple[str, ...] = ()
    needs_rig: bool = True
    statuses: tuple[int, ...] = (200,)
    public: bool = False
    sends: tuple[str, ...] = ()
    frames: tuple[type, ...] = ()
    brief: bool = False
    parts: bool = False
    reads: bool = False

    @property
    def takes_key(self) -> bool:
        """Whether an Idempotency-Key is honoured."""
        return IDEMPOTENCY_KEY in self.parameters

    def curl(self, host: str) -> str:
        """Return the request of its example as a line for curl."""
        path, query = self.path, []
        for one in self.parameters:
            if one.place == "path":
                path = path.replace(f"{{{one.name}}}", str(one.example))
            elif one.place == "query" and one.example is not None:
                query.append(f"{one.name}={one.example}".replace("=True", "=true"))
        if query:
            path += "?" + "&".join(query)
        method = "" if self.method == "GET" else f"-X {self.method} "
        body = f" -d '{self.example}'" if self.example else ""
        no_buffer = "-N " if STREAM in self.media else ""
        return f"curl {no_buffer}{method}'{host}{path}'{body}"

    @property
    def changes(self) -> bool:
        """Whether it may change something; a link from anywhere may lead to the others."""
        return self.method not in SAFE and not self.reads


class Operations(list[Operation]):
    """The operations of one module, in the order in which they are declared, under one of TAGS."""

    def __init__(self, tag: str) -> None:
        super().__init__()
        self._tag = tag

    def add(
        self,
        method: str,
        path: str,
        summary: str,
        answer: type | str | None = None,
        *,
        media: tuple[str, ...] = (JSON,),
        body: type[Body] | None = None,
        example: str = "",
        parameters: tuple[Parameter, ...] = (),
        problems: tuple[str, ...] = (),
        needs_rig: bool = True,
        statuses: tuple[int, ...] = (200,),
        public: bool = False,
        sends: tuple[str, ...] = (),
        frames: tuple[type, ...] = (),
        brief: bool = False,
        parts: bool = False,
        reads: bool = False,
        words: str = "",
    ) -> Callable[[H], H]:
        """Declare the handler below; the fields are those of Operation."""
        takes_key = method not in SAFE and not public and not reads

        kinds = [*problems, *(("wrong-query",) if parts else ())]
        kinds += ["wrong-key", "under-way", "key-used"] if takes_key else []

        def declare(handler: H) -> H:
            self.append(
                Operation(
                    method,
                    path,
                    handler,
                    self._tag,
                    summary,
                    words or cleandoc(handler.__doc__ or ""),
                    answer,
                    media,
                    body,
                    example,
                    (
                        *parameters,
                        *((FIELDS,) if parts else ()),
                        *((PREFER,) if brief else ()),
                        *((IDEMPOTENCY_KEY,) if takes_key else ()),
                    ),
                    tuple(kinds),
                    needs_rig,
                    (*statuses, 204) if brief else statuses,
                    public,
                    (*sends, "Preference-Applied") if brief else sends,
                    frames,
                    brief,
                    parts,
                    reads,
                )
            )
            return handler

        return declare


def json_response(
    value: Any, status: int = 200, media: str = JSON, headers: dict[str, str] | None = None
) -> web.Response:
    """Return `value`, a dataclass or JSON values, as a response."""
    return json_text_response(json_text(value), status, media, headers)


def json_text(value: Any) -> bytes:
    """Return `value`, a dataclass or JSON values, as the body of a response."""
    text = visible_json(json.dumps(plain(value), ensure_ascii=False, separators=(",", ":")))
    return f"{text}\n".encode()


def plain(value: Any) -> Any:
    """Return a dataclass, or a tuple of them, as JSON values, and anything else as it is."""
    if isinstance(value, tuple):
        return [plain(one) for one in value]
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value


def json_text_response(
    body: bytes, status: int = 200, media: str = JSON, headers: dict[str, str] | None = None
) -> web.Response:
    """Return a body of `json_text` as a response."""
    return web.Response(body=body, status=status, content_type=media, headers={**_ALWAYS, **(headers or {})})


def text_response(text: str, headers: dict[str, str] | None = None) -> web.Response:
    """Return plain text."""
    body = visible_lines(text).encode()
    sent = {**_ALWAYS, **(headers or {})}
    return web.Response(body=body, content_type=TEXT, charset="utf-8", headers=sent)


def problem_response(path: str, error: Exception) -> web.Response:
    """Return the problem document that explains `error` to whoever asked for `path`."""
    headers: dict[str, str] = {}
    if isinstance(error, web.HTTPException):
        problem = _of_http(path, error, headers)
    else:
        problem = document_of(_of_error(path, error), path)
    values = {"WWW-Authenticate": "Bearer", "Retry-After": f"{_AGAIN_S.get(problem.status, 1):.0f}"}
    for name in HEADERS_OF_STATUS.get(HTTPStatus(problem.status), ()):
        headers[name] = values[name]
    members = {key: value for key, value in asdict(problem).items() if value != ()}
    return json_response(members, problem.status, MEDIA_TYPE, headers)


_PROBLEM_OF: tuple[tuple[type[Exception], str], ...] = (
    (NotFoundError, "not-found"),
    (CommandError, "refused"),
    (FileEditError, "file-at-fault"),
    (EngineSilentError, "engine-silent"),
    (LinkError, "engine-refused"),
)
"""The kind of problem of each kind of error; the first that fits."""


def _of_error(path: str, error: Exception) -> ProblemError:
    if isinstance(error, ProblemError):
        return error
    if isinstance(error, StuckError):
        return ProblemError("disk-silent", str(error.strerror))
    if isinstance(error, RigFolderError):
        detail = f"{counted(len(error.problems), 'problem')}, the first: {error.problems[0]}"
        return ProblemError("broken-files", detail, problems=tuple(error.problems))
    if isinstance(error, LinkError):
        LOG.say("a request failed", "error", path=path, why=str(error))
    name = next((name for kind, name in _PROBLEM_OF if isinstance(error, kind)), None)
    if name is not None:
        return ProblemError(name, str(error))
    LOG.say("a request failed", "error", error, path=path)
    return ProblemError("internal", f"{type(error).__name__}; the log says more")


def _of_http(path: str, error: web.HTTPException, headers: dict[str, str]) -> ProblemDocument:
    if isinstance(error, web.HTTPMethodNotAllowed):
        allowed = sorted(error.allowed_methods)
        headers["Allow"] = ", ".join(allowed)
        detail = f"{path} takes {one_of(allowed)}, not {quote(error.method)}"
        return document_of(ProblemError("method-not-allowed", detail), path)
    if isinstance(error, web.HTTPRequestEntityTooLarge):
        headers["Connection"] = "close"
        detail = f"a body may have up to {LARGEST_BODY_BYTES} bytes"
        return document_of(ProblemError("too-large", detail), path)
    return ProblemDocument("about:blank", error.reason, error.status, error.reason, path)


async def send_frames(
    request: web.Request, queue: asyncio.Queue[bytes | None], greeting: str
) -> web.StreamResponse:
    """Answer with the frames of a queue as server-sent events, until the client goes or a None comes."""
    headers = {"Content-Type": STREAM, "Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    response = web.StreamResponse(headers=headers)
    try:
        await response.prepare(request)
        await response.write(f": {greeting}\n\n".encode())
        while True:
            try:
                frame = await asyncio.wait_for(queue.get(), HEARTBEAT_S)
            except TimeoutError:
                frame = b": still here\n\n"
            if frame is None:
                break
            await response.write(frame)
    except ConnectionError:
        pass  # it has gone, or was cut off
    return response
