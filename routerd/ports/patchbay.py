"""What other programs see us called, and what is said when RtMidi lacks a system."""

from __future__ import annotations

import sys

CLIENT_NAME = "routerd"
"""What all our clients' names begin with; ports of such clients are not listed."""

OWN_PORT = "midi"
"""The name of the one port that each of RtMidi's clients on JACK has."""


def split_handle(handle: str) -> str:
    """Return the identifier in a handle: what follows the first blank."""
    return handle.split(" ", 1)[1]


def built_without(system: str, package: str, other: str) -> str:
    """Return one line on a port system that RtMidi was built without: what to install, how to build again."""
    pip = f"{sys.executable} -m pip"
    return (
        f"this python-rtmidi was built without {system}; apt-get install {package}, then build it again by"
        f" `{pip} install --force-reinstall --no-cache-dir --no-deps python-rtmidi` (pip's cache holds the"
        f" old build), or use --ports {other}"
    )
