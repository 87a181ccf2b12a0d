"""What a reader is shown must be so: the demo folder, the reference's examples and keys, the JSON Schemas."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from sound_rig import SET, Folder

from routerd.core.midi.messages import is_whole
from routerd.core.model.codec import decode, encode
from routerd.core.model.rig import Rig, RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.server.rigfiles import json_schemas, load_folder
from routerd.server.rigfiles.text import read_document

CONFIGS = Path(__file__).parents[3] / "configs"
DEMO = CONFIGS / "demo"
REFERENCE = (CONFIGS / "README.md").read_text(encoding="utf-8")
DEMO_FILES = sorted(DEMO.rglob("*.yaml"))


def demo() -> RigFolder:
    loaded = load_folder(DEMO)
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.rig_folder is not None
    return loaded.rig_folder


def plain(path: Path) -> Any:
    """Return a file as an editor with YAML 1.2 sees it: decimals are numbers."""
    document = read_document(path.name, path.read_bytes())
    assert document.problems == []

    def decimals(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: decimals(inner) for key, inner in value.items()}
        if isinstance(value, list):
            return [decimals(inner) for inner in value]
        return float(value) if isinstance(value, str) and re.fullmatch(r"-?\d+\.\d+", value) else value

    return decimals(document.data)


def kind_of(path: Path) -> str:
    return {"songs": "song", "sets": "set"}.get(path.parent.name, "rig")


def test_the_demo_is_tonights_set() -> None:
    book = demo()
    assert [book.song(identifier).title for identifier in book.set_list.order] == [
        "Copper Ferry",
        "Nine Lamps",
        "Weather Room",
    ]
    assert len(book.songs) == 4
    assert all(2 <= len(song.sections) <= 4 and song.checklist for song in book.songs)
    assert len({frozenset(song.routes) for song in book.songs}) == 4


def test_the_demo_dump_is_whole_and_carries_the_non_commercial_identifier() -> None:
    """M1 p. 34: 7D is the manufacturer identifier for non-commercial use (page from memory)."""
    (patch,) = (patch for patch in demo().song("nine-lamps").patches if patch.sysex)
    (dump,) = patch.sysex
    assert patch.device == "bass-synth"
    assert is_whole(dump)
    assert dump[1] == 0x7D
    assert 1000 <= len(dump) <= 1100


def test_a_rig_survives_the_way_over_the_link() -> None:
    book = demo()
    again = RigFolder(
        decode(Rig, encode(book.rig)),
        tuple(decode(Song, encode(one)) for one in book.songs),
        decode(SetList, encode(book.set_list)),
    )
    assert again == book


@pytest.mark.parametrize("name", ["rig", "song", "set"])
def test_the_schemas_are_json_schema_2020_12(name: str) -> None:
    schema = json_schemas()[name]
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("path", DEMO_FILES, ids=[str(path.relative_to(DEMO)) for path in DEMO_FILES])
def test_the_schemas_accept_the_demo(path: Path) -> None:
    jsonschema.Draft202012Validator(json_schemas()[kind_of(path)]).validate(plain(path))


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("song", {"title": "x"}),
        ("song", {"title": "x", "tempo": 481}),
        ("song", {"title": "x", "tempo": "fast"}),
        ("song", {"title": "x", "tempo": 120, "meter": "4/5"}),
        ("song", {"title": "x", "tempo": 120, "routes": [{"from": "a"}]}),
        ("song", {"title": "x", "tempo": 120, "routes": [{"name": "a", "off": False}]}),
        ("song", {"title": "x", "tempo": 120, "patches": [{"device": "a"}]}),
        ("song", {"title": "x", "tempo": 120, "patches": [{"device": "a", "program": 0}]}),
        ("song", {"title": "x", "tempo": 120, "patches": [{"device": "a", "sysex": ["F0 90 F7"]}]}),
        ("song", {"title": "x", "tempo": 120, "key": None}),
        ("song", {"title": "x", "tempo": 120, "keey": "C"}),
        ("rig", {"name": "x", "devices": {}}),
        ("rig", {"name": "x", "devices": {"a": {"title": "x"}}}),
        ("rig", {"name": "x", "devices": {"a": {"input": "x"}}, "controls": [{"from": "a", "do": "next"}]}),
        ("set", {"name": "x", "order": []}),
    ],
)
def test_the_schemas_refuse_what_the_checks_refuse(kind: str, data: dict[str, Any]) -> None:
    assert not jsonschema.Draft202012Validator(json_schemas()[kind]).is_valid(data)


def shapes() -> dict[str, dict[str, Any]]:
    """Return every group of keys by its title: the files and all that is in them."""
    found = {}
    for schema in json_schemas().values():
        for shape in (schema, *schema.get("$defs", {}).values()):
            if "properties" in shape:
                found[shape["title"]] = shape
    return found


def headings() -> dict[str, str]:
    parts = re.split(r"^## (.+)$", REFERENCE, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def rows(title: str) -> dict[str, list[str]]:
    """Return the reference's table under a heading: type, default, example and meaning by key."""
    found = re.findall(r"^\| `([\w-]+)` \| (.+) \|$", headings()[title], flags=re.MULTILINE)
    return {key: rest.split(" | ") for key, rest in found}


@pytest.mark.parametrize("title", sorted(shapes()))
def test_the_reference_has_every_key_with_its_range_and_default(title: str) -> None:
    shape = shapes()[title]
    table = rows(title)
    assert list(table) == list(shape["properties"])
    for key, (kind, default, _, meaning) in table.items():
        schema = shape["properties"][key]
        assert (default == "required") == (key in shape.get("required", [])) or title == "route"
        assert meaning.endswith(".")
        for limit in ("minimum", "maximum"):
            if schema.get("type") == "integer":
                assert re.search(rf"(?<!\d){schema[limit]}(?!\d)", kind), (key, limit)
        for word in schema.get("enum", []):
            assert f"`{word}`" in kind
        if schema.get("default") not in (None, "", []) and not isinstance(schema["default"], dict):
            assert str(schema["default"]).lower() in default


def test_the_reference_has_no_heading_for_what_does_not_exist() -> None:
    assert set(headings()) - {"How it is written", "action"} == set(shapes())


def test_the_examples_of_the_reference_load(rig_folder: Folder) -> None:
    blocks = re.findall(r"^```yaml\n# (\S+)\n(.*?)^```$", REFERENCE, flags=re.MULTILINE | re.DOTALL)
    assert [name for name, _ in blocks] == [
        "rig.yaml", "songs/first-light.yaml", "sets/rehearsal.yaml", "songs/split.yaml",
    ]  # fmt: skip
    assert REFERENCE.count("```yaml") == len(blocks)
    loaded = load_folder(rig_folder({**dict(blocks), "sets/tonight.yaml": SET}), "Rehearsal")
    assert [str(problem) for problem in loaded.problems] == []


def test_every_example_in_the_schemas_is_one() -> None:
    for name, schema in json_schemas().items():
        for shape in (schema, *schema.get("$defs", {}).values()):
            for key, part in shape.get("properties", {}).items():
                validator = jsonschema.Draft202012Validator({**part, "$defs": schema.get("$defs", {})})
                for example in part["examples"]:
                    text = {str(k): v for k, v in example.items()} if isinstance(example, dict) else example
                    validator.validate(text), (name, key)
