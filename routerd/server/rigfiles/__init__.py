"""The rig folder: reading it, checking it, resolving it to what the engine plays. Sorted by concept.

`load_folder` and `json_schemas` are all that the rest of the server needs. `text` reads a file to values
with lines, `shape` checks them leaf by leaf (`values`) against the shape of the concept they are of. The
module of a concept (`route`, `device`, `control`, `patch`, `song` and so on) has its shape, the rules
across its values and its resolution to `core.model`. `against_rig` checks songs against the rig, `folder`
puts all of it together, and `edit` writes into one of the files.
"""

from __future__ import annotations

from routerd.server.rigfiles.folder import Loaded, load_folder, unreadable
from routerd.server.rigfiles.problems import Problem
from routerd.server.rigfiles.schemas import json_schemas

__all__ = ["Loaded", "Problem", "json_schemas", "load_folder", "unreadable"]
