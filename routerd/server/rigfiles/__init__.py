"""The rig folder: reading it, checking it, resolving it to what the engine plays.

`load_folder` and `json_schemas` are all that the rest of the server needs. The way of a file:
files (bytes) → text (values with lines) → check against entries, leaf by leaf (scalars, sysex)
→ rules (across values) → folder (across files) → resolve (core.model). `edit` writes into one of them.
"""

from __future__ import annotations

from routerd.server.rigfiles.folder import Loaded, load_folder, unreadable
from routerd.server.rigfiles.problems import Problem
from routerd.server.rigfiles.schemas import json_schemas

__all__ = ["Loaded", "Problem", "json_schemas", "load_folder", "unreadable"]
