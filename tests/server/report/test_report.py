"""The jitter report as a whole: known faults in, the right diagnosis out."""

import json
import random
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from itertools import pairwise

import jsonschema
import numpy as np
import pytest

from routerd.core.model import events
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.link.frames import TickRecord
from routerd.link.messages import Realtime
from routerd.server.report import Conditions, Report, TickLog, render_text
from routerd.server.report.document import from_json, json_schema, to_json, to_plain
from routerd.server.report.figures import Deviation, Figures, Lateness, PortFigures
from routerd.server.report.verdict import shared_moment
from tests.stage import port_closed, port_opened

STEP_NS = 20_833_333
"""A tick at 120 BPM: 60 / (24 × 120) s (24 ticks to the quarter note, M1 p. 30)."""
OUTPUTS = ["piano", "drum-synth", "bass-modular"]
SONGS = ["opener", "second-song"]
NO_SONG = 65535
REALTIME = Realtime("fifo", priority=80, memory_locked=True, idle_held=True, remedy=None)
REPORT_SCHEMA = json_schema(Report)

LateBy = Callable[[int, int], int | None]
"""Lateness in ns of (output, tick); None: never sent."""


def _record(tick: int, late_ns: int, output: int = 0, song: int = 0) -> TickRecord:
    return TickRecord(tick, tick * STEP_NS, tick * STEP_NS + late_ns, output, song)


