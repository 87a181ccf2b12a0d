"""Where the state of a rig folder is kept when nobody says: a folder for each, below the user's own."""

from __future__ import annotations

import os
import zlib
from pathlib import Path

LONGEST_NAME = 100
"""Of a state folder, without the checksum behind it."""


def default_state_dir(folder: Path) -> Path:
    """Return where the state of a rig folder is kept when nobody says."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    home = os.environ.get("XDG_STATE_HOME")
    base = Path(home) if home else Path.home() / ".local" / "state"
    path = str(folder.resolve())
    name = path.strip("/").replace("/", "-")[-LONGEST_NAME:].lstrip("-")
    return base / "routerd" / f"{name}-{zlib.crc32(os.fsencode(path)):08x}"  # n/my-rig is not n-my/rig


def state_folders() -> list[Path]:
    """Return every folder where state may have been kept when nobody said where."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    base = default_state_dir(Path("/x")).parent
    found = sorted(base.iterdir()) if not given and base.is_dir() else []
    return [Path(given)] if given else found
