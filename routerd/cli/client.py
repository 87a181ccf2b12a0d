"""`routerd report` and `routerd soundcheck`: ask the running service over its API, as curl would."""

from __future__ import annotations

import contextlib
import http.client
import json
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, cast

from routerd.core.errors import PeerError
from routerd.printing import complain, say, say_document, say_lines

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

POLL_S = 0.5
PAGE_S = 90


class ServiceError(PeerError):
    """The service cannot be asked, or does not do what it was asked; the words are for people.

    `problem` is the kind of problem that the service names (`/problems/...`), "" when it names none.
    """

    def __init__(self, words: str, problem: str = "") -> None:
        super().__init__(words)
        self.problem = problem


@dataclass(frozen=True, slots=True)
class Client:
    """The service at `listen` (HOST:PORT); `token_file` holds the token that it wants, if any, and `tls_cert`
    the certificate under which it serves, where it does so over TLS: that very certificate is trusted."""

    listen: str
    token_file: Path | None = None
    tls_cert: Path | None = None

    @classmethod
    def of(cls, options: argparse.Namespace) -> Client:
        """Return the service that a command's options name."""
        return cls(options.listen, options.token_file, options.tls_cert)

    def ask(self, method: str, path: str, body: Any = None, accept: str = "application/json") -> str:
        """Return the answer as text; raises ServiceError."""
        with self._errors(), self._answer(method, path, body, accept) as answer:
            return str(answer.read().decode())

    def lines(self, path: str) -> Iterator[str]:
        """Yield the lines of an answer as they come, for as long as it lasts; raises ServiceError."""
        with self._errors(), self._answer("GET", path, None, "text/event-stream") as answer:
            for line in answer:
                yield line.decode().rstrip("\n")

    def _answer(self, method: str, path: str, body: Any, accept: str) -> http.client.HTTPResponse:
        headers = {"Accept": accept}
        if self.token_file is not None:
            headers["Authorization"] = f"Bearer {self.token()}"
        data = None if body is None else json.dumps(body).encode()
        url = f"{'http' if self.tls_cert is None else 'https'}://{self.listen}{path}"
        request = urllib.request.Request(url, data=data, headers=headers, method=method)  # noqa: S310
        tls = self.tls_context()
        return cast(
            "http.client.HTTPResponse",
            urllib.request.urlopen(request, timeout=PAGE_S, context=tls),  # noqa: S310 - http or https, as above
        )

    def token(self) -> str:
        """Return the token, "" where none is wanted; raises ServiceError."""
        try:
            return "" if self.token_file is None else self.token_file.read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError) as error:
            words = getattr(error, "strerror", None) or "it holds no token"
            raise ServiceError(f"--token-file {self.token_file}: {words}") from error

    def tls_context(self) -> ssl.SSLContext | None:
        """Return what trusts that one certificate, under whatever name; None without TLS. Raises
        ServiceError."""
        if self.tls_cert is None:
            return None
        try:
            context = ssl.create_default_context(cafile=str(self.tls_cert))
        except OSError as error:
            foreign = isinstance(error, ssl.SSLError)
            words = "it holds no certificate in PEM form" if foreign else error.strerror
            raise ServiceError(f"--tls-cert {self.tls_cert}: {words}") from error
        context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        context.check_hostname = False
        return context

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        """Raise what goes wrong within as ServiceError, in words."""
        try:
            yield
        except urllib.error.HTTPError as error:
            kind, detail = _problem_of(error)
            words = detail or f"{self.listen} answered {error.code} {error.reason}"
            if error.code == HTTPStatus.UNAUTHORIZED and self.token_file is None:
                words = f"{self.listen} wants its token: --token-file FILE"
            raise ServiceError(words, kind) from error
        except (OSError, ValueError) as error:
            reason = getattr(error, "reason", error)
            reason = getattr(reason, "strerror", None) or reason
            tls = isinstance(error, http.client.RemoteDisconnected) and self.tls_cert is None
            remedy = "does it serve over TLS? then give its --tls-cert" if tls else "is `routerd run` up?"
            words = f"no service answers at {self.listen} ({reason}); {remedy}"
            raise ServiceError(words) from error


def print_report(client: Client, form: str, span: str) -> int:
    """Print the jitter report (text, json or html, of the show or last minute); return the exit status."""
    try:
        say_document(client.ask("GET", f"/v1/report?format={form}&span={span}"), form)
    except ServiceError as error:
        complain(f"routerd: {error}")
        return 2
    return 0


