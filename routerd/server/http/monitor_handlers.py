"""What becomes of messages: the monitor of what comes in and goes out, and one message explained."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable

from aiohttp import web

from routerd.core.errors import NotFoundError, RigFolderError
from routerd.core.model.events import AnyEvent, Loaded
from routerd.core.model.rig import RigFolder
from routerd.core.model.set_list import song_at
from routerd.core.routing.fate import KIND_OF_STATUS
from routerd.server.feed import Feed
from routerd.server.http.bodies import Body, Line, Nothing, NumberOrLine, OrLeftOut, known_song
from routerd.server.http.negotiation import Parameter
from routerd.server.http.operation import STREAM, Call, Operations, send_frames
from routerd.server.http.problems import ProblemError
from routerd.server.monitor import UNASKED, Dropped, MessageIn, MessageOut, Monitor, Reader, Wanted
from routerd.server.offline.explain import Explained, answer_of, explain, read_message
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.view import View

OPERATIONS = Operations("messages")

MOST_READERS = 8
"""Each puts its messages into words by itself."""

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
            found = explain(await self._played(), song, section, body.device, data, snapshot=snapshot)
        except NotFoundError as error:
            kind = "unknown-section" if body.device in snapshot.inputs else "unknown-device"
            raise ProblemError(kind, str(error)) from error
        return answer_of(found)
