"""Pages, tokens and cookies under fire: nothing is written down, nobody is held up, ten tablets at once."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import time
from collections.abc import Iterator
from http.cookies import SimpleCookie

import pytest

from routerd.server.feed import MOST_READERS
from tests.hostile.rich_rig import DEMO
from tests.service import Service, until

CHANGE, READ = "no-log-may-ever-hold-this-word", "nor-may-it-ever-hold-this-one"
TABLETS = 10


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("pages")
    for name, token in (("change", CHANGE), ("read", READ)):
        (folder / name).write_text(token)
        (folder / name).chmod(0o600)
    files = ("--token-file", str(folder / "change"), "--read-token-file", str(folder / "read"))
    with Service(DEMO, folder / "state", "--ports", "simulated", *files) as service:
        service.headers = {"Authorization": f"Bearer {CHANGE}"}
        service.wait_until_open()
        yield service


def asked(
    service: Service, method: str, path: str, body: str | None = None, **headers: str
) -> tuple[int, str, str]:
    """Return status, cookie and text of an answer."""
    connection = http.client.HTTPConnection("127.0.0.1", service.http, timeout=10)
    with contextlib.closing(connection):
        connection.request(
            method, path, body, {name.replace("_", "-"): value for name, value in headers.items()}
        )
        answer = connection.getresponse()
        text = answer.read().decode()
        cookies = SimpleCookie(answer.headers.get("Set-Cookie", ""))
    return answer.status, "; ".join(f"{one.key}={one.value}" for one in cookies.values()), text


def let_in(service: Service, token: str) -> str:
    status, cookie, _ = asked(service, "POST", "/v1/session", json.dumps({"token": token}))
    assert status == 200
    return cookie


def spoken(service: Service, words: bytes) -> bytes:
    """Return the beginning of what comes back for these bytes."""
    with socket.create_connection(("127.0.0.1", service.http), timeout=10) as client:
        client.sendall(words)
        return client.recv(65536)


def test_no_token_and_no_cookie_is_written_down(service: Service) -> None:
    """Whatever way a token or a cookie is sent, also where none belongs: log, state and answers have none."""
    cookies = [let_in(service, token) for token in (CHANGE, READ)]
    secrets = [CHANGE, READ, *(cookie.partition("=")[2] for cookie in cookies)]
    head = "Host: localhost\r\nConnection: close\r\n"
    for secret in secrets:
        for line in (
            f"/stage#token={secret}",
            f"/v1/status?token={secret}",
            f"/{secret}",
            f"/stage/{secret}",
        ):
            assert spoken(service, f"GET {line} HTTP/1.1\r\n{head}\r\n".encode()).startswith(b"HTTP/1.1 ")
        for header in (
            f"Cookie: routerd-{service.http}={secret}",
            f"Authorization: Basic {secret}",
            f"Origin: {secret}",
        ):
            spoken(service, f"GET /v1/status HTTP/1.1\r\n{head}{header}\r\n\r\n".encode())
        for body in (f'{{"token": "{secret}"', f'{{"{secret}": 1}}', f'{{"token": ["{secret}"]}}', secret):
            status, _, _ = asked(service, "POST", "/v1/session", body)
            assert status in (400, 422)
        spoken(service, f"{secret} / HTTP/1.1\r\n{head}\r\n".encode())
    answers = [
        asked(service, "GET", path, Cookie=cookie)[2]
        for cookie in cookies
        for path in ("/v1/status", "/v1/health", "/v1/access", "/v1/report", "/metrics", "/openapi.json", "/")
    ]
    state = service.log_file.parent / "state"
    kept = [path.read_text(errors="replace") for path in state.rglob("*") if path.is_file()]
    assert kept
    for secret in secrets:
        assert not [text for text in (*answers, *kept, service.log) if secret in text]


def test_a_crowd_that_guesses_keeps_nobody_out(service: Service) -> None:
    """Wrong tokens by the hundred, from the tablets' own address: who is in stays in, and nothing is told."""
    cookie = let_in(service, CHANGE)
    statuses = [
        asked(service, "POST", "/v1/session", json.dumps({"token": f"{CHANGE}{number}"}))[0]
        for number in range(100)
    ]
    assert set(statuses) == {401, 429}
    assert statuses[-1] == 429
    assert "too many wrong tokens" in service.log
    assert service.log.count("too many wrong tokens") < 10, "the log is not a place to write much into"
    began_s = time.monotonic()
    assert asked(service, "GET", "/v1/status", Cookie=cookie)[0] == 200
    assert time.monotonic() - began_s < 2
    until(
        lambda: asked(service, "POST", "/v1/session", json.dumps({"token": CHANGE}))[0] == 200, 20, "forgiven"
    )


def test_ten_tablets_hear_everything_and_one_too_many_is_told(service: Service) -> None:
    cookies = [let_in(service, READ) for _ in range(TABLETS)]
    with contextlib.ExitStack() as stack:
        streams = [stack.enter_context(stream(service, cookie)) for cookie in cookies]
        service.ask("POST", "/v1/song", {"song": 2})
        for heard in streams:
            assert next(line for line in iter(heard.readline, b"") if line == b"event: song\n")
        more = [stack.enter_context(stream(service, cookies[0])) for _ in range(MOST_READERS - TABLETS)]
        assert {one.status for one in more} == {200}
        status, _, text = asked(service, "GET", "/v1/events", Cookie=cookies[0])
        assert (status, json.loads(text)["type"]) == (503, "/problems/too-many-readers")
        assert asked(service, "GET", "/v1/status", Cookie=cookies[1])[0] == 200


@contextlib.contextmanager
def stream(service: Service, cookie: str) -> Iterator[http.client.HTTPResponse]:
    connection = http.client.HTTPConnection("127.0.0.1", service.http, timeout=20)
    with contextlib.closing(connection):
        connection.request("GET", "/v1/events", headers={"Cookie": cookie})
        yield connection.getresponse()
