"""Cookies in place of tokens: who gets one, what it opens and to whom, and when it ends."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from server_service import Answer, Service, a_service, log_lines, until

from routerd.server import main
from routerd.server.http import application
from routerd.server.http import guard as guard_module
from routerd.server.http.access import ENDED
from routerd.server.http.guard import AccessOptions, Asked, Credentials, Guard
from routerd.server.http.listening import Listen
from routerd.server.http.problems import ProblemError
from routerd.server.http.tokens import (
    AGAIN_S,
    COOKIE_S,
    TRIES,
    Cookie,
    EndedCookies,
    ListenError,
    Tokens,
    WrongTokens,
)

CHANGE, READ = "correct-horse-battery", "reading-horse-battery"
NOW = 1_800_000_000.0
TOKENS = Tokens(CHANGE, READ)


# What a cookie is


def test_a_cookie_allows_what_its_token_does_until_it_ends() -> None:
    for may in ("change", "read"):
        value = TOKENS.cookie(may, NOW)
        for at_s in (NOW, NOW + COOKIE_S - 1):
            cookie = TOKENS.open_cookie(value, at_s)
            assert cookie is not None
            assert (cookie.may, cookie.ends_s) == (may, NOW + COOKIE_S)
        assert TOKENS.open_cookie(value, NOW + COOKIE_S) is None


def test_a_cookie_outlives_the_process_but_not_its_token() -> None:
    """Its key comes from the token alone: another process with the same token opens it."""
    change, read = TOKENS.cookie("change", NOW), TOKENS.cookie("read", NOW)
    again, other = Tokens(CHANGE, READ), Tokens(CHANGE, "reading-horse-batterz")
    assert again.open_cookie(change, NOW) is not None
    assert again.open_cookie(read, NOW) is not None
    assert other.open_cookie(change, NOW) is not None
    assert other.open_cookie(read, NOW) is None
    assert Tokens(CHANGE).open_cookie(read, NOW) is None
    assert Tokens(READ, CHANGE).open_cookie(read, NOW) is None, "the tokens have been exchanged"
    assert Tokens(READ, CHANGE).open_cookie(change, NOW) is None


def test_no_changed_cookie_opens_anything() -> None:
    value = TOKENS.cookie("read", NOW)
    assert CHANGE not in value
    assert READ not in value
    assert TOKENS.cookie("read", NOW) != value, "two of the same second are two"
    assert value.replace("-", "").replace("_", "").isalnum(), "it needs no quotes in a header"
    for place in range(len(value) - 1):  # the last character has bits that mean nothing
        other = "A" if value[place] != "A" else "B"
        assert TOKENS.open_cookie(value[:place] + other + value[place + 1 :], NOW) is None
    for nonsense in ("", "=", "A" * 72, value[:-4], value + "AAAA", value + "\udcff", "ü", "a b", "\x00"):
        assert TOKENS.open_cookie(nonsense, NOW) is None


# Who may use one


def a_guard(**options: Any) -> Guard:
    return Guard(Listen("0.0.0.0", 8473), TOKENS, ["Rack", "rack.local"], **options)


def with_cookie(guard: Guard, may: Any = "change", **asked: Any) -> Asked:
    said = {"hosts": ("rack.local:8473",), "cookie": guard.new_cookie(may), "address": "192.0.2.5", **asked}
    return Asked(**said)


def refused(guard: Guard, asked: Asked) -> str:
    with pytest.raises(ProblemError) as caught:
        guard.check(asked)
    return caught.value.name


@pytest.mark.parametrize(
    "host", ["rack", "RACK.local:8473", "192.0.2.5:8473", "localhost:8473", "[::1]:8473"]
)
def test_a_cookie_lets_in_what_asks_under_our_name(host: str) -> None:
    guard = a_guard()
    assert guard.check(with_cookie(guard, hosts=(host,))).may == "change"
    own = with_cookie(guard, hosts=(host,), origin=f"http://{host}", changes=True, fetch_site="same-origin")
    assert guard.check(own).by == "cookie"


@pytest.mark.parametrize("host", ["evil.example:8473", "rack.local.evil.example", "192.0.2.6", "[::1", ""])
def test_a_name_that_was_made_to_lead_here_is_refused(host: str) -> None:
    """DNS rebinding: the page's own origin has that name too, and its requests are of the same origin."""
    guard = a_guard()
    assert refused(guard, with_cookie(guard, hosts=(host,))) == "foreign-host"
    rebound = with_cookie(guard, hosts=(host,), origin=f"http://{host}", changes=True)
    assert refused(guard, rebound) == "foreign-host"


