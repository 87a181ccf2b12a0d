"""A page lets itself in, and learns what it may do.

`routerd stage` shows an address that ends in #TOKEN. Browsers send nothing behind the # to anybody. The page
takes it from there, clears it from the address bar, and trades it for a cookie that its scripts cannot read
(HttpOnly), that goes to this machine only (no Domain) and not with what others' pages send (SameSite=Strict):

    const token = decodeURIComponent(location.hash.slice(1));
    history.replaceState(null, "", location.pathname);
    await fetch("/v1/session", {method: "POST", body: JSON.stringify({token})});

Event streams and everything else are then authorised by the cookie, under the rules of `guard`. It is good
for COOKIE_S, and renewed by GET /v1/access in the second half of that: a page that asks now and then stays.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from aiohttp import web
from pydantic import Field

from routerd import storage
from routerd.errand import Disk
from routerd.server.http.bodies import Body, Nothing
from routerd.server.http.guard import Asked, Caller, Guard
from routerd.server.http.operation import SAFE, Call, Operations, json_response
from routerd.server.http.problems import ProblemError
from routerd.server.http.tokens import COOKIE_S, LONGEST_TOKEN, EndedCookies, May
from routerd.server.log import LOG

OPERATIONS = Operations("access")

ENDED = "ended-cookies.json"
LARGEST_BYTES = 1024 * 1024
READ_S = 1.0

PUT_OUT_S = 1.0
"""How often those who read streams are looked at: a cookie may be over, a token another."""


class TokenBody(Body):
    """A token, as `routerd stage` shows it."""

    token: Annotated[str, Field(min_length=1, max_length=LONGEST_TOKEN)]


CALLER = web.RequestKey("caller", Caller)


class Admission:
    """Who is in: requests are let in by `guard`, and streams put out when they would not be any more."""

    def __init__(self, guard: Guard) -> None:
        self._guard = guard
        self._inside: dict[int, tuple[web.Request, Asked]] = {}  # by id: requests have no hash

    def let_in(self, request: web.Request, *, public: bool, reads: bool) -> None:
        """Set the request's CALLER; raises ProblemError."""
        asked = _asked(request, self._guard.cookie_name, public=public, reads=reads)
        request[CALLER] = self._guard.check(asked)
        self._inside[id(request)] = request, asked

    def has_gone(self, request: web.Request) -> None:
        """The request has been answered, or was not let in."""
        self._inside.pop(id(request), None)

    async def renewing(self, _: web.Application) -> AsyncIterator[None]:
        """Look again who is in, for as long as the application is served."""
        task = asyncio.create_task(self._put_out())
        yield
        task.cancel()

    async def _put_out(self) -> None:
        while True:
            await asyncio.sleep(PUT_OUT_S)
            for request, asked in list(self._inside.values()):
                try:
                    self._guard.check(asked)
                except ProblemError:
                    self.has_gone(request)  # once: it would count as wrong every time
                    if request.transport is not None:
                        request.transport.abort()


def _asked(request: web.Request, cookie_name: str, *, public: bool, reads: bool) -> Asked:
    headers, transport = request.headers, request.transport
    address = ("",) if transport is None else transport.get_extra_info("sockname") or ("",)
    return Asked(
        hosts=tuple(headers.getall("Host", [])),
        origin=headers.get("Origin"),
        authorization=headers.get("Authorization"),
        fetch_site=headers.get("Sec-Fetch-Site"),
        cookie=request.cookies.get(cookie_name) if "Cookie" in headers else None,
        changes=request.method not in SAFE,
        public=public,
        reads=reads,
        peer=request.remote or "",
        address=str(address[0]),
    )


class EndedFile:
    """Keeps in the state folder which cookies were given back: no copy of one may be good after a restart."""

    def __init__(self, ended: EndedCookies, folder: Path, disk: Disk) -> None:
        self._ended = ended
        self._folder = folder
        self._disk = disk

    async def reading(self, _: web.Application) -> AsyncIterator[None]:
        """Learn those of earlier processes before the application is served, unless the disk is slow."""
        task = asyncio.create_task(self._read())
        await asyncio.wait([task], timeout=READ_S)
        yield
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    async def _read(self) -> None:
        path = self._folder / ENDED
        try:
            self._ended.take(
                await self._disk.do(lambda: storage.read(path, LARGEST_BYTES, inside=self._folder))
            )
        except FileNotFoundError:
            return
        except (OSError, ValueError) as error:
            LOG.say(f"{path} cannot be read: cookies that were given back may be good again", why=str(error))

    async def write(self) -> None:
        """Keep them as they are now."""
        path, data = self._folder / ENDED, self._ended.to_bytes()
        try:
            await self._disk.do(
                lambda: storage.put(path, data, inside=self._folder, mode=0o600, most_bytes=LARGEST_BYTES)
            )
        except OSError as error:
            LOG.say(
                f"{path} cannot be written: a cookie that was given back may be good after a restart",
                why=str(error),
                remedy="change the token if somebody may have copied it",
            )


class AccessHandlers:
    """Answers by `guard`."""

    def __init__(self, guard: Guard, ended: EndedFile) -> None:
        self._guard = guard
        self._ended = ended

    @OPERATIONS.add(
        "GET",
        "/v1/access",
        "What you may do here, and by what",
        Caller,
        sends=("Set-Cookie",),
        needs_rig=False,
        public=True,
    )
    async def access(self, call: Call[Nothing]) -> web.Response:
        """Whether whoever asks may read or change things here, and what has shown who that is. An old cookie
        is renewed on the way."""
        caller = call.caller
        if caller.by == "cookie" and caller.may != "nothing" and (caller.seconds_left or 0) < COOKIE_S / 2:
            return self._let_in(caller, caller.may)
        return json_response(caller)

    @OPERATIONS.add(
        "POST",
        "/v1/session",
        "Trade a token for a cookie, as the stage page does",
        Caller,
        body=TokenBody,
        example='{"token": "TOKEN"}',
        sends=("Set-Cookie",),
        needs_rig=False,
        public=True,
    )
    async def begin(self, call: Call[TokenBody]) -> web.Response:
        """A cookie comes back that stands for the token for a week; none where the service wants no token."""
        return self._let_in(call.caller, self._guard.trade(call.body.token, call.request.remote or ""))

    @OPERATIONS.add(
        "DELETE",
        "/v1/session",
        "Give the cookie back",
        Caller,
        sends=("Set-Cookie",),
        needs_rig=False,
        public=True,
    )
    async def end(self, call: Call[Nothing]) -> web.Response:
        """It and its copies are worth nothing from then on, and the streams that it opened end."""
        name, left = self._guard.cookie_name, call.caller
        if self._guard.end_cookie(call.request.cookies.get(name, "")):
            await self._ended.write()
        if left.by == "cookie":
            left = replace(left, may="nothing", by="nothing", seconds_left=None)
        response = json_response(left)
        response.del_cookie(name, path="/", httponly=True, samesite="Strict", secure=self._guard.tls)
        return response

    def _let_in(self, caller: Caller, may: May) -> web.Response:
        cookie = self._guard.new_cookie(may)
        if cookie is None:
            return json_response(caller)
        response = json_response(replace(caller, may=may, by="cookie", seconds_left=COOKIE_S))
        response.set_cookie(
            self._guard.cookie_name,
            cookie,
            max_age=COOKIE_S,
            path="/",
            httponly=True,
            samesite="Strict",
            secure=self._guard.tls,
        )
        return response
