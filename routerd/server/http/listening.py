"""Where the API is served: the address, the socket that listens there, and the certificate under which.

A certificate is tried before it is used, by a handshake of this process with itself: whether the key belongs
to it, which names it has and until when it is good are what TLS finds. One that is over is served all the
same, and a line of what is wrong says so: no show waits for it, and people can tell their browsers to go on.
"""

from __future__ import annotations

import errno
import ipaddress
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from time import gmtime, strftime
from typing import Any

from routerd import storage
from routerd.server.http.tokens import ListenError, read_private


@dataclass(frozen=True, slots=True)
class Listen:
    """Where to serve. `host` is an address, or "localhost"."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)

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


def is_loopback(host: str) -> bool:
    """Return whether this name or address leads to the machine that uses it."""
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


SOON_S = 14 * 24 * 3600
"""So long before a certificate ends, a line reports it."""
_NO_CHECK_TIME = 0x200000
"""X509_V_FLAG_NO_CHECK_TIME of OpenSSL (from memory), which the ssl module has no name for."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """The names and addresses that a certificate is for, and when it is good (Unix time)."""

    names: tuple[str, ...]
    begins_s: float
    ends_s: float

    def problem(self, now_s: float) -> str | None:
        """Return what is wrong with it at `now_s`, or soon will be."""
        if now_s < self.begins_s:
            return f"the certificate is good from {_day(self.begins_s)} on: is this computer's date right?"
        if now_s >= self.ends_s:
            return (
                f"the certificate ended on {_day(self.ends_s)}: browsers refuse it, or ask before they go on"
            )
        if now_s >= self.ends_s - SOON_S:
            return f"the certificate ends on {_day(self.ends_s)}"
        return None


def _day(at_s: float) -> str:
    return strftime("%Y-%m-%d %H:%M UTC", gmtime(at_s))


def load_certificate(cert: Path, key: Path) -> tuple[ssl.SSLContext, Certificate]:
    """Return what serves under a certificate (PEM, with those that lead to a root behind it), and its facts.

    Raises ListenError that says which of both files is wrong, and how.
    """
    read_private("--tls-key", key, others=0o007)  # a group may have it, as Debian's ssl-cert does
    try:
        storage.open_regular(cert).close()
    except OSError as error:
        raise ListenError(f"--tls-cert {cert} cannot be read: {error.strerror}") from error
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN | _NO_CHECK_TIME
    try:
        client.load_verify_locations(cert)
    except (ssl.SSLError, OSError) as error:
        raise ListenError(f"--tls-cert {cert} holds no certificate in PEM form") from error
    return _loaded(cert, key, client)


def _loaded(cert: Path, key: Path, client: ssl.SSLContext) -> tuple[ssl.SSLContext, Certificate]:
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        server.load_cert_chain(cert, key, password=_no_passphrase)
        facts = own_handshake(server, client)
    except _PassphraseError as error:
        raise ListenError(
            f"--tls-key {key} has a passphrase, and nobody is there to type it; {_PLAIN}"
        ) from error
    except ssl.SSLError as error:
        if error.reason in ("KEY_VALUES_MISMATCH", "KEY_TYPE_MISMATCH", "NO_CERTIFICATE_ASSIGNED"):
            raise ListenError(f"--tls-key {key} is not the key of --tls-cert {cert}") from error
        if error.reason is None or "PEM" in str(error):
            raise ListenError(f"--tls-key {key} holds no private key in PEM form") from error
        why = error.reason.replace("_", " ").lower()
        raise ListenError(f"--tls-cert {cert} cannot be used: {why}") from error
    return server, facts


_PLAIN = "openssl pkey -in KEY -out PLAIN writes it without one"


class _PassphraseError(Exception):
    """The key wants a passphrase."""


def _no_passphrase() -> str:
    raise _PassphraseError


def own_handshake(server: ssl.SSLContext, client: ssl.SSLContext) -> Certificate:
    """Return what a client sees of the server's certificate; raises ssl.SSLError."""
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = (client.wrap_bio(to_client, to_server), server.wrap_bio(to_server, to_client, server_side=True))
    finished = 0
    while finished < len(ends):
        finished = 0
        for end in ends:
            try:
                end.do_handshake()
                finished += 1
            except ssl.SSLWantReadError:
                continue
    seen: Any = ends[0].getpeercert()
    return Certificate(
        tuple(name for kind, name in seen.get("subjectAltName", ()) if kind in ("DNS", "IP Address")),
        ssl.cert_time_to_seconds(seen["notBefore"]),
        ssl.cert_time_to_seconds(seen["notAfter"]),
    )
