"""Keeps the state folder up to date: soon after every change, never more than one write at a time.

A disk that is full or read-only is reported once, shown in the status, and tried again until it is written.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from routerd.core.model.set_list import SetList
from routerd.errand import Disk, StuckError
from routerd.server.state import Origin, State, StateFolder, WorkingRig
from routerd.server.view import Trouble, View, resume_point

SETTLE_S = 0.3
"""Changes that come close together are written once."""

RIG_S = 1.0
"""How long a new rig waits until it is on the disk; then it is in force without."""

RETRY_S = 1.0
"""How often a disk that refused is tried again."""


class StateKeeper:
    """Writes what is to be remembered of a view."""

    def __init__(self, folder: StateFolder, view: View) -> None:
        self.origin = Origin("", SetList("", ()))
        self.undo: list[SetList] = []
        """Set lists before the changes that can be taken back, the last one last."""
        self.folder = folder
        self._view = view
        self._written: State | None = None
        self._rig_folder: WorkingRig | None = None
        """A rig that has not been written yet."""
        self._task: asyncio.Task[None] | None = None
        self._disk = asyncio.Lock()
        self.disk = Disk()
        """All that is kept in the state folder goes this way."""

    def changed(self) -> None:
        """Note that something may have changed; it is written within a second."""
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._soon())

    async def read(self) -> State | None:
        """Return what is remembered from before."""
        try:
            return await self.disk.do(self.folder.read_state)
        except StuckError as error:
            self._unread("what is remembered of tonight", error)
            return None

    async def read_working_rig(self) -> WorkingRig | None:
        """Return the last rig that worked."""
        try:
            return await self.disk.do(self.folder.read_working_rig)
        except StuckError as error:
            self._unread("the last rig that worked", error)
            return None

    def _unread(self, what: str, error: StuckError) -> None:
        words = f"{what} could not be read ({error.strerror}): going on without"
        self._view.problems.report(Trouble.REMEMBERED, words)

    async def keep_rig(self, working: WorkingRig) -> None:
        """Remember a rig that works."""
        self._rig_folder = working
        writing = asyncio.create_task(self._write_rig())
        await asyncio.wait([writing], timeout=RIG_S)  # a disk that hangs must hold up no change of the rig
        if not writing.done() or not writing.result():
            self.changed()

    async def close(self) -> None:
        """Write what has not been written yet."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        await self._write()

    async def _soon(self) -> None:
        while self._rig_folder is not None or self._state() not in (None, self._written):
            await asyncio.sleep(SETTLE_S)
            written = await self._write()  # also when there is no room for the rig, which is much larger
            if not (await self._write_rig() and written):
                await asyncio.sleep(RETRY_S)

    async def _write_rig(self) -> bool:
        working = self._rig_folder
        if working is not None:
            if not await self._blocking(Trouble.RIG, lambda: self.folder.write_working_rig(working)):
                return False
            if self._rig_folder is working:
                self._rig_folder = None
        return True

    def _state(self) -> State | None:
        view = self._view
        if not view.ready or not self.origin.chosen:
            return None
        return State(
            view.set_list,
            self.origin,
            resume_point(view),
            view.snapshot.transport,
            tuple(self.undo),
            view.pace.began_s,
        )

    async def _write(self) -> bool:
        state = self._state()
        if state is None or state == self._written:
            return True
        if not await self._blocking(Trouble.STATE, lambda: self.folder.write_state(state)):
            self._written = None  # tried on even if all is as it was: only a write shows that it can be done
            return False
        self._written = state
        return True

    async def _blocking(self, about: Trouble, write: Callable[[], None]) -> bool:
        problems = self._view.problems
        async with self._disk:
            try:
                await self.disk.do(write)
            except OSError as error:
                where = self.folder.path
                what = f"the state folder cannot be written ({where}: {error.strerror}); {_LOSS[about]}"
                problems.report(about, what)
                return False
        problems.report(about)
        return True


_LOSS = {
    Trouble.STATE: "a restart would forget tonight",
    Trouble.RIG: "a restart with mistakes in the rig folder would play an older rig",
}
