"""Offsets in rig.yaml: only they change, in whatever style the file is written."""

from __future__ import annotations

from pathlib import Path

import pytest

from routerd.core.errors import FileError
from routerd.desk.soundcheck.offsets import with_offsets, write_offsets

DEMO = Path(__file__).parents[3] / "configs" / "demo" / "rig.yaml"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("a: {output: A, clock: true}", "a: {timing: {offset: 4.5}, output: A, clock: true}"),
        ("a: {output: A, timing: {sends: clock}}", "a: {output: A, timing: {offset: 4.5, sends: clock}}"),
        ("a: {output: A, timing: {offset: -3}} # why", "a: {output: A, timing: {offset: 4.5}} # why"),
        ("a:  # the old one\n    output: A", "a:  # the old one\n    timing: {offset: 4.5}\n    output: A"),
        (
            "a:\n    output: A\n    timing:\n      offset: '1.50'\n      sends: clock",
            "a:\n    output: A\n    timing:\n      offset: 4.5\n      sends: clock",
        ),
        (
            "a:\n    output: A\n    timing:\n      sends: clock",
            "a:\n    output: A\n    timing:\n      offset: 4.5\n      sends: clock",
        ),
    ],
)
def test_every_style(before: str, after: str) -> None:
    rest = "\n  b: {output: 'B é'}\n# the end\n"
    text = f"name: R\ndevices:\n  {before}{rest}"
    assert with_offsets(text, {"a": 4.5}) == f"name: R\ndevices:\n  {after}{rest}"


def test_the_demo_keeps_its_comments(tmp_path: Path) -> None:
    from routerd.desk.config import load_folder

    text = DEMO.read_text(encoding="utf-8")
    changed = with_offsets(text, {"lead-synth": 0.0, "sampler": 12.25})
    assert [line for line in changed.splitlines() if "timing: {offset" not in line] == text.splitlines()
    (tmp_path / "songs").mkdir()
    (tmp_path / "rig.yaml").write_text(changed, encoding="utf-8")
    song = "title: One\ntempo: 100\n"
    (tmp_path / "songs" / "one.yaml").write_text(song)
    loaded = load_folder(tmp_path, None)
    assert loaded.problems == ()
    offsets = {device.name: device.timing.offset_ns for device in loaded.book.rig.devices}
    assert (offsets["sampler"], offsets["lead-synth"], offsets["bass-synth"]) == (12_250_000, 0, 0)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "devices: [a]",
        "devices: {b: {output: B}}",
        "devices: {a: {}}",
        "devices: {a: {output: A, timing: 3}}",
        "{",
    ],
)
def test_what_cannot_be_edited_is_left_alone(tmp_path: Path, text: str) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(text)
    with pytest.raises(FileError, match=r"rig\.yaml"):
        write_offsets(file, {"a": 1.0})
    assert file.read_text() == text


def test_permissions_stay(tmp_path: Path) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text("devices: {a: {output: A}}\n")
    file.chmod(0o640)
    write_offsets(file, {"a": 1.0})
    assert (file.stat().st_mode & 0o777, list(tmp_path.iterdir())) == (0o640, [file])
