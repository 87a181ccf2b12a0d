"""The JSON Schema (2020-12) of a report."""

from __future__ import annotations

from typing import Any

Plain = dict[str, Any]

_COUNT: Plain = {"type": "integer", "minimum": 0}
_TIME: Plain = {"type": ["number", "null"], "description": "µs; null: too few values for it to mean anything"}


def record(properties: Plain, **more: Any) -> Plain:
    """Return the schema of an object that has exactly these properties."""
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
        **more,
    }


_VERDICT = record(
    {
        "grade": {"enum": ["steady", "fair", "unsteady", "bad", "failed", "unknown"]},
        "findings": {
            "type": "array",
            "items": {"enum": ["missed", "doubled", "stall", "jitter", "wander", "delay", "drift"]},
        },
        "words": {"type": "string"},
        "advice": {"type": "array", "items": {"type": "string"}},
    }
)

_DRIFT = record(
    {
        "ppm": {"type": "number", "description": "slope of lateness against due time"},
        "uncertainty_ppm": {"type": "number", "minimum": 0, "description": "two standard errors"},
        "accumulated_us": {"type": "number", "description": "what it came to from first tick to last"},
        "found": {"type": "boolean", "description": "beyond its uncertainty and over 1 ms in all"},
    },
    type=["object", "null"],
)

_FIGURES: Plain = {
    "ticks": {**_COUNT, "description": "sent and recorded"},
    "missed": {**_COUNT, "description": "never sent though the port was open"},
    "doubled": {**_COUNT, "description": "sent again under the same number"},
    "unrecorded": {**_COUNT, "description": "records lost on the way to the report; may have been sent"},
    "away": {**_COUNT, "description": "not sent because the port was closed"},
    "stalls": {**_COUNT, "description": "ticks over 6 ms later against the grid than the one before"},
    "longest_stall_us": {"type": "number", "minimum": 0},
    "lateness_us": record(
        {"p50": _TIME, "p99": _TIME, "p99_9": _TIME, "max": _TIME, "min": _TIME},
        description="sent minus due; a missed tick counts until its port's next tick; negative is early",
    ),
    "interval_deviation_us": record(
        {"p50": _TIME, "p99": _TIME, "p99_9": _TIME, "max": _TIME},
        description="|actual minus intended interval| of consecutive ticks on one port",
    ),
    "worst_at_s": {
        "type": ["number", "null"],
        "description": "when the largest interval deviation was, from the start",
    },
    "drift": _DRIFT,
    "heard_us": {"type": "number", "description": "displacement that is heard on sixteenths at this tempo"},
    "verdict": _VERDICT,
}

_POINTS = {
    "type": "array",
    "items": record(
        {
            "ticks": {**_COUNT, "description": "observation time"},
            "s": {"type": "number", "description": "the same in seconds, at the mean interval of ticks"},
            "us": {"type": "number"},
        }
    ),
}
_BINS = {
    "type": "array",
    "items": record({"to_us": {"type": "number"}, "count": _COUNT}),
    "description": "how many lie up to each limit and over the one before; 0: early or exact",
}

_CURVES = record(
    {
        "port": {"type": "string"},
        "bucket_s": {"type": "number", "description": "width of a step of lateness"},
        "lateness": {
            "type": "array",
            "items": record(
                {
                    "at_s": {"type": "number"},
                    "ticks": _COUNT,
                    "min_us": {"type": "number"},
                    "mean_us": {"type": "number"},
                    "max_us": {"type": "number"},
                }
            ),
        },
        "lateness_bins": _BINS,
        "deviation_bins": _BINS,
        "mtie": {
            **_POINTS,
            "description": "largest peak to peak lateness within any such time (ITU-T G.810, MTIE)",
        },
        "tdev": {**_POINTS, "description": "time deviation at such averaging times (NIST SP 1065, TDEV)"},
    }
)

_SHARE = {"type": "number", "minimum": 0}
_LOAD = record({"mean_percent": _SHARE, "max_percent": _SHARE}, description="of one processor")

TRAFFIC: Plain = {
    "wires": {
        "type": "array",
        "items": record(
            {
                "port": {"type": "string"},
                "wire": {"enum": ["din", "usb", "virtual", None]},
                "messages": _COUNT,
                "bytes": _COUNT,
                "thinned": {**_COUNT, "description": "values that a newer one replaced before they went out"},
                "mean_bytes_per_s": _SHARE,
                "max_bytes_per_s": _COUNT,
                "mean_percent": {**_SHARE, "type": ["number", "null"], "description": "of a DIN wire"},
                "max_percent": {**_SHARE, "type": ["number", "null"]},
                "most_waiting": {**_COUNT, "description": "most messages that waited for the wire at once"},
                "bucket_s": _SHARE,
                "rates": {
                    "type": "array",
                    "items": record({"at_s": _SHARE, "mean": _SHARE, "max": _SHARE}),
                    "description": "bytes a second",
                },
            }
        ),
    },
    "inputs": {"type": "array", "items": record({"port": {"type": "string"}, "messages": _COUNT})},
    "routing": record(
        {
            "messages": _COUNT,
            "us": record({"p50": _TIME, "p90": _TIME, "p99": _TIME, "p99_9": _TIME, "max": _TIME}),
        },
        description="from a message's arrival until the last port had it, of those that went straight "
        "through; rounded up by at most 13 %",
    ),
    "load": record(
        {
            "engine": _LOAD,
            "server": _LOAD,
            "songs": {
                "type": "array",
                "items": record(
                    {
                        "song": {"type": ["string", "null"]},
                        "seconds": _SHARE,
                        "messages_in": _COUNT,
                        "messages_out": _COUNT,
                        "engine_max_percent": _SHARE,
                    }
                ),
            },
        }
    ),
}
"""The parts that are there where totals of messages were told: not in a report on ticks alone."""

REPORT_SCHEMA: Plain = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Jitter report",
    **record(
        {
            "schema": {"const": 1},
            "duration_s": {"type": "number"},
            "ports_kind": {"type": ["string", "null"]},
            "realtime": {
                "type": ["object", "null"],
                "properties": {
                    "scheduling": {"type": "string"},
                    "priority": {"type": ["integer", "null"]},
                    "memory_locked": {"type": "boolean"},
                    "remedy": {"type": ["string", "null"]},
                },
            },
            "silent_s": {
                "type": ["number", "null"],
                "description": "how long no port has had a tick; null while ticks come",
            },
            "overall": {"$ref": "#/$defs/figures"},
            "ports": {
                "type": "array",
                "items": record({"port": {"type": "string"}, **_FIGURES}),
            },
            "songs": {
                "type": "array",
                "items": record(
                    {"song": {"type": ["string", "null"], "description": "null: no song"}, **_FIGURES}
                ),
            },
            "thresholds": {
                "type": "array",
                "items": record(
                    {
                        "us": {"type": "number"},
                        "meaning": {"type": "string"},
                        "source": {"type": "string"},
                    }
                ),
            },
            "song_changes": {
                "type": "array",
                "items": record({"at_s": {"type": "number"}, "words": {"type": "string"}}),
                "description": "the newest 500",
            },
            "curves": {"type": "array", "items": _CURVES},
            "judged_on": {"type": "string"},
            "limits": {"type": "array", "items": {"type": "string"}},
        }
    ),
    "$defs": {"figures": record(_FIGURES)},
}
REPORT_SCHEMA["properties"].update(TRAFFIC)
