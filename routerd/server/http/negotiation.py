"""What requests and answers say besides their bodies: parameters and headers.

- Accept (RFC 9110, 12.5.1): an answer that has none of the types wanted is refused before anything is done.
- Accept-Encoding (12.5.3): large answers come compressed by gzip. Streams never do, and no answer with an
  entity tag: a tag names one form.
- Prefer: return=minimal (RFC 7240, 4.2): what changes something answers 204 instead of the state.
- Idempotency-Key (draft-ietf-httpapi-idempotency-key-header-06, 24 February 2025): what has been done once
  under a key is not done again; its answer is. A restart of the server forgets keys.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from time import monotonic
from typing import Literal

from aiohttp import web

from routerd.server.http.problems import ProblemError
from routerd.server.rigfiles.problems import one_of, quote


@dataclass(frozen=True, slots=True)
class Parameter:
    """What a request may say beside its body: a key of the query, a part of the path or a header.

    `kind` is its type in the words of JSON Schema; with `choices` these are its only values.
    """

    name: str
    words: str
    example: str | float | bool | None = None
    kind: Literal["string", "number", "integer", "boolean"] = "string"
    choices: tuple[str, ...] = ()
    place: Literal["query", "path", "header"] = "query"


IF_MATCH = Parameter(
    "If-Match",
    "Only if the set list still is the one with this ETag (RFC 9110, 13.1.1)",
    place="header",
)
IF_NONE_MATCH = Parameter(
    "If-None-Match",
    "Only if it has changed since it had this ETag (RFC 9110, 13.1.2); 304 otherwise",
    place="header",
)

PREFER = Parameter(
    "Prefer",
    "return=minimal: answer 204 instead of the state (RFC 7240); other preferences are ignored",
    place="header",
)
FIELDS = Parameter(
    "fields", "Only these members of the answer, with commas between them: song,tempo,position"
)
IDEMPOTENCY_KEY = Parameter(
    "Idempotency-Key",
    "A string in quotes, another for each wish. What is sent again with it within an hour is not done again, "
    "but answered as the first time (draft-ietf-httpapi-idempotency-key-header-06)",
    place="header",
)

ANSWER_HEADERS = {
    "ETag": ("The revision of what is answered (RFC 9110, 8.8.3)", "string"),
    "Set-Cookie": ("What stands for the token from now on (RFC 6265)", "string"),
    "Preference-Applied": ("return=minimal, where that was preferred (RFC 7240)", "string"),
    "Retry-After": ("After how many seconds to ask again", "integer"),
    "WWW-Authenticate": ("How to say who you are", "string"),
}
"""Headers of answers that mean something to whoever reads them: what, and the type of their values."""
HEADERS_OF_STATUS: dict[HTTPStatus, tuple[str, ...]] = {
    HTTPStatus.UNAUTHORIZED: ("WWW-Authenticate",),
    HTTPStatus.TOO_MANY_REQUESTS: ("Retry-After",),
    HTTPStatus.SERVICE_UNAVAILABLE: ("Retry-After",),
}


SMALLEST_GZIP_BYTES = 1400
"""What fits into one packet anyway is not compressed."""
KEYS_S = 3600.0
MOST_KEYS = 500
LONGEST_KEY = 200

_KEY = re.compile(r'"([^"\\]+)"|([!#-\[\]-~]+)')
"""A string of RFC 8941, as the draft has it, or the same without its quotes."""


def weights(header: str) -> dict[str, float]:
    """Return the members of an Accept or Accept-Encoding header with their weights, 0 to 1."""
    found = {}
    for one in header.split(","):
        name, *parameters = one.replace(" ", "").replace("\t", "").casefold().split(";")
        weight = next((part[2:] for part in parameters if part.startswith("q=")), "1")
        plain = re.fullmatch(r"[01](\.\d{0,3})?", weight) is not None
        if name:
            found[name] = min(1.0, float(weight)) if plain else 0.0
    return found


def best_media(accept: Sequence[str], offered: Sequence[str]) -> str | None:
    """Return which of the types offered is wanted most by these Accept headers, or None when none is."""
    wanted = weights(",".join(accept))
    if not wanted:
        return offered[0]

    def weight(media: str) -> float:
        for pattern in (media, f"{media.partition('/')[0]}/*", "*/*"):
            if pattern in wanted:
                return wanted[pattern]
        return 0.0

    best = max(offered, key=weight)
    return best if weight(best) > 0 else None


def check_acceptable(request: web.Request, offered: Sequence[str]) -> None:
    """Raise ProblemError where none of the types offered is wanted; ?format= is a wish of its own."""
    accept = request.headers.getall("Accept", [])
    if "format" not in request.query and best_media(accept, offered) is None:
        raise ProblemError(
            "not-acceptable", f"this comes as {one_of(offered)}, not as {quote(', '.join(accept))}"
        )


def takes_gzip(accepted: str) -> bool:
    """Return whether an Accept-Encoding header lets an answer be compressed by gzip."""
    wanted = weights(accepted)
    return wanted.get("gzip", wanted.get("x-gzip", 0.0)) > 0


def compress(request: web.Request, response: web.Response) -> None:
    """Have a large answer compressed when it is sent, where the request allows it."""
    size = len(response.body) if isinstance(response.body, bytes) else 0
    if size < SMALLEST_GZIP_BYTES or {"ETag", "Content-Encoding"} & response.headers.keys():
        return
    vary = response.headers.get("Vary")
    response.headers["Vary"] = "Accept-Encoding" if vary is None else f"{vary}, Accept-Encoding"
    if takes_gzip(",".join(request.headers.getall("Accept-Encoding", []))) and request.method != "HEAD":
        response.enable_compression(web.ContentCoding.gzip)


def prefers_minimal(request: web.Request) -> bool:
    """Return whether a short answer is preferred: the first of two `return` preferences counts."""
    for one in ",".join(request.headers.getall("Prefer", [])).split(","):
        name, _, value = one.partition(";")[0].replace(" ", "").partition("=")
        if name.casefold() == "return":
            return value.strip('"') == "minimal"
    return False


def minimal(response: web.StreamResponse) -> web.Response:
    """Return the short form of an answer to what has been done."""
    kept = {name: value for name, value in response.headers.items() if name in ("Cache-Control", "ETag")}
    return web.Response(status=204, headers={**kept, "Preference-Applied": "return=minimal"})


@dataclass(slots=True)
class _Once:
    """What was asked under a key, when, and its answer: status, body, headers; None until it is there."""

    fingerprint: bytes
    at_s: float
    answer: tuple[int, bytes, dict[str, str]] | None = None


class OnceOnly:
    """Answers by key, of the last KEYS_S; `explain` makes an answer of an error."""

    def __init__(self, explain: Callable[[str, Exception], web.Response]) -> None:
        self._explain = explain
        self._known: dict[tuple[str, str], _Once] = {}

    async def do(
        self, request: web.Request, who: str, body: bytes, act: Callable[[], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        """Return the answer of `act`, which is called unless `who` has had the same done under the request's
        key. Whatever it answers is kept, problems as well. Raises ProblemError for a key that cannot be used.
        """
        header = request.headers.get("Idempotency-Key")
        if header is None:
            return await act()
        match = _KEY.fullmatch(header.strip())
        if match is None or len(header) > LONGEST_KEY:
            words = f"a string of 1 to {LONGEST_KEY} plain characters in quotes, another for each wish"
            raise ProblemError("wrong-key", f"Idempotency-Key is {words}")
        key = (who, match[1] or match[2])
        fingerprint = hashlib.sha256(f"{request.method} {request.path_qs}\n".encode() + body).digest()
        self._forget()
        known = self._known.get(key)
        if known is None:
            return await self._first(request, key, _Once(fingerprint, monotonic()), act)
        if known.fingerprint != fingerprint:
            raise ProblemError("key-used", "this Idempotency-Key came with another request; make a new one")
        if known.answer is None:
            raise ProblemError("under-way", "the first request with this Idempotency-Key is not answered yet")
        status, content, headers = known.answer
        return web.Response(status=status, body=content, headers=headers)

    async def _first(
        self,
        request: web.Request,
        key: tuple[str, str],
        once: _Once,
        act: Callable[[], Awaitable[web.StreamResponse]],
    ) -> web.StreamResponse:
        self._known[key] = once
        try:
            try:
                response = await act()
            except MemoryError:
                raise
            except Exception as error:  # noqa: BLE001 - it is answered as it would be without a key
                response = self._explain(request.path, error)
            body = response.body if isinstance(response, web.Response) else b""
            kept = body if isinstance(body, bytes) else b""
            once.answer = response.status, kept, dict(response.headers)
        finally:
            if once.answer is None:
                self._known.pop(key, None)
        return response

    def _forget(self) -> None:
        """Let go of what is old, and of the oldest where there is too much."""
        old_s = monotonic() - KEYS_S
        while self._known:
            key, oldest = next(iter(self._known.items()))
            if oldest.at_s > old_s and len(self._known) < MOST_KEYS:
                return
            del self._known[key]
