"""The API over TLS: certificates that cannot be used, one that is renewed meanwhile, and its clients."""

from __future__ import annotations

import asyncio
import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from http.cookies import SimpleCookie
from itertools import cycle
from pathlib import Path
from time import time

import aiohttp
import pytest
from server_service import Service, a_service, until

from routerd.cli import main as command
from routerd.server import main
from routerd.server.http.connections import MOST_HANDSHAKES
from routerd.server.http.guard import AccessOptions, Credentials
from routerd.server.http.listening import SOON_S, Certificate, load_certificate, own_handshake
from routerd.server.http.tokens import ListenError

pytestmark = pytest.mark.skipif(
    shutil.which("openssl") is None, reason="openssl is not installed: apt-get install openssl"
)

TOKEN = "correct-horse-battery"
NAMES = "DNS:rack.example,IP:127.0.0.1"
DAY_S = 24 * 3600


def make(folder: Path, name: str, *, days: int = 90, kind: str = "ec") -> tuple[Path, Path]:
    """Return a certificate that has signed itself, and its key."""
    cert, key = folder / f"{name}.crt", folder / f"{name}.key"
    keys = ("ec", "-pkeyopt", "ec_paramgen_curve:prime256v1") if kind == "ec" else ("rsa:2048",)
    line = ["openssl", "req", "-x509", "-newkey", *keys, "-nodes", "-days", str(days), "-subj", f"/CN={name}"]
    files = ["-keyout", str(key), "-out", str(cert)]
    subprocess.run([*line, *files, "-addext", f"subjectAltName={NAMES}"], check=True, capture_output=True)
    key.chmod(0o600)
    return cert, key


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return make(tmp_path_factory.mktemp("tls"), "rack")


def openssl_day(cert: Path, which: str) -> float:
    line = ["openssl", "x509", "-in", str(cert), "-noout", f"-{which}date"]
    text = subprocess.run(line, check=True, capture_output=True, text=True).stdout
    return ssl.cert_time_to_seconds(text.strip().partition("=")[2])


def test_a_certificates_facts_are_those_that_openssl_prints(pair: tuple[Path, Path]) -> None:
    _, facts = load_certificate(*pair)
    assert facts.names == ("rack.example", "127.0.0.1")
    assert facts.begins_s == openssl_day(pair[0], "start")
    assert facts.ends_s == openssl_day(pair[0], "end")


def test_what_is_wrong_with_a_certificates_time() -> None:
    one = Certificate(("rack",), 1000 * DAY_S, 1100 * DAY_S)
    assert "good from 1972-09-27 00:00 UTC on" in str(one.problem(1000 * DAY_S - 1))
    assert one.problem(1000 * DAY_S) is None
    assert one.problem(1100 * DAY_S - SOON_S - 1) is None
    assert one.problem(1100 * DAY_S - SOON_S) == "the certificate ends on 1973-01-05 00:00 UTC"
    assert "ended on 1973-01-05" in str(one.problem(1100 * DAY_S))


def refused(cert: Path, key: Path) -> str:
    with pytest.raises(ListenError) as caught:
        load_certificate(cert, key)
    return str(caught.value)


def test_files_that_cannot_be_used_are_named(pair: tuple[Path, Path], tmp_path: Path) -> None:
    cert, key = pair
    none = tmp_path / "none"
    assert refused(none, key) == f"--tls-cert {none} cannot be read: No such file or directory"
    assert refused(cert, none) == f"--tls-key {none} cannot be read: No such file or directory"
    assert refused(tmp_path, key) == f"--tls-cert {tmp_path} cannot be read: it is not a regular file"
    text = tmp_path / "text"
    text.write_text("nothing\n")
    text.chmod(0o600)
    assert refused(text, key) == f"--tls-cert {text} holds no certificate in PEM form"
    assert refused(cert, text) == f"--tls-key {text} holds no private key in PEM form"
    assert refused(key, key) == f"--tls-cert {key} holds no certificate in PEM form"
    assert refused(cert, cert_copy(cert, tmp_path)).endswith("holds no private key in PEM form")
    for kind in ("ec", "rsa"):
        _, other = make(tmp_path, f"other-{kind}", kind=kind)
        assert refused(cert, other) == f"--tls-key {other} is not the key of --tls-cert {cert}"


