"""Tokens, the cookies that they are traded for, and how often one may be wrong.

There are two: one that may change things, for player and technician, and one that may read, for the band.
A page cannot send the header Authorization with an event stream, so it trades its token for a cookie.

A cookie is not the token and leads nowhere back to it. It says what it allows and until when, and carries a
mark (HMAC-SHA-256) under a key made from the token: nothing is kept for it, so that it outlives the server
process, which may be killed in the middle of a show, and it is worth nothing as soon as the token is another.
The key takes some work to make (PBKDF2), so that a short token cannot be found by trying from a cookie. What
has been ended before its time is remembered until it would have ended by itself (`EndedCookies`): a copy of
it is worth nothing either.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import ipaddress
import json
import math
import os
import secrets
import struct
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

from routerd import storage
from routerd.core.errors import UsageError

SHORTEST_TOKEN = 16
LONGEST_TOKEN = 1024
COOKIE_S = 7 * 24 * 3600
"""How long a cookie is good for: a week of shows, and nobody's old telephone for ever."""

KEY_ROUNDS = 200_000

May = Literal["read", "change"]


class ListenError(UsageError):
    """The API cannot be served as asked."""


def read_private(option: str, path: Path, others: int = 0o077) -> bytes:
    """Return the beginning of a file that nobody else can read; raises ListenError, which names `option`.

    `others` are the permissions that it must not have.
    """
    try:
        with storage.open_regular(path) as file:
            if os.fstat(file.fileno()).st_mode & others:
                raise ListenError(f"{option} {path} can be read by others; chmod 600 {path}")
            return file.read(4 * LONGEST_TOKEN)
    except OSError as error:
        raise ListenError(f"{option} {path} cannot be read: {error.strerror}") from error


def read_token(option: str, path: Path) -> str:
    """Return the token in a file that only its owner can read; raises ListenError, which names `option`."""
    token = read_private(option, path).decode("ascii", "replace").strip()
    if (
        not SHORTEST_TOKEN <= len(token) <= LONGEST_TOKEN
        or not token.isascii()
        or not token.isprintable()
        or " " in token
    ):
        raise ListenError(
            f"{option} {path} must hold one word of {SHORTEST_TOKEN} or more plain characters; make one: "
            f"(umask 077; head -c 24 /dev/urandom | base64 > {path})"
        )
    return token


_FORM = struct.Struct(">BQ12s")
"""A cookie before its mark: what it allows, the second (Unix time) when it ends, and what makes it unique."""
_MARK_BYTES = 32


@dataclass(frozen=True, slots=True)
class Cookie:
    """What a valid cookie allows. `name` is what it is remembered by when it is ended."""

    may: May
    ends_s: int
    name: bytes


@dataclass(frozen=True)
class Tokens:
    """The token that may change things, and the one that may read, where there is one."""

    change: str
    read: str | None = None

    @cached_property
    def keys(self) -> tuple[tuple[May, bytes], ...]:
        """The keys of cookies, by what these allow; takes a tenth of a second the first time."""
        given: tuple[tuple[May, str | None], ...] = (("change", self.change), ("read", self.read))
        return tuple((may, _key(may, token)) for may, token in given if token is not None)

    @classmethod
    def read_from(cls, token_file: Path | None, read_token_file: Path | None) -> Tokens | None:
        """Return the tokens in these files, None without any; raises ListenError. Blocks."""
        if token_file is None:
            if read_token_file is not None:
                raise ListenError("--read-token-file lets others read: give a --token-file as well, for you")
            return None
        change = read_token("--token-file", token_file)
        read = None if read_token_file is None else read_token("--read-token-file", read_token_file)
        if read == change:
            raise ListenError(
                "--token-file and --read-token-file hold the same word; give them different ones"
            )
        return cls(change, read)

    def allows(self, given: str) -> May | None:
        """Return what a token allows, None where it is neither; takes the same time for every wrong one."""
        said = given.encode("utf-8", "replace")
        change = hmac.compare_digest(said, self.change.encode())
        read = self.read is not None and hmac.compare_digest(said, self.read.encode())
        return "change" if change else "read" if read else None

    def cookie(self, may: May, now_s: float) -> str:
        """Return a new cookie that allows this for COOKIE_S from `now_s` (Unix time)."""
        words = _FORM.pack(may == "change", int(now_s) + COOKIE_S, secrets.token_bytes(12))
        key = next(key for level, key in self.keys if level == may)
        return base64.urlsafe_b64encode(words + hmac.digest(key, words, "sha256")).decode().rstrip("=")

    def open_cookie(self, value: str, now_s: float) -> Cookie | None:
        """Return what a cookie allows at `now_s`; None when it is not of these tokens, or over."""
        try:
            padded = value.encode("ascii") + b"=" * (-len(value) % 4)
            whole = base64.b64decode(padded, b"-_", validate=True)
        except (UnicodeEncodeError, binascii.Error):
            return None
        words, mark = whole[:-_MARK_BYTES], whole[-_MARK_BYTES:]
        for may, key in self.keys:
            if hmac.compare_digest(mark, hmac.digest(key, words, "sha256")):
                _, ends_s, name = _FORM.unpack(words)
                return Cookie(may, ends_s, name) if now_s < ends_s else None
        return None


