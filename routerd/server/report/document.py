"""A report or soundcheck as a document: its JSON, its JSON Schema, and its page.

One codec for all of them, pydantic's, by the types of their classes; whoever reads gets values, never a dict.
The schema is made from the same classes: a class's docstring describes the object, a field's docstring the
field. A page is made by a process of its own, so that plots take neither time nor memory of this one.
"""

from __future__ import annotations

import ast
import asyncio
import contextlib
import inspect
import os
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic.json_schema import GenerateJsonSchema

from routerd import storage
from routerd.core.errors import PeerError
from routerd.core.model.codec import JsonObject

T = TypeVar("T")

PAGE_S = 60.0
"""How long a page may take; one of a twelve-hour show takes a few seconds."""

_FOLDER = "plots"


class PageError(PeerError):
    """A page could not be made."""


def to_json(document: object) -> bytes:
    """Return a document of figures as JSON text."""
    return _adapter(type(document)).dump_json(document)


def to_plain(document: object) -> JsonObject:
    """Return a document of figures as JSON values."""
    plain: JsonObject = _adapter(type(document)).dump_python(document, mode="json")
    return plain


def from_json(kind: type[T], text: bytes | str) -> T:
    """Return the document that `text` holds; raises ValueError with one line when it holds no such one."""
    try:
        return _adapter(kind).validate_json(text, extra="forbid")
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(map(str, first["loc"]))
        raise ValueError(f"{place}: {first['msg']}" if place else first["msg"]) from error


def json_schema(kind: type) -> JsonObject:
    """Return the JSON Schema (2020-12) of documents of a class."""
    schema = TypeAdapter(kind).json_schema(schema_generator=DocumentSchema)
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema}


class DescribedSchema(GenerateJsonSchema):
    """Strict schemas of dataclasses, each field described by its docstring, inherited fields too."""

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002
        """Leave out titles that only repeat a field's name."""
        return False

    def dataclass_schema(self, schema: Any) -> JsonObject:
        """Describe the fields of a dataclass, and allow no others."""
        found = super().dataclass_schema(schema)
        found["additionalProperties"] = False
        for base in reversed(schema["cls"].__mro__):
            for name, words in _field_docs(base.__module__).get(base.__name__, {}).items():
                if name in found.get("properties", {}):
                    found["properties"][name]["description"] = words
        return found


class DocumentSchema(DescribedSchema):
    """Schemas of documents, which have every field, also where a class has a value for it."""

    def field_is_required(self, field: Any, total: bool) -> bool:  # noqa: ARG002
        """Require all."""
        return True


def _adapter(kind: type[T]) -> TypeAdapter[T]:
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}
"""By class, because making one takes a while."""


@cache
def _field_docs(module: str) -> dict[str, dict[str, str]]:
    """Return the docstrings of fields by class and field, of all classes of a module."""
    if not module.startswith("routerd."):
        return {}
    tree = ast.parse(inspect.getsource(sys.modules[module]))
    return {
        one.name: {
            field.target.id: inspect.cleandoc(below.value.value)
            for field, below in pairwise(one.body)
            if isinstance(field, ast.AnnAssign)
            and isinstance(field.target, ast.Name)
            and isinstance(below, ast.Expr)
            and isinstance(below.value, ast.Constant)
            and isinstance(below.value.value, str)
        }
        for one in tree.body
        if isinstance(one, ast.ClassDef)
    }


async def make_page(document: object, module: str, cache_folder: Path) -> str:
    """Return the HTML page that `module` makes of a report or soundcheck; raises PageError.

    `module` reads JSON on its standard input and writes the page. `cache_folder` is where the plotting
    library may keep what it knows of fonts.
    """
    plots = cache_folder / _FOLDER
    try:
        storage.within(plots, cache_folder)
    except OSError as error:
        raise PageError(f"{plots}: {error.strerror}") from error
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        module,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "MPLCONFIGDIR": str(plots), "PYTHONIOENCODING": "utf-8"},
    )
    try:
        async with asyncio.timeout(PAGE_S):
            page, complaints = await process.communicate(to_json(document))
    except TimeoutError as error:
        raise PageError(f"the page was not made within {PAGE_S:.0f} s; ask for text or JSON") from error
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
    if process.returncode:
        last = complaints.decode(errors="replace").strip().splitlines()[-1:] or ["no reason given"]
        raise PageError(f"the page cannot be made ({last[0]}); ask for text or JSON")
    return page.decode()