def test_a_change_by_a_cookie_has_our_origin() -> None:
    guard = a_guard()
    for headers in (
        {},  # no Origin: not from a page
        {"origin": "null"},
        {"origin": "http://evil.example"},
        {"origin": "http://rack.local:9000"},  # another service of this machine: its pages get our cookies
        {"origin": "http://rack.local:8473", "fetch_site": "same-site"},
    ):
        assert refused(guard, with_cookie(guard, changes=True, **headers)) == "foreign-origin"


def test_what_a_cookie_may_read_no_other_page_may() -> None:
    guard = a_guard()
    for headers in (
        {"origin": "http://rack.local:9000"},
        {"fetch_site": "cross-site"},
        {"fetch_site": "same-site"},
    ):
        assert refused(guard, with_cookie(guard, **headers)) == "foreign-origin"
    guard.check(with_cookie(guard, public=True, fetch_site="same-site"))  # a link to the page itself


def test_over_tls_a_page_without_it_is_of_another_origin() -> None:
    guard = a_guard(tls=True)
    plain = with_cookie(guard, origin="http://rack.local:8473", changes=True)
    assert refused(guard, plain) == "foreign-origin"
    guard.check(with_cookie(guard, origin="https://rack.local:8473", changes=True))


def test_who_may_read_changes_nothing() -> None:
    guard = a_guard()
    assert guard.check(with_cookie(guard, "read")).may == "read"
    change = with_cookie(guard, "read", origin="http://rack.local:8473", changes=True)
    assert refused(guard, change) == "read-only"
    bearer = Asked(("rack",), authorization=f"Bearer {READ}")
    assert guard.check(bearer).may == "read"
    assert refused(guard, Asked(("rack",), authorization=f"Bearer {READ}", changes=True)) == "read-only"


def test_an_ended_cookie_is_worth_nothing() -> None:
    guard = a_guard()
    asked = with_cookie(guard)
    other = with_cookie(guard)
    guard.check(asked)
    guard.end_cookie(str(asked.cookie))
    assert refused(guard, asked) == "no-token"
    assert guard.check(other).may == "change"


def test_what_is_kept_of_ended_cookies_opens_nothing_and_is_read_again() -> None:
    before, after = EndedCookies(), EndedCookies()
    over, ended, other = (TOKENS.open_cookie(TOKENS.cookie("read", NOW), NOW) for _ in range(3))
    assert over is not None
    assert ended is not None
    before.add(over, NOW)
    assert over in before
    before.add(
        Cookie("read", over.ends_s + 60, ended.name), over.ends_s
    )  # by then the first is over by itself
    after.take(before.to_bytes())
    assert [one in after for one in (over, ended, other)] == [False, True, False]
    for nonsense in (b"", b"[]", b"{", b'{"x": 1}', b'{"00": "a"}', b'{"00": true}', b"\xff"):
        with pytest.raises(ValueError):
            after.take(nonsense)
    assert ended in after


# Wrong tokens


def test_wrong_tokens_are_limited_by_address() -> None:
    wrong = WrongTokens()
    for _ in range(TRIES):
        assert wrong.wait_s("192.0.2.9", 0.0) == 0
        wrong.add("192.0.2.9", 0.0)
    assert wrong.wait_s("192.0.2.9", 0.0) == AGAIN_S
    assert wrong.wait_s("192.0.2.10", 0.0) == 0
    assert wrong.wait_s("192.0.2.9", AGAIN_S) == 0
    wrong.add("192.0.2.9", AGAIN_S)
    assert wrong.wait_s("192.0.2.9", AGAIN_S + 1) == pytest.approx(AGAIN_S - 1)


def test_an_ipv6_network_is_one_address_and_the_table_is_bounded() -> None:
    wrong = WrongTokens()
    for number in range(TRIES):
        wrong.add(f"2001:db8::{number:x}", 0.0)  # RFC 3849
    assert wrong.wait_s("2001:db8::ffff:1", 0.0) == AGAIN_S
    assert wrong.wait_s("2001:db8:0:1::1", 0.0) == 0
    for number in range(5000):
        wrong.add(f"2001:db8:{number:x}::1", 1.0)
    assert len(wrong._counts) == 1000


