"""Figures over HTTP: the jitter report in every form, soundchecks, the show's record, metrics."""

from __future__ import annotations

import asyncio
import importlib
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol

from aiohttp import web
from pydantic import Field

from routerd.core.model.codec import JsonObject
from routerd.server.http.bodies import Body, Line, Nothing, OrLeftOut
from routerd.server.http.negotiation import Parameter, best_media
from routerd.server.http.operation import HTML, JSON, METRICS, TEXT, Call, Operations, text_response
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import Offsets, SilentDevices, SoundcheckState
from routerd.server.report import Measurements, Report, render_text
from routerd.server.report.document import PageError, make_page, to_plain
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.shows.record import RecordError
from routerd.server.shows.show_log import ShowLog
from routerd.server.soundcheck import service
from routerd.server.soundcheck.figures import CAUTIONS, STAGES, Soundcheck, Stage
from routerd.server.soundcheck.run import Plan
from routerd.server.soundcheck.text import render_soundcheck
from routerd.server.view import View

if TYPE_CHECKING:
    from routerd.server.http.metrics import Metrics

OPERATIONS = Operations("reports")

_PAGE_HEADERS = {
    "Vary": "Accept",
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    # a page of figures runs nothing, whatever names a rig has given it: it lies beside one that has a cookie
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox",
}

_FORM_OF_MEDIA = {JSON: "json", TEXT: "text", HTML: "html"}
FORMATS = ("json", "text", "html")
SPANS = ("show", "minute")
_FORMAT = Parameter("format", "As what it comes; else Accept decides", "json", choices=FORMATS)

_RIG_PROBLEMS = ("refused", "file-at-fault", "broken-files", "engine-refused", "engine-silent", "disk-silent")
"""What may go wrong where something is written into rig.yaml and loaded."""


@dataclass(frozen=True, slots=True)
class Soundchecks:
    """The names of kept soundchecks, oldest first."""

    soundchecks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shows:
    """The names of the shows that are kept, oldest first; `now` is the one that goes on."""

    shows: tuple[str, ...]
    now: str


@dataclass(frozen=True, slots=True)
class Recording:
    """The show log: `folder` is where it is; `on`: messages are kept; `dropped`: what could not be."""

    show: str
    folder: str
    on: bool
    dropped: int


class RecordingBody(Body):
    """Whether every message in and out is kept in the show log."""

    on: bool


class SoundcheckBody(Body):
    """A soundcheck. It begins only when you say that levels are down; stages run in a fixed order.

    `playing`: what the traffic run plays instead of synthetic playing: the name of a show that was recorded,
    or a Standard MIDI File inside the rig folder.
    """

    levels_down: bool = False
    stages: OrLeftOut[Annotated[list[Stage], Field(min_length=1)]] = None
    seconds: Annotated[int, Field(ge=1, le=3600)] = 30
    dwell_seconds: Annotated[int, Field(ge=0, le=600)] = 2
    unplug: OrLeftOut[Line] = None
    playing: OrLeftOut[Line] = None


class Reports(Protocol):
    """Who makes jitter reports."""

    def report(self) -> Report:
        """Return the one of the show so far."""

    async def last_minute(self) -> Report:
        """Return the one on the last minute."""


