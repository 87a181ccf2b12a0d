"""The one table of the API: the routes, the document and the help are all made from it.

More than 400 lines: a table is read as a whole.
"""

from __future__ import annotations

from routerd.server.http import handlers, order_handlers, tuning_handlers
from routerd.server.http.bodies import (
    Body,
    CheckBody,
    ClickBody,
    ContinueBody,
    DropBody,
    EncoreBody,
    InsertBody,
    LearnBody,
    Moment,
    MoveBody,
    MuteBody,
    Nothing,
    NudgeBody,
    RetriggerBody,
    SectionBody,
    SetListBody,
    SongBody,
    SourceBody,
    TapBody,
    TempoBody,
    TuningNoteBody,
)
from routerd.server.http.handlers import Handler
from routerd.server.http.operation import STREAM, TEXT, Operation
from routerd.server.http.report_operations import REPORT_OPERATIONS
from routerd.server.http.shapes import (
    LearningDocument,
    Saved,
    SetListDocument,
    SongFacts,
    Songs,
    Status,
    Tuning,
)

_COMMAND_PROBLEMS = ("refused", "engine-silent")
_ORDER_PROBLEMS = (*_COMMAND_PROBLEMS, "changed-meanwhile")


def _post(
    path: str,
    handler: Handler,
    body: type[Body],
    summary: str,
    *,
    example: str = "",
    problems: tuple[str, ...] = (),
) -> Operation:
    return Operation(
        "POST",
        f"/v1/{path}",
        handler,
        summary,
        answer=Status,
        body=body,
        example=example,
        problems=(*_COMMAND_PROBLEMS, *problems),
    )


