"""Kept soundchecks: bounded, never trusted blindly, and compared."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from routerd.server.report.document import to_json
from routerd.server.soundcheck.figures import Comparison, StageResult
from routerd.server.soundcheck.service import MOST_KEPT, SoundcheckFolder
from routerd.server.soundcheck.verdicts import compare_with_kept
from tests.documents import soundcheck


def test_only_the_newest_are_kept(tmp_path: Path) -> None:
    folder = SoundcheckFolder(tmp_path, pytest.fail)
    assert (folder.names(), list(folder.all())) == ([], [])
    for number in range(MOST_KEPT + 3):
        folder.write(soundcheck(f"20310506-{number:06}"))
    assert len(folder.names()) == MOST_KEPT
    assert next(folder.all()).name == f"20310506-{MOST_KEPT + 2:06}"
    assert folder.read("20310506-000000") is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        to_json(soundcheck("x"))[:-20].decode(),
        "[]",
        '{"kind": "recipe"}',
        to_json(soundcheck("x")).decode().replace('"schema":1', '"schema":2', 1),
        '{"kind": "soundcheck", "schema": 1}',
        "\x00\xff",
        "[" * 100_000,
    ],
)
def test_truncated_and_foreign_files_are_passed_over_and_told(tmp_path: Path, text: str) -> None:
    told: list[str] = []
    folder = SoundcheckFolder(tmp_path, told.append)
    folder.write(soundcheck("20310506-000001"))
    (folder.path / "20310506-000002.json").write_text(text, encoding="latin-1")
    assert [one.name for one in folder.all()] == ["20310506-000001"]
    assert len(told) == 1
    assert "20310506-000002.json" in told[0]


def test_worse_is_told_against_the_last_and_the_best() -> None:
    kept = [soundcheck("3", 900), soundcheck("2", 90), soundcheck("1", 400)]
    found = compare_with_kept(soundcheck("4", 1500), iter(kept))
    assert found.last is not None
    assert found.best is not None
    assert (found.last.name, found.best.name) == ("3", "2")
    assert "every port, lateness p99.9: most on synth, 900 µs then, 1.50 ms now" in found.last.worse
    assert any("90 µs then, 1.50 ms now" in words for words in found.best.worse)
    assert found.last.better == ()
    better = compare_with_kept(soundcheck("4", 120), iter(kept))
    assert better.last is not None
    assert better.last.worse == ()
    assert any("900 µs then, 120 µs now" in words for words in better.last.better)


def test_small_differences_are_none() -> None:
    found = compare_with_kept(soundcheck("2", 180), iter([soundcheck("1", 100)]))
    assert found.last is not None
    assert (found.last.worse, found.last.better) == ((), ())


def test_one_port_that_got_worse_is_named_alone() -> None:
    report = soundcheck("2").report
    synth, modular = report.ports
    now = soundcheck("2", report=replace(report, ports=(synth, replace(modular, missed=3))))
    found = compare_with_kept(now, iter([soundcheck("1")]))
    assert found.last is not None
    assert found.last.worse == ("modular, missed: 0 then, 3 now",)


def test_a_device_that_fails_now_comes_first() -> None:
    found = compare_with_kept(soundcheck("2", missed=2), iter([soundcheck("1")]))
    assert found.last is not None
    assert "synth, failed: 0 then, 1 now" in found.last.worse


def test_other_rigs_stopped_runs_and_other_stages_are_not_compared() -> None:
    kept = [
        soundcheck("3", rig="Another rig"),
        soundcheck("2", ended="stopped"),
        soundcheck("1", stages=(StageResult("loopbacks", "done", 30.0, ""),)),
    ]
    assert compare_with_kept(soundcheck("4"), iter(kept)) == Comparison()
