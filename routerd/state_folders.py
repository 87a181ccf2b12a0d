"""Rig folders as they are named on the command line, and where their state is kept when nobody says."""

from __future__ import annotations

import os
import zlib
from pathlib import Path

from routerd.errand import StuckError, in_time
from routerd.printing import complain

PATIENCE_S = 3.0
"""How long a folder is waited for that does not answer."""

LONGEST_NAME = 100
"""Of a state folder, without the checksum behind it."""


def is_folder(folder: Path) -> bool:
    """Return whether there is a folder, as far as it answers: the last book that worked is elsewhere."""
    try:
        return in_time(folder.is_dir, PATIENCE_S)
    except StuckError as error:
        complain(f"routerd: {folder}: {error.strerror}")
        return True


def default_state_dir(folder: Path) -> Path:
    """Return where the state of a rig folder is kept when nobody says."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    home = os.environ.get("XDG_STATE_HOME")
    base = Path(home) if home else Path.home() / ".local" / "state"
    try:
        path = str(in_time(folder.resolve, PATIENCE_S))
    except StuckError:
        path = str(folder.absolute())
    name = path.strip("/").replace("/", "-")[-LONGEST_NAME:].lstrip("-")
    return base / "routerd" / f"{name}-{zlib.crc32(os.fsencode(path)):08x}"  # n/my-rig is not n-my/rig


def state_folders() -> list[Path]:
    """Return every folder where state may have been kept when nobody said where."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    base = default_state_dir(Path("/x")).parent
    found = sorted(base.iterdir()) if not given and base.is_dir() else []
    return [Path(given)] if given else found
