"""The tuning line over HTTP, in numbers that are worked out in test_tuning of the core."""

from __future__ import annotations

from server_service import Service

from routerd.server.http.show_handlers import TuningNoteBody


async def test_the_songs_tuning_line(service: Service) -> None:
    """Copper Ferry is in D minor: D3 is note 50, 440 × 2^(-19/12) = 146.8324 Hz."""
    line = (await service.ask("GET", "/v1/tuning")).json
    assert (line["song"], line["title"]) == ("copper-ferry", "Copper Ferry")
    assert (line["key"], line["name"]) == ("D minor", "D3")
    assert line["frequency_hz"] == 146.8324
    assert line["volts"] == round(14 / 12, 4)  # from C2, note 36
    line = (await service.ask("GET", "/v1/tuning?measured=445&concert-pitch=442&zero=C4&note=A4")).json
    assert (line["note"], line["volts"], line["off_cents"]) == (69, 0.75, 11.71)
    line = (await service.ask("GET", "/v1/tuning?measured=262")).json
    assert (line["name"], line["off_cents"]) == ("C4", 2.48)


async def test_what_is_no_frequency_or_note(service: Service) -> None:
    for query in (
        "measured=0",
        "measured=x",
        "measured=nan",
        "note=H2",
        "zero=200",
        "concert-pitch=44",
    ):
        answer = await service.ask("GET", f"/v1/tuning?{query}")
        assert (answer.status, answer.json["type"]) == (422, "/problems/wrong-query"), query


async def test_a_note_to_tune_by_is_in_the_status(service: Service) -> None:
    answer = await service.ask("POST", "/v1/tuning/note", {"device": "lead-synth"})
    tuning = answer.json["tuning_note"]
    assert (tuning["device"], tuning["channel"], tuning["note"]) == ("lead-synth", 1, 50)
    assert 50 < tuning["seconds_left"] <= 60
    answer = await service.ask("POST", "/v1/tuning/note", {"device": "lead-synth", "on": False})
    assert answer.json["tuning_note"] is None
    answer = await service.ask("POST", "/v1/tuning/note", {"device": "pads"})
    assert answer.status == 404


async def test_a_note_to_tune_by_is_soft_limited_in_length_and_ended_by_panic(service: Service) -> None:
    assert TuningNoteBody.model_fields["velocity"].default == 20  # as the soundcheck plays
    answer = await service.ask("POST", "/v1/tuning/note", {"device": "lead-synth", "seconds": 601})
    assert answer.status == 422
    await service.ask("POST", "/v1/tuning/note", {"device": "lead-synth", "seconds": 600})
    answer = await service.ask("POST", "/v1/panic")
    assert answer.json["tuning_note"] is None
