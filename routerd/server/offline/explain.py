"""What one message of a device comes to in a section of a song: route by route, and what leaves each port.

The real show is put into that section on simulated time with every device connected, and gets the message, so
what is listed as going out is what goes out. Why a route lets nothing through is `core.routing.fate`'s.

What the engine runs is loaded when somebody asks: a server that nobody asks needs 2 MB less.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.errors import NotFoundError
from routerd.core.midi.messages import MESSAGE_LENGTH, SYSEX, TICK, is_whole
from routerd.core.midi.words import hex_words, message_words
from routerd.core.model.actions import Subject
from routerd.core.model.commands import NOW
from routerd.core.model.controls import Control, control_keys
from routerd.core.model.rig import RigFolder
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, Snapshot
from routerd.core.model.song import Section, Song
from routerd.core.units import NS_PER_S
from routerd.printing import complain, say, say_document
from routerd.server.offline import rig_folder_of
from routerd.server.rigfiles.problems import quote, suggest

if TYPE_CHECKING:
    from routerd.core.routing.fate import Fate, RouteAlone
    from routerd.core.show.show import Show

LONGEST_NS = 10 * NS_PER_S
"""So long is waited for what a slow wire still has to carry."""


@dataclass(frozen=True, slots=True)
class SentMessage:
    """One message for a device: its bytes in hexadecimal, and in words."""

    device: str
    bytes: str
    words: str


@dataclass(frozen=True, slots=True)
class RouteFate:
    """What one route makes of a message: `sent`, or, when that is empty, `why_not`."""

    route: str
    target: str
    why_not: str | None
    sent: tuple[SentMessage, ...]


@dataclass(frozen=True, slots=True)
class Explained:
    """What a message comes to: `controls` are what it means as a control, which no route gets; `routes` those
    in force, and those of other sections that would let it through; `sent` all that goes out, in that order.
    """

    device: str
    place: str
    message: SentMessage
    controls: tuple[str, ...]
    routes: tuple[RouteFate, ...]
    sent: tuple[SentMessage, ...]


def answer_of_fate(fate: Fate) -> RouteFate:
    """Return what one route makes of a message as the API has it."""
    sent = tuple(_sent_message(fate.target, data) for data in fate.sent)
    return RouteFate(fate.route, fate.target, fate.why or None, sent)


def _sent_message(device: str, data: bytes) -> SentMessage:
    return SentMessage(device, data.hex(" ").upper(), message_words(data))


def read_message(text: str) -> bytes:
    """Return the one message that hexadecimal text such as "90 3C 64" names; raises ValueError in words."""
    try:
        data = bytes.fromhex(text)
    except ValueError as error:
        raise ValueError(f"{text[:40]!r} is not hexadecimal; write bytes such as 90 3C 64") from error
    if is_whole(data):
        return data
    if not data:
        raise ValueError("no message; write its bytes in hexadecimal, such as 90 3C 64")
    if data[0] < 0x80:
        raise ValueError(
            f"{hex_words(data)} begins with a data byte; the first byte of a message is 80 or above"
        )
    if data[0] == SYSEX:
        raise ValueError(
            f"{hex_words(data)} is not one whole SysEx, from F0 to F7 with bytes below 80 between"
        )
    length = MESSAGE_LENGTH[data[0]]
    if not length:
        raise ValueError(f"{hex_words(data)}: no message of MIDI 1.0 begins with {data[0]:02X}")
    wanted = f"a message that begins with {data[0]:02X} has {length} bytes, all but the first below 80"
    raise ValueError(f"{hex_words(data)} is not one whole message: {wanted}")


def explain(
    folder: RigFolder,
    song_name: str,
    section_name: str,
    device_name: str,
    data: bytes,
    *,
    snapshot: Snapshot | None = None,
) -> Explained:
    """Return what `data`, played by a device, comes to in a section of a song (the first one for "").

    Songs go by title or identifier, sections by name or number from 1. With a `snapshot` of the show, what is
    muted there is muted here. Raises NotFoundError.
    """
    song = _song(folder.songs, song_name)
    number, section = _section(song, section_name)
    devices = {device.name: device for device in folder.rig.devices}
    device = devices.get(device_name)
    if device is None or not device.input_pattern:
        heard = [one.name for one in folder.rig.devices if one.input_pattern]
        words = f"there is no device {quote(device_name)} with an input in the rig"
        raise NotFoundError(f"{words}; {suggest(device_name, heard)}")
    controls = tuple(control_words(control, data) for control in controls_of(folder, song, device_name, data))
    fates = Fates(folder).of(song, number, device_name, data, snapshot)
    sent = _played(folder, song, number, device_name, data, snapshot=snapshot)
    return Explained(
        device=device_name,
        place=song.title if section is None else f"{song.title}, {section.name}",
        message=_sent_message(device_name, data),
        controls=controls,
        routes=tuple(answer_of_fate(fate) for fate in fates),
        sent=tuple(_sent_message(device, one) for device, one in sent),
    )


def lines_of(explained: Explained) -> Iterator[str]:
    """Yield an explanation as lines for people."""
    yield f"{explained.device} sends {explained.message.words}"
    yield f"in {explained.place}:"
    for words in explained.controls:
        yield f"  it is a control: {words}"
    if not explained.routes and not explained.controls:
        yield f"  no route leads from {explained.device} in this song"
    for one in explained.routes:
        yield f"  route {one.route} (to {one.target}): {one.why_not or 'passes'}"
        for sent in one.sent if not explained.controls else ():
            yield f"      {sent.words}"
    if not explained.sent:
        yield "nothing goes out"
    for sent in explained.sent:
        yield f"out to {sent.device}: {hex_words(bytes.fromhex(sent.bytes))}  {sent.words}"


def _song(songs: Iterable[Song], name: str) -> Song:
    known = tuple(songs)
    for song in known:
        if name.casefold() in (song.identifier.casefold(), song.title.casefold()):
            return song
    raise NotFoundError(f"there is no song {quote(name)}; {suggest(name, [song.title for song in known])}")


def _section(song: Song, name: str) -> tuple[int, Section | None]:
    if not song.sections and not name:
        return 0, None
    for number, section in enumerate(song.sections, 1):
        if name.casefold() in ("" if number == 1 else str(number), str(number), section.name.casefold()):
            return number, section
    names = [section.name for section in song.sections]
    known = suggest(name, names) if names else "it has none"
    raise NotFoundError(f"there is no section {quote(name)} in {song.title}; {known}")


class _Ways(NamedTuple):
    """The routes from a device: those in force in a section, and others of the song with their sections."""

    in_force: tuple[RouteAlone, ...]
    elsewhere: tuple[tuple[RouteAlone, str], ...]


class Fates:
    """What becomes of messages on the routes of a rig, each compiled once for many messages."""

    def __init__(self, folder: RigFolder) -> None:
        self._devices = {device.name: device for device in folder.rig.devices}
        self._known: dict[tuple[str, int, str], _Ways] = {}
        """By song, section and device: what does not depend on the message is worked out once."""

    def _ways(self, song: Song, number: int, device: str) -> _Ways:
        key = song.identifier, number, device
        if key not in self._known:
            routes = song.sections[number - 1].routes if number else song.routes
            elsewhere: dict[Route, list[str]] = {}
            for section in song.sections:
                for route in section.routes:
                    if route not in routes and route.source == device:
                        elsewhere.setdefault(route, []).append(section.name)
            self._known[key] = _Ways(
                tuple(self._alone(route) for route in routes if route.source == device),
                tuple((self._alone(route), ", ".join(names)) for route, names in elsewhere.items()),
            )
        return self._known[key]

    def _alone(self, route: Route) -> RouteAlone:
        from routerd.core.routing.fate import RouteAlone

        return RouteAlone(route, self._devices[route.source], self._devices[route.target])

    def of(
        self, song: Song, number: int, device: str, data: bytes, snapshot: Snapshot | None = None
    ) -> Iterator[Fate]:
        """Yield what the routes from a device make of a message in section `number` (0: a song has none).

        First come those in force, then those of other sections that would let it through. What is muted in a
        `snapshot` of the show is muted here.
        """
        from routerd.core.routing.fate import Fate
        from routerd.core.routing.mutes import Mutes

        mutes = Mutes() if snapshot is None else Mutes.named(snapshot.muted, snapshot.soloed)
        ways = self._ways(song, number, device)
        for alone in ways.in_force:
            route = alone.route
            if why := mutes.why_silent(Subject(route.target), Subject(route=route.name)):
                yield Fate(route.name, route.target, why=why)
            else:
                yield alone.fate(data)
        for alone, sections in ways.elsewhere:
            if alone.fate(data).sent:
                why = f"not in this section; it would pass in {sections}"
                yield Fate(alone.route.name, alone.route.target, why=why)


def controls_of(folder: RigFolder, song: Song, device: str, data: bytes) -> list[Control]:
    """Return the controls that a message belongs to: the song's own before the rig's."""
    keys = {data, data[0] << 7 | data[1] if len(data) > 1 else -1}
    for controls in (song.controls, folder.rig.controls):
        found = [one for one in controls if one.device == device and keys & set(control_keys(one))]
        if found:
            return found
    return []


def control_words(control: Control, data: bytes) -> str:
    """Return what a control means, when, and how it is pressed; `data` is its press, or its release."""
    from routerd.core.show.panel import is_press

    command = control.command
    argument = command.shown_argument
    shown = f"{argument:g}" if isinstance(argument, float) else argument
    words = command.action.value if shown is None else f"{command.action.value} {shown}"
    when = "" if command.when == NOW else f", {command.when}"
    label = f"{control.label}: " if control.label else ""
    release = "" if is_press(data) else "the release of "
    return f"{release}{label}{words}{when} ({control.press.value} press)"


def _played(
    folder: RigFolder, song: Song, section: int, device: str, data: bytes, *, snapshot: Snapshot | None
) -> tuple[tuple[str, bytes], ...]:
    """Return what goes out when the show stands there and gets the message."""
    from routerd.core.show.compiler import Compiler
    from routerd.core.show.show import Show

    compiler = Compiler(folder.rig)
    compiler.add(song)
    compiled = compiler.finish(SetList("", (song.identifier,)))
    show = Show(0)
    resume = ResumePoint(song.identifier, section)
    if snapshot is not None:
        resume = replace(resume, muted=snapshot.muted, soloed=snapshot.soloed)
    show.load(compiled, 1, 0, resume)
    for wire in compiled.wires:
        show.output_opened(wire, False, 0)
    now_ns = _settle(show, 0)
    show.effects.sink.clear()
    show.effects.events.clear()
    show.receive(next(one for one in compiled.inputs if one.name == device), data, now_ns)
    _settle(show, now_ns)
    heard = [(wire, sent) for wire, sent in show.effects.sink if sent[0] < TICK]
    return tuple((wire.name, sent) for wire, sent in heard)


def _settle(show: Show, now_ns: int) -> int:
    """Let time pass until all is out and a second more, for what waits for a beat; return the time."""
    end_ns = now_ns + NS_PER_S
    while now_ns < end_ns + LONGEST_NS and (now_ns < end_ns or not show.drained(now_ns)):
        now_ns = max(now_ns, show.next_deadline_ns())
        show.advance(now_ns)
    return now_ns


@dataclass(frozen=True, slots=True)
class Question:
    """What a message, in hexadecimal, of a device comes to in a song's section ("" for the first)."""

    song: str
    section: str
    device: str
    message: str


def print_explanation(folder: Path, question: Question, *, as_json: bool = False) -> int:
    """Print what a message comes to; return 1 for mistakes in the files, 2 for what is not there."""
    try:
        data = read_message(question.message)
        rig_folder = rig_folder_of(folder)
        if rig_folder is None:
            return 1
        explained = explain(rig_folder, question.song, question.section, question.device, data)
    except (ValueError, NotFoundError) as error:
        complain(f"routerd: {error}")
        return 2
    if as_json:
        say_document(json.dumps(asdict(explained), ensure_ascii=False, indent=2), "json")
        return 0
    for line in lines_of(explained):
        say(line)
    return 0
