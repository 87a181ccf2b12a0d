"""Who may ask, and what keeps others and web pages elsewhere out.

Without a token only loopback is served, and only under a loopback name: a page elsewhere can make
a browser ask this machine, by a name of its own that leads here, but not under ours. With a token in the
header Authorization the name does not matter, because no browser sends that by itself. A cookie it does
send by itself, so whatever a cookie lets in must have been asked under our name, by our own page.
"""

from __future__ import annotations

import contextlib
import ipaddress
import re
import socket
import ssl
from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from time import monotonic, time
from typing import Literal
from urllib.parse import urlsplit

from routerd.server.http.listening import Certificate, Listen, is_loopback, load_certificate, parse_listen
from routerd.server.http.problems import ProblemError
from routerd.server.http.tokens import Cookie, EndedCookies, ListenError, May, Tokens, WrongTokens
from routerd.server.log import LOG


@dataclass(frozen=True, slots=True)
class Caller:
    """What the one who asks may do, and by what: `loopback` where the service wants no token, else the token
    in the header Authorization, or the cookie that it was traded for; `nothing` where it has sent neither.
    A cookie is good for `seconds_left` more. `listen` is where the service listens."""

    may: Literal["nothing", "read", "change"]
    by: Literal["nothing", "loopback", "token", "cookie"]
    seconds_left: int | None = None
    listen: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a request says of where it comes from: headers (None: not sent), and the addresses at both ends.

    `cookie` is the value of ours. `changes` is a request by a method that may change something, though what
    only `reads` does not; what is `public` is answered to everybody.
    """

    hosts: tuple[str, ...] = ()
    origin: str | None = None
    authorization: str | None = None
    fetch_site: str | None = None
    cookie: str | None = None
    changes: bool = False
    public: bool = False
    reads: bool = False
    peer: str = ""
    address: str = ""


class Guard:
    """Lets a request through, or raises ProblemError.

    `tokens` may be replaced at any time: what the old ones had let in is let in no more. `names` are those
    under which this service may be called, besides loopback's and its addresses. `origins` are pages of
    one's own that are served elsewhere and may ask as well (CORS, Fetch standard), but by no cookie of ours.
    """

    def __init__(
        self,
        listen: Listen,
        tokens: Tokens | None,
        names: Iterable[str] = (),
        origins: Iterable[str] = (),
        *,
        tls: bool = False,
    ) -> None:
        self.listen = listen
        self.tokens = tokens
        self.tls = tls
        self._names = {listen.host.casefold(), *(name.casefold() for name in names)}
        self._origins = frozenset(read_origin(origin) for origin in origins)
        self._wrong = WrongTokens()
        self.ended = EndedCookies()

    @property
    def cookie_name(self) -> str:
        """The name of our cookie: browsers send one machine's cookies to all of its ports."""
        return f"routerd-{self.listen.port}"

    def check(self, asked: Asked) -> Caller:
        """Return who asks; raises ProblemError where it may not.

        1. One Host, and ours where nothing but the browser's good behaviour lets a request in: without a
           token, by a cookie, or to get one. A page elsewhere may have a name of its own lead here (DNS
           rebinding).
        2. A page of another origin is refused whatever else it sends.
        3. A change by a cookie has to come from a page, which says so: browsers send Origin with it.
        """
        if len(asked.hosts) > 1:
            raise ProblemError("malformed-request", "more than one Host header")
        caller = self._caller(asked)
        by_browser = caller.by in ("loopback", "cookie") or (asked.public and asked.changes)
        if by_browser and asked.hosts and not self._is_ours(asked.hosts[0], asked.address):
            raise ProblemError(
                "foreign-host", "the Host header names neither loopback, nor this address, nor a --host-name"
            )
        self._check_origin(asked, caller)
        if asked.changes and not (asked.public or asked.reads) and caller.may == "read":
            raise ProblemError("read-only", "this token may read; changes need the other one")
        return caller

    def _caller(self, asked: Asked) -> Caller:
        if self.tokens is None:
            return Caller("change", "loopback", None, str(self.listen))
        if asked.authorization is not None:
            scheme, _, given = asked.authorization.partition(" ")
            if scheme.casefold() == "bearer":
                return Caller(self.trade(given.strip(), asked.peer), "token", None, str(self.listen))
        elif asked.cookie is not None and (cookie := self._opened(asked.cookie)) is not None:
            return Caller(cookie.may, "cookie", int(cookie.ends_s - time()), str(self.listen))
        if not asked.public:
            words = "send the header Authorization: Bearer TOKEN"
            if asked.cookie is not None:
                words = "what this page was let in by has ended: scan the code again, or " + words
            raise ProblemError("no-token", words)
        return Caller("nothing", "nothing", None, str(self.listen))

    @property
    def has_origins(self) -> bool:
        """Whether pages from elsewhere may ask."""
        return bool(self._origins)

    def allows_origin(self, origin: str) -> bool:
        """Return whether a page of this origin may ask, though it is not this service's."""
        return origin.casefold() in self._origins

    def _check_origin(self, asked: Asked, caller: Caller) -> None:
        origin, site = asked.origin, asked.fetch_site
        if origin is not None and caller.by != "cookie" and self.allows_origin(origin):
            return
        if origin is not None and (not asked.hosts or not self._is_same(origin, asked.hosts[0])):
            raise ProblemError("foreign-origin", "the Origin header names another place than this service")
        by_cookie = caller.by == "cookie" and not asked.public  # a link may lead to a page
        if site not in (None, "same-origin", "none") and (asked.changes or by_cookie):
            raise ProblemError("foreign-origin", "the browser says that a page of another place asks")
        if caller.by == "cookie" and asked.changes and origin is None:
            raise ProblemError(
                "foreign-origin", "a change by a cookie comes from a page, with its Origin header"
            )

    def trade(self, given: str, peer: str) -> May:
        """Return what a token from the address `peer` allows; raises ProblemError."""
        now_s = monotonic()
        if self.tokens is None:
            return "change"
        if (wait_s := self._wrong.wait_s(peer, now_s)) > 0:
            words = f"too many wrong tokens have come from {peer}: none is looked at for {ceil(wait_s)} s"
            raise ProblemError("too-many-tries", words)
        may = self.tokens.allows(given)
        if may is None:
            self._wrong.add(peer, now_s)
            if self._wrong.wait_s(peer, now_s) > 0:
                LOG.say("too many wrong tokens: none is looked at for a while", address=peer)
            raise ProblemError(
                "no-token", "this token is wrong; routerd stage shows an address with the right one"
            )
        return may

    def new_cookie(self, may: May) -> str | None:
        """Return a cookie that allows this; None where none is needed."""
        return None if self.tokens is None else self.tokens.cookie(may, time())

    def end_cookie(self, value: str) -> bool:
        """Let this cookie be worth nothing from now on; return whether it was worth something."""
        if (cookie := self._opened(value)) is not None:
            self.ended.add(cookie, time())
        return cookie is not None

    def _opened(self, value: str) -> Cookie | None:
        cookie = None if self.tokens is None else self.tokens.open_cookie(value, time())
        return None if cookie is None or cookie in self.ended else cookie

    def _is_ours(self, host: str, address: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        return is_loopback(name) or name in self._names or _same_address(name, address)

    def _is_same(self, origin: str, host: str) -> bool:
        """Return whether an origin is this service under that name; "null" and other schemes are not."""
        with contextlib.suppress(ValueError):
            parts = urlsplit(origin)
            schemes = ("https",) if self.tls else ("http", "https")  # a proxy may speak TLS for this service
            return parts.scheme in schemes and parts.netloc.casefold() == host.casefold()
        return False


def read_origin(text: str) -> str:
    """Return an origin (RFC 6454) as browsers write it; raises ListenError."""
    with contextlib.suppress(ValueError):
        parts = urlsplit(text.strip().casefold())
        rest = parts.path.strip("/") or parts.query or parts.fragment or parts.username
        if parts.scheme in ("http", "https") and parts.hostname and not rest:
            usual = {"http": 80, "https": 443}[parts.scheme] == parts.port
            host = parts.netloc.rpartition(":")[0] if usual else parts.netloc
            return f"{parts.scheme}://{host}"
    raise ListenError(
        f"--allow-origin {text!r} is not the origin of a page; write http://lights.local or "
        "https://lights.local:8443, without a path, one for each page"
    )


def _same_address(name: str, address: str) -> bool:
    try:
        return ipaddress.ip_address(name) == ipaddress.ip_address(address)
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class AccessOptions:
    """What the command line says of where the API is served, and who may ask."""

    listen: str
    token_file: Path | None = None
    read_token_file: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    host_names: tuple[str, ...] = ()
    origins: tuple[str, ...] = ()


class Credentials:
    """Tokens and certificate as they lie in files: read at start, and again when one of the files changes.

    What cannot be used then leaves in force what was before, and is a line of what is wrong. Reading blocks.
    """

    def __init__(self, options: AccessOptions) -> None:
        self._options = options
        self._certificate: Certificate | None = None
        self._wrong: dict[str, list[str]] = {}
        self.context: ssl.SSLContext | None = None
        """What speaks TLS for the API: it hands every connection that comes to `_newest`."""
        self._newest: ssl.SSLContext | None = None
        if (options.tls_cert is None) is not (options.tls_key is None):
            raise ListenError("--tls-cert and --tls-key belong together: give both")
        for name in options.host_names:
            if not re.fullmatch(r"[\w.-]+", name):
                raise ListenError(f"--host-name {name!r} is not a bare name; write it as in rack.lan")
        listen = parse_listen(options.listen)
        self._seen = self._signatures()
        tokens = Tokens.read_from(options.token_file, options.read_token_file)
        if not listen.loopback and tokens is None:
            raise ListenError(
                f"--listen {listen} is reachable by other machines: give a --token-file, "
                "or listen on 127.0.0.1"
            )
        self._load_certificate()
        own = socket.gethostname()
        names = [*options.host_names, own, f"{own.partition('.')[0]}.local"]
        names += [] if self._certificate is None else self._certificate.names
        self.guard = Guard(listen, tokens, names, options.origins, tls=self.context is not None)

    def prepare(self) -> None:
        """Work out what cookies need, so that no request has to wait for it. Blocks."""
        if self.guard.tokens is not None:
            _ = self.guard.tokens.keys

    def refresh(self, now_s: float) -> dict[str, list[str]]:
        """Read again what has changed; return what is wrong at `now_s` (Unix time), by what it is about."""
        if (seen := self._signatures()) != self._seen:
            self._seen, self._wrong = seen, {}
            options = self._options
            try:
                tokens = Tokens.read_from(options.token_file, options.read_token_file)
                _ = tokens and tokens.keys  # before anybody asks by them
                self.guard.tokens = tokens
            except ListenError as error:
                self._wrong["tokens"] = [f"{error}; the tokens from before stay in force"]
            try:
                self._load_certificate()
            except ListenError as error:
                self._wrong["certificate"] = [f"{error}; the one from before stays in force"]
        problem = None if self._certificate is None else self._certificate.problem(now_s)
        return self._wrong if problem is None else {"certificate": [problem], **self._wrong}

    def _load_certificate(self) -> None:
        cert, key = self._options.tls_cert, self._options.tls_key
        if cert is None or key is None:
            return
        self._newest, self._certificate = load_certificate(cert, key)
        if self.context is None:
            self.context = self._newest
            self.context.sni_callback = self._hand_over

    def _hand_over(
        self, connection: ssl.SSLSocket | ssl.SSLObject, _name: str | None, _first: ssl.SSLContext
    ) -> None:
        # loading into a context that serves leaves it, for a moment, with a certificate without its key
        if self._newest is not None:
            connection.context = self._newest

    def _signatures(self) -> list[tuple[int, ...]]:
        """Return what becomes another when one of the files does."""
        options = self._options
        paths = (options.token_file, options.read_token_file, options.tls_cert, options.tls_key)
        return [_signature(path) for path in paths if path is not None]


def _signature(path: Path) -> tuple[int, ...]:
    try:
        facts = path.stat()
    except OSError as error:
        return (error.errno or -1,)
    return (facts.st_mtime_ns, facts.st_ctime_ns, facts.st_size, facts.st_ino)
