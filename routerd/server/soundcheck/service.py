"""Starts and stops soundchecks, one at a time; keeps the newest fifty, a file each, and compares them.

While one is under way a file says so, and which song was on before. Where the process ends in the middle, the
next one finds it: it says that the soundcheck was interrupted, and which song it has left on. It does not
change the song by itself, as by then the show may have begun.
"""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from time import monotonic_ns
from typing import Protocol

from routerd import storage
from routerd.core.errors import CommandError
from routerd.core.model import events
from routerd.server.http.shapes import Offsets, SilentDevices, SoundcheckStage, SoundcheckState
from routerd.server.log import LOG
from routerd.server.report.document import from_json, to_json
from routerd.server.shows.record import FOLDER as SHOWS
from routerd.server.soundcheck.figures import CAUTIONS, STAGES, Soundcheck
from routerd.server.soundcheck.playing import Source, find_recorded
from routerd.server.soundcheck.run import Access, Plan, Run
from routerd.server.soundcheck.verdicts import compare_with_kept
from routerd.server.state_keeper import StateKeeper
from routerd.server.view import Trouble

FOLDER = "soundchecks"
MOST_KEPT = 50
RUNNING = "soundcheck-running.json"
"""In the state folder while one is under way."""
NOTING_S = 1.0
"""A slow disk holds up a soundcheck for so long, but no longer."""

LARGEST_BYTES = 16 * 1024 * 1024


class SoundcheckFolder:
    """Reads and writes the folder; `warn` gets a line for each file that was passed over."""

    def __init__(self, state_folder: Path, warn: Callable[[str], None]) -> None:
        self.path = state_folder / FOLDER
        self._inside = state_folder
        self._warn = warn

    def write(self, document: Soundcheck) -> None:
        """Keep a soundcheck; raises OSError. The oldest beyond MOST_KEPT are removed."""
        file = self.path / f"{document.name}.json"
        storage.put(file, to_json(document), inside=self._inside, mode=0o600, most_bytes=LARGEST_BYTES)
        for name in self.names()[:-MOST_KEPT]:
            (self.path / f"{name}.json").unlink(missing_ok=True)

    def names(self) -> list[str]:
        """Return the names of kept soundchecks, oldest first."""
        return sorted(file.stem for file in self.path.glob("*.json")) if self.path.is_dir() else []

    def read(self, name: str) -> Soundcheck | None:
        """Return a kept soundcheck, None when it is not there or makes no sense."""
        file = self.path / f"{name}.json"
        try:
            return from_json(Soundcheck, storage.read(file, LARGEST_BYTES, inside=self._inside))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            self._warn(f"{file} is not a soundcheck of this version and is passed over: {error}")
            return None

    def all(self) -> Iterator[Soundcheck]:
        """Yield every kept soundcheck that makes sense, newest first."""
        for name in reversed(self.names()):
            document = self.read(name)
            if document is not None:
                yield document


@dataclass(frozen=True, slots=True)
class Running:
    """What is remembered of a soundcheck while it is under way: its name, and the song that was on before."""

    name: str
    song: str | None


class RigFile(Protocol):
    """Who writes into rig.yaml; see routerd.server.rig_loader.RigLoader."""

    async def edit_devices(self, key: tuple[str, ...], values: Mapping[str, str]) -> None:
        """Write a key of some devices, and load the folder."""