def cert_copy(cert: Path, folder: Path) -> Path:
    copy = folder / "copy"
    copy.write_bytes(cert.read_bytes())
    copy.chmod(0o600)
    return copy


def test_a_key_that_others_can_read_or_that_wants_a_passphrase(
    pair: tuple[Path, Path], tmp_path: Path
) -> None:
    cert, key = pair
    copy = tmp_path / "open"
    copy.write_bytes(key.read_bytes())
    copy.chmod(0o640)
    load_certificate(cert, copy)  # of a group, as Debian's ssl-cert has its keys
    copy.chmod(0o644)
    assert refused(cert, copy) == f"--tls-key {copy} can be read by others; chmod 600 {copy}"
    locked = tmp_path / "locked"
    line = ["openssl", "pkey", "-in", str(key), "-aes128", "-passout", "pass:something", "-out", str(locked)]
    subprocess.run(line, check=True, capture_output=True)
    locked.chmod(0o600)
    assert "has a passphrase, and nobody is there to type it" in refused(cert, locked)


def test_both_files_belong_together(pair: tuple[Path, Path]) -> None:
    for cert, key in ((pair[0], None), (None, pair[1])):
        with pytest.raises(ListenError, match="give both"):
            Credentials(AccessOptions("127.0.0.1:8473", tls_cert=cert, tls_key=key))


def test_a_certificate_that_is_over_is_served_and_said(pair: tuple[Path, Path]) -> None:
    """The show goes on: what is wrong is a line of its own."""
    credentials = Credentials(AccessOptions("127.0.0.1:8473", tls_cert=pair[0], tls_key=pair[1]))
    ends_s = openssl_day(pair[0], "end")
    assert credentials.refresh(ends_s - SOON_S - 1) == {}
    assert "ends on" in credentials.refresh(ends_s - 1)["certificate"][0]
    assert "ended on" in credentials.refresh(ends_s)["certificate"][0]


def test_every_connection_is_served_while_the_certificate_is_renewed(tmp_path: Path) -> None:
    """A context that is loaded anew has, for a moment, a certificate without its key."""
    pairs = [make(tmp_path, name, kind="rsa") for name in ("one", "other")]
    cert, key = make(tmp_path, "served", kind="rsa")
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    for trusted in (cert, *(one for one, _ in pairs)):
        client.load_verify_locations(trusted)
    credentials = Credentials(AccessOptions("127.0.0.1:8473", tls_cert=cert, tls_key=key))
    assert credentials.context is not None
    ended = threading.Event()

    def renew() -> None:
        for newer, newer_key in cycle(pairs):
            cert.write_bytes(newer.read_bytes())
            key.write_bytes(newer_key.read_bytes())
            credentials.refresh(time())
            if ended.is_set():
                break

    renewing = threading.Thread(target=renew)
    renewing.start()
    try:
        for _ in range(300):
            own_handshake(credentials.context, client)
    finally:
        ended.set()
        renewing.join()


def seen_by_a_client(port: int) -> bytes:
    """Return the certificate that is served there now."""
    return ssl.PEM_cert_to_DER_cert(ssl.get_server_certificate(("127.0.0.1", port)))


def der(cert: Path) -> bytes:
    return ssl.PEM_cert_to_DER_cert(cert.read_text())


