"""JSON Schemas of the three kinds of file, for editors that complete and check while one types."""

from __future__ import annotations

from typing import Any

from routerd.server.rigfiles.entries import RigFile, SetFile, SongFile
from routerd.server.rigfiles.entry import Entry

DIALECT = "https://json-schema.org/draft/2020-12/schema"
SHAPES: dict[str, type[Entry]] = {"rig": RigFile, "song": SongFile, "set": SetFile}


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON Schema (2020-12) of a rig, a song and a set list file, by those names."""
    return {
        name: {"$schema": DIALECT, **_tidy(shape.model_json_schema(by_alias=True))}
        for name, shape in SHAPES.items()
    }


def _tidy(part: Any) -> Any:
    """Leave out what the files cannot say: null, and titles made up from key names."""
    if isinstance(part, list):
        return [_tidy(item) for item in part]
    if not isinstance(part, dict):
        return part
    choices = [choice for choice in part.get("anyOf", []) if choice != {"type": "null"}]
    if len(choices) == 1:
        part = {**choices[0], **{key: value for key, value in part.items() if key != "anyOf"}}
    tidy = {key: _tidy(value) for key, value in part.items() if not (key == "default" and value is None)}
    for inner in tidy.get("properties", {}).values():
        inner.pop("title", None)
    return tidy
