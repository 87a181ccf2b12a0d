"""Values with many optional fields as JSON values: a dictionary of what differs from the default, by name.

What is written for every field in its place is read beside each value.
"""

from __future__ import annotations

from typing import Any

Plain = dict[str, Any]

"""How fields are read that are not plain numbers, text or truth values."""