class ReportHandlers:
    """Answers with reports, soundchecks and metrics; `cache` is a folder for whoever makes their pages."""

    def __init__(
        self,
        *,
        reports: Reports,
        soundchecks: service.Soundchecks,
        record: ShowLog,
        view: View,
        measurements: Measurements,
        cache: Path,
    ) -> None:
        self._reports = reports
        self._soundchecks = soundchecks
        self._record = record
        self._view = view
        self._measurements = measurements
        self._cache = cache
        self._metrics: Metrics | None = None

    @OPERATIONS.add(
        "GET",
        "/v1/report",
        "The jitter report, as JSON, text or a page (Accept, or ?format=); of the show, or ?span=minute",
        "Report",
        media=(JSON, TEXT, HTML),
        parameters=(
            _FORMAT,
            Parameter("span", "Of the whole show so far, or of its last minute", "minute", choices=SPANS),
            Parameter("show", "Of a show that is kept, by its name; without `span`"),
        ),
        problems=("wrong-query", "no-page", "no-show", "disk-silent"),
    )
    async def report(self, call: Call[Nothing]) -> JsonObject | web.Response:
        """How steady every port's clock is, in figures, with a verdict on each and what to do about it."""
        query = call.request.query
        wanted = wanted_format(call.request)
        if "show" in query:
            report = await self._kept(query["show"])
        elif query.get("span", "show") == "show":
            report = self._reports.report()
        else:
            report = await self._reports.last_minute()
        return await self._in_format(report, wanted)

    async def _kept(self, show: str) -> Report:
        """Return the report of a show that is kept."""
        names = await self._record.kept()
        if show not in names:
            raise ProblemError("no-show", f"there is no show {quote(show)}; {suggest(show, names)}")
        try:
            return await self._record.report_of(show)
        except RecordError as error:
            raise ProblemError("no-show", str(error)) from error

    @OPERATIONS.add(
        "GET",
        "/v1/shows",
        "The names of all shows that are kept, oldest first",
        Shows,
        problems=("disk-silent",),
    )
    async def shows(self, _call: Call[Nothing]) -> Shows:
        """Their reports are `GET /v1/report?show=NAME`."""
        return Shows(tuple(await self._record.kept()), self._record.name)

    async def _in_format(self, document: Report | Soundcheck, wanted: str) -> JsonObject | web.Response:
        """Return a report in one of FORMATS."""
        if wanted == "text":
            text = render_text(document) if isinstance(document, Report) else render_soundcheck(document)
            return text_response(text, {"Vary": "Accept"})
        if wanted == "html":
            room = "report" if isinstance(document, Report) else "soundcheck"
            try:
                page = await make_page(document, f"routerd.server.{room}.page", self._cache)
            except PageError as error:
                raise ProblemError("no-page", str(error)) from error
            return web.Response(text=page, content_type=HTML, charset="utf-8", headers=_PAGE_HEADERS)
        return to_plain(document)

    @OPERATIONS.add(
        "POST",
        "/v1/soundcheck",
        "Begin a soundcheck: TURN LEVELS DOWN FIRST, it plays notes and sends patches",
        SoundcheckState,
        body=SoundcheckBody,
        example='{"levels_down": true, "seconds": 30}',
        problems=("refused", "levels-up", "disk-silent"),
    )
    async def begin_soundcheck(self, call: Call[SoundcheckBody]) -> SoundcheckState:
        """Its stages run in a fixed order; GET /v1/soundcheck/state shows how far it is. Turn amplifiers,
        monitors and in-ear levels down first, and mute the PA: it plays notes and sends patches."""
        body = call.body
        if not body.levels_down:
            raise ProblemError("levels-up", " ".join(CAUTIONS))
        stages = STAGES if body.stages is None else tuple(body.stages)
        plan = Plan(stages, body.seconds, body.dwell_seconds, body.unplug, body.playing)
        await self._soundchecks.start(plan)
        return await self._soundchecks.state()

    @OPERATIONS.add(
        "POST",
        "/v1/soundcheck/stop",
        "Stop it; what it has measured is kept",
        SoundcheckState,
        body=Nothing,
        problems=("refused", "disk-silent"),
    )
    async def stop_soundcheck(self, _call: Call[Nothing]) -> SoundcheckState:
        """The one that is under way ends now; what it has found so far becomes its result."""
        await self._soundchecks.stop()
        return await self._soundchecks.state()

    @OPERATIONS.add(
        "GET",
        "/v1/soundcheck/state",
        "Where the soundcheck is that is under way",
        SoundcheckState,
        problems=("disk-silent",),
    )
    async def soundcheck_state(self, _call: Call[Nothing]) -> SoundcheckState:
        """The stages that are over and the one under way, what it waits for, and the cautions."""
        return await self._soundchecks.state()

    @OPERATIONS.add(
        "GET",
        "/v1/soundcheck",
        "The newest soundcheck that has ended (?name=: another that is kept), as JSON, text or a page",
        "Soundcheck",
        media=(JSON, TEXT, HTML),
        parameters=(_FORMAT, Parameter("name", "Another one that is kept, by its name")),
        problems=("wrong-query", "no-page", "no-soundcheck", "disk-silent"),
    )
    async def soundcheck(self, call: Call[Nothing]) -> JsonObject | web.Response:
        """Its verdict on every device, what to do, and all that it has measured."""
        wanted = wanted_format(call.request)
        name = call.request.query.get("name")
        names = await self._soundchecks.names()
        if name is not None and name not in names:
            raise ProblemError(
                "no-soundcheck", f"there is no soundcheck {quote(name)}; {suggest(name, names)}"
            )
        document = await self._soundchecks.document(name)
        if document is None:
            raise ProblemError("no-soundcheck", "no soundcheck has been made yet, or its file makes no sense")
        return await self._in_format(document, wanted)

    @OPERATIONS.add(
        "GET",
        "/v1/soundchecks",
        "The names of all soundchecks that are kept, oldest first",
        Soundchecks,
        problems=("disk-silent",),
    )
    async def soundchecks(self, _call: Call[Nothing]) -> Soundchecks:
        """Any of them is there by its name, as /v1/soundcheck?name=."""
        return Soundchecks(tuple(await self._soundchecks.names()))

    @OPERATIONS.add(
        "POST",
        "/v1/soundcheck/offsets",
        "Write the offsets that the newest soundcheck suggests into rig.yaml, and load it",
        Offsets,
        body=Nothing,
        problems=_RIG_PROBLEMS,
    )
    async def write_offsets(self, _call: Call[Nothing]) -> Offsets:
        """Offsets bring devices together whose sound comes late by a known time. Comments and all else in
        the file stay as they are."""
        return await self._soundchecks.write_offsets()

    @OPERATIONS.add(
        "POST",
        "/v1/soundcheck/silent",
        "Mark devices that were silent in the newest soundcheck's roll call in rig.yaml (identity-reply: "
        "false), and load it",
        SilentDevices,
        body=Nothing,
        problems=_RIG_PROBLEMS,
    )
    async def mark_silent(self, _call: Call[Nothing]) -> SilentDevices:
        """Devices that do not answer an identity request are not asked again. Comments and all else in the
        file stay as they are."""
        return await self._soundchecks.write_silent()

    @OPERATIONS.add("GET", "/v1/recording", "The show log of this show", Recording)
    async def recording(self, _call: Call[Body]) -> Recording:
        """Where this show is logged, and whether whole messages are kept in it."""
        log = self._record
        return Recording(log.name, str(log.folder), log.recording, log.dropped)

    @OPERATIONS.add(
        "POST",
        "/v1/recording",
        "Keep every message in and out in the show log, or no longer",
        Recording,
        body=RecordingBody,
        example='{"on": true}',
    )
    async def record(self, call: Call[RecordingBody]) -> Recording:
        """Songs, events and figures are logged in any case; this is about every message in and out."""
        self._record.record(on=call.body.on)
        return await self.recording(call)

    @OPERATIONS.add(
        "GET",
        "/metrics",
        "Totals, states and the figures of the last minute, as OpenMetrics or the classic text",
        media=(METRICS, TEXT),
        needs_rig=False,
    )
    async def metrics(self, call: Call[Nothing]) -> web.Response:
        """For a scraper, in the form that its Accept prefers. What goes up and down is a gauge, totals are
        counters since a process was started."""
        if "routerd.server.http.metrics" not in sys.modules:
            await asyncio.to_thread(importlib.import_module, "routerd.server.http.metrics")
        from routerd.server.http.metrics import CONTENT_TYPES, Metrics

        if self._metrics is None:
            self._metrics = Metrics(self._view, self._measurements, lambda: self._record.dropped)
        media = best_media(call.request.headers.getall("Accept", []), (METRICS, TEXT)) or METRICS
        body = await self._metrics.text(media, self._soundchecks.last)
        headers = {"Content-Type": CONTENT_TYPES[media], "Cache-Control": "no-store", "Vary": "Accept"}
        return web.Response(body=body, headers=headers)


def wanted_format(request: web.Request) -> str:
    """Return which of FORMATS a request asks for by its query or its Accept header."""
    if given := request.query.get("format"):
        return given
    media = best_media(request.headers.getall("Accept", []), tuple(_FORM_OF_MEDIA))
    return _FORM_OF_MEDIA[media or JSON]
