"""The OpenAPI 3.1 document, made from the table of operations and the classes of bodies and answers."""

from __future__ import annotations

from functools import cache
from typing import Any

from pydantic import TypeAdapter

from routerd import __version__
from routerd.core.model.plain import Plain
from routerd.server.http.operation import JSON, Operation
from routerd.server.http.operations import OPERATIONS
from routerd.server.http.problems import KINDS, MEDIA_TYPE, ProblemDocument
from routerd.server.http.report_handlers import FORMATS, SPANS
from routerd.server.report import REPORT_SCHEMA
from routerd.server.soundcheck.schema import SOUNDCHECK_SCHEMA

_REF = "#/components/schemas/{model}"

_ALWAYS = ("malformed-request", "no-token", "foreign-host", "foreign-origin", "internal")
_WITH_BODY = ("malformed-json", "wrong-body", "too-large", "too-slow", "unknown-coding")


@cache
def document() -> Plain:
    """Return the document. It is the same object every time: do not change it."""
    lines = {"type": "array", "items": {"type": "string"}}
    schemas: Plain = {"JsonObject": {"type": "object"}, "Lines": lines, **_report_schemas()}
    _add(schemas, ProblemDocument)
    paths: Plain = {}
    for operation in OPERATIONS:
        for shape in (operation.answer, operation.body):
            if isinstance(shape, type):
                _add(schemas, shape)
        paths.setdefault(operation.path, {})[operation.method.lower()] = _operation(operation)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "routerd",
            "version": __version__,
            "description": "MIDI router and clock of a live rig. Commands answer when they are done.",
        },
        "servers": [{"url": "/"}],
        "paths": paths,
        "components": {
            "schemas": dict(sorted(schemas.items())),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{}, {"token": []}],
    }


def _operation(operation: Operation) -> Plain:
    words = [word for word in operation.path.replace("{", "").replace("}", "").split("/") if word]
    out: Plain = {
        "operationId": "-".join([operation.method.lower(), *words]).replace(".", "-"),
        "summary": operation.summary,
        "responses": {
            **{str(status): _answer(operation) for status in operation.statuses},
            **_problems(operation),
        },
    }
    parameters = [_parameter(word[1:-1], "path") for word in operation.path.split("/") if word[:1] == "{"]
    parameters += [_parameter(name, "query") for name in operation.query]
    if parameters:
        out["parameters"] = parameters
    if operation.body is not None:
        out["requestBody"] = {
            "required": any(field.is_required() for field in operation.body.model_fields.values()),
            "content": {JSON: {"schema": _reference(operation.body.__name__)}},
        }
    return out


def _answer(operation: Operation) -> Plain:
    content: Plain = {}
    for media in operation.media:
        if media == JSON:
            name = operation.answer.__name__ if isinstance(operation.answer, type) else str(operation.answer)
            content[media] = {"schema": _reference(name)}
        else:
            content[media] = {"schema": {"type": "string"}}
    return {"description": "Done, or what was asked for", "content": content}


def _problems(operation: Operation) -> Plain:
    names = [*_ALWAYS, *operation.problems]
    names += ["not-ready"] if operation.needs_book else []
    names += _WITH_BODY if operation.body is not None else []
    if not operation.query:
        names.append("wrong-query")
    by_status: dict[int, list[str]] = {}
    for name in names:
        by_status.setdefault(KINDS[name].status, []).append(name)
    return {
        str(status): {
            "description": "; ".join(f"{KINDS[name].title} (/problems/{name})" for name in sorted(set(same))),
            "content": {MEDIA_TYPE: {"schema": _reference("ProblemDocument")}},
        }
        for status, same in sorted(by_status.items())
    }


def _parameter(name: str, place: str) -> Plain:
    choices = {"format": FORMATS, "span": SPANS}.get(name)
    schema: Plain = {"type": "string"} if choices is None else {"enum": list(choices)}
    return {"name": name, "in": place, "required": place == "path", "schema": schema}


def _reference(name: str) -> Plain:
    return {"$ref": _REF.format(model=name)}


def _add(schemas: Plain, shape: type) -> None:
    schema = TypeAdapter(shape).json_schema(ref_template=_REF)
    inner = schema.pop("$defs", {})
    for name, part in {**inner, shape.__name__: schema}.items():
        if "properties" in part:
            part.setdefault("additionalProperties", False)
        schemas[name] = part


def _report_schemas() -> Plain:
    """Bring the report's own schema into the document: its inner names become names of the document."""
    schema = {key: value for key, value in REPORT_SCHEMA.items() if key not in ("$schema", "$defs")}
    inner = {f"Report-{name}": part for name, part in REPORT_SCHEMA["$defs"].items()}
    soundcheck = {key: value for key, value in SOUNDCHECK_SCHEMA.items() if key not in ("$schema", "$defs")}
    moved: Plain = _move({"Report": schema, "Soundcheck": soundcheck, **inner})
    return moved


def _move(part: Any) -> Any:
    if isinstance(part, list):
        return [_move(item) for item in part]
    if not isinstance(part, dict):
        return part
    return {
        key: value.replace("#/$defs/", "#/components/schemas/Report-")
        if key == "$ref" and isinstance(value, str)
        else _move(value)
        for key, value in part.items()
    }
