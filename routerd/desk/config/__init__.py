"""The rig folder: reading it, checking it, resolving it to what the engine plays.

`load_folder` and `json_schemas` are all that the rest of the desk needs. The way of a file:
files (bytes) → text (values with lines) → check against entries, leaf by leaf (scalars, sysex)
→ rules (across values) → folder (across files) → resolve (core.model). `edit` writes into one of them.
"""

from __future__ import annotations

from routerd.desk.config.folder import Loaded, load_folder, unreadable
from routerd.desk.config.problems import Problem
from routerd.desk.config.schemas import json_schemas

__all__ = ["Loaded", "Problem", "json_schemas", "load_folder", "unreadable"]
