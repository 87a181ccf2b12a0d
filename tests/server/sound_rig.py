"""The files of a small rig folder without a mistake, which tests change."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from routerd.server.rigfiles import load_folder

RIG = """\
name: Test rig
devices:
  keys: {input: Keys*, output: Keys*}
  pedals: {input: Pedals*}
  synth: {output: Synth*, wire: din, clock: true}
  host: {output: Host*, wire: virtual}
controls:
  - {from: pedals, cc: 80, channel: 16, do: next}
routes:
  - {name: shared, from: keys, to: synth}
"""
SONG = "title: One\ntempo: 120\n"
SET = "name: Tonight\ndate: 2026-11-27\norder: [one]\n"


Folder = Callable[..., Path]
"""Writes a sound folder with the given files put over it; returns its path."""


def problems_of(folder: Path, set_name: str | None = None) -> list[str]:
    """Return the problems of a folder, as people read them; they are in the order of files and lines."""
    loaded = load_folder(folder, set_name)
    assert (loaded.rig_folder is None) == bool(loaded.problems)
    assert list(loaded.problems) == sorted(loaded.problems, key=lambda p: (p.file, p.line))
    return [str(problem) for problem in loaded.problems]
