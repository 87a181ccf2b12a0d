"""The API about itself: its OpenAPI 3.1 document, the help page, schemas of files, and problems in words.

Document and help are made from the declared operations and the classes of their bodies and answers.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterable, Sequence
from http import HTTPStatus
from inspect import cleandoc

from aiohttp import web
from pydantic import TypeAdapter

from routerd import __version__
from routerd.core.model.codec import JsonObject
from routerd.core.model.commands import WHEN_WORDS
from routerd.core.model.events import Event
from routerd.server.http.bodies import Nothing
from routerd.server.http.negotiation import ANSWER_HEADERS, HEADERS_OF_STATUS, Parameter
from routerd.server.http.operation import (
    JSON,
    STREAM,
    TAGS,
    TEXT,
    Call,
    Operation,
    Operations,
    json_text,
    json_text_response,
    text_response,
)
from routerd.server.http.problems import KINDS, MEDIA_TYPE, ProblemDocument, ProblemError, words_of
from routerd.server.report import Report
from routerd.server.report.document import DescribedSchema, DocumentSchema
from routerd.server.rigfiles import json_schemas
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.soundcheck.figures import Soundcheck

OPERATIONS = Operations("about")

_REF = "#/components/schemas/{model}"

_ALWAYS = (
    "malformed-request",
    "not-acceptable",
    "no-token",
    "too-many-tries",
    "foreign-host",
    "foreign-origin",
    "internal",
)
_WITH_BODY = ("malformed-json", "wrong-body", "too-large", "too-slow", "unknown-coding")


class AboutHandlers:
    """Describes `operations`, which are all there are, these included."""

    def __init__(self, operations: Sequence[Operation]) -> None:
        self._operations = operations
        self._document = b""
        self._making = threading.Lock()

    @OPERATIONS.add(
        "GET",
        "/v1/schemas/{name}",
        "The JSON Schema of a kind of file: rig, song, set",
        "JsonObject",
        parameters=(
            Parameter("name", "The kind of file", "song", choices=("rig", "song", "set"), place="path"),
        ),
        problems=("not-found",),
        needs_rig=False,
    )
    async def schema(self, call: Call[Nothing]) -> JsonObject:
        """The JSON Schema of a kind of file, for an editor or a checker."""
        schemas = await asyncio.to_thread(json_schemas)
        name = call.request.match_info["name"]
        if name not in schemas:
            raise ProblemError("not-found", f"there is no schema {quote(name)}; {suggest(name, schemas)}")
        return schemas[name]

    @OPERATIONS.add("GET", "/", "This page", media=(TEXT,), needs_rig=False)
    async def help(self, call: Call[Nothing]) -> web.Response:
        """Every operation in a line, and one for curl that asks for it."""
        return text_response(help_text(self._operations, call.request.headers.get("Host", "localhost:8473")))

    @OPERATIONS.add("GET", "/openapi.json", "This API as an OpenAPI document", "JsonObject", needs_rig=False)
    async def openapi(self, _call: Call[Nothing]) -> web.Response:
        """The document from which clients are generated."""
        # made once, and on a thread, or pings would wait
        return json_text_response(await asyncio.to_thread(self._openapi_text))

    def _openapi_text(self) -> bytes:
        with self._making:
            if not self._document:
                self._document = json_text(document(self._operations))
            return self._document

    @OPERATIONS.add(
        "GET",
        "/problems/{name}",
        "A kind of problem in words",
        media=(TEXT,),
        parameters=(Parameter("name", "The last part of a problem's type", "refused", place="path"),),
        problems=("not-found",),
        needs_rig=False,
    )
    async def problem(self, call: Call[Nothing]) -> web.Response:
        """What a problem's type means, and how to get out of it."""
        name = call.request.match_info["name"]
        if name not in KINDS:
            remedy = suggest(name, KINDS)
            raise ProblemError("not-found", f"there is no kind of problem {quote(name)}; {remedy}")
        return text_response(words_of(name))


