"""What can be read of the show: status, health, songs, the stream of events; and notes to tune by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from math import isfinite
from time import monotonic_ns
from typing import Annotated, Protocol

from aiohttp import web
from pydantic import Field

from routerd.core.errors import NotFoundError
from routerd.core.midi import tuning
from routerd.core.model.codec import JsonObject
from routerd.core.model.events import KINDS
from routerd.core.units import parse_note
from routerd.server.feed import MOST_READERS, EventHub, wall_time
from routerd.server.health import lines_of
from routerd.server.http.bodies import Body, Line, Nothing, OrLeftOut
from routerd.server.http.command_handlers import PROBLEMS
from routerd.server.http.negotiation import Parameter
from routerd.server.http.operation import STREAM, Call, Operations, json_response, plain, send_frames
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import SongFacts, Status
from routerd.server.rigfiles.problems import quote, suggest
from routerd.server.view import View

OPERATIONS = Operations("show")

LAST_EVENT_ID = Parameter(
    "Last-Event-ID",
    "The id of the last event that you have seen: what you have missed comes first",
    place="header",
)

ZERO_NOTE = 36
"""C2 is 0 V where nobody says otherwise; boxes differ."""


@dataclass(frozen=True, slots=True)
class Tuning:
    """A note for the song that is on (or asked for): what it should be, and how far a measured one is off.

    `volts` at a volt per octave where `zero_note` is 0 V: common practice, boxes differ. `off_cents` is
    positive where the measured frequency is sharp.
    """

    song: str | None
    title: str | None
    key: str
    concert_pitch_hz: float
    note: int
    name: str
    frequency_hz: float
    zero_note: int
    volts: float
    measured_hz: float | None
    off_cents: float | None


@dataclass(frozen=True, slots=True)
class TimeNow:
    """What time it is in the middle of this request: `monotonic_ns` on the clock that all `at_ns` are of, in
    ns of this machine's CLOCK_MONOTONIC, and `at` on the wall clock, in UTC. Half of how long the answer
    took is the most by which either can be wrong for whoever asked."""

    monotonic_ns: int
    at: str


@dataclass(frozen=True, slots=True)
class Songs:
    """Every song that can be played now, by title."""

    songs: tuple[SongFacts, ...]


class Sounding(Protocol):
    """Who sounds notes; see routerd.server.link_client."""

    async def sound(self, device: str, channel: int, note: int, velocity: int, seconds: int) -> None:
        """Sound a note to tune by."""

    async def take_over(self) -> None:
        """Have the spare take over."""


class TuningNoteBody(Body):
    """A note on a device (the song's to tune by when left out), soft unless asked otherwise, until `on` is
    false, until panic, or for `seconds`: turn the level down first."""

    device: Line
    channel: Annotated[int, Field(ge=1, le=16)] = 1
    note: OrLeftOut[Annotated[int, Field(ge=0, le=127)]] = None
    velocity: Annotated[int, Field(ge=1, le=127)] = tuning.SOFT
    seconds: Annotated[int, Field(ge=1, le=tuning.LONGEST_TUNING_S)] = tuning.TUNING_S
    on: bool = True


class ShowHandlers:
    """Answers from `view`, with `status`, and from the hub of events; has notes to tune by sounded."""

    def __init__(self, view: View, status: Callable[[], Status], hub: EventHub, sounding: Sounding) -> None:
        self._view = view
        self._status = status
        self._hub = hub
        self._sounding = sounding

    @OPERATIONS.add("GET", "/v1/status", "Where the show is, and how everything is", Status, parts=True)
    async def status(self, call: Call[Nothing]) -> Status | JsonObject:
        """Song, section, what is next and armed, transport, tempo and position, ports, both processes, and
        everything that is wrong. Asking costs the engine nothing. `?fields=song,tempo,position` leaves out
        all but these."""
        status = self._status()
        if (wanted := call.request.query.get("fields")) is None:
            return status
        names = [name.strip() for name in wanted.split(",") if name.strip()]
        known = [one.name for one in fields(Status)]
        for name in names:
            if name not in known:
                raise ProblemError(
                    "wrong-query", f"fields: there is no {quote(name)}; {suggest(name, known)}"
                )
        return {name: plain(getattr(status, name)) for name in names}

    @OPERATIONS.add(
        "GET",
        "/v1/health",
        "200 and [] when all is well, or 503 and what is wrong, each line with its remedy",
        "Lines",
        statuses=(200, 503),
        needs_rig=False,
    )
    async def health(self, _call: Call[Nothing]) -> web.Response:
        """What is wrong, as `problems` in the status: for a monitoring program that looks at the status code
        alone, and for people who want to know what to do."""
        view = self._view
        lines = [str(line) for line in lines_of(view, monotonic_ns())] if view.greeted else []
        if not view.ready:
            lines.append("the rig folder is still being loaded; ask again in a second")
        return json_response(lines, 503 if lines else 200)

    @OPERATIONS.add("GET", "/v1/songs", "Every song that can be played", Songs)
    async def songs(self, _call: Call[Nothing]) -> Songs:
        """Every song of the rig folder, in tonight's set list or not, with its sections and checklist."""
        return Songs(tuple(self._view.with_done(facts) for facts in self._view.songs.values()))

    @OPERATIONS.add(
        "GET",
        "/v1/songs/{song}",
        "One song, by its file's name",
        SongFacts,
        parameters=(Parameter("song", "The song's file name, without its ending", "low-tide", place="path"),),
        problems=("unknown-song",),
    )
    async def song(self, call: Call[Nothing]) -> SongFacts:
        """One song with its sections, its checklist and what of it is done."""
        songs, song = self._view.songs, call.request.match_info["song"]
        if song not in songs:
            remedy = suggest(song, songs)
            raise ProblemError("unknown-song", f"there is no song {quote(song)}; {remedy}")
        return self._view.with_done(songs[song])

    @OPERATIONS.add("GET", "/v1/time", "What time it is here, to compare clocks", TimeNow, needs_rig=False)
    async def time(self, _call: Call[Nothing]) -> TimeNow:
        """The clock that events and the status count on, and the wall clock, at the same moment."""
        now_ns = monotonic_ns()
        return TimeNow(now_ns, wall_time(now_ns))

    @OPERATIONS.add(
        "GET",
        "/v1/events",
        "What happens, as server-sent events; Last-Event-ID takes up where a reader left off",
        media=(STREAM,),
        parameters=(
            LAST_EVENT_ID,
            Parameter("after", "The same for a first request: the id that the status has"),
            Parameter("beats", "Whether beats are foretold as well", True, "boolean"),
        ),
        problems=("too-many-readers", "wrong-query"),
        needs_rig=False,
        frames=tuple(KINDS.values()),
    )
    async def events(self, call: Call[Nothing]) -> web.StreamResponse:
        """Server-sent events (HTML standard, 9.2) until you go: the stream has no end of its own."""
        request, hub = call.request, self._hub
        beats = request.query.get("beats", "false")
        if hub.readers >= MOST_READERS:
            raise ProblemError("too-many-readers", f"{hub.readers} clients read the events already")

        def cut() -> None:
            if request.transport is not None:
                request.transport.abort()

        last_id = request.headers.get("Last-Event-ID", request.query.get("after"))
        generation = self._view.snapshot.generation
        reader = hub.join(cut, last_id, generation=generation, beats=beats == "true")
        try:
            return await send_frames(request, reader.queue, "events of routerd")
        finally:
            hub.leave(reader)

    @OPERATIONS.add(
        "GET",
        "/v1/tuning",
        "The song's note to tune by: frequency, control voltage, cents off a measured one",
        Tuning,
        parameters=(
            Parameter("note", "Another note than the song's: a number, or a name (C4 is 60)", "A2"),
            Parameter("concert-pitch", "Another frequency of A4 than the song's, in Hz", 442, "number"),
            Parameter("measured", "A frequency that you have measured, in Hz", 109.2, "number"),
            Parameter("zero", "The note that 0 V stands for: a number, or a name", "C2"),
        ),
        problems=("wrong-query",),
    )
    async def tuning(self, call: Call[Nothing]) -> Tuning:
        """What an oscillator should be at, in Hz and in volts at one volt per octave, and how far a
        measured frequency is off in cents. Without a note it is the one nearest to what was measured, or
        the song's."""
        query = call.request.query
        facts = self._view.song
        of_song_hz = facts.concert_pitch_hz if facts else 440.0
        concert_pitch_hz = _hz(query.get("concert-pitch"), "concert-pitch") or of_song_hz
        if not tuning.CONCERT_PITCH_MIN_HZ <= concert_pitch_hz <= tuning.CONCERT_PITCH_MAX_HZ:
            raise ProblemError(
                "wrong-query",
                f"concert-pitch is {tuning.CONCERT_PITCH_MIN_HZ:g} to {tuning.CONCERT_PITCH_MAX_HZ:g} Hz",
            )
        measured_hz = _hz(query.get("measured"), "measured")
        zero = _note(query.get("zero"), "zero")
        note = _note(query.get("note"), "note")
        if note is None and measured_hz is not None:
            note = tuning.nearest_note(measured_hz, concert_pitch_hz)
        if note is None:
            note = facts.tuning_note if facts else tuning.A4
        wanted_hz = tuning.note_hz(note, concert_pitch_hz)
        zero = ZERO_NOTE if zero is None else zero
        return Tuning(
            song=facts.song if facts else None,
            title=facts.title if facts else None,
            key=facts.key if facts else "",
            concert_pitch_hz=concert_pitch_hz,
            note=note,
            name=tuning.note_name(note),
            frequency_hz=round(wanted_hz, 4),
            zero_note=zero,
            volts=round(tuning.volts(note, zero), 4),
            measured_hz=measured_hz,
            off_cents=None if measured_hz is None else round(tuning.cents(measured_hz, wanted_hz), 2),
        )

    @OPERATIONS.add(
        "POST",
        "/v1/tuning/note",
        "Sound a note to tune by ear; turn the level down first",
        Status,
        body=TuningNoteBody,
        example='{"device": "lead-synth", "note": 57}',
        problems=(*PROBLEMS, "unknown-device"),
        brief=True,
    )
    async def sound(self, call: Call[TuningNoteBody]) -> Status:
        """Sound a note on a device while somebody tunes, or end it. It is soft unless asked otherwise and
        ends by itself; turn amplifiers, monitors and in-ear levels down first."""
        body, facts = call.body, self._view.song
        note = body.note if body.note is not None else facts.tuning_note if facts else tuning.A4
        velocity = body.velocity if body.on else 0
        try:
            await self._sounding.sound(body.device, body.channel - 1, note, velocity, body.seconds)
        except NotFoundError as error:
            raise ProblemError("unknown-device", str(error)) from error
        return self._status()

    @OPERATIONS.add(
        "POST",
        "/v1/takeover",
        "Have the spare take over from the engine",
        Status,
        problems=PROBLEMS,
    )
    async def take_over(self, _call: Call[Nothing]) -> Status:
        """Swaps the two on purpose, as a test before doors: ticks and notes go on, and so does the API.
        Answered before it happens, with the spare as it was; refused where none is ready."""
        await self._sounding.take_over()
        return self._status()


def _hz(text: str | None, name: str) -> float | None:
    if text is None:
        return None
    try:
        hz = float(text)
    except ValueError:
        hz = float("nan")
    if not (isfinite(hz) and 0 < hz <= 100_000):
        raise ProblemError("wrong-query", f"{name} is a frequency in Hz such as 109.7, not {quote(text)}")
    return hz


def _note(text: str | None, name: str) -> int | None:
    try:
        return None if text is None else parse_note(text)
    except ValueError as error:
        raise ProblemError("wrong-query", f"{name}: {error}") from error
