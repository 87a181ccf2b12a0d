"""The monitor: every message in and out, in words, with what became of each that came in; and one message
explained.

The engine sends whole messages only while somebody listens, and drops them (counted) rather than wait. What
became of a message is worked out here, from the rig as it is played and from the last snapshot, so it costs
the engine nothing; around a change of song or section it may be a few messages behind. A reader that does not
keep up, or wants more than MOST_A_SECOND, loses messages and gets their number. The ticks that routerd sends
are not among the messages: the jitter report has each of them.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

from aiohttp import web

from routerd.core.errors import NotFoundError, RigFolderError
from routerd.core.midi.messages import KIND_OF_STATUS, SYSEX, SYSEX_END
from routerd.core.midi.words import hex_words, message_words
from routerd.core.model.events import AnyEvent, Loaded
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import song_at
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.song import Song
from routerd.core.units import NS_PER_S
from routerd.link.frames import INPUT_BIT, Tap
from routerd.server.feed import Feed
from routerd.server.http.bodies import Body, Line, Nothing, NumberOrLine, OrLeftOut, known_song
from routerd.server.http.negotiation import Parameter
from routerd.server.http.operation import STREAM, Call, Operations, send_frames
from routerd.server.http.problems import ProblemError
from routerd.server.offline.explain import (
    Explained,
    Fates,
    RouteFate,
    answer_of_fate,
    control_words,
    controls_of,
    explain,
    read_message,
)
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.view import View

if TYPE_CHECKING:
    from routerd.core.routing.fate import Fate

OPERATIONS = Operations("messages")

MOST_READERS = 8
"""Each puts its messages into words by itself."""

MOST_A_SECOND = 500
"""So many messages are put into words; what is above is counted only. House choice: more nobody reads."""

QUEUE_MESSAGES = 512


@dataclass(frozen=True, slots=True)
class MessageIn:
    """A message that came in at `at_ns` of this machine's CLOCK_MONOTONIC: its `bytes` in hexadecimal, and in
    words. `controls` are what it means as a control, which no route gets, and `fates` what each route makes
    of it. `loop`: this input hears a loop, so what comes back over it is held back."""

    at_ns: int
    direction: Literal["in"]
    device: str
    bytes: str
    words: str
    controls: tuple[str, ...]
    fates: tuple[RouteFate, ...]
    loop: bool


@dataclass(frozen=True, slots=True)
class MessageOut:
    """A message that went out at `at_ns` of this machine's CLOCK_MONOTONIC: its `bytes` in hexadecimal, and
    in words."""

    at_ns: int
    direction: Literal["out"]
    device: str
    bytes: str
    words: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """So many messages found no room, and came no more."""

    messages: int


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which messages are wanted; what is empty, or None, wants all. Clock and Active Sensing come when asked
    for by kind only. `channel` is 0–15."""

    devices: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()
    channel: int | None = None

    def takes(self, device: str, data: bytes) -> bool:
        """Return whether a message is wanted."""
        if self.devices and device not in self.devices:
            return False
        kind = kind_of(data)
        if self.kinds:
            return kind in self.kinds and (self.channel is None or self._is_on(data))
        return kind not in UNASKED and (self.channel is None or self._is_on(data))

    def _is_on(self, data: bytes) -> bool:
        return 0x80 <= data[0] < SYSEX and data[0] & 0x0F == self.channel


UNASKED = frozenset({"clock", "other"})


def kind_of(data: bytes) -> str:
    """Return the kind of a message as routes name it; `other` for what no route passes."""
    status = data[0]
    if status < 0x80 or status == SYSEX_END:
        return "sysex"  # a later piece of one
    kind = KIND_OF_STATUS.get(status if status >= SYSEX else status & 0xF0)
    return "other" if kind is None else kind.value