def help_text(operations: Iterable[Operation], host: str) -> str:
    """Return the page at / for a service that is called `host`."""
    lines = ["routerd: MIDI router and clock. Every path, as a line for curl:", ""]
    for operation in operations:
        lines += [f"{operation.summary}:", f"  {operation.curl(host)}"]
    lines += [
        "",
        'What can wait also takes {"when": "bar"}: exactly on the next bar.',
        f"When is {WHEN_WORDS}: the next press of next or go; release: as soon as nothing is held.",
        "-H 'Prefer: return=minimal': answer without the state. /v1/status?fields=song: only that of it.",
        "-H 'Idempotency-Key: \"…\"', another each time: what is sent again is not done again.",
        "Errors are problem documents (RFC 9457); their type is a path here that explains them.",
        "",
    ]
    return "\n".join(lines)


def document(operations: Iterable[Operation]) -> JsonObject:
    """Return the document of these operations; it takes a second to make."""
    lines = {"type": "array", "items": {"type": "string"}}
    schemas: JsonObject = {"JsonObject": {"type": "object"}, "Lines": lines}
    _add(schemas, ProblemDocument)
    for figures in (Report, Soundcheck):
        _add(schemas, figures, DocumentSchema)
    paths: JsonObject = {}
    for operation in operations:
        if operation.body is not None:
            _add(schemas, operation.body)
        if isinstance(operation.answer, type):
            _add(schemas, operation.answer, DocumentSchema)
            if operation.parts:
                _add_part(schemas, operation.answer.__name__)
        for shape in operation.frames:
            (_add_event if issubclass(shape, Event) else _add)(schemas, shape, DocumentSchema)
        paths.setdefault(operation.path, {})[operation.method.lower()] = _operation(operation)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "routerd",
            "version": __version__,
            "description": "MIDI router and clock of a live rig. Commands answer when they are done.",
            "contact": {"name": "whoever runs this service"},
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/", "description": "The service that this document comes from"}],
        "tags": [{"name": name, "description": f"{words}."} for name, words in TAGS.items()],
        "paths": paths,
        "components": {
            "schemas": dict(sorted(schemas.items())),
            "headers": {
                name: {"description": words, "schema": {"type": kind}}
                for name, (words, kind) in ANSWER_HEADERS.items()
            },
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "cookie": {
                    "type": "apiKey",
                    "in": "cookie",
                    "name": "routerd-8473",
                    "description": "For pages, from POST /v1/session; its name has the port of the service.",
                },
            },
        },
        "security": [{}, {"token": []}, {"cookie": []}],
    }


def _operation(operation: Operation) -> JsonObject:
    words = [word for word in operation.path.replace("{", "").replace("}", "").split("/") if word]
    out: JsonObject = {
        "operationId": "-".join([operation.method.lower(), *words]).replace(".", "-"),
        "summary": operation.summary,
        "description": f"{operation.words}\n\nFor instance: `{operation.curl('localhost:8473')}`",
        "tags": [operation.tag],
        "responses": {
            **{str(status): _answer(operation, status) for status in operation.statuses},
            **_problems(operation),
        },
    }
    if operation.parameters:
        out["parameters"] = [_parameter(one) for one in operation.parameters]
    if operation.body is not None:
        content: JsonObject = {"schema": _reference(operation.body.__name__)}
        if operation.example:
            content["example"] = json.loads(operation.example)
        out["requestBody"] = {"required": not operation.body.may_be_empty(), "content": {JSON: content}}
    return out


def _answer(operation: Operation, status: int) -> JsonObject:
    if status == HTTPStatus.NOT_MODIFIED:
        return {
            "description": "As it was when it was last asked for (If-None-Match)",
            "headers": _headers(operation.sends),
        }
    sends = [name for name in operation.sends if name != "Preference-Applied"]
    if status == HTTPStatus.NO_CONTENT:
        words = "Done; nothing more is returned (Prefer: return=minimal)"
        return {"description": words, "headers": _headers([*sends, "Preference-Applied"])}
    content: JsonObject = {}
    for media in operation.media:
        if media == JSON:
            name = operation.answer.__name__ if isinstance(operation.answer, type) else str(operation.answer)
            whole = _reference(name)
            content[media] = {
                "schema": {"anyOf": [whole, _reference(_part(name))]} if operation.parts else whole
            }
        elif media == STREAM and operation.frames:
            content[media] = {"schema": _one_of(operation.frames)}
        else:
            content[media] = {"schema": {"type": "string"}}
    answer: JsonObject = {"description": _words_of_answer(operation, status), "content": content}
    if sends:
        answer["headers"] = _headers(sends)
    return answer


