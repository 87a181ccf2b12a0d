"""What the engine plays: the rig folder read and given to it, and tonight's set list.

There is one `RigFiles` for the folder and one `RigLoader` for what is made of it. Only here is a rig or a
set list sent to the engine. Two locks keep changes apart: `RigFiles.busy` is held by whoever reads or
writes the folder, and taken first; `RigLoader._changing` by whoever changes the rig or the order, and never
while a disk is waited for. A few lines more than most modules: the locks' two owners are read together.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from time import monotonic_ns
from typing import TYPE_CHECKING, Protocol

from routerd.core.errors import CommandError, LinkError, RigFolderError
from routerd.core.model import events
from routerd.core.model.rig import AfterRestart, RigFolder
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint
from routerd.errand import Disk, StuckError
from routerd.printing import counted
from routerd.server.feed import Feed
from routerd.server.link_client import REPLY_S, EngineSilentError
from routerd.server.log import LOG
from routerd.server.report import Measurements
from routerd.server.state import Decision, Origin, State, WorkingRig, decide
from routerd.server.state_keeper import StateKeeper
from routerd.server.view import Trouble, View, boottime_s, facts_by_identifier

if TYPE_CHECKING:
    from routerd.server.rigfiles import Loaded

EVENING_S = 12 * 3600
"""A set that began longer ago than this was another evening's."""

MOST_UNDO = 20
REPORTED_MISTAKES = 20
"""So many are in the event of a folder that is not taken; the problems of the status have all."""
"""How many changes of the set list can be taken back."""


class RigFiles:
    """The rig folder, read and written on threads.

    What reads YAML is imported when a folder is first read, on its thread, so that the engine is greeted and
    answered meanwhile.
    """

    def __init__(self, folder: Path, set_name: str | None) -> None:
        self.folder = folder
        self.busy = asyncio.Lock()
        """Held by whoever reads or writes the folder."""
        self._set_name = set_name
        self._disk = Disk()

    async def read(self) -> Loaded:
        """Return what the folder holds, or the problems that it has."""

        def read() -> Loaded:
            from routerd.server.rigfiles import load_folder

            return load_folder(self.folder, self._set_name)

        try:
            return await self._disk.do(read)
        except StuckError as error:
            words = str(error.strerror)

        def unread() -> Loaded:
            from routerd.server.rigfiles import unreadable

            return unreadable(words)

        return await asyncio.to_thread(unread)

    async def save_set(self, set_list: SetList) -> str:
        """Write a set list into its file; return that file's name. Raises FileEditError and OSError."""
        from routerd.server.rigfiles.edit import save_set

        return await self._disk.do(lambda: save_set(self.folder, set_list))

    async def write(self, key: tuple[str, ...], values: Mapping[str, str]) -> Callable[[], object]:
        """Write a key of some devices into rig.yaml; return what `put_back` needs. Raises FileEditError."""
        from routerd.server.rigfiles.edit import replace, write_values

        rig_file = self.folder / "rig.yaml"
        before = await self._disk.do(lambda: write_values(rig_file, key, values))
        return lambda: replace(rig_file, before)

    async def put_back(self, put_back: Callable[[], object]) -> None:
        """Undo a `write`."""
        await self._disk.do(put_back)


class Receiver(Protocol):
    """Who plays it; see routerd.server.link_client."""

    async def load_rig(self, rig_folder: RigFolder, generation: int, resume: ResumePoint | None) -> None:
        """Take a compiled rig; raises LinkError."""

    async def order(self, set_list: SetList) -> None:
        """Take a set list; raises CommandError and LinkError."""


