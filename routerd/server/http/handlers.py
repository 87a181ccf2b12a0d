"""What each path of the API does. Bodies come checked; answers are values of `shapes`, or text."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from functools import cache, partial
from time import monotonic_ns
from typing import Any

from aiohttp import web

from routerd.core.errors import NotFoundError
from routerd.core.model.plain import Plain
from routerd.core.routing.mutes import DEVICE, ROUTE
from routerd.printing import counted
from routerd.server.app import App
from routerd.server.health import lines_of
from routerd.server.http.answers import json_response, json_text, json_text_response, text_response
from routerd.server.http.bodies import (
    CheckBody,
    ClickBody,
    ContinueBody,
    LearnBody,
    Moment,
    MuteBody,
    NudgeBody,
    RetriggerBody,
    SectionBody,
    SongBody,
    SourceBody,
    TapBody,
    TempoBody,
)
from routerd.server.http.events import HEARTBEAT_S, MOST_READERS
from routerd.server.http.learn import learning_of
from routerd.server.http.problems import KINDS, FilesError, ProblemError, ValueProblem, words_of
from routerd.server.http.shapes import LearningDocument, SongFacts, Songs, Status
from routerd.server.rigfiles.problems import choose, shown
from routerd.server.status import server_health, status_document


@dataclass(frozen=True, slots=True)
class Call:
    """One request: the server that answers it, and its body as the model that its operation names."""

    app: App
    request: web.Request
    body: Any


_MAKING = threading.Lock()

Handler = Callable[[Call], Coroutine[Any, Any, Any]]


async def get_status(call: Call) -> Status:
    """Everything about this moment."""
    app = call.app
    now_ns = monotonic_ns()
    health = server_health(app.view, app.started_ns, now_ns, app.hub.readers, app.hub.dropped_readers)
    return status_document(app.view, health, now_ns)


async def get_health(call: Call) -> web.Response:
    """What is wrong, as `problems` in the status; 503 when anything is."""
    view = call.app.view
    lines = [str(line) for line in lines_of(view, monotonic_ns())] if view.greeted else []
    if not view.ready:
        lines.append("the rig folder is still being loaded; ask again in a second")
    return json_response(lines, 503 if lines else 200)


async def get_songs(call: Call) -> Songs:
    """Every song."""
    view = call.app.view
    return Songs(tuple(view.ticked(facts) for facts in view.songs.values()))


async def get_song(call: Call) -> SongFacts:
    """One song by its identifier."""
    view = call.app.view
    identifier = call.request.match_info["identifier"]
    if identifier not in view.songs:
        raise ProblemError(
            "unknown-song", f"there is no song {shown(identifier)}; {choose(identifier, view.songs)}"
        )
    return view.ticked(view.songs[identifier])


def known_order(app: App, words: list[str]) -> tuple[str, ...]:
    """Return the identifiers of the songs that `words` name; raises ProblemError."""
    found = [app.view.find_song(word) for word in words]
    known = app.view.words_for_songs()
    errors = tuple(
        ValueProblem(f"/order/{index}", f"there is no song {shown(word)}; {choose(word, known)}")
        for index, (word, identifier) in enumerate(zip(words, found, strict=True))
        if identifier is None
    )
    if errors:
        raise ProblemError("unknown-in-order", "; ".join(one.detail for one in errors[:5]), errors=errors)
    return tuple(identifier for identifier in found if identifier is not None)


async def _act(action: str, call: Call) -> Status:
    body = call.body
    when = body.when if isinstance(body, Moment) else "now"
    argument = body.bar if isinstance(body, ContinueBody) else None
    await call.app.command(action, argument, when)
    return await get_status(call)


post_next = partial(_act, "next")
post_previous = partial(_act, "previous")
post_next_section = partial(_act, "next-section")
post_previous_section = partial(_act, "previous-section")
post_go = partial(_act, "go")
post_cancel = partial(_act, "cancel")
post_start = partial(_act, "start")
post_stop = partial(_act, "stop")
post_continue = partial(_act, "continue")
post_song_tempo = partial(_act, "song-tempo")
post_half = partial(_act, "half")
post_double = partial(_act, "double")
post_panic = partial(_act, "panic")
post_silence = partial(_act, "silence")


async def post_song(call: Call) -> Status:
    """Go to a song."""
    app = call.app
    body: SongBody = call.body
    argument: int | str | None = body.number
    if body.title is not None:
        argument = known_song(app, body.title)
    try:
        await app.command("song", argument, body.when)
    except NotFoundError as error:
        raise ProblemError("unknown-song", str(error)) from error
    return await get_status(call)


async def post_section(call: Call) -> Status:
    """Go to a section of the song that is on."""
    app = call.app
    body: SectionBody = call.body
    argument: int | str | None = body.number
    song = app.view.song
    if body.name is not None:
        names = [] if song is None else [section.name for section in song.sections]
        argument = next((name for name in names if name.casefold() == body.name.casefold()), None)
        if argument is None:
            where = "no song is on" if song is None else f"{song.title} has no section {shown(body.name)}"
            raise ProblemError("unknown-section", f"{where}; {choose(body.name, names)}")
    try:
        await app.command("section", argument, body.when)
    except NotFoundError as error:
        raise ProblemError("unknown-section", str(error)) from error
    return await get_status(call)


async def _post_mute(action: str, call: Call) -> Status:
    """Mute or solo, or no longer."""
    body: MuteBody = call.body
    subject = DEVICE + body.device if body.device is not None else f"{ROUTE}{body.route}"
    try:
        await call.app.command(action if body.on else f"un{action}", subject, body.when)
    except NotFoundError as error:
        raise ProblemError("unknown-subject", str(error)) from error
    return await get_status(call)


post_mute = partial(_post_mute, "mute")
post_solo = partial(_post_mute, "solo")


def known_song(app: App, words: str) -> str:
    """Return the identifier of the song that `words` name; raises ProblemError."""
    identifier = app.view.find_song(words)
    if identifier is None:
        remedy = choose(words, app.view.words_for_songs())
        raise ProblemError("unknown-song", f"there is no song {shown(words)}; {remedy}")
    return identifier


async def post_check(call: Call) -> Status:
    """Tick an item of a checklist off."""
    body: CheckBody = call.body
    song = None if body.song is None else known_song(call.app, body.song)
    await call.app.link.check(song, body.number, done=body.done)
    return await get_status(call)


async def post_learn(call: Call) -> LearningDocument:
    """Learn from the next message."""
    body: LearnBody = call.body
    await call.app.command("learn", None if body.what == "nothing" else body.what)
    return await get_learn(call)


async def get_learn(call: Call) -> LearningDocument:
    """What was learnt last."""
    return LearningDocument(learning_of(call.app.view.snapshot["learning"]))


async def post_tempo(call: Call) -> Status:
    """Change the tempo at the next tick, or on a bar."""
    body: TempoBody = call.body
    await call.app.command("tempo", body.bpm, body.when)
    return await get_status(call)


async def post_tap(call: Call) -> Status:
    """Take a tap at the moment when it arrives here."""
    body: TapBody = call.body
    await call.app.command("tap", body.round)
    return await get_status(call)


async def post_nudge(call: Call) -> Status:
    """A little faster or slower."""
    body: NudgeBody = call.body
    await call.app.command("nudge", body.by)
    return await get_status(call)


async def post_retrigger(call: Call) -> Status:
    """Restart one device's sequence."""
    body: RetriggerBody = call.body
    await call.app.command("retrigger", f"{body.at} {body.device}")
    return await get_status(call)


