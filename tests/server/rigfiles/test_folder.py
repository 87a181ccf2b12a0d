"""Mistakes of a whole rig folder: between files, of names and links, and how many are reported."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from sound_rig import RIG, Folder, problems_of

from routerd.server.rigfiles import load_folder

HEAD = "title: One\ntempo: 120\n"


def test_names_shared_by_files_name_both(rig_folder: Folder) -> None:
    folder = rig_folder(
        {
            "songs/two.yaml": "tempo: 100\ntitle: ONE\n",
            "sets/later.yaml": "date: 2026-12-01\norder: [two]\nname: tonight\n",
        }
    )
    assert problems_of(folder) == [
        "sets/tonight.yaml:1: the name 'Tonight' is already used by sets/later.yaml:3; change one of the two",
        "songs/two.yaml:2: the title 'ONE' is already used by songs/one.yaml:1; change one of the two",
    ]


def test_a_word_that_means_two_songs(rig_folder: Folder) -> None:
    (only,) = problems_of(
        rig_folder({"songs/two.yaml": "title: one\ntempo: 90\n", "songs/one.yaml": "title: X\ntempo: 90\n"})
    )
    assert only.startswith(
        "sets/tonight.yaml:3: 'one' is the file songs/one.yaml and the title of songs/two.yaml; "
    )


def test_every_mistake_of_every_file_in_one_go(rig_folder: Folder) -> None:
    folder = rig_folder(
        {
            "rig.yaml": RIG.replace("wire: din", "wire: dim"),
            "songs/one.yaml": (
                "title: One\ntempo: fast\nroutes:\n  - {name: shard, off: true}\n"
                "sections:\n  - {name: a}\n  - {name: a}\n"
            ),
            "songs/two.yaml": "title: Two\n\ttempo: 1\n",
            "sets/tonight.yaml": "name: T\ndate: never\norder: [one, two]\n",
        }
    )
    places = [(p.file, p.line) for p in load_folder(folder).problems]
    assert places == [
        ("rig.yaml", 5),
        ("sets/tonight.yaml", 2),
        ("songs/one.yaml", 2),
        ("songs/one.yaml", 4),
        ("songs/one.yaml", 7),
        ("songs/two.yaml", 2),
    ]


def test_a_hundred_mistakes_in_one_file_are_enough(rig_folder: Folder) -> None:
    """Also where each would have to be compared with thousands of names."""
    rig = "name: R\ndevices:\n" + "".join(f"  key{n}: {{input: a, output: b}}\n" for n in range(9000))
    song = HEAD + "routes:\n" + "".join(f"  - {{from: kez, to: kex{n}}}\n" for n in range(9000))
    problems = problems_of(rig_folder({"rig.yaml": rig, "songs/one.yaml": song}))
    assert len(problems) == 101
    assert problems[-1] == "songs/one.yaml:53: there are more than 100 mistakes; fix these first"


def test_a_mistake_is_not_told_twice(rig_folder: Folder) -> None:
    """A route that cannot be read causes no follow-on complaint where a section switches it off."""
    song = HEAD + (
        "routes:\n  - {from: kyes, to: host}\n"
        "sections:\n  - name: a\n    routes:\n      - {name: keys to host, off: true}\n"
    )
    (only,) = problems_of(rig_folder({"songs/one.yaml": song}))
    assert only.startswith("songs/one.yaml:4: from 'kyes'")


def test_device_names_are_taken_on_trust_while_the_rig_cannot_be_read(rig_folder: Folder) -> None:
    song = HEAD + "routes:\n  - {from: any, to: other}\n"
    (only,) = problems_of(rig_folder({"rig.yaml": "name: [", "songs/one.yaml": song}))
    assert only.startswith("rig.yaml:1: ")


def test_unknown_set_offers_the_nearest(rig_folder: Folder) -> None:
    (only,) = problems_of(rig_folder(), "tonite")
    assert only.startswith("sets:1: there is no set list 'tonite'; did you mean 'tonight'?")


def test_missing_files_and_folders(tmp_path: Path, rig_folder: Folder) -> None:
    (only,) = problems_of(tmp_path / "nowhere")
    assert only.startswith("rig.yaml:1: the rig folder ")
    assert "does not exist" in only
    assert [line.partition(";")[0] for line in problems_of(tmp_path)] == [
        "rig.yaml:1: 'rig.yaml' does not exist",
        "songs:1: the folder does not exist",
    ]
    folder = rig_folder()
    (folder / "songs/one.yaml").unlink()
    assert any(line.startswith("songs:1: there are no songs; ") for line in problems_of(folder))
    assert problems_of(folder / "rig.yaml")[0].startswith("rig.yaml:1: the rig folder ")


def test_names_that_no_person_types(rig_folder: Folder) -> None:
    assert "cannot be read" in problems_of(Path("a\0b"))[0]
    folder = rig_folder()
    (folder / os.fsdecode(b"songs/\xff.yaml")).write_bytes(b"[")
    (only,) = problems_of(folder)
    assert only.isprintable()
    assert only.startswith("songs/\\udcff.yaml:1: the file's name is not plain; ")


def test_odd_things_in_the_folder(rig_folder: Folder) -> None:
    folder = rig_folder(
        {"songs/short.yml": HEAD, "songs/a*b.yaml": HEAD, "songs/.hidden.yaml": "[", "songs/x~": "["}
    )
    (folder / "songs/loop.yaml").symlink_to("loop.yaml")
    (folder / "songs/dir.yaml").mkdir()
    os.mkfifo(folder / "songs/pipe.yaml")
    assert [line.partition(";")[0] for line in problems_of(folder)] == [
        "songs/a*b.yaml:1: the file's name is not plain",
        "songs/dir.yaml:1: 'dir.yaml' is a folder or something else that is not a file",
        "songs/loop.yaml:1: 'loop.yaml' is a link that leads back to itself",
        "songs/pipe.yaml:1: 'pipe.yaml' is a folder or something else that is not a file",
        "songs/short.yml:1: the file's name ends in .yml",
    ]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file, so none can be made unreadable")
def test_a_file_that_this_user_may_not_read_is_named(rig_folder: Folder) -> None:
    folder = rig_folder()
    (folder / "songs/one.yaml").chmod(0)
    assert "songs/one.yaml:1: 'one.yaml' may not be read by this user" in problems_of(folder)[0]


def test_a_folder_that_loops_through_a_link(rig_folder: Folder) -> None:
    folder = rig_folder()
    for path in (folder / "sets").iterdir():
        path.unlink()
    (folder / "sets").rmdir()
    (folder / "sets").symlink_to("sets")
    assert problems_of(folder) == [
        "sets:1: the folder is a link that leads back to itself; replace the link by the file"
    ]


def test_a_dump_that_is_too_large_or_linked_out(
    rig_folder: Folder, tmp_path_factory: pytest.TempPathFactory
) -> None:
    outside = tmp_path_factory.mktemp("outside") / "x.syx"
    outside.write_bytes(b"\xf0\x7d\xf7")
    song = (
        HEAD + "patches:\n  - {device: synth, sysex: [{file: big.syx}, {file: out.syx}, {file: loop.syx}]}\n"
    )
    folder = rig_folder({"songs/one.yaml": song, "big.syx": b"\xf0\x7d" + bytes(65_534) + b"\xf7"})
    (folder / "out.syx").symlink_to(outside)
    (folder / "loop.syx").symlink_to("loop.syx")
    large, out, loop = problems_of(folder)
    assert "'big.syx' is larger than 64 KiB" in large
    assert "'out.syx' is outside the rig folder" in out
    assert "'loop.syx'" in loop


def test_a_song_with_too_much_sysex(rig_folder: Folder) -> None:
    dump = b"\xf0\x7d" + bytes(65_533) + b"\xf7"
    entries = "".join("  - {device: synth, sysex: [{file: d.syx}]}\n" for _ in range(17))
    (only,) = problems_of(rig_folder({"songs/one.yaml": HEAD + "patches:\n" + entries, "d.syx": dump}))
    assert only.startswith("songs/one.yaml:1: the song sends 1114112 bytes of SysEx; ")
