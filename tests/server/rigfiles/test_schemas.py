"""Schemas and checks judge alike, know a rig's names, and say a misspelt key once."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from routerd.cli import main
from routerd.server.rigfiles import json_schemas, load_folder

DEMO = Path(__file__).parents[3] / "configs" / "demo"
RIG = "name: r\ndevices:\n  keys: {input: k}\n  synth: {output: s}\n"
SONG = "title: One\ntempo: 120\n"
SET = "name: Tonight\norder: [one]\n"


_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?\Z")


class Core(yaml.BaseLoader):
    """Reads values as YAML 1.2's core schema has them (section 10.3.2), and keys as text, as editors do."""

    def construct_scalar(self, node: Any) -> Any:
        """Return the value of a scalar."""
        text = super().construct_scalar(node)
        if node.style is None and _NUMBER.match(text):
            return float(text) if set(text) & set(".eE") else int(text)
        return {"true": True, "false": False}.get(text, text) if node.style is None else text

    def construct_mapping(self, node: Any, deep: bool = False) -> Any:
        """Return a mapping by text."""
        return {key.value: self.construct_object(value, deep=True) for key, value in node.value}


Core.add_constructor("tag:yaml.org,2002:map", lambda loader, node: loader.construct_mapping(node))


def judged(tmp_path: Path, rig: str = RIG, song: str = SONG, one_set: str = SET) -> tuple[bool, bool]:
    """Return whether the checks, and whether the schemas, take a folder."""
    for name, text in (("rig.yaml", rig), ("songs/one.yaml", song), ("sets/set.yaml", one_set)):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    schemas = json_schemas()
    read = {"rig": rig, "song": song, "set": one_set}
    valid = all(
        jsonschema.Draft202012Validator(schemas[kind]).is_valid(yaml.load(text, Core))
        for kind, text in read.items()
    )
    return not load_folder(tmp_path).problems, valid


@pytest.mark.parametrize(
    ("rig", "song", "one_set", "taken"),
    [
        ("", "", "date: 2026-13-01\n", False),
        ("", "", "date: 2026-00-10\n", False),
        ("", "", "date: 2026-11-32\n", False),
        ("", "", "date: 2026-11-27\n", True),
        ("", "tempo: 8.7e1\n", "", True),
        ("", "tempo: 87.50\n", "", True),
        ("", "tempo: 4.9e2\n", "", False),
        ("", "patches: [{device: synth, channel: 2.0, program: 5}]\n", "", True),
        ("", "patches: [{device: synth, channel: 2.5, program: 5}]\n", "", False),
        ("", "patches: [{device: synth, channel: 17.0, program: 5}]\n", "", False),
        ("", "concert-pitch: 380.0001\n", "", True),
        ("", "concert-pitch: 379.9999\n", "", False),
        ("", "concert-pitch: 4.4e2\n", "", True),
        ("", "patches: [{device: synth, program: 1e1}]\n", "", True),
        ("", "duration: 250.0\n", "", True),
        ("", "title: 2.0\n", "", True),
        ("", "", "encore: 0.0\n", True),
        ("", "", "encore: 1.5\n", False),
    ],
)
def test_schema_and_check_judge_alike(tmp_path: Path, rig: str, song: str, one_set: str, taken: bool) -> None:
    keys = song.partition(":")[0]
    rest = "".join(line + "\n" for line in SONG.splitlines() if not keys or not line.startswith(keys))
    assert judged(tmp_path, RIG + rig, rest + song, SET + one_set) == (taken, taken)


def test_a_title_that_looks_like_a_number_stays_as_it_is_written(tmp_path: Path) -> None:
    judged(tmp_path, song="title: 2.0\ntempo: 1.2e2\n")
    loaded = load_folder(tmp_path).rig_folder
    assert loaded is not None
    assert (loaded.songs[0].title, loaded.songs[0].bpm) == ("2.0", 120)


@pytest.mark.parametrize(
    ("song", "problem"),
    [
        ("title: One\ntemppo: 120\n", "songs/one.yaml:2: 'temppo' is not a key of a song"),
        ("titel: One\ntempo: 120\n", "songs/one.yaml:1: 'titel' is not a key of a song"),
    ],
)
def test_a_misspelt_key_is_reported_once(tmp_path: Path, song: str, problem: str) -> None:
    judged(tmp_path, song=song)
    (only,) = [str(one) for one in load_folder(tmp_path).problems if "songs/" in str(one)]
    assert only.startswith(problem)
    judged(tmp_path, song="title: One\ncolour: red\n")  # that is no tempo, misspelt
    assert any("'tempo' is missing" in str(one) for one in load_folder(tmp_path).problems)


def test_the_schemas_of_a_rig_know_its_devices_and_songs(tmp_path: Path) -> None:
    assert main(["check", str(DEMO), "--schemas", str(tmp_path)]) == 0
    rig, song, one_set = (
        jsonschema.Draft202012Validator(json.loads((tmp_path / f"{kind}.schema.json").read_text()))
        for kind in ("rig", "song", "set")
    )
    route = {"from": "keys", "to": "lead-synth"}
    assert song.is_valid({"title": "x", "tempo": 100, "routes": [route]})
    for key, wrong in (("from", "kyes"), ("from", "lead-synth"), ("to", "pedals"), ("to", "flute")):
        assert not song.is_valid({"title": "x", "tempo": 100, "routes": [{**route, key: wrong}]})
    assert one_set.is_valid({"name": "x", "order": ["copper-ferry", "Nine Lamps"]})
    assert not one_set.is_valid({"name": "x", "order": ["Nine Lambs"]})
    assert not rig.is_valid(
        {
            "name": "x",
            "devices": {"a": {"input": "x"}},
            "controls": [{"from": "padels", "note": 1, "do": "next"}],
        }
    )


def test_the_schemas_of_a_folder_with_mistakes_know_no_names(tmp_path: Path) -> None:
    judged(tmp_path, rig="name: r\ndevices:\n  keys: {inputt: k}\n")
    assert main(["check", str(tmp_path), "--schemas", str(tmp_path / "schemas")]) == 1
    for kind, schema in json_schemas().items():
        assert json.loads((tmp_path / "schemas" / f"{kind}.schema.json").read_text()) == schema


def test_the_demos_schemas_are_those_of_its_folder(tmp_path: Path) -> None:
    """After a change: routerd check configs/demo --schemas configs/demo/schemas."""
    assert main(["check", str(DEMO), "--schemas", str(tmp_path)]) == 0
    for file in sorted(tmp_path.iterdir()):
        assert file.read_text() == (DEMO / "schemas" / file.name).read_text(), file.name


def hinted(path: Path) -> Any:
    """Return the schema that a file's first line leads an editor to."""
    first = path.read_text().splitlines()[0]
    assert first.startswith("# yaml-language-server: $schema="), path
    return json.loads((path.parent / first.partition("=")[2]).read_text())


@pytest.mark.parametrize("path", sorted(DEMO.rglob("*.yaml")), ids=lambda path: path.name)
def test_every_file_of_the_demo_leads_an_editor_to_its_schema(path: Path) -> None:
    jsonschema.Draft202012Validator(hinted(path)).validate(yaml.load(path.read_text(), Core))
