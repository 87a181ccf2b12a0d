"""A set list written back into files of many shapes: the order changes, everything else stays."""

from __future__ import annotations

import pytest
from sound_rig import Folder

from routerd.core.errors import FileEditError
from routerd.core.model.set_list import SetList
from routerd.server.rigfiles import load_folder
from routerd.server.rigfiles.edit import save_set

SONGS = {f"songs/{name}.yaml": f"title: {name.title()}\ntempo: 100\n" for name in ("one", "two", "three")}
RIG = {"rig.yaml": "name: r\ndevices:\n  keys: {input: k}\n"}
NEW = SetList("Quay", ("three", "one"), "2031-05-06", 1, 0, 0)
BLOCK = "order:\n  - three\n  - one\nencore: 1\n"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("name: Quay\ndate: 2031-05-06\norder:\n- one\n- two\n", f"name: Quay\ndate: 2031-05-06\n{BLOCK}"),
        ("name: Quay\ndate: 2031-05-06\norder: [one, two]\n", f"name: Quay\ndate: 2031-05-06\n{BLOCK}"),
        (
            "# a\nname: Quay\norder:\n  # first\n  - one\n  - two # b\n\n# c\ndate: 2031-05-06 # d\n",
            f"# a\nname: Quay\n{BLOCK}\n# c\ndate: 2031-05-06 # d\n",
        ),
        ("order:\n  - one\nencore: 0\ndate: 2031-05-06\nname: Quay", f"{BLOCK}date: 2031-05-06\nname: Quay"),
        (
            "encore: 1\norder: [one,\n  two]\nname: Quay\ndate: 2031-05-06\n",
            f"{BLOCK}name: Quay\ndate: 2031-05-06\n",
        ),
        ("name: Quay\ndate: 2031-05-06\norder:\n  - one", f"name: Quay\ndate: 2031-05-06\n{BLOCK}"),
    ],
)
def test_only_the_order_changes(rig_folder: Folder, before: str, after: str) -> None:
    folder = rig_folder({**RIG, **SONGS, "sets/the-quay.yaml": before})
    assert save_set(folder, NEW) == "sets/the-quay.yaml"
    assert (folder / "sets" / "the-quay.yaml").read_text(encoding="utf-8") == after
    loaded = load_folder(folder, "Quay")
    assert loaded.rig_folder is not None
    assert loaded.rig_folder.set_list == NEW


def test_a_set_without_a_file_gets_one(rig_folder: Folder) -> None:
    folder = rig_folder({**RIG, **SONGS})
    assert save_set(folder, SetList("Quay: late, №2", ("two",))) == "sets/quay-late-2.yaml"
    loaded = load_folder(folder, "Quay: late, №2")
    assert loaded.rig_folder is not None
    assert (loaded.rig_folder.set_list.name, loaded.rig_folder.set_list.order) == ("Quay: late, №2", ("two",))
    with pytest.raises(FileEditError, match="already the file of another set"):
        save_set(folder, SetList("Quay late 2", ("two",)))


def test_what_cannot_be_changed_is_left_alone(rig_folder: Folder) -> None:
    flow = "{name: Quay, order: [one]}\n"
    folder = rig_folder({**RIG, **SONGS, "sets/quay.yaml": flow})
    with pytest.raises(FileEditError, match="lines of its own"):
        save_set(folder, NEW)
    assert (folder / "sets" / "quay.yaml").read_text(encoding="utf-8") == flow