def _played(lateness: LateBy, ticks: int = 3000, outputs: int = 3) -> TickLog:
    log = TickLog(0)
    log.name(OUTPUTS[:outputs], SONGS)
    for tick in range(ticks):
        batch = []
        for output in range(outputs):
            late_ns = lateness(output, tick)
            if late_ns is not None:
                batch.append(_record(tick, late_ns, output, int(tick >= ticks // 2)))
        log.add(batch)
    return log


def _report(
    log: TickLog, ticks: int = 3000, realtime: Realtime | None = REALTIME, ports_kind: str = "alsa"
) -> Report:
    report = log.report(ticks * STEP_NS, Conditions(realtime, ports_kind))
    text = to_json(report)
    jsonschema.Draft202012Validator(REPORT_SCHEMA).validate(json.loads(text, parse_constant=pytest.fail))
    assert from_json(Report, text) == report
    text = render_text(report)
    assert max(map(len, text.splitlines())) <= 100
    return report


def _findings(row: Figures) -> list[str]:
    return list(row.verdict.findings)


def _port(report: Report, name: str) -> PortFigures:
    return next(row for row in report.ports if row.port == name)


def test_schema_is_valid_and_strict() -> None:
    jsonschema.Draft202012Validator.check_schema(REPORT_SCHEMA)
    report = to_plain(_report(TickLog(0)))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(REPORT_SCHEMA).validate({**report, "schema": 2})
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(REPORT_SCHEMA).validate({**report, "overall": {}})


def test_steady_ticks_are_steady() -> None:
    report = _report(_played(lambda output, tick: 50_000 + (tick * 7919 + output) % 200_000))
    assert report.overall.verdict.grade == "steady"
    assert report.overall.verdict.advice == ()
    assert [row.ticks for row in report.ports] == [3000, 3000, 3000]
    assert [(row.song, row.ticks) for row in report.songs] == [
        ("opener", 4500),
        ("second-song", 4500),
    ]


def test_percentiles_agree_with_numpy_on_the_raw_ticks() -> None:
    generator = random.Random(5)
    late = [int(generator.expovariate(1 / 80_000)) - 20_000 for _ in range(3000)]
    row = _report(_played(lambda _, tick: late[tick], outputs=1)).overall
    deviations = [abs(after - before) for before, after in pairwise(late)]
    figures: Lateness | Deviation
    for figures, values in ((row.lateness_us, late), (row.interval_deviation_us, deviations)):
        p50, p99, p99_9 = (figures.p50, 50.0), (figures.p99, 99.0), (figures.p99_9, 99.9 - 1e-9)
        for figure, percentile in (p50, p99, p99_9):
            # NumPy works in floating point: 99.9 % of 3000 comes out a hair above 2997
            expected = np.percentile(values, percentile, method="inverted_cdf") / 1000
            assert figure is not None
            assert expected <= figure <= expected * 1.01 + 0.064
        assert figures.max == max(values) / 1000
    assert row.lateness_us.min == min(late) / 1000 < 0


def test_constant_delay_is_a_delay_and_not_jitter() -> None:
    report = _report(_played(lambda _, tick: 5 * NS_PER_MS))
    assert _findings(report.overall) == ["delay"]
    assert report.overall.verdict.grade == "fair"
    assert report.overall.interval_deviation_us.max == 0
    assert _report(_played(lambda _, tick: 15 * NS_PER_MS)).overall.verdict.grade == "bad"


def test_early_ticks_are_told() -> None:
    report = _report(_played(lambda _, tick: -2 * NS_PER_MS))
    assert "2.0 ms early" in report.overall.verdict.words


def test_uniform_jitter_of_two_milliseconds() -> None:
    generator = random.Random(9)
    report = _report(_played(lambda *_: generator.randrange(2 * NS_PER_MS), ticks=6000))
    figures = report.overall.interval_deviation_us
    # the difference of two uniform values is triangular: P(|d| > x) = (1 − x / 2 ms)²
    assert figures.p50 == pytest.approx(2000 * (1 - 0.5**0.5), rel=0.03)
    assert figures.p99_9 == pytest.approx(2000 * (1 - 0.001**0.5), rel=0.03)
    assert _findings(report.overall) == ["jitter"]
    assert report.overall.verdict.grade == "fair"


@pytest.mark.parametrize(
    ("spread_ms", "grade"), [(0.9, "steady"), (2.9, "fair"), (5.9, "unsteady"), (7, "bad")]
)
def test_grades_follow_the_thresholds(spread_ms: float, grade: str) -> None:
    """1 ms Wessel & Wright; 3 ms Jack et al.; 6 ms Friberg & Sundberg, sixteenths at 120 BPM."""
    report = _report(_played(lambda _, tick: int(spread_ms * NS_PER_MS) * (tick % 2)))
    # every other interval is longer: stalls would be found too above 6 ms
    assert report.overall.verdict.grade == grade


def test_slow_tempo_is_judged_by_two_and_a_half_per_cent_of_a_sixteenth() -> None:
    """Friberg & Sundberg: 2.5 % above 240 ms; a sixteenth at 30 BPM is 500 ms, so 12.5 ms."""
    log = TickLog(0)
    log.add([TickRecord(tick, tick * 83_333_333, tick * 83_333_333, 0, 0) for tick in range(100)])
    assert log.report(0, Conditions()).overall.heard_us == pytest.approx(12_500, rel=1e-6)


def test_one_stall_of_80_ms_is_found_among_many_good_ticks() -> None:
    ends_ns = 1000 * STEP_NS + 80 * NS_PER_MS

    def lateness(_: int, tick: int) -> int:
        return max(40_000, ends_ns - tick * STEP_NS) if tick >= 1000 else 40_000

    report = _report(_played(lateness, ticks=20_000), ticks=20_000)
    for row in report.ports:
        assert row.interval_deviation_us.p99_9 < 1000  # the percentile alone would hide it
        assert _findings(row) == ["stall"]
        assert row.verdict.words == "one stall of 80.0 ms"
        assert row.worst_at_s == pytest.approx(1000 * STEP_NS / NS_PER_S, abs=0.001)
        assert row.lateness_us.max == 80_000
    assert report.overall.verdict.grade == "bad"
    assert len(report.overall.verdict.advice) == 1
    once = "every port at the same moment, 0:00:20, so it is this computer's: one stall of 80.0 ms."
    assert once in " ".join(render_text(report).split())
    assert render_text(report).count("one stall") == 1
    page = unescape(_page(report))
    assert (page.count(once), page.count("one stall")) == (1, 1)
    assert page.index("What to do") < page.index(once) < page.index("<table")
    assert shared_moment(report.ports) == pytest.approx(1000 * STEP_NS / NS_PER_S, abs=0.001)


def _page(report: Report) -> str:
    """Return the page, made by a process of its own, as the service has it made."""
    command = [sys.executable, "-m", "routerd.server.report.page"]
    made = subprocess.run(command, input=to_json(report), stdout=subprocess.PIPE, check=True, timeout=120)
    return made.stdout.decode()


def test_one_tick_in_a_thousand_missing_on_one_port() -> None:
    lost = {tick for tick in range(1, 5000) if tick % 1000 == 500}
    report = _report(
        _played(lambda output, tick: None if output == 1 and tick in lost else 30_000, ticks=5000)
    )
    row = _port(report, "drum-synth")
    assert (row.ticks, row.missed, row.stalls) == (4995, 5, 0)
    assert row.verdict.grade == "failed"
    assert _findings(row) == ["missed"]
    assert row.lateness_us.max == pytest.approx(STEP_NS / 1000 + 30, abs=0.01)
    assert _port(report, "piano").verdict.grade == "steady"
    assert report.overall.verdict.grade == "failed"
    assert [text for text in report.overall.verdict.advice if "drum-synth" in text]


def test_a_pause_does_not_hide_itself() -> None:
    """README of HdrHistogram: 100 s of 1 ms answers, asked every 10 ms, then a pause of 100 s.

    Counted by what was answered 99.99 % take 1 ms; counted by what was asked, 50 %.
    """
    log = TickLog(0)
    step = 10 * NS_PER_MS
    log.add([TickRecord(tick, tick * step, tick * step + NS_PER_MS, 0, 0) for tick in range(10_001)])
    log.add([TickRecord(20_000, 20_000 * step, 20_000 * step + NS_PER_MS, 0, 0)])
    row = log.report(200 * NS_PER_S, Conditions()).overall
    assert row.missed == 9_999
    assert row.lateness_us.p50 == pytest.approx(1000, rel=0.01)
    assert row.lateness_us.p99 == pytest.approx(98_000_000, rel=0.01)
    assert row.lateness_us.max == pytest.approx(99_991_000)
    assert row.verdict.grade == "failed"


def test_drift_of_fifty_ppm_is_found_with_its_uncertainty() -> None:
    generator = random.Random(2)
    report = _report(
        _played(lambda _, tick: tick * STEP_NS * 50 // 1_000_000 + generator.randrange(200_000)),
    )
    for row in [report.overall, *report.ports, *report.songs]:
        drift = row.drift
        assert abs(drift.ppm - 50) <= 1.5 * drift.uncertainty_ppm
        assert drift.uncertainty_ppm < 1.5
    assert report.overall.drift.accumulated_us == pytest.approx(3125, rel=0.01)
    assert _findings(report.overall) == ["drift"]


def test_jitter_is_not_taken_for_drift() -> None:
    generator = random.Random(4)
    report = _report(_played(lambda *_: generator.randrange(2 * NS_PER_MS)))
    assert not any(row.drift.found for row in [report.overall, *report.ports, *report.songs])


@pytest.mark.parametrize("bpm_step_ns", [STEP_NS, 5_208_333])  # 120 and 480 BPM
def test_a_stall_at_the_end_is_not_taken_for_drift(bpm_step_ns: int) -> None:
    log = TickLog(0)
    ends_ns = 1990 * bpm_step_ns + 80 * NS_PER_MS
    for tick in range(2000):
        due_ns = tick * bpm_step_ns
        log.add([TickRecord(tick, due_ns, max(due_ns, ends_ns) if tick >= 1990 else due_ns, 0, 0)])
    row = _report(log).overall
    assert "stall" in _findings(row)
    assert (row.drift.ppm, row.drift.found) == (0, False)


def test_a_late_port_that_joins_halfway_is_not_taken_for_drift() -> None:
    late = _played(lambda output, tick: (5 * NS_PER_MS if tick >= 1500 else None) if output else 30_000)
    assert not _report(late).overall.drift.found


def test_doubled_ticks_fail() -> None:
    log = _played(lambda *_: 30_000)
    log.add([_record(2999, 90_000, 0, 1), _record(2998, 90_000, 0, 1)])
    report = _report(log)
    assert _port(report, "piano").doubled == 2
    assert _port(report, "piano").ticks == 3000
    assert _port(report, "piano").verdict.grade == "failed"
    assert _port(report, "drum-synth").doubled == 0


def test_a_closed_port_is_away_and_not_missed() -> None:
    log = TickLog(0)
    log.name(OUTPUTS, SONGS)
    log.event(port_closed(0, None, "keyboard"))  # an input
    log.add([_record(tick, 30_000) for tick in range(1000)])
    log.event(port_closed(1000 * STEP_NS - 1, 0))
    log.event(port_opened(1500 * STEP_NS - 1, 0))
    log.add([_record(tick, 30_000) for tick in range(1500, 2500)])
    row = _report(log).overall
    assert (row.ticks, row.port_closed, row.missed) == (2000, 500, 0)
    assert row.verdict.grade == "steady"
    # told to be closed, and never told to be open: ticks that go out say so themselves
    log.event(port_closed(2500 * STEP_NS - 1, 0))
    log.add([_record(tick, 30_000) for tick in (2600, 2601, 2603)])
    row = _report(log).overall
    assert (row.port_closed, row.missed) == (600, 1)


@pytest.mark.parametrize("event_first", [True, False])
def test_dropped_records_are_unrecorded_whenever_it_is_told(event_first: bool) -> None:
    event = events.RecordsDropped(0, 100, 500, 599)
    log = TickLog(0)
    log.add([_record(tick, 30_000) for tick in range(500)])
    if event_first:
        log.event(event)
    log.add([_record(tick, 30_000) for tick in range(600, 1700)])
    if not event_first:
        log.event(event)
    row = _report(log).overall
    assert (row.not_recorded, row.missed, row.interval_deviation_us.max) == (100, 0, 0)
    assert row.verdict.grade == "steady"


def test_what_the_engine_had_to_skip_is_missed_on_every_port() -> None:
    log = _played(lambda _, tick: None if 1000 <= tick < 1100 else 30_000)
    log.event(events.TicksMissed(0, 100, 1000, 1099))
    report = _report(log)
    assert [row.missed for row in report.ports] == [100, 100, 100]
    assert report.overall.lateness_us.max == pytest.approx(100 * STEP_NS / 1000 + 30, abs=1)
    (advice,) = report.overall.verdict.advice
    assert "computer" in advice


def test_a_port_that_falls_silent_misses_ticks_though_no_record_comes_after() -> None:
    log = _played(lambda output, tick: None if output == 2 and tick >= 2000 else 30_000)
    for _ in range(2):  # a report changes nothing
        row = _port(_report(log), "bass-modular")
        assert (row.ticks, row.missed, row.verdict.grade) == (2000, 999, "failed")
    log.event(port_closed(2000 * STEP_NS - 1, 2))
    row = _port(_report(log), "bass-modular")
    assert (row.missed, row.port_closed) == (0, 999)


@pytest.mark.parametrize("by_names", [True, False])
def test_a_device_that_lost_its_clock_in_a_new_rig_owes_nothing(by_names: bool) -> None:
    log = _played(lambda *_: 30_000, ticks=1000)
    if by_names:
        log.name(["piano", "drum-synth"], SONGS)
    else:
        log.event(events.Loaded(0, 2, 3, "tonight"))
    log.add([_record(tick, 30_000, output) for tick in range(1000, 2000) for output in range(2)])
    assert [row.missed for row in _report(log).ports] == [0, 0, 0]


def test_new_numbers_keep_old_figures_under_old_names() -> None:
    log = TickLog(0)
    log.name(["piano", "drum-synth"], ["opener", "second-song"])
    log.add([_record(tick, 30_000, 0, 0) for tick in range(10)])
    log.add([_record(11, 30_000, 0, 1)])
    log.name(["drum-synth", "piano"], ["ballad", "opener"])
    log.add([_record(tick, 30_000, 1, 1) for tick in range(12, 20)])
    log.add([_record(tick, 30_000, 0, NO_SONG) for tick in range(12, 15)])
    log.add([_record(15, 30_000, 7, 9)])
    report = _report(log)
    assert {row.port: row.ticks for row in report.ports} == {
        "piano": 19,
        "drum-synth": 3,
        "output 7": 1,
    }
    songs = {row.song: (row.ticks, row.missed) for row in report.songs}
    assert songs == {"opener": (18, 0), "second-song": (1, 1), None: (3, 0), "song 9": (1, 0)}


def test_empty_and_short_reports_say_so_instead_of_giving_numbers() -> None:
    empty = _report(TickLog(0))
    assert empty.overall.verdict.grade == "unknown"
    assert empty.overall.lateness_us == Lateness(None, None, None, None, None)
    assert "no ticks recorded" in render_text(empty)
    short = _report(_played(lambda *_: 30_000, ticks=999, outputs=1))
    assert short.overall.lateness_us.p99 is not None
    assert short.overall.lateness_us.p99_9 is None
    assert "too few" in short.overall.verdict.words
    enough = _report(_played(lambda *_: 30_000, ticks=1001, outputs=1))
    assert enough.overall.verdict.grade == "steady"


def test_a_short_report_still_fails_on_what_is_certain() -> None:
    report = _report(_played(lambda _, tick: None if tick == 50 else 30_000, ticks=100))
    assert report.overall.verdict.grade == "failed"


def test_one_uneven_port_is_told_from_an_uneven_computer() -> None:
    one = _report(_played(lambda output, tick: 4 * NS_PER_MS * (tick % 2) if output == 1 else 30_000))
    assert [row.verdict.grade for row in one.ports] == ["steady", "unsteady", "steady"]
    assert all("drum-synth" in advice for advice in one.overall.verdict.advice)
    every = _report(_played(lambda _, tick: 4 * NS_PER_MS * (tick % 2)))
    assert not any("drum-synth" in advice for advice in every.overall.verdict.advice)


def test_missing_real_time_scheduling_is_said_with_the_remedy() -> None:
    realtime = Realtime(
        "other", priority=0, memory_locked=False, idle_held=False, remedy="ask the stage manager"
    )
    log = _played(lambda _, tick: 4 * NS_PER_MS * (tick % 2))
    report = _report(log, realtime=realtime)
    assert report.overall.verdict.advice == ("Let the clock go before other work: ask the stage manager.",)
    text = render_text(report)
    assert "Real-time scheduling: OFF" in text
    assert "ask the stage manager" in text
    assert "Real-time scheduling: on, priority 80, memory locked." in render_text(_report(log))
    assert "rtprio" in render_text(_report(log, realtime=replace(realtime, remedy=None)))
    assert "not known" in render_text(_report(log, realtime=None))


def test_what_the_report_cannot_see_is_said() -> None:
    log = _played(lambda *_: 30_000, ticks=10)
    assert "sending side" in render_text(_report(log))
    assert "simulated" not in render_text(_report(log))
    assert "nothing about real" in render_text(_report(log, ports_kind="simulated"))
    for source in ("Wessel & Wright", "Jack, Mehrabi", "Friberg & Sundberg", "MIDI 1.0"):
        assert source in render_text(_report(log))


def test_a_clock_that_stands_still_is_told() -> None:
    log = _played(lambda *_: 30_000, ticks=100)
    assert _report(log, ticks=101).silent_s is None
    late = _report(log, ticks=1000)
    assert late.silent_s == pytest.approx(18.8, abs=0.1)
    assert "NO TICKS" in render_text(late)


def test_a_grid_that_begins_anew_is_neither_doubled_nor_missed() -> None:
    log = TickLog(0)
    log.add([_record(tick, 30_000) for tick in range(100)])
    log.add([TickRecord(tick, (200 + tick) * STEP_NS, (200 + tick) * STEP_NS, 0, 0) for tick in range(100)])
    row = _report(log).overall
    assert (row.ticks, row.missed, row.doubled) == (200, 0, 0)


def test_a_tempo_change_is_no_deviation() -> None:
    log = TickLog(0)
    log.add([_record(tick, 30_000) for tick in range(100)])
    start_ns = 99 * STEP_NS
    slow = [
        TickRecord(99 + n, start_ns + n * 40_000_000, start_ns + n * 40_000_000 + 30_000, 0, 0)
        for n in range(1, 50)
    ]
    log.add(slow)
    assert _report(log).overall.interval_deviation_us.max == 0
