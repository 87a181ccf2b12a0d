"""What is done with a rig folder when no service runs: check, rehearse, explain, sheet, diff and import."""

from __future__ import annotations

from pathlib import Path

from routerd.core.model.rig import RigFolder
from routerd.errand import in_time
from routerd.printing import complain
from routerd.server.rigfiles import Loaded, load_folder


def load_or_complain(folder: Path, set_name: str | None = None) -> Loaded:
    """Return what a rig folder holds, and print its problems on standard error."""
    loaded = in_time(lambda: load_folder(folder, set_name))
    for problem in loaded.problems:
        complain(f"{folder}/{problem}")
    return loaded


def rig_folder_of(folder: Path, set_name: str | None = None) -> RigFolder | None:
    """Return the rig and songs of a folder; None when it has problems, which are printed."""
    return load_or_complain(folder, set_name).rig_folder