class Monitor:
    """Puts messages into words, with their fates, by the rig that is played."""

    def __init__(self, folder: RigFolder) -> None:
        self._folder = folder
        self._known = Fates(folder)

    def entry(self, tap: Tap, device: str, snapshot: Snapshot) -> MessageIn | MessageOut:
        """Return one message as readers get it."""
        data, words = tap.data.hex(" ").upper(), _words(tap.data)
        if not tap.way & INPUT_BIT:
            return MessageOut(tap.at_ns, "out", device, data, words)
        song = self._song(snapshot)
        controls = self._controls(device, tap.data, song)
        is_known = song is not None and snapshot.section <= len(song.sections)
        fates: Iterable[Fate] = ()
        if song is not None and is_known and not controls:
            fates = self._known.of(song, snapshot.section, device, tap.data, snapshot)
        answers = tuple(answer_of_fate(fate) for fate in fates)
        loop = device in snapshot.loops
        return MessageIn(tap.at_ns, "in", device, data, words, controls, answers, loop)

    def _song(self, snapshot: Snapshot) -> Song | None:
        """Return the song that is on; None while there is none, or it has been loaded since."""
        try:
            return self._folder.song(snapshot.song or "")
        except KeyError:
            return None

    def _controls(self, device: str, data: bytes, song: Song | None) -> tuple[str, ...]:
        if song is None:
            return ()
        return tuple(control_words(one, data) for one in controls_of(self._folder, song, device, data))


def _words(data: bytes) -> str:
    if data[0] == SYSEX and data[-1] != SYSEX_END:
        return f"SysEx, its first {len(data)} bytes: {hex_words(data)}"
    if data[0] < 0x80 or data[0] == SYSEX_END:
        return f"SysEx, {len(data)} bytes more"
    return message_words(data)


class Reader:
    """One reader's messages, as frames of server-sent events, bounded; subscribe `take` to taps.

    `snapshot` is asked for each batch. Frames that find no room, and messages above MOST_A_SECOND, are
    counted and reported before the next one.
    """

    def __init__(self, monitor: Monitor, wanted: Wanted, snapshot: Callable[[], Snapshot]) -> None:
        self.queue: asyncio.Queue[bytes | None] = asyncio.Queue(QUEUE_MESSAGES)
        self.monitor = monitor
        """May be replaced when another rig is loaded."""
        self._wanted = wanted
        self._snapshot = snapshot
        self._dropped = 0
        self._second = self._in_second = 0

    def take(self, taps: list[Tap]) -> None:
        """Take messages as they have come in and gone out."""
        snapshot = self._snapshot()
        for tap in taps:
            names = snapshot.inputs if tap.way & INPUT_BIT else snapshot.outputs
            number = tap.way & ~INPUT_BIT
            device = names[number] if number < len(names) else ""
            if not tap.data or not self._wanted.takes(device, tap.data):
                continue
            if self.queue.full() or not self._has_time(tap.at_ns):
                self._dropped += 1
                continue
            if self._dropped and self.queue.qsize() + 2 <= QUEUE_MESSAGES:
                self.queue.put_nowait(_frame("dropped", Dropped(self._dropped)))
                self._dropped = 0
            self.queue.put_nowait(_frame("message", self.monitor.entry(tap, device, snapshot)))

    def _has_time(self, at_ns: int) -> bool:
        second = at_ns // NS_PER_S
        if second != self._second:
            self._second, self._in_second = second, 0
        self._in_second += 1
        return self._in_second <= MOST_A_SECOND


def _frame(kind: str, body: Any) -> bytes:
    return f"event: {kind}\ndata: {json.dumps(asdict(body))}\n\n".encode()


KINDS = tuple(sorted({kind.value for kind in KIND_OF_STATUS.values()} | UNASKED))


class ExplainBody(Body):
    """One message, in hexadecimal, that a device plays; in the song and section that are on, or in others. A
    song goes by its number in the set list (from 1), title or file name, a section by its number or name."""

    device: Line
    message: Line
    song: OrLeftOut[NumberOrLine] = None
    section: OrLeftOut[NumberOrLine] = None