class RigLoader:
    """Gives the engine its rig and its set list, and notes in `view` and state what it has."""

    def __init__(
        self,
        *,
        files: RigFiles,
        engine: Receiver,
        view: View,
        state: StateKeeper,
        feed: Feed,
        measurements: Measurements,
    ) -> None:
        self._files = files
        self._engine = engine
        self._view = view
        self._state = state
        self._feed = feed
        self._measurements = measurements
        self._changing = asyncio.Lock()
        self._snapshot_came = asyncio.Event()

    # The rig

    async def begin(self, working: WorkingRig | None) -> None:
        """Give the engine its first rig: the folder's, or the last one that worked.

        Raises RigFolderError when there is neither, LinkError when the engine refuses it.
        """
        state = await self._state.read()
        loaded = await self._files.read()
        rig_folder: RigFolder | None = loaded.rig_folder
        set_lists: tuple[SetList, ...] = loaded.set_lists
        if rig_folder is None:
            problems = [str(problem) for problem in loaded.problems]
            if working is None:
                raise RigFolderError(problems)
            self._view.problems.report(Trouble.FILES, *problems)
            LOG.say(
                "the rig folder has mistakes: THE LAST RIG THAT WORKED IS PLAYED INSTEAD",
                "error",
                count=len(problems),
            )
            rig_folder, set_lists = working.rig_folder, working.set_lists
        decision = Decision(rig_folder.set_list, Origin(rig_folder.set_list.name, rig_folder.set_list))
        resume = None
        if state is not None:
            decision = decide(rig_folder, set_lists, state.set_list, state.origin, at_start=True)
            if state.origin.chosen == decision.origin.chosen:
                resume = state.resume
                self._go_on(state)
                plays = (
                    rig_folder.rig.after_restart is not AfterRestart.SILENT and state.transport != "stopped"
                )
                if resume is not None and plays:
                    resume = replace(resume, play=True)
        await self._give(rig_folder, set_lists, decision, 1, resume)

    def _go_on(self, state: State) -> None:
        """Take up what is remembered of this evening."""
        self._state.undo = list(state.undo)
        if state.began_s is not None and 0 <= boottime_s() - state.began_s < EVENING_S:
            self._view.pace.began_s = state.began_s

    async def resume(self, working: WorkingRig | None) -> None:
        """Take the view of a show that goes on: this process was started again, nothing is changed.

        Raises RigFolderError when the engine's songs are not known here.
        """
        hello = self._view.hello
        state = await self._state.read()
        known = working is not None and (working.engine_started_ns, working.generation) == (
            hello.rig_from_ns,
            hello.generation,
        )
        if working is None or not known:
            loaded = await self._files.read()
            working = WorkingRig(loaded.whole(), loaded.set_lists, 0, 0)
            words = "titles may be newer than what is loaded; POST /v1/reload"
            self._view.problems.report(Trouble.NAMES, words)
        self._view.songs = facts_by_identifier(working.rig_folder.songs)
        self._measurements.rig(working.rig_folder.rig)
        self._view.set_lists = working.set_lists
        current = self._view.set_list
        self._state.origin = Origin(current.name, current) if state is None else state.origin
        if state is not None:
            self._go_on(state)
        self._name_numbers()

    async def reload(self) -> None:
        """Read the folder again and give the engine the new rig, keeping song, section and order.

        Raises RigFolderError and changes nothing when the folder has mistakes; LinkError when the engine
        refuses or does not answer. Either is reported as an event.
        """
        try:
            await self._reload()
        except (RigFolderError, LinkError) as error:
            problems = tuple(error.problems) if isinstance(error, RigFolderError) else ()
            why = counted(len(problems), "mistake") if problems else str(error)
            self._feed.emit(events.ReloadFailed(monotonic_ns(), why, problems[:REPORTED_MISTAKES]))
            raise

    async def _reload(self) -> None:
        async with self._files.busy:
            loaded = await self._files.read()
            try:
                rig_folder = loaded.whole()
            except RigFolderError as error:
                self._view.problems.report(Trouble.FILES, *error.problems)
                raise
            async with self._changing:
                decision = decide(
                    rig_folder,
                    loaded.set_lists,
                    self._view.set_list,
                    self._state.origin,
                    at_start=False,
                )
                generation = self._view.snapshot.generation + 1
                await self._give(rig_folder, loaded.set_lists, decision, generation, None)
            self._view.problems.report(Trouble.FILES)

    async def played(self) -> RigFolder:
        """Return the rig as it is played, routes and all, which this process does not keep in memory.

        It is read from the state folder, or, where that does not have it, from the rig folder, which may be
        newer. Raises RigFolderError when that has mistakes.
        """
        generation = self._view.snapshot.generation
        working = await self._state.read_working_rig()
        if working is not None and working.generation == generation:
            return working.rig_folder
        return (await self._files.read()).whole()

    async def edit_devices(self, key: tuple[str, ...], values: Mapping[str, str]) -> None:
        """Write a key of some devices into rig.yaml, and load it.

        Raises FileEditError when the file cannot be changed, RigFolderError when the folder has a mistake,
        LinkError when the engine does not take it; in either case the file is as it was.
        """
        async with self._files.busy:
            put_back = await self._files.write(key, values)
        try:
            await self.reload()
        except Exception:
            async with self._files.busy:
                await self._files.put_back(put_back)
            raise

    async def _give(
        self,
        rig_folder: RigFolder,
        set_lists: tuple[SetList, ...],
        decision: Decision,
        generation: int,
        resume: ResumePoint | None,
    ) -> None:
        # 1. The engine first: when it refuses, nothing here has changed.
        if decision.why:
            LOG.say("the set list of the files is taken", why=decision.why)
        rig_folder = RigFolder(rig_folder.rig, rig_folder.songs, decision.set_list)
        await self._engine.load_rig(rig_folder, generation, resume)
        # 2. It plays: what the numbers in its snapshots and records stand for is the new rig's from here on.
        view = self._view
        view.songs = facts_by_identifier(rig_folder.songs)
        self._measurements.rig(rig_folder.rig)
        view.set_lists = set_lists
        view.problems.report(Trouble.NAMES)
        self._state.origin = decision.origin
        facts = generation, len(rig_folder.songs), rig_folder.set_list.name
        loaded = events.Loaded(monotonic_ns(), *facts)
        self._measurements.event(loaded)
        # 3. On the disk before anybody hears that it is loaded, so that a crash just then plays this one
        #    again; a disk that hangs holds it up for a second at most.
        await self._state.keep_rig(WorkingRig(rig_folder, set_lists, view.hello.started_ns, generation))
        # 4. Answered only when the snapshot shows it: whoever has asked sees the new songs in the status.
        await self._snapshot_of(generation)
        self._name_numbers()
        self._feed.emit(loaded)
        self._state.changed()

    async def _snapshot_of(self, generation: int) -> None:
        try:
            async with asyncio.timeout(REPLY_S):
                while self._view.snapshot.generation < generation:
                    self._snapshot_came.clear()
                    await self._snapshot_came.wait()
        except TimeoutError as error:
            raise EngineSilentError("the engine has loaded the rig but not shown it") from error

    def on_snapshot(self) -> None:
        """Note that `view` has a new snapshot."""
        self._snapshot_came.set()
        self._name_numbers()

    def _name_numbers(self) -> None:
        """Let measurements know what the numbers in the engine's records stand for."""
        snapshot = self._view.snapshot
        titles = [self._view.title(identifier) for identifier in snapshot.songs]
        self._measurements.name(list(snapshot.outputs), titles)
        song = snapshot.song
        self._measurements.song(None if song is None else self._view.title(song))

    # The set list

    async def change_order(
        self, edit: Callable[[SetList], SetList], base: SetList | None = None
    ) -> tuple[SetList, SetList]:
        """Give tonight the set list that `edit` makes of the present one; return both.

        With `base` it is that set of the folder from now on. Raises what `edit` raises, CommandError and
        LinkError; then nothing has changed.
        """
        async with self._changing:
            before = self._view.set_list
            changed = edit(before)
            await self._engine.order(changed)
            if changed != before:
                self._state.undo = [*self._state.undo, before][-MOST_UNDO:]
            if base is not None:
                self._state.origin = Origin(self._state.origin.chosen, base)
            self._order_changed(changed)
        return before, changed

    async def undo_order(self, check: Callable[[SetList], None]) -> None:
        """Take the last change of the order back, unless `check` of the present one raises; raises as
        `change_order` does."""
        async with self._changing:
            check(self._view.set_list)
            earlier = self._state.undo[-1] if self._state.undo else None
            if earlier is None:
                raise CommandError("there is no change of the set list to take back")
            gone = [name for name in earlier.order if name not in self._view.songs]
            if gone:
                raise CommandError(f"song {gone[0]!r} of the order before is no longer there")
            await self._engine.order(earlier)
            self._state.undo.pop()
            self._order_changed(earlier)

    def _order_changed(self, set_list: SetList) -> None:
        self._state.changed()
        facts = set_list.name, set_list.order, set_list.encore
        self._feed.emit(events.SetList(monotonic_ns(), *facts))

    async def save_order(self) -> str:
        """Write the set list into its file; return the file's name. Raises FileEditError and OSError."""
        async with self._files.busy:
            set_list = self._view.set_list
            file = await self._files.save_set(set_list)
            self._state.origin = Origin(self._state.origin.chosen, set_list)
            others = tuple(one for one in self._view.set_lists if one.name != set_list.name)
            self._view.set_lists = (*others, set_list)
            self._state.changed()
        return file
