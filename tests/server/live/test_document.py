"""The OpenAPI document: valid, complete, and true of every operation as the running service answers it."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator
from server_service import Answer, Service

from routerd.server.http.about import document, help_text
from routerd.server.http.application import OPERATIONS

OTHER_BODIES: dict[tuple[str, str], Any] = {
    ("PUT", "/v1/set-list"): {"order": ["Nine Lamps", "copper-ferry"], "name": "Harbour, late", "encore": 1},
    ("POST", "/v1/section"): {"section": 1},
    ("POST", "/v1/clock-source"): {"device": None},
    ("POST", "/v1/continue"): {"bar": 2},
    ("POST", "/v1/soundcheck"): {"levels_down": True, "seconds": 1, "stages": ["machine"]},
}
"""Where the operation's own example does not fit the demo's rig, or takes long."""
PARAMETERS = {
    "/v1/songs/{song}": "low-tide",
    "/v1/schemas/{name}": "song",
    "/problems/{name}": "refused",
    "/stage/{name}": "stage.css",
}
ELSEWHERE = ("/v1/events", "/v1/monitor", "/v1/soundcheck/offsets", "/v1/soundcheck/silent")
"""No end, or they want a soundcheck with loops or a roll call first: tests/test_soundcheck.py."""
DOCUMENT = document(OPERATIONS)
FINITE = [one for one in OPERATIONS if one.path not in ELSEWHERE]


def test_the_document_is_valid() -> None:
    OpenAPIV31SpecValidator(DOCUMENT).validate()


def test_every_operation_is_in_it_and_in_the_help() -> None:
    paths = DOCUMENT["paths"]
    documented = {(method.upper(), path) for path, methods in paths.items() for method in methods}
    assert documented == {(operation.method, operation.path) for operation in OPERATIONS}
    for operation in OPERATIONS:
        assert f"  {operation.curl('localhost:8473')}\n" in help_text(OPERATIONS, "localhost:8473")


def test_every_part_of_a_path_is_declared() -> None:
    for operation in OPERATIONS:
        parts = {word[1:-1] for word in operation.path.split("/") if word[:1] == "{"}
        assert parts == {one.name for one in operation.parameters if one.place == "path"}, operation.path


def fits(answer: Answer, described: dict[str, Any]) -> None:
    """The answer has a documented status and type, and its JSON fits the schema documented for them."""
    assert str(answer.status) in described["responses"], answer.text
    content = described["responses"][str(answer.status)]["content"]
    media = answer.headers["Content-Type"].split(";")[0]
    assert media in content
    if answer.json is not None:
        schema = {**content[media]["schema"], "components": DOCUMENT["components"]}
        jsonschema.Draft202012Validator(schema).validate(answer.json)


@pytest.mark.parametrize("operation", FINITE, ids=lambda one: f"{one.method} {one.path}")
async def test_answers_and_problems_are_as_documented(service: Service, operation: Any) -> None:
    described = DOCUMENT["paths"][operation.path][operation.method.lower()]
    path = operation.path.split("{")[0] + PARAMETERS.get(operation.path, "")
    example = json.loads(operation.example) if operation.example else None
    body = OTHER_BODIES.get((operation.method, operation.path), example)
    if body is not None:
        schema = described["requestBody"]["content"]["application/json"]["schema"]
        jsonschema.Draft202012Validator({**schema, "components": DOCUMENT["components"]}).validate(body)
    await service.ask("POST", "/v1/song", {"song": 2})
    await service.ask("POST", "/v1/section", {"section": 2})
    await service.ask("POST", "/v1/set-list/encore", {"song": 2})  # something to take back
    await service.ask("POST", "/v1/start", {"when": "next-press"})  # something to go with, and to cancel
    if operation.path in ("/v1/soundcheck", "/v1/soundcheck/stop") and body is None:
        begun = await service.ask("POST", "/v1/soundcheck", {"levels_down": True, "stages": ["clock"]})
        assert begun.status == 200
    if (operation.method, operation.path) == ("GET", "/v1/soundcheck"):
        assert (await service.ask("POST", "/v1/soundcheck/stop")).status == 200
    done = await service.ask(operation.method, path, body)
    assert done.status == 200, done.text
    fits(done, described)
    fits(await service.ask(operation.method, path, body, Origin="http://elsewhere.example"), described)
    fits(await service.ask(operation.method, path + "?nonsense=1", body), described)
    if operation.body is not None:
        fits(await service.ask(operation.method, path, '{"'), described)
        fits(await service.ask(operation.method, path, {"nonsense": 1}), described)
        fits(await service.ask(operation.method, path, b" " * 1_000_001), described)
    if "{" in operation.path:
        fits(await service.ask(operation.method, path + "-not", body), described)


async def test_a_part_of_the_status_is_as_documented(service: Service) -> None:
    described = DOCUMENT["paths"]["/v1/status"]["get"]
    assert "fields" in {one["name"] for one in described["parameters"]}
    for fields in ("", "song", "transport,position,problems", "nonsense"):
        fits(await service.ask("GET", f"/v1/status?fields={fields}"), described)


async def test_events_are_as_documented(service: Service) -> None:
    described = DOCUMENT["paths"]["/v1/events"]["get"]["responses"]["200"]
    schema = described["content"]["text/event-stream"]["schema"]
    kinds, named = schema["discriminator"]["mapping"], DOCUMENT["components"]["schemas"]
    heard = []
    async with service.client.get(f"{service.base}/v1/events?beats=true") as stream:
        for path, body in (
            ("song", {"song": 2}),
            ("section", {"section": 2}),
            ("tempo", {"bpm": "361/3"}),
            ("start", {"when": "next-press"}),
            ("cancel", None),
            ("mute", {"device": "lead-synth"}),
            ("set-list/drop", {"song": 3}),
            ("recording", {"on": True}),
            ("panic", None),
        ):
            assert (await service.ask("POST", f"/v1/{path}", body)).status == 200
        while "panic" not in heard:
            line = (await stream.content.readline()).decode()
            if line.startswith("data: "):
                data = json.loads(line.removeprefix("data: "))
                name = kinds[data["kind"]].rpartition("/")[2]
                whole = {**named[name], "components": DOCUMENT["components"]}
                jsonschema.Draft202012Validator(whole).validate(data)
                heard.append(data["kind"])
    assert {"hello", "song", "section", "tempo", "armed", "disarmed", "mute", "set-list"} <= set(heard)


async def test_refusals_are_as_documented(service: Service) -> None:
    paths = DOCUMENT["paths"]
    for path, body in (
        ("/v1/previous", None),
        ("/v1/song", {"song": 99}),
        ("/v1/song", {"song": "no such"}),
        ("/v1/section", {"section": "no such"}),
        ("/v1/continue", {"bar": 99_999}),
    ):
        answer = await service.ask("POST", path, body)
        assert answer.status in (404, 409)
        fits(answer, paths[path]["post"])
    answer = await service.ask("PUT", "/v1/set-list", {"name": "no such"})
    assert answer.status == 422
    fits(answer, paths["/v1/set-list"]["put"])
    (service.options.folder / "rig.yaml").unlink()
    answer = await service.ask("POST", "/v1/reload")
    assert answer.status == 422
    fits(answer, paths["/v1/reload"]["post"])


async def test_the_service_serves_it_and_the_schemas_of_the_files(service: Service) -> None:
    assert (await service.ask("GET", "/openapi.json")).json == DOCUMENT
    for name in ("rig", "song", "set"):
        jsonschema.Draft202012Validator.check_schema((await service.ask("GET", f"/v1/schemas/{name}")).json)
    help_page = await service.ask("GET", "/")
    assert help_page.headers["Content-Type"] == "text/plain; charset=utf-8"
    assert f"curl -X POST '{service.base.removeprefix('http://')}/v1/next'" in help_page.text


async def test_head_is_answered_where_get_is(service: Service) -> None:
    answer = await service.ask("HEAD", "/v1/status")
    assert (answer.status, answer.text) == (200, "")
