"""A small sound rig folder, and how to change one file of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from sound_rig import RIG, SET, SONG, Folder


@pytest.fixture
def rig_folder(tmp_path: Path) -> Folder:
    """Return a function that writes a sound folder with the given files put over it."""

    def write(files: dict[str, str | bytes] | None = None) -> Path:
        sound: dict[str, str | bytes] = {"rig.yaml": RIG, "songs/one.yaml": SONG, "sets/tonight.yaml": SET}
        for name, content in {**sound, **(files or {})}.items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode() if isinstance(content, str) else content)
        return tmp_path

    return write
