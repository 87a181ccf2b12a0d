"""Kept soundchecks: bounded, never trusted blindly, and compared."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from routerd.server.soundcheck.keep import MOST_KEPT, SoundcheckFolder, compare_with_kept


def document(name: str, late_us: float = 100, missed: int = 0, **more: Any) -> dict[str, Any]:
    times = {"p50": 1.0, "p99": 1.0, "p99_9": late_us, "max": late_us, "min": 0.0}
    row = {"missed": missed, "doubled": 0, "stalls": 0, "lateness_us": times, "interval_deviation_us": times}
    verdict = {"grade": "steady"}
    rows = [{**row, "port": "synth"}, {**row, "port": "modular"}]
    return {
        "kind": "soundcheck",
        "schema": 1,
        "name": name,
        "rig": "Touring rig",
        "ended": "complete",
        "stages": [{"stage": "clock", "state": "done"}],
        "devices": [{"device": "synth", "verdict": "fail" if missed else "pass"}],
        "loops": [],
        "report": {"overall": {**row, "verdict": verdict}, "ports": rows},
        **more,
    }


def test_only_the_newest_are_kept(tmp_path: Path) -> None:
    folder = SoundcheckFolder(tmp_path, pytest.fail)
    assert (folder.names(), list(folder.all())) == ([], [])
    for number in range(MOST_KEPT + 3):
        folder.write(document(f"20310506-{number:06}"))
    assert len(folder.names()) == MOST_KEPT
    assert next(folder.all())["name"] == f"20310506-{MOST_KEPT + 2:06}"
    assert folder.read("20310506-000000") is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        json.dumps(document("x"))[:-20],
        "[]",
        '{"kind": "recipe"}',
        json.dumps(document("x", schema=2)),
        '{"kind": "soundcheck", "schema": 1}',
        "\x00\xff",
        "[" * 100_000,
    ],
)
def test_truncated_and_foreign_files_are_passed_over_and_told(tmp_path: Path, text: str) -> None:
    told: list[str] = []
    folder = SoundcheckFolder(tmp_path, told.append)
    folder.write(document("20310506-000001"))
    (folder.path / "20310506-000002.json").write_text(text, encoding="latin-1")
    assert [one["name"] for one in folder.all()] == ["20310506-000001"]
    assert len(told) == 1
    assert "20310506-000002.json" in told[0]


def test_worse_is_told_against_the_last_and_the_best() -> None:
    kept = [document("3", 900), document("2", 90), document("1", 400)]
    found = compare_with_kept(document("4", 1500), iter(kept))
    assert (found["last"]["name"], found["best"]["name"]) == ("3", "2")
    assert "every port, lateness p99.9: most on synth, 900 µs then, 1.50 ms now" in found["last"]["worse"]
    assert any("90 µs then, 1.50 ms now" in words for words in found["best"]["worse"])
    assert found["last"]["better"] == []
    better = compare_with_kept(document("4", 120), iter(kept))
    assert better["last"]["worse"] == []
    assert any("900 µs then, 120 µs now" in words for words in better["last"]["better"])


def test_small_differences_are_none() -> None:
    found = compare_with_kept(document("2", 180), iter([document("1", 100)]))
    assert (found["last"]["worse"], found["last"]["better"]) == ([], [])


def test_one_port_that_got_worse_is_named_alone() -> None:
    now = document("2")
    now["report"]["ports"][1] = {**now["report"]["ports"][1], "missed": 3}
    found = compare_with_kept(now, iter([document("1")]))
    assert found["last"]["worse"] == ["modular, missed: 0 then, 3 now"]


def test_a_device_that_fails_now_comes_first() -> None:
    found = compare_with_kept(document("2", missed=2), iter([document("1")]))
    assert "synth, failed: 0 then, 1 now" in found["last"]["worse"]


def test_other_rigs_stopped_runs_and_other_stages_are_not_compared() -> None:
    kept = [
        document("3", rig="Another rig"),
        document("2", ended="stopped"),
        document("1", stages=[{"stage": "loops", "state": "done"}]),
    ]
    assert compare_with_kept(document("4"), iter(kept)) == {"last": None, "best": None}
