"""The set rehearsed offline: every change is made, and every message of it listed.

The real show runs on simulated time with every device connected, so what is listed is what goes out, in its
order and with the pace of each wire. Every song is started before the next one is entered, so that a change
waits for its beat or bar as on the evening, and what it stops and starts is seen too. A change is everything
from the press until all has left the wires and a second after the next bar has begun. Left out is what goes
on whatever is changed: ticks, time code, pulses, clicks and Active Sensing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from routerd.core.clock.schedule import Schedule, Timed
from routerd.core.errors import CommandError
from routerd.core.midi.messages import (
    ACTIVE_SENSING,
    BEND,
    CONTINUE,
    CONTROLLER,
    NOTE_OFF,
    NOTE_ON,
    PROGRAM,
    START,
    STOP,
    SYSEX,
    SYSEX_END,
    TICK,
    TIME_CODE,
)
from routerd.core.model import events
from routerd.core.model.actions import Action, ToSection, ToSong
from routerd.core.model.commands import Command
from routerd.core.model.rig import RigFolder
from routerd.core.model.song import Song
from routerd.core.model.timing import State
from routerd.core.output.wire import Wire
from routerd.core.show.compiler import CompiledRig, Compiler
from routerd.core.show.show import Show
from routerd.core.units import NS_PER_MS, NS_PER_S, ticks_per_bar
from routerd.printing import counted

SONG_LIMIT_MS = 2000
"""A song's patches should be out this soon where the set names no changeover. House choice."""

LONGEST_NS = 600 * NS_PER_S
REST_NS = NS_PER_S
"""Longer than any device lags behind."""

_NAMES = {NOTE_OFF: "note off", NOTE_ON: "note on", CONTROLLER: "controller", BEND: "bend"}


@dataclass(slots=True)
class DeviceShare:
    """What one port gets at a change: messages (a SysEx in pieces), and when the last has left the wire.

    `device` is the name of its device, of several all names. What follows later, as a start on the next bar
    or the LED that shows it, is not waited for.
    """

    device: str
    sent: list[bytes] = field(default_factory=list)
    done_ms: float = 0.0

    @property
    def length_bytes(self) -> int:
        """All of it together."""
        return sum(map(len, self.sent))

    @property
    def messages(self) -> list[str]:
        """What is sent, in words; the pieces of one SysEx are one."""
        words: list[str] = []
        for data in self.sent:
            _note_down(words, data)
        return words


@dataclass(slots=True)
class Change:
    """One change of the evening: a song or section that is entered, and how soon it should be done.

    `section_number` counts from 1; 0 in a song without sections.
    """

    song: str
    section: str
    limit_ms: float
    identifier: str = ""
    section_number: int = 0
    shares: list[DeviceShare] = field(default_factory=list)

    @property
    def name(self) -> str:
        """For people."""
        return f"{self.song}, {self.section}" if self.section else self.song

    @property
    def slow(self) -> list[DeviceShare]:
        """The devices that are not done in time."""
        return [share for share in self.shares if share.done_ms > self.limit_ms]


def rehearse(rig_folder: RigFolder) -> list[Change]:
    """Walk the set of `rig_folder`: every song in its order, in each every section in its order."""
    compiler = Compiler(rig_folder.rig)
    for song in rig_folder.songs:
        compiler.add(song)
    walk = _Walk(compiler.finish(rig_folder.set_list))
    limit_ms = rig_folder.set_list.changeover_s * 1000 or SONG_LIMIT_MS
    changes = []
    for number, identifier in enumerate(rig_folder.set_list.order, 1):
        song = rig_folder.song(identifier)
        first = song.sections[0].name if song.sections else ""
        change = Change(song.title, first, limit_ms, identifier, min(1, len(song.sections)))
        changes.append(walk.make(Command(Action.SONG, ToSong(number)), change))
        walk.start()
        for place, section in enumerate(song.sections[1:], 2):
            change = Change(song.title, section.name, bar_ms(song), identifier, place)
            changes.append(walk.make(Command(Action.SECTION, ToSection(place)), change))
    return changes


def bar_ms(song: Song) -> float:
    """Return how long a bar of the song takes at its tempo."""
    return float(ticks_per_bar(song.beats, song.beat_unit) * 60_000 / (24 * song.bpm))


class _Noting(Schedule):
    """A schedule that remembers the very messages of pulses, clicks and time code, to know them again."""

    def __init__(self) -> None:
        super().__init__()
        self.going_on: dict[int, bytes] = {}

    def take(self) -> Timed:
        timed = super().take()
        if timed.data[0] < SYSEX or timed.data[0] == TIME_CODE:
            self.going_on[id(timed.data)] = timed.data
        return timed


