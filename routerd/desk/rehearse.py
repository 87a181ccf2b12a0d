"""The evening on paper: the whole set is walked offline, and every message of every change written down.

The real show runs on simulated time with every device connected, so what is listed is what goes out, in its
order and with the pace of each wire. Ticks are left out: they go on all the time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from routerd.core.arming import Action, Command
from routerd.core.compiler import CompiledBook, Compiler
from routerd.core.controls import Control
from routerd.core.errors import CommandError
from routerd.core.messages import BEND, CONTROLLER, NOTE_OFF, NOTE_ON, PROGRAM, SYSEX, SYSEX_END, TICK, Kind
from routerd.core.model import Book, Song
from routerd.core.routes import Route
from routerd.core.show import Show
from routerd.core.sounding import Sounding
from routerd.core.tuning import note_name
from routerd.core.units import NS_PER_MS, NS_PER_S, ticks_per_bar

SONG_LIMIT_MS = 2000
"""A song's patches should be out this soon where the set names no changeover. House choice."""

LONGEST_NS = 60 * NS_PER_S
_NAMES = {NOTE_OFF: "note off", NOTE_ON: "note on", CONTROLLER: "controller", BEND: "bend"}


@dataclass(slots=True)
class DeviceShare:
    """What one device gets at a change: messages, and when the last of them has left the wire."""

    device: str
    messages: list[str] = field(default_factory=list)
    length_bytes: int = 0
    done_ms: float = 0.0


@dataclass(slots=True)
class Change:
    """One change of the evening: a song or section that is entered, and how soon it should be done."""

    song: str
    section: str
    limit_ms: float
    shares: list[DeviceShare] = field(default_factory=list)

    @property
    def slow(self) -> list[DeviceShare]:
        """The devices that are not done in time."""
        return [share for share in self.shares if share.done_ms > self.limit_ms]


def rehearse(book: Book) -> list[Change]:
    """Walk the set of `book`: every song in its order, in each every section in its order."""
    compiler = Compiler(book.rig)
    for song in book.songs:
        compiler.add(song)
    walk = _Walk(compiler.finish(book.set_list))
    limit_ms = book.set_list.changeover_s * 1000 or SONG_LIMIT_MS
    changes = []
    for number, identifier in enumerate(book.set_list.order, 1):
        song = book.song(identifier)
        first = song.sections[0].name if song.sections else ""
        changes.append(walk.make(Command(Action.SONG, number), Change(song.title, first, limit_ms)))
        for section in song.sections[1:]:
            change = Change(song.title, section.name, bar_ms(song))
            changes.append(walk.make(Command(Action.SECTION, section.name), change))
    return changes


def bar_ms(song: Song) -> float:
    """Return how long a bar of the song takes at its tempo."""
    return float(ticks_per_bar(song.beats, song.beat_unit) * 60_000 / (24 * song.bpm))


class _Walk:
    """A show on simulated time with all devices there."""

    def __init__(self, book: CompiledBook) -> None:
        self._show = Show(0)
        self._now_ns = 0
        self._show.load(book, 1, 0)
        for wire in book.wires:
            self._show.output_opened(wire, True, 0)
        self._settle({}, 0)
        for wire in book.wires:  # nothing is on its sound when the evening begins
            wire.patched.clear()

    def make(self, command: Command, change: Change) -> Change:
        shares: dict[str, DeviceShare] = {}
        begin_ns = self._now_ns
        try:
            self._show.apply(command, begin_ns)
        except CommandError:  # cannot be: the book holds every song and section that is asked for
            return change
        self._settle(shares, begin_ns)
        change.shares = list(shares.values())
        self._now_ns += NS_PER_S  # the change is over; another song's clock runs by now
        self._run_to(self._now_ns, {}, begin_ns)
        return change

    def _settle(self, shares: dict[str, DeviceShare], begin_ns: int) -> None:
        """Let time pass until everything is out."""
        self._take(shares, begin_ns)
        while not self._show.drained(self._now_ns) and self._now_ns - begin_ns < LONGEST_NS:
            self._run_to(self._now_ns + NS_PER_MS, shares, begin_ns)

    def _run_to(self, until_ns: int, shares: dict[str, DeviceShare], begin_ns: int) -> None:
        while (deadline_ns := self._show.next_deadline_ns()) <= until_ns:
            self._now_ns = max(self._now_ns, deadline_ns)
            self._show.advance(self._now_ns)
            self._take(shares, begin_ns)
        self._now_ns = max(self._now_ns, until_ns)

    def _take(self, shares: dict[str, DeviceShare], begin_ns: int) -> None:
        for wire, data in self._show.sink:
            if data[0] == TICK:
                continue
            share = shares.setdefault(wire.name, DeviceShare(wire.name))
            share.length_bytes += len(data)
            share.done_ms = (max(wire.busy_until_ns, self._now_ns) - begin_ns) / NS_PER_MS
            _note_down(share.messages, data)
        self._show.sink.clear()
        self._show.events.clear()