def _one_of(frames: Iterable[type]) -> JsonObject:
    """Return the schema of a stream's data: one of these, told apart by `kind` where they are events."""
    kinds = {one.kind: f"{one.__name__}Event" for one in frames if issubclass(one, Event)}
    if not kinds:
        return {"oneOf": [_reference(one.__name__) for one in frames]}
    mapping = {kind: _REF.format(model=name) for kind, name in kinds.items()}
    return {
        "oneOf": [_reference(name) for name in kinds.values()],
        "discriminator": {"propertyName": "kind", "mapping": mapping},
    }


def _words_of_answer(operation: Operation, status: int) -> str:
    """Return what comes back, in words of the answer's own class where it has one."""
    answer = operation.answer
    words = cleandoc(answer.__doc__ or "") if isinstance(answer, type) else f"{operation.summary}."
    sentence = " ".join(words.partition("\n\n")[0].split())
    done = "" if operation.method == "GET" else "Done. "
    return f"{done}{sentence}" if status == HTTPStatus.OK else f"{HTTPStatus(status).phrase}. {sentence}"


def _headers(names: Iterable[str]) -> JsonObject:
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


def _problems(operation: Operation) -> JsonObject:
    names = [*_ALWAYS, *operation.problems]
    names += ["not-ready"] if operation.needs_rig else []
    names += ["read-only"] if operation.changes and not operation.public else []
    names += _WITH_BODY if operation.body is not None else []
    by_status: dict[int, list[str]] = {}
    for name in names:
        by_status.setdefault(KINDS[name].status, []).append(name)
    return {
        str(status): {
            "description": "; ".join(f"{KINDS[name].title} (/problems/{name})" for name in sorted(set(same))),
            "headers": _headers(HEADERS_OF_STATUS.get(HTTPStatus(status), ())),
            "content": {MEDIA_TYPE: {"schema": _reference("ProblemDocument")}},
        }
        for status, same in sorted(by_status.items())
    }


def _parameter(one: Parameter) -> JsonObject:
    schema: JsonObject = {"type": one.kind}
    if one.choices:
        schema["enum"] = list(one.choices)
    found: JsonObject = {"name": one.name, "in": one.place, "description": one.words}
    found |= {"required": one.place == "path", "schema": schema}
    return found if one.example is None else {**found, "example": one.example}


def _reference(name: str) -> JsonObject:
    return {"$ref": _REF.format(model=name)}


def _add(schemas: JsonObject, shape: type, generator: type[DescribedSchema] = DescribedSchema) -> None:
    schema = TypeAdapter(shape).json_schema(ref_template=_REF, schema_generator=generator)
    inner = schema.pop("$defs", {})
    for name, part in {**inner, shape.__name__: schema}.items():
        ways = [one for one in part.get("oneOf", ()) if "title" in one]
        if ways:
            schemas |= {one["title"]: one for one in ways}
            part["oneOf"] = [_reference(one["title"]) for one in ways]
        if "properties" in part:
            part.setdefault("additionalProperties", False)
        schemas[name] = part


def _part(name: str) -> str:
    return f"PartOf{name}"


def _add_part(schemas: JsonObject, name: str) -> None:
    """Add the schema of what comes in place of an answer when `fields` are asked for."""
    part = {key: value for key, value in schemas[name].items() if key != "required"}
    words = f"The members of {name} that `fields` names, and no others."
    schemas[_part(name)] = {**part, "title": _part(name), "description": words}


def _add_event(schemas: JsonObject, shape: type[Event], generator: type[DescribedSchema]) -> None:
    """Add the schema of a kind of event, as readers get it: with its kind, and its time on both clocks."""
    made: JsonObject = {}
    _add(made, shape, generator)
    schema = made.pop(shape.__name__)
    schema["title"] = f"{shape.__name__}Event"
    keys: JsonObject = {
        "kind": {"const": shape.kind, "type": "string"},
        "at": {"type": "string", "format": "date-time", "description": "When, on the wall clock"},
        "at_ns": {"type": "integer", "description": "When, in ns of this machine's CLOCK_MONOTONIC"},
    }
    schema["properties"] = {**keys, **{k: v for k, v in schema["properties"].items() if k != "at_ns"}}
    schema["required"] = list(schema["properties"])
    schemas |= {**made, schema["title"]: schema}