OPERATIONS: tuple[Operation, ...] = (
    Operation("GET", "/v1/status", handlers.get_status, "Where the show is, and how everything is", Status),
    Operation(
        "GET",
        "/v1/health",
        handlers.get_health,
        "200 and [] when all is well, or 503 and what is wrong, each line with its remedy",
        "Lines",
        statuses=(200, 503),
        needs_book=False,
    ),
    Operation(
        "GET",
        "/v1/set-list",
        order_handlers.get_set_list,
        "Tonight's running order; its ETag is its revision, and guards edits as If-Match",
        SetListDocument,
    ),
    Operation(
        "PUT",
        "/v1/set-list",
        order_handlers.put_set_list,
        "Change the running order, or take another set; the song that is on stays on",
        SetListDocument,
        body=SetListBody,
        example='{"order": ["Weather Room", "Copper Ferry"]}',
        problems=(*_ORDER_PROBLEMS, "unknown-in-order", "unknown-set-list", "unknown-place"),
    ),
    *(
        Operation(
            "POST",
            f"/v1/set-list/{word}",
            handler,
            summary,
            SetListDocument,
            body=body,
            example=example,
            problems=(*_ORDER_PROBLEMS, *problems),
        )
        for word, handler, summary, body, example, problems in (
            (
                "move",
                order_handlers.post_move,
                "Move a song of the running order",
                MoveBody,
                '{"number": 3, "to": 1}',
                ("unknown-place",),
            ),
            (
                "insert",
                order_handlers.post_insert,
                "Put any song of the library into the running order",
                InsertBody,
                '{"song": "Low Tide", "to": 2}',
                ("unknown-place", "unknown-song"),
            ),
            (
                "drop",
                order_handlers.post_drop,
                "Take a song out of the running order",
                DropBody,
                '{"number": 2}',
                ("unknown-place",),
            ),
            (
                "encore",
                order_handlers.post_encore,
                "Say where the encore begins",
                EncoreBody,
                '{"number": 3}',
                ("unknown-place",),
            ),
            (
                "undo",
                order_handlers.post_undo,
                "Take the last change of the running order back",
                Nothing,
                "",
                (),
            ),
        )
    ),
    Operation(
        "POST",
        "/v1/set-list/save",
        order_handlers.post_save,
        "Write the running order into its file, comments and all else left alone",
        Saved,
        body=Nothing,
        problems=("not-saved",),
    ),
    Operation("GET", "/v1/songs", handlers.get_songs, "Every song that can be played", Songs),
    Operation(
        "GET",
        "/v1/songs/{identifier}",
        handlers.get_song,
        "One song, by its file's name",
        SongFacts,
        problems=("unknown-song",),
    ),
    _post("next", handlers.post_next, Moment, "The next song"),
    _post("previous", handlers.post_previous, Moment, "The previous song"),
    _post(
        "song",
        handlers.post_song,
        SongBody,
        "A song by number or title",
        example='{"title": "Weather Room"}',
        problems=("unknown-song",),
    ),
    _post(
        "section",
        handlers.post_section,
        SectionBody,
        "A section of the song that is on",
        example='{"name": "chorus", "when": "bar"}',
        problems=("unknown-section",),
    ),
    _post("next-section", handlers.post_next_section, Moment, "The next section of the song"),
    _post("previous-section", handlers.post_previous_section, Moment, "The previous section of the song"),
    _post("go", handlers.post_go, Nothing, "Do what is armed, now"),
    _post("cancel", handlers.post_cancel, Nothing, "Forget what is armed"),
    _post("start", handlers.post_start, Moment, "Start from the top"),
    _post("stop", handlers.post_stop, Moment, "Stop, and forget what is armed"),
    _post("continue", handlers.post_continue, ContinueBody, "Go on from where it was stopped, or from a bar"),
    _post(
        "tempo",
        handlers.post_tempo,
        TempoBody,
        "Another tempo from the next tick on, until the song ends or its own is asked for",
        example='{"bpm": 121.5}',
    ),
    _post(
        "song-tempo",
        handlers.post_song_tempo,
        Moment,
        "The song's own tempo again, instead of one that was set by hand",
    ),
    _post("tap", handlers.post_tap, TapBody, "A tap; from the third on they make the tempo"),
    _post("nudge", handlers.post_nudge, NudgeBody, "A little faster or slower", example='{"by": -0.5}'),
    _post("half", handlers.post_half, Nothing, "Half the tempo"),
    _post("double", handlers.post_double, Nothing, "Twice the tempo"),
    _post(
        "retrigger",
        handlers.post_retrigger,
        RetriggerBody,
        "Restart one device's sequence on the next bar, or its own cycle",
        example='{"device": "bass-modular", "at": "bar"}',
        problems=("not-found",),
    ),
    _post(
        "click",
        handlers.post_click,
        ClickBody,
        "The song's click without transport",
        example='{"on": true}',
    ),
    _post(
        "clock-source",
        handlers.post_clock_source,
        SourceBody,
        "Follow a device until the next song, or (null) lead",
        example='{"device": "drum-machine"}',
        problems=("not-found",),
    ),
    _post(
        "mute",
        handlers.post_mute,
        MuteBody,
        "Mute a device or a route; its clock goes on",
        example='{"route": "left hand", "on": true}',
        problems=("unknown-subject",),
    ),
    _post(
        "solo",
        handlers.post_solo,
        MuteBody,
        "Hear only this device or route, and others that are soloed",
        example='{"device": "lead-synth"}',
        problems=("unknown-subject",),
    ),
    _post(
        "check",
        handlers.post_check,
        CheckBody,
        "Tick the next item of the song's checklist off, or any",
        example='{"song": "Nine Lamps", "number": 1}',
        problems=("unknown-song", "not-found"),
    ),
    Operation(
        "POST",
        "/v1/learn",
        handlers.post_learn,
        "Learn from the next message: the entry for a control, or (what: pedal) the ends of a pedal",
        LearningDocument,
        body=LearnBody,
        example='{"what": "control"}',
        problems=_COMMAND_PROBLEMS,
    ),
    Operation(
        "GET",
        "/v1/tuning",
        tuning_handlers.get_tuning,
        "The song's note to tune by: frequency, control voltage, cents off (?measured=109.2)",
        Tuning,
        query=("note", "reference", "measured", "zero"),
        problems=("wrong-query",),
    ),
    _post(
        "tuning/note",
        tuning_handlers.post_tuning_note,
        TuningNoteBody,
        "Sound a note to tune by ear; turn the level down first",
        example='{"device": "lead-synth", "note": 57}',
        problems=("not-found",),
    ),
    Operation("GET", "/v1/learn", handlers.get_learn, "What was learnt last", LearningDocument),
    _post(
        "panic",
        handlers.post_panic,
        Nothing,
        "End all that sounds and forget what is armed; transport goes on",
    ),
    _post(
        "silence",
        handlers.post_silence,
        Nothing,
        "Stop, end all that sounds and forget what is armed, at once",
    ),
    _post(
        "reload",
        handlers.post_reload,
        Nothing,
        "Read the rig folder again; mistakes change nothing",
        problems=("broken-files", "engine-refused"),
    ),
    *REPORT_OPERATIONS,
    Operation(
        "GET",
        "/v1/events",
        handlers.get_events,
        "What happens, as server-sent events; Last-Event-ID takes up where a reader left off",
        media=(STREAM,),
        problems=("too-many-readers",),
        needs_book=False,
    ),
    Operation(
        "GET",
        "/v1/schemas/{name}",
        handlers.get_schema,
        "The JSON Schema of a kind of file: rig, song, set",
        "JsonObject",
        problems=("not-found",),
        needs_book=False,
    ),
    Operation("GET", "/", handlers.get_help, "This page", media=(TEXT,), needs_book=False),
    Operation(
        "GET",
        "/openapi.json",
        handlers.get_openapi,
        "This API as an OpenAPI document",
        "JsonObject",
        needs_book=False,
    ),
    Operation(
        "GET",
        "/problems/{name}",
        handlers.get_problem,
        "A kind of problem in words",
        media=(TEXT,),
        problems=("not-found",),
        needs_book=False,
    ),
)


def help_text(host: str) -> str:
    """Return the page at / for a service that is called `host`."""
    lines = ["routerd: MIDI router and clock. Every path, as a line for curl:", ""]
    for operation in OPERATIONS:
        method = "" if operation.method == "GET" else f"-X {operation.method} "
        body = f" -d '{operation.example}'" if operation.example else ""
        no_buffer = "-N " if STREAM in operation.media else ""
        lines += [f"{operation.summary}:", f"  curl {no_buffer}{method}'{host}{operation.path}'{body}"]
    lines += [
        "",
        'Songs, sections, tempo and transport also take {"when": "bar"}: exactly on the next bar.',
        "When is now, beat, bar, 4 bars, bar 17, release (nothing is held) or press.",
        "Errors are problem documents (RFC 9457); their type is a path here that explains them.",
        "",
    ]
    return "\n".join(lines)