async def test_page_cookie_and_command_line_over_tls(
    demo_rig: Path,
    tmp_path: Path,
    token: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(main, "CREDENTIALS_S", 0.05)
    cert, key = make(tmp_path, "rack")
    async with over_tls(demo_rig, tmp_path / "state", (cert, key), token) as service:
        port = int(service.base.rpartition(":")[2])
        answer = await service.ask("POST", "/v1/session", {"token": TOKEN}, Origin=service.base)
        (morsel,) = SimpleCookie(answer.headers["Set-Cookie"]).values()
        assert morsel["secure"]
        cookie = f"{morsel.key}={morsel.value}"
        service.headers = {"Cookie": cookie}
        plain = service.base.replace("https", "http")
        assert (await service.ask("POST", "/v1/next", Origin=plain)).status == 403
        assert (await service.ask("POST", "/v1/next", Origin=service.base)).status == 200
        named = {"Host": f"rack.example:{port}", "Origin": f"https://rack.example:{port}"}
        assert (await service.ask("POST", "/v1/next", **named)).status == 200, "a name of the certificate"

        options = ["--listen", f"127.0.0.1:{port}", "--token-file", str(token)]
        secure = [*options, "--tls-cert", str(cert)]
        assert await asyncio.to_thread(command, ["status", "--json", *secure]) in (0, 1)
        assert await asyncio.to_thread(command, ["stage", *secure]) == 0
        assert f"https://127.0.0.1:{port}/stage#{TOKEN}" in capsys.readouterr().out
        assert await asyncio.to_thread(command, ["status", *options]) == 2
        assert "does it serve over TLS? then give its --tls-cert" in capsys.readouterr().err
        other, _ = make(tmp_path, "other")
        assert await asyncio.to_thread(command, ["status", *options, "--tls-cert", str(other)]) == 2

        # renewed while it runs: new connections see the new one, and a bad file changes nothing
        assert await asyncio.to_thread(seen_by_a_client, port) == der(cert)
        newer, newer_key = make(tmp_path, "newer")
        cert.write_bytes(newer.read_bytes())  # its key is still the old one
        await until(lambda: service.ask("GET", "/v1/health"), lambda seen: "is not the key of" in seen.text)
        key.write_bytes(newer_key.read_bytes())
        await until(lambda: asyncio.to_thread(seen_by_a_client, port), lambda seen: seen == der(newer))
        await until(lambda: service.ask("GET", "/v1/health"), lambda seen: "certificate" not in seen.text)


@asynccontextmanager
async def over_tls(rig: Path, state: Path, pair: tuple[Path, Path], token: Path) -> AsyncIterator[Service]:
    """A service that is up and asked over TLS, without a token."""
    context = ssl.create_default_context(cafile=str(pair[0]))
    files = {"token_file": token, "tls_cert": pair[0], "tls_key": pair[1]}
    connector = aiohttp.TCPConnector(ssl=context)
    async with (
        a_service(rig, state, **files) as service,
        aiohttp.ClientSession(connector=connector, cookie_jar=aiohttp.DummyCookieJar()) as client,
    ):
        service.client, service.base = client, service.base.replace("http", "https")
        await service.start()
        service.headers = {"Authorization": f"Bearer {TOKEN}"}
        await service.until_ready()
        service.headers = {}
        yield service


@pytest.fixture
def token(tmp_path: Path) -> Path:
    path = tmp_path / "token"
    path.write_text(TOKEN)
    path.chmod(0o600)
    return path


async def test_what_speaks_no_tls_holds_up_nobody(
    demo_rig: Path, tmp_path: Path, token: Path, pair: tuple[Path, Path], capfd: pytest.CaptureFixture[str]
) -> None:
    async with over_tls(demo_rig, tmp_path / "state", pair, token) as service:
        where = ("127.0.0.1", int(service.base.rpartition(":")[2]))
        silent = [await asyncio.open_connection(*where) for _ in range(2 * MOST_HANDSHAKES)]
        for reader, _ in silent[:MOST_HANDSHAKES]:  # who came first has to go
            assert await asyncio.wait_for(reader.read(), 2) == b""
        for sent in (b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", b"\x16\x03\x01\x40\x00", b"\x00" * 500):
            with socket.create_connection(where) as bad:
                bad.sendall(sent)
        assert (await service.ask("GET", "/stage")).status == 200
        for _, writer in silent:
            writer.transport.abort()
    said = capfd.readouterr()
    assert "Traceback" not in said.out + said.err
