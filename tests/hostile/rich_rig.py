"""Rig folders to throw things at: the demo's, and `rich`, which uses every option there is; all invented."""

from __future__ import annotations

from pathlib import Path

from routerd.core.model.rig import RigFolder
from routerd.core.show.compiler import CompiledRig, Compiler
from routerd.server.rigfiles import load_folder

DEMO = Path(__file__).parents[2] / "configs" / "demo"
RICH = Path(__file__).parent / "rich"


def rig_folder_of(folder: Path) -> RigFolder:
    """Return the rig of a folder that has no mistakes."""
    loaded = load_folder(folder)
    assert loaded.rig_folder is not None, [str(problem) for problem in loaded.problems]
    return loaded.rig_folder


def compiled_rig(book: RigFolder) -> CompiledRig:
    """Return what a show runs on."""
    compiler = Compiler(book.rig)
    for song in book.songs:
        compiler.add(song)
    return compiler.finish(book.set_list)
