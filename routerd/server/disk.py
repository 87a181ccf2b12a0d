"""Files for the event loop: whatever is done with a folder is done here, and is given up when it hangs.

Nothing that a command needs is held meanwhile: once a folder is known to hang, whoever wants something of it
is refused at once, until it answers again.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any, TypeVar

from routerd.errand import LIMIT_S, Errand, StuckError

T = TypeVar("T")

LOOK_S = 0.25


class Disk:
    """One folder, or several on one file system."""

    def __init__(self, limit_s: float = LIMIT_S) -> None:
        self._limit_s = limit_s
        self._stuck: Errand[Any] | None = None

    async def do(self, work: Callable[[], T]) -> T:
        """Return what `work` returns, called on a thread; raises what it raises, and StuckError."""
        if self._stuck is not None and self._stuck.under_way:
            raise StuckError(self._stuck.stands_still_s())
        loop = asyncio.get_running_loop()
        over = asyncio.Event()

        def ended() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has been closed meanwhile
                loop.call_soon_threadsafe(over.set)

        errand = Errand(work, ended)
        while not over.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(over.wait(), LOOK_S)
            if not over.is_set() and (still_s := errand.stands_still_s()) > self._limit_s:
                self._stuck = errand
                raise StuckError(still_s)
        return errand.outcome()
