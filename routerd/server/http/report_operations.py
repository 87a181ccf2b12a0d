"""The part of the API's table that is about figures: reports, soundchecks, the show log, metrics."""

from __future__ import annotations

from routerd.server.http import report_handlers
from routerd.server.http.bodies import Nothing, RecordingBody, SoundcheckBody
from routerd.server.http.operation import HTML, JSON, METRICS, TEXT, Operation
from routerd.server.http.shapes import Offsets, Recording, SilentDevices, Soundchecks, SoundcheckState

REPORT_OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "GET",
        "/v1/report",
        report_handlers.get_report,
        "The jitter report, as JSON, text or a page (Accept, or ?format=text or html); "
        "?span=minute: of the last minute",
        "Report",
        media=(JSON, TEXT, HTML),
        query=("format", "span"),
        problems=("wrong-query", "no-page"),
    ),
    Operation(
        "POST",
        "/v1/soundcheck",
        report_handlers.post_soundcheck,
        "Begin a soundcheck: TURN LEVELS DOWN FIRST, it plays notes and sends patches",
        SoundcheckState,
        body=SoundcheckBody,
        example='{"levels_down": true, "seconds": 30}',
        problems=("refused", "levels-up", "disk-silent"),
    ),
    Operation(
        "POST",
        "/v1/soundcheck/stop",
        report_handlers.post_soundcheck_stop,
        "Stop it; what it has measured is kept",
        SoundcheckState,
        body=Nothing,
        problems=("refused", "disk-silent"),
    ),
    Operation(
        "GET",
        "/v1/soundcheck/state",
        report_handlers.get_soundcheck_state,
        "Where the soundcheck is that is under way",
        SoundcheckState,
        problems=("disk-silent",),
    ),
    Operation(
        "GET",
        "/v1/soundcheck",
        report_handlers.get_soundcheck,
        "The newest soundcheck that has ended (?name=: another that is kept), as JSON, text or a page",
        "Soundcheck",
        media=(JSON, TEXT, HTML),
        query=("format", "name"),
        problems=("wrong-query", "no-page", "no-soundcheck", "disk-silent"),
    ),
    Operation(
        "GET",
        "/v1/soundchecks",
        report_handlers.get_soundchecks,
        "The names of all soundchecks that are kept, oldest first",
        Soundchecks,
        problems=("disk-silent",),
    ),
    Operation(
        "POST",
        "/v1/soundcheck/offsets",
        report_handlers.post_offsets,
        "Write the offsets that the newest soundcheck suggests into rig.yaml, and load it",
        Offsets,
        body=Nothing,
        problems=("refused", "broken-files", "engine-refused", "engine-silent", "disk-silent"),
    ),
    Operation(
        "POST",
        "/v1/soundcheck/silent",
        report_handlers.post_silent,
        "Mark devices that were silent in the newest soundcheck's roll call in rig.yaml (answers: false), "
        "and load it",
        SilentDevices,
        body=Nothing,
        problems=("refused", "broken-files", "engine-refused", "engine-silent", "disk-silent"),
    ),
    Operation("GET", "/v1/recording", report_handlers.get_recording, "The show log of this show", Recording),
    Operation(
        "POST",
        "/v1/recording",
        report_handlers.post_recording,
        "Keep every message in and out in the show log, or no longer",
        Recording,
        body=RecordingBody,
        example='{"on": true}',
    ),
    Operation(
        "GET",
        "/metrics",
        report_handlers.get_metrics,
        "Totals, and the figures of the last minute, as OpenMetrics",
        media=(METRICS,),
    ),
)
