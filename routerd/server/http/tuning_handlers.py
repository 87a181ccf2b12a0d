"""Tuning over HTTP: what a note should be, how far a measured frequency is off, and a note to tune by ear."""

from __future__ import annotations

from math import isfinite

from routerd.core.midi import tuning
from routerd.core.units import parse_note
from routerd.server.http.bodies import TuningNoteBody
from routerd.server.http.handlers import Call, get_status
from routerd.server.http.problems import ProblemError
from routerd.server.http.shapes import Status, Tuning
from routerd.server.rigfiles.problems import shown

ZERO_NOTE = 36
"""C2 is 0 V where nobody says otherwise; boxes differ."""


async def get_tuning(call: Call) -> Tuning:
    """The song's tuning line, or any other note's."""
    query = call.request.query
    facts = call.app.view.song
    reference_hz = _hz(query.get("reference"), "reference") or (facts.reference_hz if facts else 440.0)
    if not tuning.REFERENCE_MIN_HZ <= reference_hz <= tuning.REFERENCE_MAX_HZ:
        raise ProblemError(
            "wrong-query", f"reference is {tuning.REFERENCE_MIN_HZ:g} to {tuning.REFERENCE_MAX_HZ:g} Hz"
        )
    measured_hz = _hz(query.get("measured"), "measured")
    zero = _note(query.get("zero"), "zero")
    note = _note(query.get("note"), "note")
    if note is None and measured_hz is not None:
        note = tuning.nearest_note(measured_hz, reference_hz)
    if note is None:
        note = facts.tuning_note if facts else tuning.A4
    wanted_hz = tuning.note_hz(note, reference_hz)
    zero = ZERO_NOTE if zero is None else zero
    return Tuning(
        song=facts.title if facts else None,
        key=facts.key if facts else "",
        reference_hz=reference_hz,
        note=note,
        name=tuning.note_name(note),
        frequency_hz=round(wanted_hz, 4),
        zero_note=zero,
        volts=round(tuning.volts(note, zero), 4),
        measured_hz=measured_hz,
        off_cents=None if measured_hz is None else round(tuning.cents(measured_hz, wanted_hz), 2),
    )


async def post_tuning_note(call: Call) -> Status:
    """Sound a note on a device while somebody tunes, or end it."""
    body: TuningNoteBody = call.body
    facts = call.app.view.song
    note = body.note if body.note is not None else facts.tuning_note if facts else tuning.A4
    velocity = body.velocity if body.on else 0
    await call.app.link.sound(body.device, body.channel - 1, note, velocity, body.seconds)
    return await get_status(call)


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
