"""Whatever is sent, the answer is a problem document (RFC 9457), and the show is as it was."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest
from server_service import Answer, Service

from routerd.core.errors import CommandError
from routerd.core.show.show import Show
from routerd.link.messages import Ask
from routerd.server import status
from routerd.server.http import application as api
from routerd.server.http.problems import KINDS


def is_problem(answer: Answer, name: str) -> None:
    """RFC 9457 section 3: media type, and the members type, title, status, detail and instance."""
    assert answer.headers["Content-Type"].split(";")[0] == "application/problem+json"
    assert answer.json["type"] == f"/problems/{name}"
    assert answer.status == answer.json["status"] == KINDS[name].status
    assert answer.json["title"] == KINDS[name].title
    assert answer.json["detail"]
    assert answer.json["instance"].startswith("/")


@pytest.mark.parametrize(
    ("path", "body", "name", "words"),
    [
        ("tempo", '{"bpm": 121.5', "malformed-json", "line 1, column 14"),
        ("tempo", '{"bpm":\n 12x}', "malformed-json", "line 2"),
        ("tempo", b"\xff\xfe{}", "malformed-json", "byte 1 is not UTF-8"),
        ("tempo", "[" * 100_000, "malformed-json", "nested too deeply"),
        ("tempo", '{"bpm": NaN}', "malformed-json", "NaN"),
        ("tempo", '{"bpm": -Infinity}', "malformed-json", "Infinity"),
        ("tempo", '{"bpm": 100, "bpm": 90}', "malformed-json", "twice"),
        ("tempo", '{"bpm": ' + "9" * 5000 + "}", "malformed-json", "digits"),
        ("tempo", '{"bpm": 1e999}', "wrong-body", "not a tempo"),
        ("tempo", '{"bpm": 1e-999}', "wrong-body", "not a tempo"),
        ("tempo", '{"bpm": 481}', "wrong-body", "outside 10 to 480"),
        ("tempo", '{"bpm": -120}', "wrong-body", "not a tempo"),
        ("tempo", '{"bpm": true}', "wrong-body", "number or text"),
        ("tempo", '{"bpm": [120]}', "wrong-body", "number or text"),
        ("tempo", '{"bpm": null}', "wrong-body", "number or text"),
        ("tempo", "{}", "wrong-body", "is needed"),
        ("tempo", "", "wrong-body", "is needed"),
        ("tempo", "[120]", "wrong-body", "must be an object"),
        ("tempo", '{"bqm": 120}', "wrong-body", "did you mean 'bpm'"),
        ("continue", '{"bar": "3"}', "wrong-body", "valid integer"),
        ("continue", '{"bar": 3.0}', "wrong-body", "valid integer"),
        ("continue", '{"bar": true}', "wrong-body", "valid integer"),
        ("continue", '{"bar": 0}', "wrong-body", "greater than or equal to 1"),
        ("song", '{"song": 3.0}', "wrong-body", "whole number from 1, or text of one line"),
        ("song", '{"song": true}', "wrong-body", "whole number from 1, or text of one line"),
        ("song", '{"song": 0}', "wrong-body", "a number from 1"),
        ("song", '{"sogn": "Nine Lamps"}', "wrong-body", "did you mean 'song'"),
        ("song", "{}", "wrong-body", "is needed"),
        ("song", '{"song": "\\ud800"}', "wrong-body", "one line"),
        ("song", '{"song": 1, "when": "later"}', "wrong-body", "is not a moment; say now, beat"),
        ("mute", '{"device": "lead-synth", "route": "drums"}', "wrong-body", "only one of"),
        ("mute", "{}", "wrong-body", "one of"),
        ("section", '{"section": ""}', "wrong-body", "1 to 200 characters"),
        ("next", '{"when": 1}', "wrong-body", "a moment is text"),
        ("next", "null", "wrong-body", "must be an object"),
        ("stop", "when=bar", "malformed-json", "line 1, column 1"),
        ("panic", '{"now": true}', "wrong-body", "takes no keys"),
        ("reload", '{"\\ud800": 1}', "wrong-body", "unicode string"),
    ],
)
async def test_a_wrong_body_is_told_and_changes_nothing(
    service: Service, path: str, body: Any, name: str, words: str
) -> None:
    before = service.engine.standing()
    answer = await service.ask("POST", f"/v1/{path}", body)
    is_problem(answer, name)
    assert words in answer.json["detail"]
    assert service.engine.standing() == before
    assert [message for message in service.engine.said if isinstance(message, Ask)] == []


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({}, "say one of order or name"),
        ({"name": "Harbour", "encore": 1}, "encore goes with order"),
        ({"order": ["Nine Lamps"], "name": None}, "name: null means nothing here; leave the key out"),
        ({"order": []}, "at least 1"),
        ({"order": "Nine Lamps"}, "valid list"),
        ({"order": [1]}, "one line"),
        ({"order": [["Nine Lamps"]]}, "one line"),
        ({"odrer": ["Nine Lamps"]}, "did you mean 'order'"),
        ({"order": ["Nine Lamps"], "name": "two\nlines"}, "one line"),
    ],
)
async def test_set_lists(service: Service, body: Any, words: str) -> None:
    before = service.engine.standing()
    answer = await service.ask("PUT", "/v1/set-list", body)
    is_problem(answer, "wrong-body")
    assert words in answer.json["detail"]
    assert service.engine.standing() == before


async def test_errors_point_at_the_value(service: Service) -> None:
    """RFC 6901 section 3: ~ is written ~0 and / is written ~1."""
    answer = await service.ask("PUT", "/v1/set-list", {"order": ["Nine Lamps", 7], "a/b~": 1})
    assert {error["pointer"] for error in answer.json["errors"]} == {
        "/order/1",
        "/a~1b~0",
    }  # RFC 6901, section 3


async def test_a_body_over_1_mb(service: Service) -> None:
    answer = await service.ask("POST", "/v1/next", b" " * 1_000_001)
    is_problem(answer, "too-large")
    assert (await service.ask("POST", "/v1/next", b" " * 1_000_000)).status == 200


async def test_a_body_that_does_not_come(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    assert api.BODY_S == 10.0
    monkeypatch.setattr(api, "BODY_S", 0.05)
    reader, writer = await asyncio.open_connection("127.0.0.1", int(service.base.rpartition(":")[2]))
    writer.write(b"POST /v1/next HTTP/1.1\r\nHost: localhost\r\nContent-Length: 50\r\n\r\n{")
    answer = await asyncio.wait_for(reader.readuntil(b"}\n"), 30)
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b"/problems/too-slow" in answer
    writer.close()
    await writer.wait_closed()


async def test_unknown_paths_and_methods(service: Service) -> None:
    answer = await service.ask("POST", "/v1/nxt")
    is_problem(answer, "not-found")
    assert "/v1/next" in answer.json["detail"]
    is_problem(await service.ask("GET", "/v2/status"), "not-found")
    is_problem(await service.ask("GET", "/%2e%2e/etc/passwd"), "not-found")
    answer = await service.ask("GET", "/v1/next")
    is_problem(answer, "method-not-allowed")
    assert answer.headers["Allow"] == "OPTIONS, POST"
    answer = await service.ask("POST", "/v1/status", {})
    assert answer.headers["Allow"] == "GET, HEAD, OPTIONS"
    is_problem(await service.ask("PATCH", "/v1/set-list"), "method-not-allowed")
    is_problem(await service.ask("BREW", "/v1/set-list"), "malformed-request")


async def test_what_is_not_there_is_called_by_what_it_is(service: Service) -> None:
    message = "90 3C 64"
    for path, body, name in (
        ("clock-source", {"device": "kyes"}, "unknown-device"),
        ("retrigger", {"device": "kyes"}, "unknown-device"),
        ("tuning/note", {"device": "kyes"}, "unknown-device"),
        ("explain", {"device": "kyes", "message": message}, "unknown-device"),
        ("explain", {"device": "keys", "message": message, "song": "Nine Lmaps"}, "unknown-song"),
        ("explain", {"device": "keys", "message": message, "song": 9}, "unknown-song"),
        ("explain", {"device": "keys", "message": message, "section": "brdige"}, "unknown-section"),
    ):
        answer = await service.ask("POST", f"/v1/{path}", body)
        is_problem(answer, name)
        assert answer.json["title"] != "There is nothing here"


async def test_queries_and_report_formats(service: Service) -> None:
    is_problem(await service.ask("GET", "/v1/report?format=xml"), "wrong-query")
    is_problem(await service.ask("GET", "/v1/report?span=hour"), "wrong-query")
    is_problem(await service.ask("GET", "/v1/events?beats=1"), "wrong-query")
    # keys that are not known are somebody else's: a proxy's, a cache's
    assert (await service.ask("GET", "/v1/status?cachebuster=1")).status == 200
    assert (await service.ask("GET", "/v1/report?format=text")).text.startswith("JITTER REPORT")
    assert (await service.ask("GET", "/v1/report", Accept="text/plain")).text.startswith("JITTER REPORT")
    assert (await service.ask("GET", "/v1/report", Accept="application/json, text/plain")).json["schema"] == 1
    assert (await service.ask("GET", "/v1/report")).json["schema"] == 1


async def test_every_kind_of_problem_explains_itself(service: Service) -> None:
    for name, kind in KINDS.items():
        answer = await service.ask("GET", f"/problems/{name}")
        assert answer.status == 200
        assert kind.title in answer.text
    is_problem(await service.ask("GET", "/problems/nothing"), "not-found")


async def test_a_body_that_breaks_off_and_one_that_is_not_what_it_says(service: Service) -> None:
    answer = await service.ask("POST", "/v1/next", b"not gzip", Content_Encoding="gzip")
    is_problem(answer, "unknown-coding")
    _, writer = await asyncio.open_connection("127.0.0.1", int(service.base.rpartition(":")[2]))
    writer.write(b"POST /v1/next HTTP/1.1\r\nHost: localhost\r\nContent-Length: 50\r\n\r\n{")
    await writer.drain()
    writer.close()
    await writer.wait_closed()
    assert (await service.ask("GET", "/v1/status")).json["set_list"]["position"] == 1


async def test_a_mistake_inside_is_a_problem_too(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise KeyError("spare")

    monkeypatch.setattr(status, "_spare", fail)
    answer = await service.ask("GET", "/v1/status")
    is_problem(answer, "internal")
    assert "KeyError" in answer.json["detail"]


async def test_refusals_of_the_show_keep_their_words(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Show, "apply", _refuse)
    answer = await service.ask("POST", "/v1/start")
    is_problem(answer, "refused")
    assert json.loads(answer.text)["detail"] == "not on a Tuesday"


def _refuse(*_: object) -> None:
    raise CommandError("not on a Tuesday")
