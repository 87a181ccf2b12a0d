"""Tuning over HTTP: what a note should be, how far a measured frequency is off, and a note to tune by ear."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite
from typing import Annotated, Protocol

from pydantic import Field

from routerd.core.midi import tuning
from routerd.core.units import parse_note
from routerd.server.http.bodies import Body, Line, Nothing
from routerd.server.http.command_handlers import PROBLEMS
from routerd.server.http.operation import Call, Operations, Query
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import Status, Tuning
from routerd.server.rigfiles.problems import shown
from routerd.server.view import View

ZERO_NOTE = 36
"""C2 is 0 V where nobody says otherwise; boxes differ."""


OPERATIONS = Operations()


class Sounding(Protocol):
    """Who sounds notes; see routerd.server.link_client."""

    async def sound(self, device: str, channel: int, note: int, velocity: int, seconds: int) -> None:
        """Sound a note to tune by."""


class TuningNoteBody(Body):
    """A note on a device (the song's to tune by when left out), soft unless told otherwise, until `on` is
    false, until panic, or for `seconds`: turn the level down first."""

    device: Line
    channel: Annotated[int, Field(ge=1, le=16)] = 1
    note: Annotated[int, Field(ge=0, le=127)] | None = None
    velocity: Annotated[int, Field(ge=1, le=127)] = tuning.SOFT
    seconds: Annotated[int, Field(ge=1, le=tuning.LONGEST_TUNING_S)] = tuning.TUNING_S
    on: bool = True


class TuningHandlers:
    """Answers for the song that is on, and has notes sounded."""

    def __init__(self, view: View, sounding: Sounding, status: Callable[[], Status]) -> None:
        self._view = view
        self._sounding = sounding
        self._status = status

    @OPERATIONS.add(
        "GET",
        "/v1/tuning",
        "The song's note to tune by: frequency, control voltage, cents off (?measured=109.2)",
        Tuning,
        query=(Query("note"), Query("concert-pitch"), Query("measured"), Query("zero")),
        problems=("wrong-query",),
    )
    async def tuning(self, call: Call[Nothing]) -> Tuning:
        """The song's tuning line, or any other note's."""
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
            song=facts.title if facts else None,
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
        problems=(*PROBLEMS, "not-found"),
    )
    async def sound(self, call: Call[TuningNoteBody]) -> Status:
        """Sound a note on a device while somebody tunes, or end it."""
        body, facts = call.body, self._view.song
        note = body.note if body.note is not None else facts.tuning_note if facts else tuning.A4
        velocity = body.velocity if body.on else 0
        await self._sounding.sound(body.device, body.channel - 1, note, velocity, body.seconds)
        return self._status()


def _hz(text: str | None, name: str) -> float | None:
    if text is None:
        return None
    try:
        hz = float(text)
    except ValueError:
        hz = float("nan")
    if not (isfinite(hz) and 0 < hz <= 100_000):
        raise ProblemError("wrong-query", f"{name} is a frequency in Hz such as 109.7, not {shown(text)}")
    return hz


def _note(text: str | None, name: str) -> int | None:
    try:
        return None if text is None else parse_note(text)
    except ValueError as error:
        raise ProblemError("wrong-query", f"{name}: {error}") from error
