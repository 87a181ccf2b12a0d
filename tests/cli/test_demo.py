"""What the demo tells of what it does; the whole of it is played where the package is installed."""

from __future__ import annotations

from routerd.cli.demo import by_hand, in_short


def test_steps_by_hand_are_text() -> None:
    step = {"number": 1, "text": "Wind the tape to zero", "who": "", "section": "", "done": False}
    other = step | {"text": "Mute the guitar's channel", "who": "Technician", "section": "verse"}
    assert by_hand([step, step | {"done": True}, other]) == [
        "by hand: Wind the tape to zero",
        "by hand: before verse: Mute the guitar's channel (Technician)",
    ]


def test_a_report_in_short_says_what_a_listener_would_notice() -> None:
    late = {"p50": 50.0, "p99": 180.0, "max": 360.0}
    overall = {"ticks": 5670, "missed": 0, "doubled": 0, "lateness_us": late, "heard_us": 6000.0}
    overall["verdict"] = {"grade": "steady", "words": "999 intervals in 1000 are within 185 µs"}
    granted = {"realtime": {"scheduling": "fifo"}}
    lines = in_short({"overall": overall, "ports": [{}] * 6, "duration_s": 21.2, **granted})
    assert lines[0] == "5670 ticks to 6 devices in 21 s, 0 missed, 0 doubled;"
    assert "99 in 100 within 0.18 ms, the latest after 0.36 ms" in lines[1]
    assert lines[2].endswith("the latest tick was late by less than that.")
    assert lines[3] == "All devices together are steady: 999 intervals in 1000 are within 185 µs."
    assert "too short to judge a device by one tick in a thousand" in lines[4]
    assert not any("not permitted" in line for line in lines)
    busy = overall | {"lateness_us": late | {"max": 7000.0}}
    refused = {"realtime": {"scheduling": "other"}}
    worse = in_short({"overall": busy, "ports": [{}], "duration_s": 1, **refused})
    assert any("real-time scheduling is not permitted" in line for line in worse)
    assert "to 1 device in 1 s" in worse[0]
    assert worse[2].endswith("late by that much or more: this computer was busy.")