@dataclass(frozen=True, slots=True)
class SoundcheckWish:
    """What `routerd soundcheck` was asked. `html` is where the page goes; `agreed`: levels are down."""

    seconds: int = 30
    stages: tuple[str, ...] = ()
    unplug: str | None = None
    playing: str | None = None
    html: Path | None = None
    as_json: bool = False
    """Whether it is printed as JSON, and what goes on meanwhile on standard error."""
    agreed: bool = False
    offsets: bool = False
    """Whether suggested time offsets are written into rig.yaml."""
    silent: bool = False
    """Whether devices that were silent in the roll call are marked there."""


def run_soundcheck(client: Client, wish: SoundcheckWish) -> int:
    """Run a soundcheck and print it; return 0: all passed, 1: something failed, 2: none was made.

    Raises OSError where nobody reads what is printed, or the page cannot be written.
    """
    write = complain if wish.as_json else say
    try:
        state = json.loads(client.ask("GET", "/v1/soundcheck/state"))
        for words in state["cautions"]:
            write(f"! {words}")
        if not wish.agreed:
            write("Levels down? Type yes to begin:")
            if input().strip().lower() != "yes":
                write("Nothing was started.")
                return 2
        body: dict[str, Any] = {"levels_down": True, "seconds": wish.seconds}
        body |= {key: getattr(wish, key) for key in ("unplug", "playing") if getattr(wish, key) is not None}
        if wish.stages:
            body["stages"] = list(wish.stages)
        client.ask("POST", "/v1/soundcheck", body)
        try:
            _follow(client, write)
        except KeyboardInterrupt:
            write("stopping; what has been measured is kept")
            client.ask("POST", "/v1/soundcheck/stop", {})
        text = client.ask("GET", "/v1/soundcheck")
        document = json.loads(text)
        if wish.as_json:
            say_document(text, "json")
        else:
            say_lines(client.ask("GET", "/v1/soundcheck?format=text"))
        if wish.html is not None:
            wish.html.write_text(client.ask("GET", "/v1/soundcheck?format=html"), encoding="utf-8")
            write(f"The page is in {wish.html}.")
        if wish.offsets:
            _write_offsets(client, document, write)
        if wish.silent:
            _write_silent(client, document, write)
    except ServiceError as error:
        complain(f"routerd: {error}")
        return 2
    except EOFError:
        complain("routerd: nobody answered; --yes confirms that levels are down")
        return 2
    failed = [one for one in document["devices"] if one["verdict"] == "fail"]
    failed += [one for one in document["machine"] if one["grade"] == "fail"]
    return 1 if failed else 0


def _write_offsets(client: Client, document: Any, write: Callable[[str], None]) -> None:
    """Have the offsets that a soundcheck suggests written into rig.yaml; raises ServiceError."""
    if not document["offsets"]:
        write("Not written: no offsets are suggested")
        return
    written = json.loads(client.ask("POST", "/v1/soundcheck/offsets", {}))["offsets"]
    write("In rig.yaml now: " + ", ".join(f"{one['device']} {one['offset_ms']} ms" for one in written))


def _write_silent(client: Client, document: Any, write: Callable[[str], None]) -> None:
    """Have the devices that were silent in its roll call marked there; raises ServiceError."""
    if not any(one["state"] == "silent" for one in document["roll_call"]):
        write("Not written: no device was silent in a roll call")
        return
    marked = json.loads(client.ask("POST", "/v1/soundcheck/silent", {}))["devices"]
    write("Marked in rig.yaml (identity-reply: false): " + ", ".join(marked))


def _follow(client: Client, write: Callable[[str], None]) -> None:
    """Print what is done until it is over."""
    printed = ""
    while True:
        state = json.loads(client.ask("GET", "/v1/soundcheck/state"))
        if not state["running"]:
            return
        if state["now"] != printed:
            printed = state["now"]
            write(f"... {printed}")
        time.sleep(POLL_S)


def _problem_of(error: urllib.error.HTTPError) -> tuple[str, str]:
    """Return the kind and the words of the problem; "" for both when it is not the service that answered."""
    try:
        document = json.loads(error.read())
        return str(document["type"]).removeprefix("/problems/"), str(document["detail"])
    except (OSError, ValueError, KeyError, TypeError):
        return "", ""