async def test_the_right_token_has_to_wait_too_and_a_cookie_goes_on(tmp_path: Path, demo_rig: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        cookie = cookie_of(await trade(service, CHANGE))
        for _ in range(TRIES):
            assert (await trade(service, "wrong-horse-battery")).status == 401
        answer = await trade(service, CHANGE)
        assert (answer.status, answer.json["type"]) == (429, "/problems/too-many-tries")
        assert "none is looked at for" in answer.json["detail"]
        assert int(answer.headers["Retry-After"]) >= 1
        bearer = await service.ask("GET", "/v1/status", Authorization=f"Bearer {CHANGE}")
        assert bearer.status == 429
        assert (await service.ask("GET", "/v1/status", Cookie=cookie)).status == 200


# Over HTTP


def private(path: Path, token: str) -> Path:
    path.write_text(token)
    path.chmod(0o600)
    return path


@asynccontextmanager
async def guarded(rig: Path, folder: Path) -> AsyncIterator[Service]:
    """A service with both tokens, asked without any."""
    files = {
        "token_file": private(folder / "token", CHANGE),
        "read_token_file": private(folder / "read", READ),
    }
    async with a_service(rig, folder / "state", **files) as service:
        service.client._cookie_jar = aiohttp.DummyCookieJar()  # cookies are sent by hand
        await service.start()
        service.headers = {"Authorization": f"Bearer {CHANGE}"}
        await service.until_ready()
        service.headers = {}
        yield service


async def trade(service: Service, token: str, **headers: str) -> Answer:
    return await service.ask("POST", "/v1/session", {"token": token}, **headers)


def cookie_of(answer: Answer) -> str:
    assert answer.status == 200, answer.text
    (morsel,) = SimpleCookie(answer.headers["Set-Cookie"]).values()
    return f"{morsel.key}={morsel.value}"


async def test_a_token_is_traded_for_a_cookie(demo_rig: Path, tmp_path: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        for token, may in ((CHANGE, "change"), (READ, "read")):
            answer = await trade(service, token, Origin=service.base)
            assert (answer.json["may"], answer.json["by"]) == (may, "cookie")
            (morsel,) = SimpleCookie(answer.headers["Set-Cookie"]).values()
            assert morsel["httponly"]
            assert morsel["samesite"] == "Strict"
            assert morsel["path"] == "/"
            assert not morsel["domain"]
            assert not morsel["secure"]
            assert morsel["max-age"] == str(COOKIE_S)
            assert answer.headers["Cache-Control"] == "no-store"
            assert token not in answer.text + str(answer.headers)
            seen = (await service.ask("GET", "/v1/access", Cookie=cookie_of(answer))).json
            assert (seen["may"], seen["by"]) == (may, "cookie")
            assert COOKIE_S - 60 < seen["seconds_left"] <= COOKIE_S
        nobody = (await service.ask("GET", "/v1/access")).json
        assert (nobody["may"], nobody["by"]) == ("nothing", "nothing")


async def test_what_a_cookie_opens(demo_rig: Path, tmp_path: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        change = cookie_of(await trade(service, CHANGE))
        read = cookie_of(await trade(service, READ))
        for cookie in (change, read):
            assert (await service.ask("GET", "/v1/status", Cookie=cookie)).status == 200
        answer = await service.ask("POST", "/v1/next", Cookie=read, Origin=service.base)
        assert (answer.status, answer.json["type"]) == (403, "/problems/read-only")
        answer = await service.ask("POST", "/v1/next", Cookie=change)
        assert (answer.status, answer.json["type"]) == (403, "/problems/foreign-origin")
        answer = await service.ask("POST", "/v1/next", Cookie=change, Host="evil.example")
        assert (answer.status, answer.json["type"]) == (403, "/problems/foreign-host")
        assert service.engine.show.snapshot().index == 0
        assert (await service.ask("POST", "/v1/next", Cookie=change, Origin=service.base)).status == 200
        assert service.engine.show.snapshot().index == 1


async def test_a_reader_has_a_message_explained(demo_rig: Path, tmp_path: Path) -> None:
    body = {"device": "keys", "message": "90 3C 64"}
    async with guarded(demo_rig, tmp_path) as service:
        for token in (CHANGE, READ):
            cookie, bearer = cookie_of(await trade(service, token)), {"Authorization": f"Bearer {token}"}
            by_header = await service.ask("POST", "/v1/explain", body, **bearer)
            by_page = await service.ask("POST", "/v1/explain", body, Cookie=cookie, Origin=service.base)
            assert (by_header.status, by_page.status) == (200, 200), by_header.text + by_page.text
            assert by_header.json["message"]["words"] == "note on C4 velocity 100, channel 1"
            answer = await service.ask("POST", "/v1/explain", body, Cookie=cookie)
            assert (answer.status, answer.json["type"]) == (403, "/problems/foreign-origin")
        assert (await service.ask("POST", "/v1/explain", body)).status == 401


async def test_wrong_tokens_say_so_and_are_not_repeated(demo_rig: Path, tmp_path: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        answer = await trade(service, "wrong-horse-battery")
        assert (answer.status, answer.json["type"]) == (401, "/problems/no-token")
        assert "routerd stage" in answer.json["detail"]
        assert "wrong-horse" not in answer.text
        assert "Set-Cookie" not in answer.headers
        for body in ({}, {"token": ""}, {"token": 3}, {"token": "x" * 5000}, "{", b"\xff", {"tokn": CHANGE}):
            answer = await service.ask("POST", "/v1/session", body)
            assert answer.status in (400, 422), body
            assert "xxxx" not in answer.text
        for headers in ({"Origin": "http://evil.example"}, {"Host": "evil.example"}):
            assert (await trade(service, CHANGE, **headers)).status == 403


async def test_a_cookie_that_is_given_back_ends_with_its_streams(demo_rig: Path, tmp_path: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        cookie, other = cookie_of(await trade(service, CHANGE)), cookie_of(await trade(service, READ))
        stream = await service.client.get(f"{service.base}/v1/events", headers={"Cookie": cookie})
        second = await service.client.get(f"{service.base}/v1/events", headers={"Cookie": other})
        assert (stream.status, second.status) == (200, 200)
        answer = await service.ask("DELETE", "/v1/session", Cookie=cookie, Origin=service.base)
        assert (answer.status, answer.json["may"]) == (200, "nothing")
        (morsel,) = SimpleCookie(answer.headers["Set-Cookie"]).values()
        assert (morsel.value, morsel["max-age"]) == ("", "0")
        assert (await service.ask("GET", "/v1/status", Cookie=cookie)).status == 401
        await cut_off(stream)
        assert (await service.ask("GET", "/v1/status", Cookie=other)).status == 200
        assert not second.content.at_eof()
        second.close()


async def test_a_copy_of_a_cookie_that_was_given_back_is_worth_nothing_after_a_restart(
    demo_rig: Path, tmp_path: Path
) -> None:
    async with guarded(demo_rig, tmp_path) as service:

        async def restarted() -> Service:
            await service.stop()
            await service.start()
            service.headers = {"Authorization": f"Bearer {CHANGE}"}
            await service.until_ready()
            service.headers = {}
            return service

        kept, given_back, another = [cookie_of(await trade(service, CHANGE)) for _ in range(3)]
        await service.ask("DELETE", "/v1/session", Cookie=given_back, Origin=service.base)
        file = service.options.state_dir / ENDED
        assert file.stat().st_mode & 0o777 == 0o600
        assert given_back.partition("=")[2] not in file.read_text()
        await restarted()
        assert (await service.ask("GET", "/v1/status", Cookie=given_back)).status == 401
        assert (await service.ask("GET", "/v1/status", Cookie=kept)).status == 200
        # what cannot be read or written is said, and the API goes on
        file.write_text("nonsense")
        with log_lines() as lines:
            await restarted()
            assert (await service.ask("GET", "/v1/status", Cookie=kept)).status == 200
            file.unlink()
            file.mkdir()
            done = await service.ask("DELETE", "/v1/session", Cookie=another, Origin=service.base)
        assert done.status == 200
        assert (await service.ask("GET", "/v1/status", Cookie=another)).status == 401
        said = [line["event"] for line in lines if ENDED in line["event"]]
        assert ["cannot be read" in said[0], "cannot be written" in said[1], len(said)] == [True, True, 2]


async def test_another_token_ends_old_cookies_while_it_runs(
    demo_rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(main, "CREDENTIALS_S", 0.05)
    async with guarded(demo_rig, tmp_path) as service:
        change, read = cookie_of(await trade(service, CHANGE)), cookie_of(await trade(service, READ))
        stream = await service.client.get(f"{service.base}/v1/events", headers={"Cookie": change})
        # a file that cannot be used changes nothing, and is said
        private(tmp_path / "token", "short")
        status = {"Cookie": read}
        await until(lambda: problems(service, **status), lambda lines: "--token-file" in str(lines))
        assert (await service.ask("GET", "/v1/status", Cookie=change)).status == 200
        private(tmp_path / "token", "changed-horse-battery")
        await until(lambda: service.ask("GET", "/v1/status", Cookie=change), lambda seen: seen.status == 401)
        await cut_off(stream)
        await until(lambda: problems(service, **status), lambda lines: "token" not in str(lines))
        assert (await trade(service, CHANGE)).status == 401
        assert (await trade(service, "changed-horse-battery")).status == 200


async def cut_off(stream: aiohttp.ClientResponse) -> None:
    with pytest.raises(aiohttp.ClientError):
        await asyncio.wait_for(stream.content.read(), 10)
    stream.close()


async def problems(service: Service, **headers: str) -> list[str]:
    lines: list[str] = (await service.ask("GET", "/v1/health", **headers)).json
    return lines


async def test_an_old_cookie_is_renewed_by_asking(
    demo_rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        cookie = cookie_of(await trade(service, READ))
        assert "Set-Cookie" not in (await service.ask("GET", "/v1/access", Cookie=cookie)).headers
        real = guard_module.time
        monkeypatch.setattr(guard_module, "time", lambda: real() + 0.6 * COOKIE_S)
        newer = cookie_of(await service.ask("GET", "/v1/access", Cookie=cookie))
        assert newer != cookie
        monkeypatch.setattr(guard_module, "time", lambda: real() + 1.1 * COOKIE_S)
        assert (await service.ask("GET", "/v1/status", Cookie=newer)).status == 200
        answer = await service.ask("GET", "/v1/status", Cookie=cookie)
        assert answer.status == 401
        assert "scan the code again" in answer.json["detail"]


async def test_a_server_that_was_killed_knows_its_cookies_again(demo_rig: Path, tmp_path: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        cookie = cookie_of(await trade(service, READ))
        await service.stop()
        await service.start()
        service.headers = {"Cookie": cookie}
        await service.until_ready()
        assert (await service.ask("GET", "/v1/access")).json["by"] == "cookie"


async def test_without_a_token_no_cookie_is_given_or_wanted(service: Service) -> None:
    answer = await trade(service, "whatever-it-may-be")
    assert (answer.status, answer.json["by"]) == (200, "loopback")
    assert "Set-Cookie" not in answer.headers
    assert (await service.ask("GET", "/v1/access", Cookie="routerd-1=nonsense")).json["may"] == "change"


async def test_no_other_answer_has_a_cookie(demo_rig: Path, tmp_path: Path) -> None:
    async with guarded(demo_rig, tmp_path) as service:
        cookie = cookie_of(await trade(service, CHANGE))
        for headers in ({"Authorization": f"Bearer {CHANGE}"}, {"Cookie": cookie}, {}):
            for path in ("/stage", "/v1/status", "/v1/access", "/", "/nowhere"):
                assert "Set-Cookie" not in (await service.ask("GET", path, **headers)).headers


# The files


def test_two_tokens_that_are_one_and_one_for_reading_alone(tmp_path: Path) -> None:
    one, two = private(tmp_path / "one", CHANGE), private(tmp_path / "two", CHANGE)
    with pytest.raises(ListenError, match="hold the same word"):
        Tokens.read_from(one, two)
    with pytest.raises(ListenError, match="give a --token-file as well"):
        Tokens.read_from(None, one)
    two.chmod(0o644)
    with pytest.raises(ListenError, match=f"--read-token-file {two} can be read by others"):
        Tokens.read_from(one, two)
    os.truncate(one, 0)
    with pytest.raises(ListenError, match="--token-file"):
        Tokens.read_from(one, None)


async def test_a_token_that_trickles_in_holds_up_nobody(
    demo_rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(application, "BODY_S", 1.0)
    async with guarded(demo_rig, tmp_path) as service:
        where = ("127.0.0.1", int(service.base.rpartition(":")[2]))
        head = b"POST /v1/session HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n\r\n"
        slow = [await asyncio.open_connection(*where) for _ in range(60)]
        for _, writer in slow:
            writer.write(head + b'{"token": "')
        await asyncio.sleep(0.3)
        assert (await asyncio.wait_for(trade(service, CHANGE), 5)).status == 200
        for reader, writer in slow:
            writer.write(b"a")
            assert b" 408 " in await asyncio.wait_for(reader.readline(), 20)
            writer.transport.abort()


def test_a_host_name_is_a_bare_name() -> None:
    names = ("http://rack", "rack:8473", "", "a b", "[::1]")
    for name in names:
        with pytest.raises(ListenError, match="--host-name"):
            Credentials(AccessOptions("127.0.0.1:8473", host_names=(name,)))
    told = Credentials(AccessOptions("127.0.0.1:8473", host_names=("Rack.lan",))).guard
    assert told.check(Asked(("rack.lan:8473",))).may == "change"
