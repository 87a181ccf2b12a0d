"""Going on after the engine before this one has died: from its memory and the last rig that worked.

The song that was on and its neighbours are compiled first, so that ticks flow after one song's work whatever
the library holds; the rest follows on the event loop. Nothing here may keep the service from starting:
whatever is wrong is reported in one line, and the start is an ordinary one, by the server.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from routerd import __version__, storage
from routerd.core.errors import PeerError, RouterdError
from routerd.core.model.codec import from_json, to_json
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, Snapshot
from routerd.core.show.compiler import CompiledRig, Compiler
from routerd.core.show.crash_state import CrashState, crash_state_of, kept_from
from routerd.core.show.show import Show
from routerd.core.units import NS_PER_S
from routerd.engine.crash_memory import CrashMemory
from routerd.engine.server_link import give_way
from routerd.engine.worker import Worker
from routerd.errand import in_time
from routerd.link.working_rig import FILE, LARGEST_BYTES, UNREADABLE, Head, KeptRig, Origin

LONGEST_NS = 60 * NS_PER_S
"""After a longer absence the band has gone on or gone home."""

PATIENCE_S = 3.0
"""A disk that has not answered by then is not waited for: a show is."""

MOST_TRIES = 3
"""So many engines in a row that went on and died young are enough: what they went on from may be why."""

_NEIGHBOURS = (0, 1, -1, 2)
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class RecoveryError(PeerError):
    """Why the start is an ordinary one."""


class Record(NamedTuple):
    """What crash memory holds. `state` is the JSON of a CrashState, which is read only if the rest fits."""

    boot: str
    program: str
    origin: Origin
    state: Any


def record_of(snapshot: Snapshot, origin: Origin) -> Record | None:
    """Return what is kept of a snapshot; None while no song is on."""
    if not snapshot.generation or snapshot.song is None:
        return None
    return Record(_boot_id(), __version__, origin, to_json(crash_state_of(snapshot)))


class Recovery:
    """A show that goes on. `head` says which rig it plays, `gap_ns` how long no tick went out."""

    def __init__(self, show: Show, kept: KeptRig, compiled: CompiledRig, resume: ResumePoint) -> None:
        self.show = show
        self.head: Head = kept.head
        self.gap_ns = 0
        self._kept = kept
        self._compiled = compiled
        self._resume = resume

    async def rest(self, worker: Worker) -> CompiledRig:
        """Compile all songs, giving way to everything else between two of them."""
        compiler = Compiler(self._compiled.rig, self._compiled)
        for place in range(len(self._kept)):
            await give_way(worker.is_at_work)
            compiler.add(self._kept.song_at(place))
        return compiler.finish(self._compiled.set_list)

    def complete(self, compiled: CompiledRig, now_ns: int) -> None:
        """Put the whole rig into force, unless a newer one is already; called with the show at rest."""
        if self.show.compiled is self._compiled:
            self.show.complete(compiled, self.head.generation, now_ns, self._resume)


def recover(memory: CrashMemory, state_dir: Path, origin: Origin, now_ns: int) -> Recovery:
    """Return the show that goes on at `now_ns`; raises RecoveryError, wordless where there is nothing."""
    left = memory.left()
    if left is None:
        raise RecoveryError
    try:
        record = from_json(Record, left)
        _check(record, memory.tries, origin)
        memory.note_tries(memory.tries + 1)
        return _made(
            from_json(CrashState, record.state), memory.last_tick, _read_rig(state_dir, origin), now_ns
        )
    except RecoveryError:
        raise
    except OSError as error:
        raise RecoveryError(f"{error.filename or state_dir}: {error.strerror}") from error
    except (*UNREADABLE, RouterdError, IndexError) as error:
        what = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise RecoveryError(f"what was kept makes no sense ({type(error).__name__}: {what:.200})") from error


def _check(record: Record, tries: int, origin: Origin) -> None:
    if record.boot != _boot_id():
        raise RecoveryError("the machine has been started since")
    if record.program != __version__:
        raise RecoveryError(f"it was version {record.program!r:.20}, this is {__version__}")
    if record.origin != origin:
        raise RecoveryError("it played another rig folder or set")
    if not 0 <= tries < MOST_TRIES:
        raise RecoveryError(f"{tries} engines in a row went on and died soon after")


def _read_rig(state_dir: Path, origin: Origin) -> KeptRig:
    data = in_time(lambda: storage.read(state_dir / FILE, LARGEST_BYTES, inside=state_dir), PATIENCE_S)
    try:
        kept = KeptRig(data)
    except UNREADABLE as error:
        raise RecoveryError(f"{state_dir / FILE} makes no sense ({error})") from error
    if kept.head.origin != origin or kept.head.program != __version__:
        raise RecoveryError(f"{state_dir / FILE} is of another rig folder, set or version")
    return kept


def _made(state: CrashState, last_tick: int, kept: KeptRig, now_ns: int) -> Recovery:
    standing, resume = kept_from(state, last_tick), state.resume
    away_ns = now_ns - standing.clock.segment.due_ns(last_tick)
    if not 0 <= away_ns <= LONGEST_NS:
        raise RecoveryError(f"its last tick was {away_ns / NS_PER_S:.0f} s ago")
    compiler = Compiler(kept.rig())
    for identifier in _first_songs(resume, state.set_list):
        song = kept.find(identifier)
        if song is None:
            raise RecoveryError(f"the last rig that worked has no song {identifier!r:.80}")
        compiler.add(song)
    compiled = compiler.finish(state.set_list, whole=False)
    show = Show(now_ns)
    show.load(compiled, kept.head.generation, now_ns, replace(resume, armed=None))
    made = Recovery(show, kept, compiled, resume)
    made.gap_ns = show.go_on(standing, now_ns)
    return made


def _first_songs(resume: ResumePoint, set_list: SetList) -> list[str]:
    """Return the song that was on, then those that the next presses lead to."""
    order = set_list.order
    at = (resume.gap or 0) if resume.index is None else resume.index
    around = [order[at + by] for by in _NEIGHBOURS if 0 <= at + by < len(order)]
    return list(dict.fromkeys([str(resume.song), *around]))


@cache
def _boot_id() -> str:
    return _BOOT_ID.read_text(encoding="ascii").strip()
