"""Tools of others that read what routerd offers; `.ci/run` installs them, apart from it, into one folder.

Each has its version pinned there. Where one is missing, the test that asks for it skips and says so.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

_CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
TOOLS = Path(os.environ.get("ROUTERD_TOOLS") or _CACHE / "routerd-tools")

_PLACES = ("node_modules/.bin", "python/bin")


def tool(name: str) -> Path:
    """Return the path of a program, or skip the test that needs it."""
    for place in _PLACES:
        if (path := TOOLS / place / name).exists():
            return path
    pytest.skip(f"{name} is not installed below {TOOLS}; .ci/run installs it where npm and pip are")


def run(name: str, *arguments: str | Path, cwd: Path, limit_s: float = 120.0) -> str:
    """Run a program in a folder; return what it has printed. It must not fail."""
    quiet = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true", "NO_COLOR": "1"}
    done = subprocess.run(
        [tool(name), *arguments],
        cwd=cwd,
        env={**os.environ, **quiet},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=limit_s,
        check=False,
    )
    assert done.returncode == 0, f"{name}: {done.stdout}"
    return done.stdout