def _note_down(messages: list[str], data: bytes) -> None:
    """Add a message in words; pieces of one SysEx are told as one."""
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
        messages.append(data.hex(" ").upper())


def written(changes: list[Change]) -> Iterator[str]:
    """Yield the walk as lines of text."""
    for change in changes:
        yield f"{change.song}{f' – {change.section}' if change.section else ''}"
        if not change.shares:
            yield "    nothing to send"
        for share in change.shares:
            words = "; ".join(share.messages)
            late = f"  LATE: {change.limit_ms:.0f} ms" if share in change.slow else ""
            yield f"    {share.device}: {share.length_bytes} bytes, {share.done_ms:.1f} ms{late}: {words}"


def warnings(book: Book, changes: list[Change]) -> Iterator[str]:
    """Yield what may go wrong on the evening though every file is sound."""
    for change in changes:
        for share in change.slow:
            what = f"{change.song}, {change.section}" if change.section else change.song
            yield (
                f"{what}: {share.device} is done after {share.done_ms:.0f} ms, more than "
                f"{change.limit_ms:.0f} ms; send less, or earlier"
            )
    yield from _idle_devices(book)
    yield from _controls(book)
    yield from _loose_notes(book)
    tonight = [book.song(identifier) for identifier in dict.fromkeys(book.set_list.order)]
    for song in tonight:
        if not song.duration_s:
            yield f"{song.title} has no duration: the evening's length is not known"


def _idle_devices(book: Book) -> Iterator[str]:
    reached = {route.target for song in book.songs for route in song.routes}
    reached |= {r.target for song in book.songs for section in song.sections for r in section.routes}
    patched = {p.device for song in book.songs for p in song.patches}
    patched |= {p.device for song in book.songs for section in song.sections for p in section.patches}
    lit = {lamp.device for lamp in book.rig.lamps}
    for device in book.rig.devices:
        if not device.output_pattern or device.name in reached or device.name in lit:
            continue
        also = " and no patch" if device.name not in patched else ""
        clocked = "; it gets the clock only" if device.clock and also else ""
        yield f"no route{also} reaches {device.name}{clocked}"


def _loose_notes(book: Book) -> Iterator[str]:
    """Yield the patches whose messages press a note that they do not release."""
    for song in book.songs:
        lists = [(song.title, song.patches)] + [(f"{song.title}, {s.name}", s.patches) for s in song.sections]
        for where, patches in lists:
            for patch in patches:
                sounding = Sounding()
                for data in patch.messages:
                    sounding.note_patch(data)
                for key in sounding.loose:
                    yield (
                        f"{where}: a message of the patch of {patch.device} presses {note_name(key & 127)} "
                        "and nothing but panic releases it; write it under hold, which ends with the song"
                    )


def _plays(route: Route, control: Control) -> bool:
    channels = (-1, control.channel)
    return (
        route.source == control.device
        and route.note_low <= control.number <= route.note_high
        and (control.channel < 0 or route.from_channel in channels)
    )


def _controls(book: Book) -> Iterator[str]:
    sections = {section.name for song in book.songs for section in song.sections}
    most = max((len(song.sections) for song in book.songs), default=0)
    songs = len(book.set_list.order)
    every = [(c, "rig.yaml") for c in book.rig.controls]
    every += [(c, song.title) for song in book.songs for c in song.controls]
    played = {route for song in book.songs for route in song.routes if Kind.NOTES in route.kinds}
    for control, where in every:
        argument = control.argument
        if control.status == NOTE_ON and any(_plays(route, control) for route in played):
            yield (
                f"{where}: note {note_name(control.number)} of {control.device} is a control and never sounds"
                ", though routes would let it through"
            )
        if control.action is Action.SECTION and argument not in sections:
            if isinstance(argument, str) or argument > most:
                yield f"{where}: a control leads to section {argument!r}, which no song has"
        elif control.action is Action.SONG and isinstance(argument, int) and argument > songs:
            yield f"{where}: a control leads to song {argument}; the set has {songs}"
