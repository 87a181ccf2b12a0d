"""Whatever a person does to the files: no exception, and never a rig together with problems."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sound_rig import RIG, SET, SONG, Folder

from routerd.server.rigfiles import json_schemas, load_folder

WORDS = sorted(
    {
        key
        for schema in json_schemas().values()
        for shape in (schema, *schema.get("$defs", {}).values())
        for key in shape.get("properties", {})
    }
)
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-200, 20_000), st.text(max_size=8), st.floats(),
    st.sampled_from(["keys", "synth", "C4-B4", "4:10", "7/8", "121.5", "F0 7D F7", "on", "notes", "one"]),
)  # fmt: skip
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(WORDS) | st.text(max_size=4), inner, max_size=5)
    ),
    max_leaves=25,
)
SHAPED = st.dictionaries(st.sampled_from(WORDS), VALUES, max_size=8)
FILES = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace")),
    st.text("abc:-[]{}#&*!|>'\"%@`\t\n ,?0123", max_size=60).map(str.encode),
    SHAPED.map(lambda value: json.dumps(value).encode()),  # JSON is YAML
    st.tuples(st.sampled_from([RIG, SONG, SET]), st.integers(0, 250), st.binary(max_size=6)).map(
        lambda cut: cut[0].encode()[: cut[1]] + cut[2] + cut[0].encode()[cut[1] :]
    ),
)


def put(folder: Path, name: str, content: bytes) -> None:
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(
    rig=st.just(RIG.encode()) | FILES,
    song=st.just(SONG.encode()) | FILES,
    one_set=st.just(SET.encode()) | FILES,
    dump=st.binary(max_size=40),
    wanted=st.none() | st.text(max_size=10),
)
def test_no_bytes_in_a_folder_make_it_raise(
    tmp_path: Path, rig: bytes, song: bytes, one_set: bytes, dump: bytes, wanted: str | None
) -> None:
    put(tmp_path, "rig.yaml", rig)
    put(tmp_path, "songs/one.yaml", song)
    put(
        tmp_path,
        "songs/two.yaml",
        b"title: Two\ntempo: 9\npatches: [{device: synth, sysex: [{file: d.syx}]}]",
    )
    put(
        tmp_path,
        "songs/three.yaml",
        b"title: 3\ntempo: 90\npatches: [{device: synth, sysex: [{file: d.syx}]}]",
    )
    put(tmp_path, "sets/tonight.yaml", one_set)
    put(tmp_path, "d.syx", dump)
    loaded = load_folder(tmp_path, wanted)
    assert (loaded.rig_folder is None) == bool(loaded.problems)
    for problem in loaded.problems:
        assert problem.line >= 1
        assert problem.what
        assert problem.remedy
        assert str(problem).isprintable()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(data=st.dictionaries(st.sampled_from(WORDS), VALUES, max_size=8))
def test_what_loads_is_accepted_by_the_schema(tmp_path: Path, data: dict[str, Any]) -> None:
    """Whatever the checks let through, an editor with the schema lets through too."""
    jsonschema = pytest.importorskip("jsonschema")
    data = {"title": "T", "tempo": 120, **data}
    put(tmp_path, "rig.yaml", RIG.encode())
    put(tmp_path, "songs/one.yaml", json.dumps(data).encode())
    if load_folder(tmp_path).rig_folder is not None:
        jsonschema.Draft202012Validator(json_schemas()["song"]).validate(data)


def song_text(number: int) -> str:
    """Return a song of about the demo's size."""
    return f"""\
title: Song {number}
tempo: {60 + number % 120}.5
meter: 7/8
key: D minor
duration: 4:{number % 60:02}
routes:
  - {{name: low, from: keys, to: synth, channel: 2, notes: C1-B3, transpose: -12}}
  - {{name: high, from: keys, to: host, channel: 1, notes: C4-C8, velocity: {{max: 110}}}}
patches:
  - {{device: synth, channel: 2, bank: {{msb: 1, lsb: {number % 128}}}, program: 12, cc: {{7: 100}}}}
  - {{device: host, program: {1 + number % 128}, sysex: [F0 7D 01 {number % 128:02X} F7]}}
sections:
  - name: verse
    routes:
      - {{name: low, off: true}}
  - name: chorus
    tempo: 124
    patches:
      - {{device: host, program: 5}}
  - name: outro
    routes:
      - {{name: high, from: keys, to: synth, pass: [notes, pitch-bend]}}
checklist:
  - Put the tape in
  - Tune oscillator two by ear
notes: Ends on a nod.
"""


def test_five_hundred_songs_load_in_time(rig_folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:
    folder = rig_folder({f"songs/song-{n}.yaml": song_text(n) for n in range(499)})
    started_s = time.perf_counter()
    loaded = load_folder(folder)
    took_s = time.perf_counter() - started_s
    with capsys.disabled():
        print(f"\n500 songs loaded and checked in {took_s:.2f} s (to reach: under 3 s)")
    assert loaded.problems == ()
    assert loaded.rig_folder is not None
    assert len(loaded.rig_folder.songs) == 500
    assert took_s < 60
