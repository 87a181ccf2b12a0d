"""The JSON Schemas of the files, made from their shapes, for editors and for programs that write them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from routerd.core.model.rig import RigFolder
from routerd.server.rigfiles.folder import SONG_NAME, SetFile
from routerd.server.rigfiles.rig import RigFile
from routerd.server.rigfiles.shape import Entry
from routerd.server.rigfiles.song import SongFile
from routerd.server.rigfiles.values import NAMED, SOURCE, TARGET

DIALECT = "https://json-schema.org/draft/2020-12/schema"

SHAPES: dict[str, type[Entry]] = {"rig": RigFile, "song": SongFile, "set": SetFile}


def json_schemas(rig_folder: RigFolder | None = None) -> dict[str, dict[str, Any]]:
    """Return the JSON Schema (2020-12) of a rig, a song and a set list file, by those names.

    With a rig folder they know its devices and songs: a name of another is wrong, and an editor offers these.
    """
    names = {} if rig_folder is None else _names(rig_folder)
    return {
        name: {"$schema": DIALECT, **_named(_tidy(shape.model_json_schema(by_alias=True)), names)}
        for name, shape in SHAPES.items()
    }


def _names(rig_folder: RigFolder) -> dict[str, list[str]]:
    devices, songs = rig_folder.rig.devices, rig_folder.songs
    return {
        SOURCE.schema[NAMED]: [one.name for one in devices if one.input_pattern],
        TARGET.schema[NAMED]: [one.name for one in devices if one.output_pattern],
        SONG_NAME.schema[NAMED]: [name for one in songs for name in (one.identifier, one.title)],
    }


def _named(part: Any, names: Mapping[str, list[str]]) -> Any:
    """Put a rig's names where a schema says that one of them is meant."""
    if isinstance(part, list):
        return [_named(item, names) for item in part]
    if not isinstance(part, dict):
        return part
    inner = {key: _named(value, names) for key, value in part.items()}
    known = names.get(part.get(NAMED, "") if isinstance(part.get(NAMED), str) else "")
    if known:
        del inner[NAMED]
        inner = {**inner, "enum": list(dict.fromkeys(known))}
        inner.pop("pattern", None)
    return inner


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