async def post_click(call: Call) -> Status:
    """Click without transport, or no longer."""
    body: ClickBody = call.body
    await call.app.command("click", "on" if body.on else "off")
    return await get_status(call)


async def post_clock_source(call: Call) -> Status:
    """Follow a device, or lead."""
    body: SourceBody = call.body
    await call.app.command("source", body.device or "")
    return await get_status(call)


async def post_reload(call: Call) -> Status:
    """Read the rig folder again."""
    try:
        await call.app.reload()
    except FilesError as error:
        detail = f"{counted(len(error.problems), 'problem')}, the first: {error.problems[0]}"
        raise ProblemError("broken-files", detail, problems=tuple(error.problems)) from error
    return await get_status(call)


async def get_events(call: Call) -> web.StreamResponse:
    """Server-sent events, until the client goes."""
    request, hub = call.request, call.app.hub
    if hub.readers >= MOST_READERS:
        raise ProblemError("too-many-readers", f"{hub.readers} clients read the events already")

    def cut() -> None:
        if request.transport is not None:
            request.transport.abort()

    response = web.StreamResponse(
        headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    )
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


async def get_help(call: Call) -> web.Response:
    """What there is, as curl lines."""
    from routerd.server.http.operations import help_text

    host = call.request.headers.get("Host", "localhost:8473")
    return text_response(help_text(host))


async def get_openapi(_call: Call) -> web.Response:
    """Answer with the API's OpenAPI document."""
    return json_text_response(await asyncio.to_thread(_openapi_text))


@cache
def _openapi_text() -> bytes:
    """Return the document, which takes a second to make: on a thread, or pings would wait."""
    from routerd.server.http.openapi import document

    with _MAKING:
        return json_text(document())


async def get_schema(call: Call) -> Plain:
    """The JSON Schema of a kind of file."""
    from routerd.server.rigfiles import json_schemas

    schemas = await asyncio.to_thread(json_schemas)
    name = call.request.match_info["name"]
    if name not in schemas:
        raise ProblemError("not-found", f"there is no schema {shown(name)}; {choose(name, schemas)}")
    return schemas[name]


async def get_problem(call: Call) -> web.Response:
    """A kind of problem in words."""
    name = call.request.match_info["name"]
    if name not in KINDS:
        raise ProblemError("not-found", f"there is no kind of problem {shown(name)}; {choose(name, KINDS)}")
    return text_response(words_of(name))