class Soundchecks:
    """What the API asks. All of it runs on the server's event loop; files are read and written on threads."""

    def __init__(self, access: Access, state: StateKeeper, rig_file: RigFile, rig_folder: Path) -> None:
        self._access = access
        self._state = state
        self._rig_file = rig_file
        self._rig_folder = rig_folder
        self.folder = SoundcheckFolder(state.folder.path, LOG.say)
        self._disk = state.disk
        self._run: Run | None = None
        self._starting = asyncio.Lock()
        self._task: asyncio.Task[None] | None = None
        self._measuring: asyncio.Task[str] | None = None
        self._last: Soundcheck | None = None

    @property
    def running(self) -> bool:
        """Whether one is under way."""
        return self._task is not None and not self._task.done()

    async def start(self, plan: Plan) -> None:
        """Start one; raises CommandError when one is under way, or when it cannot be done as planned."""
        if self.running:
            raise CommandError("a soundcheck is under way; stop it first (POST /v1/soundcheck/stop)")
        working = await self._state.read_working_rig()
        if working is None:
            raise CommandError("the rig is not known here: POST /v1/reload, then try again")
        rig_folder = working.rig_folder
        names = [device.name for device in rig_folder.rig.devices]
        if plan.unplug is not None and plan.unplug not in names:
            raise CommandError(
                f"there is no device {plan.unplug!r} to unplug; name one of {', '.join(names)}"
            )
        for device in rig_folder.rig.devices:
            sources = {(route.source, route.target) for part in rig_folder.parts for route in part.routes}
            if device.loopback and (device.loopback, device.name) in sources:
                raise CommandError(
                    f"a route leads from {device.loopback} back to {device.name}, whose loopback it hears: "
                    "what goes round would never end; remove the route or the loopback"
                )
        recorded = None
        if plan.playing is not None:
            tonight = self._access.view.set_list.order
            shows = self._state.folder.path / SHOWS
            source = Source(plan.playing, self._rig_folder, shows)
            recorded = await self._disk.do(lambda: find_recorded(source, rig_folder, tonight, plan.seconds))
        async with self._starting:
            if self.running:  # another request was faster
                raise CommandError("a soundcheck is under way; stop it first (POST /v1/soundcheck/stop)")
            self._run = run = Run(self._access, rig_folder, plan, recorded, await self._used_names())
            running = Running(run.name, self._access.view.snapshot.song)
            noting = asyncio.create_task(self._note_running(running))
            await asyncio.wait([noting], timeout=NOTING_S)  # before it changes the song
            self._measuring = asyncio.create_task(run.measure())
            self._task = asyncio.create_task(self._carry_out(run, noting, self._measuring))

    async def _used_names(self) -> set[str]:
        """Return the names that the next one must not have."""
        used = set() if self._last is None else {self._last.name}  # which may not have been kept
        with suppress(OSError):
            used.update(await self.names())
        return used

    async def stop(self) -> None:
        """Stop the one that is under way and keep what it has measured; raises CommandError without one.

        Only measuring is cut off, and once: the rig is put back, and what was measured is kept, in peace.
        """
        if self._task is None or self._measuring is None or self._task.done():
            raise CommandError("no soundcheck is under way")
        if not self._measuring.cancelling():
            self._measuring.cancel()
        await asyncio.wait([self._task])

    async def look_back(self) -> None:
        """Say so if a soundcheck was under way when the process before this one ended."""
        try:
            running = await self._disk.do(self._take_running)
        except (OSError, ValueError) as error:
            LOG.say("what is kept of a running soundcheck cannot be read", why=str(error))
            return
        if running is None or self.running:
            return
        view, feed = self._access.view, self._access.feed
        text = (
            f"soundcheck {running.name} was interrupted, as the server process ended; nothing of it is kept"
        )
        on, before = view.snapshot.song, running.song
        if before is not None and on != before:
            song = "no song" if on is None else repr(view.title(on))
            text += f"; it left {song} on, where {view.title(before)!r} had been on"
        view.problems.report(Trouble.SOUNDCHECK, text)
        feed.emit(events.SoundcheckEnded(monotonic_ns(), "interrupted", (), running.name))
        feed.events.subscribe(self._forget_interrupted)

    def _forget_interrupted(self, event: events.AnyEvent) -> None:
        """Somebody has chosen a song since, or runs another soundcheck."""
        if isinstance(event, events.Song | events.Soundcheck):
            self._access.view.problems.report(Trouble.SOUNDCHECK)
            self._access.feed.events.unsubscribe(self._forget_interrupted)

    def _take_running(self) -> Running | None:
        folder = self._state.folder.path
        try:
            running = from_json(Running, storage.read(folder / RUNNING, LARGEST_BYTES, inside=folder))
        except FileNotFoundError:
            return None
        finally:
            (folder / RUNNING).unlink(missing_ok=True)
        return running

    async def _note_running(self, running: Running | None) -> None:
        """Remember what is under way, or that nothing is any more."""
        folder = self._state.folder.path

        def write() -> None:
            if running is None:
                (folder / RUNNING).unlink(missing_ok=True)
            else:
                storage.put(
                    folder / RUNNING, to_json(running), inside=folder, mode=0o600, most_bytes=LARGEST_BYTES
                )

        with suppress(OSError):  # a full disk is a line of its own
            await self._disk.do(write)

    async def _carry_out(self, run: Run, noting: asyncio.Task[None], measuring: asyncio.Task[str]) -> None:
        try:
            await asyncio.wait([measuring])  # only measuring is stopped, maybe before it began
            measured = await run.finish("stopped" if measuring.cancelled() else measuring.result())
        finally:
            await noting
            await self._note_running(None)
        kept = await self._disk.do(lambda: list(self.folder.all()))
        document = dataclasses.replace(measured, comparison=compare_with_kept(measured, iter(kept)))
        self._last = document
        try:
            await self._disk.do(lambda: self.folder.write(document))
        except OSError as error:
            LOG.say("the soundcheck could not be kept", "error", why=error.strerror)
        facts = document.ended, tuple(document.failed), document.name
        self._access.feed.emit(events.SoundcheckEnded(monotonic_ns(), *facts))

    async def names(self) -> list[str]:
        """Return the names of those that are kept, oldest first."""
        return await self._disk.do(self.folder.names)

    @property
    def last(self) -> Soundcheck | None:
        """The newest that has ended since this process was started."""
        return self._last

    async def document(self, name: str | None = None) -> Soundcheck | None:
        """Return a kept soundcheck, or the newest; None when there is none."""
        if name is None and self._last is not None:
            return self._last
        names = await self.names()
        wanted = name or (names[-1] if names else None)
        return None if wanted is None else await self._disk.do(lambda: self.folder.read(wanted))

    async def write_offsets(self) -> Offsets:
        """Write the offsets that the newest soundcheck suggests into rig.yaml, and load it.

        Return what was written. Raises CommandError without a suggestion, and as `RigLoader.edit_devices`.
        """
        document = await self.document()
        if document is None or not document.offsets:
            raise CommandError(
                "no soundcheck suggests offsets: give two devices or more a 'loopback' in rig.yaml "
                "and run one"
            )
        offsets = {one.device: f"{one.offset_ms:g}" for one in document.offsets}
        await self._rig_file.edit_devices(("timing", "offset"), offsets)
        return Offsets(document.name, document.offsets)

    async def write_silent(self) -> SilentDevices:
        """Mark in rig.yaml what was silent in the newest soundcheck's roll call, and load it.

        Return the devices that are marked. Raises CommandError without one, and as `RigLoader.edit_devices`.
        """
        document = await self.document()
        if document is None or not document.roll_call:
            raise CommandError("the newest soundcheck has no roll call: run one with the stage 'roll-call'")
        silent = tuple(one.device for one in document.roll_call if one.state == "silent")
        if not silent:
            raise CommandError(
                f"no device was silent in the roll call of soundcheck {document.name}: nothing to mark"
            )
        await self._rig_file.edit_devices(("identity-reply",), dict.fromkeys(silent, "false"))
        return SilentDevices(document.name, silent)

    async def state(self) -> SoundcheckState:
        """Return where the one that is under way is."""
        names = await self.names()
        stages: list[SoundcheckStage] = []
        now = None
        if self.running and self._run is not None:
            run, now = self._run, self._run.progress
            stages += [SoundcheckStage(one.stage, one.state, one.seconds, one.words) for one in run.stages]
            stages += [SoundcheckStage(run.stage, "running", 0.0, "")] if run.stage is not None else []
        return SoundcheckState(
            running=self.running,
            now=now,
            stages=tuple(stages),
            of=STAGES,
            last=names[-1] if names else None,
            cautions=CAUTIONS,
        )
