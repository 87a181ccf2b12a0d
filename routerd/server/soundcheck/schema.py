"""The JSON Schema (2020-12) of a soundcheck's document."""

from __future__ import annotations

from routerd.core.model.plain import Plain
from routerd.server.report.schema import REPORT_SCHEMA, record

_TEXT: Plain = {"type": "string"}
_TEXTS: Plain = {"type": "array", "items": _TEXT}
_COUNT: Plain = {"type": "integer", "minimum": 0}
_NUMBER: Plain = {"type": "number"}
_TIME: Plain = {"type": ["number", "null"], "description": "µs; null: too few values for it to mean anything"}
_TIMES = record({"min": _TIME, "p50": _TIME, "p99": _TIME, "p99_9": _TIME, "max": _TIME})
_COMPARED = record({"name": _TEXT, "worse": _TEXTS, "better": _TEXTS}, type=["object", "null"])


def _rows(properties: Plain) -> Plain:
    return {"type": "array", "items": record(properties)}


SOUNDCHECK_SCHEMA: Plain = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Soundcheck",
    **record(
        {
            "kind": {"const": "soundcheck"},
            "schema": {"const": 1},
            "name": _TEXT,
            "began": {"type": "string", "format": "date-time"},
            "rig": _TEXT,
            "set_list": _TEXT,
            "ended": {**_TEXT, "description": "complete, stopped, or failed with the reason"},
            "cautions": _TEXTS,
            "stages": _rows(
                {
                    "stage": _TEXT,
                    "state": {"enum": ["done", "stopped"]},
                    "seconds": _NUMBER,
                    "words": _TEXT,
                }
            ),
            "machine": _rows(
                {
                    "fact": _TEXT,
                    "grade": {"enum": ["pass", "warn", "unknown"]},
                    "words": _TEXT,
                    "remedy": _TEXT,
                }
            ),
            "devices": _rows(
                {
                    "device": _TEXT,
                    "title": _TEXT,
                    "verdict": {"enum": ["pass", "fail", "unknown"]},
                    "measured": {"enum": ["loop", "sending side", "port only"]},
                    "why": _TEXTS,
                    "todo": _TEXTS,
                }
            ),
            "roll_call": _rows(
                {
                    "device": _TEXT,
                    "state": {"enum": ["answered", "silent", "not asked"]},
                    "words": _TEXT,
                    "identity": record(
                        {
                            "channel": _COUNT,
                            "manufacturer": _TEXT,
                            "family": _COUNT,
                            "member": _COUNT,
                            "version": _TEXT,
                        },
                        type=["object", "null"],
                    ),
                }
            ),
            "loops": _rows(
                {
                    "device": _TEXT,
                    "hears": {**_TEXT, "description": "the device at whose input it came back"},
                    "probes": _COUNT,
                    "probes_cut": {**_COUNT, "description": "pieces of probes that a tick cut: not measured"},
                    "lost": _COUNT,
                    "latency_us": _TIMES,
                    "wire_us": {**_NUMBER, "description": "how much of it the DIN wire takes for a probe"},
                    "ticks": _COUNT,
                    "tick_latency_us": _TIMES,
                }
            ),
            "offsets": {
                **_rows({"device": _TEXT, "offset_ms": _NUMBER}),
                "description": "how much later each clock may go out so that all arrive with the slowest",
            },
            "traffic": record(
                {
                    "song": _TEXT,
                    "section": _COUNT,
                    "messages": _COUNT,
                    "devices": _TEXTS,
                    "playing": {**_TEXT, "description": "synthetic, or the recorded show or file"},
                    "left_out": {**_COUNT, "description": "recorded messages that were not played again"},
                    "unknown": {**_TEXTS, "description": "what was recorded of, and is not in this rig"},
                },
                type=["object", "null"],
            ),
            "song_changes": _rows(
                {
                    "number": _COUNT,
                    "song": _TEXT,
                    "answered_ms": _NUMBER,
                    "messages": _COUNT,
                    "bytes": _COUNT,
                    "handed_over_ms": {**_NUMBER, "description": "until a port had the last of its messages"},
                    "settled": {"type": "boolean"},
                }
            ),
            "unplug": record(
                {
                    "device": _TEXT,
                    "noticed": {"type": "array", "items": _NUMBER},
                    "came_back": {"type": "boolean"},
                },
                type=["object", "null"],
            ),
            "comparison": record({"last": _COMPARED, "best": _COMPARED}),
            "report": {k: v for k, v in REPORT_SCHEMA.items() if k not in ("$schema", "$defs")},
        }
    ),
    "$defs": REPORT_SCHEMA["$defs"],
}