class _Walk:
    """A show on simulated time with all devices there."""

    def __init__(self, rig_folder: CompiledRig) -> None:
        self._schedule = _Noting()
        self._show = Show(0, schedule=self._schedule)
        self._now_ns = 0
        self._since_ns: int | None = None
        """When the change was made that is looked at; None while it waits for a beat or a bar."""
        self._shares: dict[str, DeviceShare] = {}
        self._done: set[Wire] = set()
        """Wires on which all is out that the change itself has sent."""
        self._show.load(rig_folder, 1, 0)
        for wire in rig_folder.wires:
            self._show.output_opened(wire, True, 0)
        self._until_out()
        self._show.panic(self._now_ns)  # nothing is held or on its sound when the evening begins
        self._until_out()

    def make(self, command: Command, change: Change) -> Change:
        """Make a change, and write down all that goes out because of it."""
        self._shares, self._since_ns, self._done = {}, None, set()
        begin_ns = self._now_ns
        try:
            self._show.apply(command, begin_ns)
        except CommandError:  # cannot be: the rig holds every song and section that is asked for
            return change
        self._take()
        while self._since_ns is None and self._now_ns - begin_ns < LONGEST_NS:
            self._step()
        self._come_to_rest()
        change.shares, self._shares = list(self._shares.values()), {}
        return change

    def start(self) -> None:
        """Start transport, unless the song has done so."""
        if self._show.transport.clock.state is State.STOPPED:
            self._show.apply(Command(Action.START), self._now_ns)
        begin_ns = self._now_ns
        while self._show.transport.clock.state is not State.RUNNING and self._now_ns - begin_ns < LONGEST_NS:
            self._step()
        self._come_to_rest()
        self._schedule.going_on.clear()

    def _come_to_rest(self) -> None:
        """Let time pass until a bar has begun, with what starts on it, and everything is out."""
        clock, begin_ns = self._show.transport.clock, self._now_ns
        tick = clock.next_bar(clock.next_tick + 1)
        while (clock.next_tick <= tick or self._waits()) and self._now_ns - begin_ns < LONGEST_NS:
            self._step()
        self._run_to(self._now_ns + REST_NS)
        self._until_out()

    def _waits(self) -> bool:
        """Return whether the song is still counted in."""
        return bool(self._show.snapshot().click.counting_to)

    def _until_out(self) -> None:
        """Let time pass until everything is out."""
        begin_ns = self._now_ns
        self._take()
        while not self._show.drained(self._now_ns) and self._now_ns - begin_ns < LONGEST_NS:
            self._step()

    def _step(self) -> None:
        # behind what is due, or a wire with a clock would always be found busy with its tick
        self._run_to(max(self._now_ns, self._show.next_deadline_ns()) + NS_PER_MS)

    def _run_to(self, until_ns: int) -> None:
        while (deadline_ns := self._show.next_deadline_ns()) <= until_ns:
            self._now_ns = max(self._now_ns, deadline_ns)
            self._show.advance(self._now_ns)
            self._take()
        self._now_ns = max(self._now_ns, until_ns)

    def _take(self) -> None:
        if self._since_ns is None:
            entered = (
                one for one in self._show.effects.events if isinstance(one, events.Song | events.Section)
            )
            self._since_ns = next((event.at_ns for event in entered), None)
        for wire, data in self._show.effects.sink:
            if data[0] in (TICK, ACTIVE_SENSING) or self._schedule.going_on.get(id(data)) is data:
                continue
            name = ", ".join(output.name for output in wire.outputs)
            share = self._shares.setdefault(name, DeviceShare(name))
            share.sent.append(data)
            if data[0] < TICK and self._since_ns is not None and wire not in self._done:
                share.done_ms = (max(wire.busy_until_ns, self._now_ns) - self._since_ns) / NS_PER_MS
        if self._since_ns is not None:
            self._done.update(wire for wire in self._show.compiled.wires if not wire.queued)
        self._show.effects.sink.clear()
        self._show.effects.events.clear()


def _note_down(messages: list[str], data: bytes) -> None:
    """Add a message in words; pieces of one SysEx count as one."""
    kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
    if data[0] == SYSEX or data[0] < 0x80 or data[0] == SYSEX_END:
        before = 0
        if data[0] != SYSEX and messages and messages[-1].startswith("SysEx"):
            before = int(messages.pop().split()[1])
        messages.append(f"SysEx {before + len(data)} bytes")
    elif kind == PROGRAM:
        messages.append(f"ch {channel} program {data[1] + 1}")
    elif kind in _NAMES:
        messages.append(f"ch {channel} {_NAMES[kind]} {data[1]} {data[2]}")
    else:
        messages.append(_TRANSPORT.get(data[0]) or data.hex(" ").upper())


_TRANSPORT = {START: "start", CONTINUE: "continue", STOP: "stop"}


def written(changes: list[Change]) -> Iterator[str]:
    """Yield the walk as lines of text."""
    for change in changes:
        yield f"{change.song}{f' – {change.section}' if change.section else ''}"
        if not change.shares:
            yield "    nothing to send"
        for share in change.shares:
            words = "; ".join(share.messages)
            late = f"  LATE: {change.limit_ms:.0f} ms" if share in change.slow else ""
            size = counted(share.length_bytes, "byte")
            yield f"    {share.device}: {size}, {share.done_ms:.1f} ms{late}: {words}"
