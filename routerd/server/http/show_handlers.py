"""What can be read of the show: status, health, songs, and the stream of events."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from time import monotonic_ns

from aiohttp import web

from routerd.server.health import lines_of
from routerd.server.http.bodies import Nothing
from routerd.server.http.events import HEARTBEAT_S, MOST_READERS, EventHub
from routerd.server.http.operation import STREAM, Call, Operations, json_response
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import SongFacts, Songs, Status
from routerd.server.rigfiles.problems import choose, shown
from routerd.server.view import View

OPERATIONS = Operations()


class ShowHandlers:
    """Answers from `view`, with `status`, and from the hub of events."""

    def __init__(self, view: View, status: Callable[[], Status], hub: EventHub) -> None:
        self._view = view
        self._status = status
        self._hub = hub

    @OPERATIONS.add("GET", "/v1/status", "Where the show is, and how everything is", Status)
    async def status(self, _call: Call[Nothing]) -> Status:
        """Everything about this moment."""
        return self._status()

    @OPERATIONS.add(
        "GET",
        "/v1/health",
        "200 and [] when all is well, or 503 and what is wrong, each line with its remedy",
        "Lines",
        statuses=(200, 503),
        needs_rig=False,
    )
    async def health(self, _call: Call[Nothing]) -> web.Response:
        """What is wrong, as `problems` in the status; 503 when anything is."""
        view = self._view
        lines = [str(line) for line in lines_of(view, monotonic_ns())] if view.greeted else []
        if not view.ready:
            lines.append("the rig folder is still being loaded; ask again in a second")
        return json_response(lines, 503 if lines else 200)

    @OPERATIONS.add("GET", "/v1/songs", "Every song that can be played", Songs)
    async def songs(self, _call: Call[Nothing]) -> Songs:
        """Every song."""
        return Songs(tuple(self._view.ticked(facts) for facts in self._view.songs.values()))

    @OPERATIONS.add(
        "GET",
        "/v1/songs/{song}",
        "One song, by its file's name",
        SongFacts,
        problems=("unknown-song",),
    )
    async def song(self, call: Call[Nothing]) -> SongFacts:
        """Answer with one song."""
        songs, song = self._view.songs, call.request.match_info["song"]
        if song not in songs:
            remedy = choose(song, songs)
            raise ProblemError("unknown-song", f"there is no song {shown(song)}; {remedy}")
        return self._view.ticked(songs[song])

    @OPERATIONS.add(
        "GET",
        "/v1/events",
        "What happens, as server-sent events; Last-Event-ID takes up where a reader left off",
        media=(STREAM,),
        problems=("too-many-readers",),
        needs_rig=False,
    )
    async def events(self, call: Call[Nothing]) -> web.StreamResponse:
        """Server-sent events, until the client goes."""
        request, hub = call.request, self._hub
        if hub.readers >= MOST_READERS:
            raise ProblemError("too-many-readers", f"{hub.readers} clients read the events already")

        def cut() -> None:
            if request.transport is not None:
                request.transport.abort()

        headers = {"Content-Type": STREAM, "Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        response = web.StreamResponse(headers=headers)
        await response.prepare(request)
        reader = hub.join(cut, request.headers.get("Last-Event-ID"))
        try:
            await response.write(b": events of routerd\n\n")
            while True:
                try:
                    frame = await asyncio.wait_for(reader.queue.get(), HEARTBEAT_S)
                except TimeoutError:
                    frame = b": still here\n\n"
                if frame is None:
                    break
                await response.write(frame)
        except ConnectionError:
            pass  # it has gone, or was cut off
        finally:
            hub.leave(reader)
        return response
