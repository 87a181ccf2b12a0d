"""What the API's paths about figures do: the jitter report in every form, and metrics."""

from __future__ import annotations

import asyncio
import importlib
import sys
from collections.abc import Awaitable

from aiohttp import web

from routerd.core.errors import FileError
from routerd.core.model.plain import Plain
from routerd.printing import counted
from routerd.server.http.answers import text_response
from routerd.server.http.bodies import RecordingBody, SoundcheckBody
from routerd.server.http.handlers import Call
from routerd.server.http.problems import FilesError, ProblemError
from routerd.server.http.shapes import Offset, Offsets, Recording, SilentDevices, Soundchecks, SoundcheckState
from routerd.server.report.making import PageError, make_page
from routerd.server.rigfiles.problems import choose, one_of, shown
from routerd.server.soundcheck import STAGES
from routerd.server.soundcheck.cautions import CAUTIONS

_MEDIA = {"application/json": "json", "text/plain": "text", "text/html": "html", "*/*": "json"}
FORMATS = ("json", "text", "html")
SPANS = ("show", "minute")


async def get_report(call: Call) -> Plain | web.Response:
    """The jitter report of the show so far or of the last minute, as JSON, text or a page."""
    span = call.request.query.get("span", "show")
    if span not in SPANS:
        raise ProblemError("wrong-query", f"span is {one_of(SPANS)}, not {shown(span)}")
    wanted = wanted_format(call.request)
    report = call.app.report() if span == "show" else await call.app.last_minute()
    return await in_format(call, report, wanted)


async def in_format(call: Call, document: Plain, wanted: str) -> Plain | web.Response:
    """Return a report in one of FORMATS."""
    if wanted == "text":
        from routerd.server.report import render_text
        from routerd.server.soundcheck.text import render_soundcheck

        render = render_soundcheck if document.get("kind") == "soundcheck" else render_text
        return text_response(render(document), {"Vary": "Accept"})
    if wanted == "html":
        try:
            page = await make_page(document, call.app.keeper.folder.path)
        except PageError as error:
            raise ProblemError("no-page", str(error)) from error
        headers = {"Vary": "Accept", "Cache-Control": "no-store"}
        return web.Response(text=page, content_type="text/html", charset="utf-8", headers=headers)
    return document


def wanted_format(request: web.Request) -> str:
    """Return which of FORMATS a request asks for by its query or its Accept header."""
    given = request.query.get("format")
    if given is not None:
        if given not in FORMATS:
            raise ProblemError("wrong-query", f"format is {one_of(FORMATS)}, not {shown(given)}")
        return given
    for part in request.headers.get("Accept", "").split(","):
        wanted = _MEDIA.get(part.split(";")[0].strip().lower())
        if wanted is not None:
            return wanted
    return "json"


async def get_metrics(call: Call) -> web.Response:
    """The figures as OpenMetrics, made here and now: what waits for a thread may wait long."""
    if "routerd.server.http.metrics" not in sys.modules:
        await asyncio.to_thread(importlib.import_module, "routerd.server.http.metrics")
    from routerd.server.http.metrics import CONTENT_TYPE_LATEST

    body = call.app.metrics.text()
    return web.Response(body=body, headers={"Content-Type": CONTENT_TYPE_LATEST, "Cache-Control": "no-store"})


async def post_soundcheck(call: Call) -> SoundcheckState:
    """Begin a soundcheck."""
    body: SoundcheckBody = call.body
    if not body.levels_down:
        raise ProblemError("levels-up", " ".join(CAUTIONS))
    from routerd.server.soundcheck.run import Plan

    stages = STAGES if body.stages is None else tuple(body.stages)
    soundchecks = call.app.soundchecks
    plan = Plan(stages, body.seconds, body.dwell_seconds, body.unplug, body.playing)
    await soundchecks.start(plan)
    return await soundchecks.state()


async def post_soundcheck_stop(call: Call) -> SoundcheckState:
    """Stop the one that is under way."""
    await call.app.soundchecks.stop()
    return await call.app.soundchecks.state()


async def get_soundcheck_state(call: Call) -> SoundcheckState:
    """Where it is."""
    return await call.app.soundchecks.state()


async def get_soundcheck(call: Call) -> Plain | web.Response:
    """A soundcheck that has ended."""
    wanted = wanted_format(call.request)
    name = call.request.query.get("name")
    soundchecks = call.app.soundchecks
    names = await call.app.keeper.disk.do(soundchecks.folder.names)
    if name is not None and name not in names:
        raise ProblemError("no-soundcheck", f"there is no soundcheck {shown(name)}; {choose(name, names)}")
    document = await soundchecks.document(name)
    if document is None:
        raise ProblemError("no-soundcheck", "no soundcheck has been made yet, or its file makes no sense")
    return await in_format(call, document, wanted)


async def get_soundchecks(call: Call) -> Soundchecks:
    """Those that are kept."""
    return Soundchecks(tuple(await call.app.keeper.disk.do(call.app.soundchecks.folder.names)))


async def get_recording(call: Call) -> Recording:
    """The show log of this show."""
    log = call.app.show_log
    return Recording(log.name, str(log.folder), log.recording, log.dropped)


async def post_recording(call: Call) -> Recording:
    """Keep messages from now on, or no longer."""
    body: RecordingBody = call.body
    call.app.show_log.record(on=body.on)
    return await get_recording(call)


async def post_offsets(call: Call) -> Offsets:
    """Write suggested offsets into rig.yaml."""
    written = await _in_rig(call.app.soundchecks.write_offsets())
    return Offsets(written["soundcheck"], tuple(Offset(**one) for one in written["offsets"]))


async def post_silent(call: Call) -> SilentDevices:
    """Mark silent devices in rig.yaml."""
    written = await _in_rig(call.app.soundchecks.write_silent())
    return SilentDevices(written["soundcheck"], tuple(written["devices"]))


async def _in_rig(writing: Awaitable[Plain]) -> Plain:
    """Return what is written into rig.yaml, or raise the problem that it has."""
    try:
        return await writing
    except FileError as error:
        raise ProblemError("refused", str(error)) from error
    except FilesError as error:
        detail = f"{counted(len(error.problems), 'problem')}, the first: {error.problems[0]}"
        raise ProblemError("broken-files", detail, problems=tuple(error.problems)) from error
