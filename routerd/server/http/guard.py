"""Who may ask: the listening socket, the token, and what keeps web pages elsewhere out.

Without a token only loopback is served, and only under a loopback name: a page elsewhere can make
a browser ask this machine, by a name of its own that leads here, but not under ours. With a token
the name does not matter, because no browser sends a token by itself.
"""

from __future__ import annotations

import contextlib
import errno
import hmac
import ipaddress
import os
import socket
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from routerd.core.errors import UsageError
from routerd.server.http.problems import ProblemError

SHORTEST_TOKEN = 16


class ListenError(UsageError):
    """The API cannot be served as asked."""


@dataclass(frozen=True, slots=True)
class Listen:
    """Where to serve. `host` is an address, or "localhost"."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return _is_loopback(self.host)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


def parse_listen(text: str) -> Listen:
    """Return HOST:PORT as values; raises ListenError."""
    host, colon, port = text.rpartition(":")
    bare = host.removeprefix("[").removesuffix("]")
    number = int(port) if port.isascii() and port.isdecimal() and len(port) < 6 else -1
    if not colon or not bare or not 0 <= number <= 65535 or (":" in bare and bare == host):
        raise ListenError(f"--listen {text!r} is not HOST:PORT; write 127.0.0.1:8473 or [::1]:8473")
    return Listen(bare, number)


def read_token(path: Path) -> str:
    """Return the token in a file that only its owner can read; raises ListenError."""
    try:
        # without waiting, in case it is a pipe
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
            facts = os.fstat(file.fileno())
            if not stat.S_ISREG(facts.st_mode):
                raise ListenError(f"--token-file {path} is not a file")
            if facts.st_mode & 0o077:
                raise ListenError(f"--token-file {path} can be read by others; chmod 600 {path}")
            token = file.read(4096).decode("ascii").strip()
    except OSError as error:
        raise ListenError(f"--token-file {path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError:
        token = ""
    if len(token) < SHORTEST_TOKEN or not token.isprintable() or " " in token:
        raise ListenError(
            f"--token-file {path} must hold one word of {SHORTEST_TOKEN} or more plain characters; make one: "
            f"(umask 077; head -c 24 /dev/urandom | base64 > {path})"
        )
    return token


def open_listener(listen: Listen) -> socket.socket:
    """Return the listening socket; raises ListenError that says what to do, or what to wait for."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            listen.host, listen.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except (socket.gaierror, UnicodeError) as error:
        raise ListenError(f"--listen {listen}: the address is not known ({error})") from error
    listener = socket.socket(family, kind, protocol)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        listener.bind(address)
        listener.listen(64)
        listener.setblocking(False)
    except OSError as error:
        listener.close()
        raise ListenError(_why_not(listen, error)) from error
    return listener


def _why_not(listen: Listen, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"{listen} is in use: another routerd? Stop it, or give another --listen HOST:PORT"
    if error.errno == errno.EACCES:
        return f"{listen} may not be used by this user; choose a port from 1024"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{listen} is not an address of this machine; give another --listen HOST:PORT"
    return f"{listen} cannot be listened on: {error.strerror}"


@dataclass(frozen=True, slots=True)
class Caller:
    """What the one who asks may do, and by what: `loopback` where the service wants no token, else the token
    in the header Authorization, or the cookie that it was traded for; `nothing` where it has sent neither."""

    may: Literal["nothing", "read", "change"]
    by: Literal["nothing", "loopback", "token", "cookie"]


NOBODY = Caller("nothing", "nothing")


@dataclass(frozen=True, slots=True)
class Guard:
    """Lets a request through, or raises ProblemError."""

    listen: Listen
    token: str | None

    def allow_listening(self) -> None:
        """Raise ListenError where anybody on the network could ask."""
        if not self.listen.loopback and self.token is None:
            raise ListenError(
                f"--listen {self.listen} is reachable by other machines: give a --token-file, "
                "or listen on 127.0.0.1"
            )

    def check(
        self,
        hosts: list[str],
        origin: str | None,
        authorization: str | None,
        sent_by: str | None = None,
        *,
        public: bool = False,
    ) -> Caller:
        """Return who asks, by the Host headers, the Origin header and the Authorization header of a request.

        `sent_by` is Sec-Fetch-Site, which a browser sends, of a request that may change something; what is
        `public` needs no token.
        """
        caller = Caller("change", "loopback")
        if len(hosts) > 1:
            raise ProblemError("malformed-request", "more than one Host header")
        if self.token is None:
            if hosts and not self._is_ours(hosts[0]):
                raise ProblemError("foreign-host", "the Host header names neither loopback nor this address")
        elif _bears(authorization, self.token):
            caller = Caller("change", "token")
        elif public and authorization is None:
            caller = NOBODY
        else:
            raise ProblemError("no-token", "send the header Authorization: Bearer TOKEN")
        if origin is not None and (not hosts or _host_of(origin) != hosts[0].casefold()):
            raise ProblemError("foreign-origin", "the Origin header names another place than this service")
        if sent_by not in (None, "same-origin", "none"):
            raise ProblemError("foreign-origin", "the browser says that a page of another place asks")
        return caller

    def _is_ours(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        return _is_loopback(name) or name == self.listen.host.casefold()


def _host_of(origin: str) -> str | None:
    """Return host and port of an origin, or None when it has none ("null")."""
    with contextlib.suppress(ValueError):
        parts = urlsplit(origin)
        if parts.scheme in ("http", "https") and parts.netloc:
            return parts.netloc.casefold()
    return None


def _bears(authorization: str | None, token: str) -> bool:
    scheme, _, given = (authorization or "").partition(" ")
    same = hmac.compare_digest(given.strip().encode("utf-8", "replace"), token.encode())
    return same and scheme.casefold() == "bearer"


def _is_loopback(host: str) -> bool:
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