class MonitorHandlers:
    """Reads messages from `feed`; `played` returns the rig as it is played."""

    def __init__(self, view: View, feed: Feed, played: Callable[[], Awaitable[RigFolder]]) -> None:
        self._view = view
        self._feed = feed
        self._played = played
        self._readers = 0

    @OPERATIONS.add(
        "GET",
        "/v1/monitor",
        "Every message in and out (but our own ticks) in words, with the fate of what came in",
        media=(STREAM,),
        parameters=(
            Parameter("device", "Only of these devices, with commas between them", "keys,pads"),
            Parameter("kind", f"Only these kinds, with commas between them: {', '.join(KINDS)}", "notes"),
            Parameter("channel", "Only what is on this channel, 1 to 16", 1, "integer"),
        ),
        problems=("wrong-query", "too-many-readers", "broken-files"),
        frames=(MessageIn, MessageOut, Dropped),
    )
    async def monitor(self, call: Call[Nothing]) -> web.StreamResponse:
        """Server-sent events `message` (MessageIn, MessageOut) and `dropped` (Dropped), until you go. Timing
        clock and Active Sensing come only when their kind is asked for."""
        wanted = self._wanted(call.request)
        if self._readers >= MOST_READERS:
            raise ProblemError("too-many-readers", f"{self._readers} clients monitor already")
        self._readers += 1
        try:
            reader = Reader(Monitor(await self._played()), wanted, lambda: self._view.snapshot)
            renewing: set[asyncio.Task[None]] = set()

            async def renew() -> None:
                with contextlib.suppress(RigFolderError):  # then the rig before goes on to explain
                    reader.monitor = Monitor(await self._played())

            def on_event(event: AnyEvent) -> None:
                if isinstance(event, Loaded):
                    renewing.add(task := asyncio.create_task(renew()))
                    task.add_done_callback(renewing.discard)

            self._feed.messages.subscribe(reader.take)
            self._feed.events.subscribe(on_event)
            try:
                return await send_frames(call.request, reader.queue, "messages of routerd")
            finally:
                self._feed.messages.unsubscribe(reader.take)
                self._feed.events.unsubscribe(on_event)
        finally:
            self._readers -= 1

    def _wanted(self, request: web.Request) -> Wanted:
        given = request.query
        devices = frozenset(name for name in given.get("device", "").split(",") if name)
        known = dict.fromkeys((*self._view.snapshot.inputs, *self._view.snapshot.outputs))
        for name in sorted(devices - known.keys()):
            raise ProblemError("wrong-query", f"there is no device {quote(name)}; {suggest(name, known)}")
        kinds = frozenset(name for name in given.get("kind", "").split(",") if name)
        for name in sorted(kinds - set(KINDS)):
            raise ProblemError("wrong-query", f"there is no kind {quote(name)}; {suggest(name, KINDS)}")
        channel = given.get("channel", "")
        if channel and (not channel.isascii() or not channel.isdecimal() or not 1 <= int(channel[:9]) <= 16):
            raise ProblemError("wrong-query", f"channel is a number from 1 to 16, not {quote(channel)}")
        return Wanted(devices, kinds, int(channel) - 1 if channel else None)

    @OPERATIONS.add(
        "POST",
        "/v1/explain",
        "What a message of a device comes to, route by route; in the song and section that are on, or others",
        Explained,
        body=ExplainBody,
        example='{"device": "keys", "message": "90 3C 64"}',
        problems=("unknown-song", "unknown-section", "unknown-device", "broken-files"),
        reads=True,
    )
    async def explain(self, call: Call[ExplainBody]) -> Explained:
        """Route by route: whether a message is passed, as what it goes out, or why not; and which control it
        presses. Nothing is played."""
        body, snapshot = call.body, self._view.snapshot
        song = snapshot.song if body.song is None else body.song
        if isinstance(song, int):
            try:
                song = song_at(snapshot.set_list, song)
            except NotFoundError as error:
                raise ProblemError("unknown-song", str(error)) from error
        elif body.song is not None:
            song = known_song(self._view, str(body.song))
        if song is None:
            raise ProblemError("wrong-body", "no song is on; name one by song")
        try:
            data = read_message(body.message)
        except ValueError as error:
            raise ProblemError("wrong-body", f"message: {error}") from error
        here = "" if body.song or not snapshot.section else str(snapshot.section)
        section = here if body.section is None else str(body.section)
        try:
            return explain(await self._played(), song, section, body.device, data, snapshot=snapshot)
        except NotFoundError as error:
            kind = "unknown-section" if body.device in snapshot.inputs else "unknown-device"
            raise ProblemError(kind, str(error)) from error
