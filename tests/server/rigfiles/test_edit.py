"""One key of devices in rig.yaml: only it changes, in whatever style the file is written."""

from __future__ import annotations

from pathlib import Path

import pytest

from routerd.core.errors import FileEditError
from routerd.server.rigfiles import load_folder
from routerd.server.rigfiles.edit import with_values, write_values

DEMO = Path(__file__).parents[3] / "configs" / "demo" / "rig.yaml"
OFFSET = ("timing", "offset")
ANSWERS = ("identity-reply",)


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
def test_every_style_of_a_key_in_a_group(before: str, after: str) -> None:
    edited_to(before, after, OFFSET, "4.5")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("a: {output: A, clock: true}", "a: {identity-reply: false, output: A, clock: true}"),
        ("a: {output: A, identity-reply: true} # why", "a: {output: A, identity-reply: false} # why"),
        ("a: {output: A, identity-reply: false}", "a: {output: A, identity-reply: false}"),
        ("a:  # the old one\n    output: A", "a:  # the old one\n    identity-reply: false\n    output: A"),
        (
            "a:\n    # whose port\n    output: A  # it is\n",
            "a:\n    # whose port\n    identity-reply: false\n    output: A  # it is\n",
        ),
        (
            "a:\n    output: A\n    identity-reply: true   # so they say\n    clock: true",
            "a:\n    output: A\n    identity-reply: false   # so they say\n    clock: true",
        ),
        ("'a': {\n    output: A,\n  }", "'a': {\n    identity-reply: false, output: A,\n  }"),
    ],
)
def test_every_style_of_a_key(before: str, after: str) -> None:
    edited_to(before, after, ANSWERS, "false")
    edited_to(after, after, ANSWERS, "false")


def edited_to(before: str, after: str, key: tuple[str, ...], value: str) -> None:
    rest = "\n  b: {output: 'B é'}\n# the end\n"
    text = f"name: R\ndevices:\n  {before}{rest}"
    assert with_values(text, key, {"a": value}) == f"name: R\ndevices:\n  {after}{rest}"


def test_the_demo_keeps_its_comments(tmp_path: Path) -> None:
    text = DEMO.read_text(encoding="utf-8")
    offset = with_values(text, OFFSET, {"lead-synth": "0", "sampler": "12.25"})
    assert [line for line in offset.splitlines() if "timing: {offset" not in line] == text.splitlines()
    changed = with_values(offset, ANSWERS, {"sampler": "false", "keys": "false"})
    assert [
        line for line in changed.splitlines() if "identity-reply: false" not in line
    ] == offset.splitlines()
    (tmp_path / "songs").mkdir()
    (tmp_path / "rig.yaml").write_text(changed, encoding="utf-8")
    song = "title: One\ntempo: 100\n"
    (tmp_path / "songs" / "one.yaml").write_text(song)
    loaded = load_folder(tmp_path, None)
    assert loaded.problems == ()
    offsets = {device.name: device.timing.offset_ns for device in loaded.rig_folder.rig.devices}
    assert (offsets["sampler"], offsets["lead-synth"], offsets["bass-synth"]) == (12_250_000, 0, 0)
    marked = {device.name for device in loaded.rig_folder.rig.devices if not device.identity_reply}
    assert marked == {"sampler", "keys"}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "devices: [a]",
        "devices: {b: {output: B}}",
        "devices: {a: {}}",
        "devices: {a: {output: A, timing: 3}}",
        "devices: {a: {output: A, timing: }}",
        "devices: {a: {output: A, timing: {offset: }}}",
        "devices: {a: {output: A}, a: 3}",
        "devices: {a: &same {output: A}, b: *same}",
        "{",
    ],
)
def test_what_cannot_be_edited_is_left_alone(tmp_path: Path, text: str) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(text)
    with pytest.raises(FileEditError, match=r"rig\.yaml"):
        write_values(file, OFFSET, {"a": "1"})
    assert file.read_text() == text


def test_permissions_stay(tmp_path: Path) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text("devices: {a: {output: A}}\n")
    file.chmod(0o640)
    write_values(file, OFFSET, {"a": "1"})
    assert (file.stat().st_mode & 0o777, list(tmp_path.iterdir())) == (0o640, [file])
