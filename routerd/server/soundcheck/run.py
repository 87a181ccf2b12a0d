"""One soundcheck from its first stage to its report.

Stages are coroutines in a fixed order; each adds to the document. Whatever ends the run (its end, a stop,
a fault) the rig is put back: nothing is pressed, taps are off, transport is stopped, and the song that was on
is on again. A run that is stopped keeps what it has measured, marked as stopped. It is over 350 lines because
all stages stand here, beside each other: each must leave the rig as the next one expects it.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from time import monotonic, monotonic_ns
from typing import Literal, Protocol

from routerd.core.errors import CommandError, LinkError
from routerd.core.model import events
from routerd.core.model.actions import Action, ToSection, ToSong
from routerd.core.model.commands import Command
from routerd.core.model.events import AnyEvent
from routerd.core.model.rig import Device, RigFolder, port_out, sharing, wire_names
from routerd.core.model.snapshot import Snapshot
from routerd.core.units import NS_PER_MS
from routerd.link.frames import INPUT_BIT, Tap, TickRecord
from routerd.printing import counted
from routerd.server.feed import Feed
from routerd.server.log import LOG
from routerd.server.report import Measurements
from routerd.server.shows.record import unused_name
from routerd.server.soundcheck.facts import (
    ANSWER_S,
    OTHERS_S,
    PROBE_EVERY_S,
    PROBES,
    REQUEST,
    Loopback,
    all_words,
    machine_facts,
    parse_identity,
    probe,
    suggested_offsets,
)
from routerd.server.soundcheck.figures import (
    CAUTIONS,
    SCHEMA_VERSION,
    STAGES,
    Comparison,
    Identity,
    LoopbackFigures,
    MachineFact,
    RollCall,
    SongChange,
    Soundcheck,
    Stage,
    StageResult,
    TrafficRun,
    Unplugged,
)
from routerd.server.soundcheck.playing import Recorded, at_rest, densest, play
from routerd.server.soundcheck.verdicts import clock_fact, closed_now, judge_devices, note_closed
from routerd.server.view import View

SETTLED_S = 1.2
LONGEST_PATCHES_S = 60.0
"""A song's patches are over when nothing has gone out for the one, which is more than twice as long as the
engine gathers records before it sends them; the other is where waiting ends."""

CABLE_S = 120.0
"""How long somebody has to pull a cable, and to put it back."""

_SHUT = "its input and its output were not both open"
_NO_ANSWER = (
    "no answer; if it is on and never answers, `routerd soundcheck --write-silent` marks it in rig.yaml "
    "(identity-reply: false), and it is not asked again"
)

_AHEAD_S = 0.1
"""Playing is handed to the engine in steps of this."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What was asked: which stages, how long the clock and the traffic run take and each
    loopback at most, which cable is pulled."""

    stages: tuple[Stage, ...] = STAGES
    seconds: int = 30
    dwell_s: float = 2.0
    unplug: str | None = None
    playing: str | None = None
    """A recorded show, or a file of the rig folder, for the traffic run; None: synthetic playing."""


@dataclass(slots=True)
class _Taken:
    """What came in from the engine while a stage was looking."""

    taps: list[Tap] = field(default_factory=list)
    records: list[TickRecord] = field(default_factory=list)
    events: list[AnyEvent] = field(default_factory=list)
    last_out_ns: int = 0

    def take_taps(self, taps: list[Tap]) -> None:
        for tap in taps:
            if not tap.way & INPUT_BIT:
                self.last_out_ns = max(self.last_out_ns, tap.at_ns)
        self.taps += taps


class Player(Protocol):
    """Who has things played and sent; see routerd.server.link_client."""

    async def command(self, command: Command) -> None:
        """Have the show do something; raises CommandError and LinkError."""

    def send_to(self, device: str, messages: list[bytes]) -> None:
        """Send whole messages to a device."""

    def play(self, device: str, messages: list[bytes]) -> None:
        """Have whole messages routed as if the device had played them."""


@dataclass(frozen=True, slots=True)
class Access:
    """What a soundcheck needs of the server: what is known, who plays, what happens, what is measured."""

    view: View
    player: Player
    feed: Feed
    measurements: Measurements


@dataclass(slots=True)
class _Found:
    """What the stages have found so far."""

    stages: list[StageResult] = field(default_factory=list)
    machine: tuple[MachineFact, ...] = ()
    roll_call: list[RollCall] = field(default_factory=list)
    loopbacks: list[LoopbackFigures] = field(default_factory=list)
    traffic: TrafficRun | None = None
    song_changes: list[SongChange] = field(default_factory=list)
    unplug: Unplugged | None = None


class Run:
    """A run. `progress` says where it is, `stage` names the one under way, `stages` are over."""

    def __init__(
        self,
        access: Access,
        rig_folder: RigFolder,
        plan: Plan,
        recorded: Recorded | None,
        used_names: Collection[str],
    ) -> None:
        self._view = access.view
        self._player = access.player
        self._feed = access.feed
        self._measurements = access.measurements
        self._rig_folder = rig_folder
        self._plan = plan
        self._recorded = recorded
        self._began = datetime.now(UTC)
        self.name = unused_name(self._began, used_names)
        """What it is kept as."""
        self._set_list = access.view.set_list.name
        self.progress = "about to begin"
        self.stage: Stage | None = None
        self._span = access.measurements.begin_span(monotonic_ns())
        self._taken = _Taken()
        self._found = _Found()
        self._before = access.view.snapshot
        self._task: asyncio.Task[str] | None = None
        self._panicked = False
        self._pulled: str | None = None
        """Whose cable somebody has been asked to pull."""
        self._closed = closed_now(access.view.ports)

    @property
    def stages(self) -> tuple[StageResult, ...]:
        """The stages that are over."""
        return tuple(self._found.stages)

    async def measure(self) -> str:
        """Run to the end, or until cancelled; return how it ended."""
        feed = self._feed
        feed.messages.subscribe(self._taken.take_taps)
        feed.ticks.subscribe(self._taken.records.extend)
        feed.events.subscribe(self._taken.events.append)
        feed.events.subscribe(self._stop_on_panic)
        feed.events.subscribe(self._note_closed)
        self._task = asyncio.current_task()
        try:
            await self._run_stages()
        except asyncio.CancelledError:
            return "stopped"
        except (LinkError, CommandError) as error:
            LOG.say("the soundcheck ended early", "error", why=str(error))
            return f"failed: {error}"
        finally:
            feed.messages.unsubscribe(self._taken.take_taps)
            feed.ticks.unsubscribe(self._taken.records.extend)
            feed.events.unsubscribe(self._taken.events.append)
            feed.events.unsubscribe(self._stop_on_panic)
            feed.events.unsubscribe(self._note_closed)
            self._measurements.end_span(self._span)
        return "complete"

    async def finish(self, ended: str) -> Soundcheck:
        """Put the rig back as it was; return what was measured. Not to be cancelled."""
        document = self._document(ended)
        await self._put_back(self._before)
        return document

    def _stop_on_panic(self, event: AnyEvent) -> None:
        """Whoever silences the rig wants it silent: nothing more is played or sent."""
        if isinstance(event, events.Panic) and self._task is not None and not self._panicked:
            self._panicked = True
            self._task.cancel()

    def _note_closed(self, event: AnyEvent) -> None:
        note_closed(self._closed, event, self._pulled)

    async def _run_stages(self) -> None:
        ways: dict[Stage, Callable[[], Awaitable[str]]] = {
            "machine": self._machine,
            "roll-call": self._roll_call,
            "clock": self._clock,
            "loopbacks": self._loopbacks,
            "traffic": self._traffic,
            "songs": self._songs,
            "unplug": self._unplug,
        }
        for stage in STAGES:
            if stage not in self._plan.stages or (stage == "unplug" and self._plan.unplug is None):
                continue
            began_s = monotonic()
            self._taken.taps.clear()
            self._taken.records.clear()
            self.stage = stage
            self._say(stage)
            words = ""
            done = False
            try:
                words = await ways[stage]()
                done = True
            finally:
                seconds = round(monotonic() - began_s, 1)
                result = StageResult(stage, "done" if done else "stopped", seconds, words)
                self._found.stages.append(result)
                self.stage = None

    def _say(self, words: str) -> None:
        self.progress = words
        self._feed.emit(events.Soundcheck(monotonic_ns(), words))

    def _document(self, ended: str) -> Soundcheck:
        """Return what was measured, with a verdict on every device."""
        found = self._found
        report = self._span.report(monotonic_ns(), self._view.conditions)
        devices = judge_devices(
            self._rig_folder.rig, self._view.ports, report.ports, found.loopbacks, self._closed
        )
        clock = clock_fact(report.ports)
        return Soundcheck(
            kind="soundcheck",
            schema=SCHEMA_VERSION,
            name=self.name,
            began=self._began.isoformat(timespec="seconds"),
            rig=self._rig_folder.rig.name,
            set_list=self._set_list,
            ended=ended,
            cautions=CAUTIONS,
            stages=self.stages,
            machine=(*found.machine, *((clock,) if clock is not None else ())),
            devices=devices,
            roll_call=tuple(found.roll_call),
            loopbacks=tuple(found.loopbacks),
            offsets=suggested_offsets(found.loopbacks),
            traffic=found.traffic,
            song_changes=tuple(found.song_changes),
            unplug=found.unplug,
            comparison=Comparison(),
            report=report,
        )

    async def _put_back(self, before: Snapshot) -> None:
        """Stop transport and go back to where the show stood; after a panic nothing is sent but Stop."""
        with contextlib.suppress(CommandError, LinkError):
            await self._player.command(Command(Action.STOP))
            if self._panicked:
                return
            if before.song is not None and self._view.snapshot.song != before.song:
                song = before.song if before.index is None else before.index + 1
                await self._player.command(Command(Action.SONG, ToSong(song)))
                await self._player.command(Command(Action.STOP))
            if before.section and self._view.snapshot.section != before.section:
                await self._player.command(Command(Action.SECTION, ToSection(before.section)))

    # Stages; each returns one sentence

    async def _machine(self) -> str:
        realtime = self._view.conditions.realtime
        spare = self._view.facts.spare
        found = await asyncio.to_thread(machine_facts, realtime, spare=spare)
        facts = self._found.machine = tuple(found)
        wrong = sum(fact.grade in ("warn", "fail") for fact in facts)
        ports = self._view.ports
        closed = sum(port.state != "open" for port in ports)
        return f"{counted(wrong, 'fact')} to fix; {closed} of {counted(len(ports), 'port')} not open"

    async def _roll_call(self) -> str:
        found = self._found.roll_call
        for group in sharing(self._rig_folder.rig.devices, port_out):
            asked = max(group, key=lambda device: (bool(device.input_pattern), device.identity_reply))
            found.append(await self._call(asked))
            shared = f"on one port with {asked.name}"
            found += [_unheard(other, "not asked", shared) for other in group if other is not asked]
        answered = sum(one.state == "answered" for one in found)
        return f"{answered} of {counted(len(found), 'device')} answered"

    async def _call(self, device: Device) -> RollCall:
        """Ask one device; it is heard at its own input, or at none."""
        inputs = self._view.snapshot.inputs
        if not device.identity_reply:
            return _unheard(device, "not asked", "marked in the rig file: it never answers")
        if device.name not in inputs:
            words = "it has no input in the rig file, so its answer could not be heard"
            return _unheard(device, "not asked", words)
        if not self._is_open(device):
            return _unheard(device, "not asked", _SHUT)
        self._taken.taps.clear()
        self._player.send_to(device.name, [REQUEST])
        way = INPUT_BIT | inputs.index(device.name)
        until_s = monotonic() + ANSWER_S
        answers: list[Identity] = []
        while monotonic() < until_s:
            await asyncio.sleep(0.05)
            heard = (parse_identity(tap.data) for tap in self._taken.taps if tap.way == way)
            known = [one for one in heard if one is not None]
            if len(known) > len(answers):  # whoever else is behind the port answers about as soon
                answers, until_s = known, monotonic() + OTHERS_S
        if answers:
            return RollCall(device.name, "answered", all_words(answers), answers[0])
        if not self._is_open(device):
            return _unheard(device, "not asked", f"{_SHUT}: a port closed just then")
        return _unheard(device, "silent", _NO_ANSWER)

    def _is_open(self, device: Device) -> bool:
        """Return whether a device can be asked and heard."""
        states = {(port.device, port.direction): port.state for port in self._view.ports}
        return {states.get((device.name, direction)) for direction in ("input", "output")} == {"open"}

    async def _clock(self) -> str:
        await asyncio.sleep(self._plan.seconds)
        wires = wire_names(self._rig_folder.rig)
        clocked = len({wires[device.name] for device in self._rig_folder.rig.devices if device.clock})
        return f"{self._plan.seconds} s of ticks on {counted(clocked, 'port')}"

    async def _loopbacks(self) -> str:
        wires = wire_names(self._rig_folder.rig)
        devices = [d for d in self._rig_folder.rig.devices if d.loopback and wires[d.name] == d.name]
        if not devices:
            return "no loopback in the rig file: measured on the sending side only"
        snapshot = self._view.snapshot
        for device in devices:
            self._say(f"loopback of {device.name}")
            loopback = Loopback(device.name, device.loopback, device.wire == "din")
            output = _last_index(snapshot.outputs, device.name)
            self._taken.taps.clear()
            self._taken.records.clear()
            for number in range(min(PROBES, int(self._plan.seconds / PROBE_EVERY_S))):
                self._player.send_to(device.name, [probe(number)])
                await asyncio.sleep(PROBE_EVERY_S)
            await asyncio.sleep(1)
            loopback.take_taps(self._taken.taps, output, snapshot.inputs.index(device.loopback))
            loopback.take_ticks(self._taken.records, output)
            self._found.loopbacks.append(loopback.figures())
        return f"{counted(len(devices), 'loopback')} measured"

    async def _traffic(self) -> str:
        tonight = [self._rig_folder.song(one) for one in self._view.set_list.order]
        recorded = self._recorded
        dense = densest(tonight or self._rig_folder.songs) if recorded is None else recorded.dense
        if dense is None:
            return "no song lets notes through: nothing to play"
        await self._player.command(Command(Action.SONG, ToSong(dense.song.identifier)))
        if dense.section:
            await self._player.command(Command(Action.SECTION, ToSection(dense.section)))
        await self._quiet()
        played = play(dense, self._plan.seconds) if recorded is None else recorded.played
        began_s = monotonic()
        place = 0
        try:
            while place < len(played):
                ahead_s = monotonic() - began_s
                while place < len(played) and played[place].at_s <= ahead_s:
                    self._player.play(played[place].device, [played[place].data])
                    place += 1
                await asyncio.sleep(min(_AHEAD_S, 0.005))
        finally:
            for device, data in at_rest(played[:place]):
                self._player.play(device, [data])
        self._found.traffic = TrafficRun(
            song=dense.song.title,
            section=dense.section,
            messages=place,
            devices=tuple(sorted({one.device for one in played})),
            playing="synthetic" if recorded is None else recorded.name,
            left_out=0 if recorded is None else recorded.left_out,
            unknown=() if recorded is None else recorded.unknown,
        )
        what = "synthetic playing" if recorded is None else recorded.words
        return f"{counted(place, 'message')} played through {dense.song.title}: {what}"

    async def _songs(self) -> str:
        order = self._view.set_list.order
        for number, identifier in enumerate(order, 1):
            title = self._view.title(identifier)
            self._say(f"song {number}: {title}")
            self._taken.taps.clear()
            asked_ns = monotonic_ns()
            await self._player.command(Command(Action.SONG, ToSong(number)))
            done_ns = monotonic_ns()
            settled = await self._quiet()
            out = [tap for tap in self._taken.taps if not tap.way & INPUT_BIT and tap.at_ns >= asked_ns]
            last_ns = max((tap.at_ns for tap in out), default=done_ns)
            self._found.song_changes.append(
                SongChange(
                    number=number,
                    song=title,
                    answered_ms=round((done_ns - asked_ns) / NS_PER_MS, 2),
                    messages=len(out),
                    bytes=sum(len(tap.data) for tap in out),
                    handed_over_ms=round((last_ns - asked_ns) / NS_PER_MS, 2),
                    settled=settled,
                )
            )
            await asyncio.sleep(self._plan.dwell_s)
            await self._player.command(Command(Action.STOP))
        return counted(len(order), "song change")

    async def _quiet(self) -> bool:
        """Wait until nothing but ticks goes out; False when that takes too long."""
        until_s = monotonic() + LONGEST_PATCHES_S
        since_ns = monotonic_ns()
        while monotonic() < until_s:
            await asyncio.sleep(0.1)
            if monotonic_ns() - max(since_ns, self._taken.last_out_ns) > SETTLED_S * 1e9:
                return True
        return False

    async def _unplug(self) -> str:
        device = self._pulled = str(self._plan.unplug)
        times: list[float] = []
        for kind, words in ((events.PortClosed, "pull"), (events.PortOpened, "put back")):
            self._say(f"{words} the cable of {device} now")
            began_s = monotonic()
            if not await self._event(kind, device, began_s + CABLE_S):
                self._found.unplug = Unplugged(device, tuple(times), came_back=False)
                return f"nobody {words} the cable of {device} within {CABLE_S:.0f} s, or it was not noticed"
            times.append(round(monotonic() - began_s, 1))
        self._found.unplug = Unplugged(device, tuple(times), came_back=True)
        return f"{device} disappeared and came back; what the others missed meanwhile is in their rows"

    async def _event(
        self, kind: type[events.PortClosed | events.PortOpened], device: str, until_s: float
    ) -> bool:
        self._taken.events.clear()
        while monotonic() < until_s:
            if any(isinstance(one, kind) and one.device == device for one in self._taken.events):
                return True
            await asyncio.sleep(0.05)
        return False


def _unheard(device: Device, state: Literal["silent", "not asked"], words: str) -> RollCall:
    return RollCall(device.name, state, words, identity=None)


def _last_index(names: Sequence[str], name: str) -> int:
    """Return the number of an output: of several with the same name the last is the one in force."""
    return len(names) - 1 - names[::-1].index(name)