class EndedCookies:
    """Cookies that were given back before their time, until then. The state folder keeps their bytes."""

    def __init__(self) -> None:
        self._ends_s: dict[bytes, int] = {}

    def __contains__(self, cookie: Cookie) -> bool:
        return cookie.name in self._ends_s

    def add(self, cookie: Cookie, now_s: float) -> None:
        """Remember one, and forget those that are over by now."""
        self._ends_s = {name: ends_s for name, ends_s in self._ends_s.items() if ends_s > now_s}
        self._ends_s[cookie.name] = cookie.ends_s

    def to_bytes(self) -> bytes:
        """Return what another process needs to know of them; none of it opens anything."""
        return json.dumps({name.hex(): ends_s for name, ends_s in self._ends_s.items()}).encode()

    def take(self, data: bytes) -> None:
        """Remember those of another process as well; raises ValueError where the bytes make no sense."""
        plain = json.loads(data)
        if not isinstance(plain, dict) or not all(type(ends_s) is int for ends_s in plain.values()):
            raise ValueError("it is not a list of cookies and when they end")
        self._ends_s |= {bytes.fromhex(name): ends_s for name, ends_s in plain.items()}


def _key(may: May, token: str) -> bytes:
    return hashlib.pbkdf2_hmac("sha256", token.encode(), b"routerd cookie: " + may.encode(), KEY_ROUNDS)


TRIES = 10
"""How many wrong tokens an address may send in a row."""
AGAIN_S = 6.0
"""After so long it may send another."""
MOST_ADDRESSES = 1000


class WrongTokens:
    """How many wrong tokens have come from where; what has been wrong is forgiven one by one.

    While there have been too many, no token of that address is looked at, right or wrong; cookies are, so
    that a tablet that is in goes on. The addresses of one IPv6 network (/64) count as one.
    """

    def __init__(self) -> None:
        self._counts: dict[str, tuple[float, float]] = {}

    def wait_s(self, address: str, now_s: float) -> float:
        """Return for how long no token of `address` is looked at, at `now_s` (monotonic): 0 as a rule."""
        return max(0.0, (self._count(_network(address), now_s) - (TRIES - 1)) * AGAIN_S)

    def add(self, address: str, now_s: float) -> None:
        """Count one more."""
        network = _network(address)
        count = self._count(network, now_s) + 1
        self._counts.pop(network, None)
        if len(self._counts) >= MOST_ADDRESSES:
            del self._counts[next(iter(self._counts))]  # the one that has been quiet for longest
        self._counts[network] = (count, now_s)

    def _count(self, network: str, now_s: float) -> float:
        count, at_s = self._counts.get(network, (0.0, -math.inf))
        return max(0.0, count - (now_s - at_s) / AGAIN_S)


def _network(address: str) -> str:
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ip) if ip.version == 4 else str(ipaddress.ip_network((ip, 64), strict=False))
