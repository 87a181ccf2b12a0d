"""Has pages made in a process of its own, so that plots take neither time nor memory of this one."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from pathlib import Path

from routerd import storage
from routerd.core.errors import PeerError
from routerd.core.model.plain import Plain

PAGE_S = 60.0
"""How long a page may take; one of a twelve-hour show takes a few seconds."""

_FOLDER = "plots"


class PageError(PeerError):
    """A page could not be made."""


async def make_page(document: Plain, cache: Path) -> str:
    """Return the HTML page of a report or soundcheck; raises PageError.

    `cache` is a folder where the plotting library may keep what it knows of fonts.
    """
    try:
        storage.within(cache / _FOLDER, cache)
    except OSError as error:
        raise PageError(f"{cache / _FOLDER}: {error.strerror}") from error
    environment = {**os.environ, "MPLCONFIGDIR": str(cache / _FOLDER), "PYTHONIOENCODING": "utf-8"}
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "routerd.server.report.page",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=environment,
    )
    try:
        async with asyncio.timeout(PAGE_S):
            page, said = await process.communicate(json.dumps(document).encode())
    except TimeoutError as error:
        raise PageError(f"the page was not made within {PAGE_S:.0f} s; ask for text or JSON") from error
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
    if process.returncode:
        last = said.decode(errors="replace").strip().splitlines()[-1:] or ["no reason given"]
        raise PageError(f"the page cannot be made ({last[0]}); ask for text or JSON")
    return page.decode()
