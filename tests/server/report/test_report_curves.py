"""What a page plots: lateness over time in bounded memory, distributions, MTIE and TDEV, and traffic."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import jsonschema
import pytest

from routerd.core.model import events
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.units import NS_PER_MS, NS_PER_S
from routerd.link.frames import TickRecord
from routerd.link.messages import InputTraffic, OutputTraffic, Traffic
from routerd.server.report import Conditions, Measurements, Report
from routerd.server.report.curves import MOST_BUCKETS, Timeline, bins
from routerd.server.report.document import json_schema, to_plain
from routerd.server.report.figures import InputTotals, ProcessLoad, SongMark
from routerd.server.report.measurements import Recent
from routerd.server.report.statistics import Distribution

STEP_NS = 20_833_333
RIG = Rig("rig", (Device("synth", output_pattern="s", wire=WireKind.DIN), Device("host", output_pattern="h")))


def record(tick: int, late_ns: int = 0, output: int = 0) -> TickRecord:
    return TickRecord(tick, tick * STEP_NS, tick * STEP_NS + late_ns, output, 0)


def traffic(second: int, **more: Any) -> Traffic:
    nothing = Traffic(second * NS_PER_S, (), (), (), cpu_ns=second * 50 * NS_PER_MS, taps_dropped=0)
    return replace(nothing, **more)


def test_a_timeline_keeps_every_extreme_at_any_length() -> None:
    timeline = Timeline(0)
    generator = random.Random(3)
    seen = [(second * NS_PER_S, generator.randrange(-500, 500)) for second in range(43_200)]
    for at_ns, value in seen:
        timeline.add(at_ns, value)
    buckets = list(timeline)
    assert len(buckets) <= MOST_BUCKETS
    assert timeline.width_ns == 256 * NS_PER_S  # 43 200 s at 240 buckets take 180 s: the next doubling
    for bucket in buckets:
        within = [v for at_ns, v in seen if bucket.from_ns <= at_ns < bucket.from_ns + timeline.width_ns]
        assert (bucket.values, bucket.least, bucket.largest) == (len(within), min(within), max(within))
        assert bucket.mean == pytest.approx(sum(within) / len(within))


def test_what_was_before_the_start_counts_at_the_start() -> None:
    timeline = Timeline(NS_PER_S)
    timeline.add(0, 7)
    assert [(bucket.from_ns, bucket.values) for bucket in timeline] == [(0, 1)]


def test_bins_hold_every_value_once() -> None:
    distribution = Distribution()
    for value_ns in (-500, 0, 90, 1000, 1_000_000, 1_000_000, 80_000_000):
        distribution.record(value_ns)
    found = {one.to_us: one.count for one in bins(distribution)}
    assert sum(found.values()) == 7
    assert found[0.0] == 1  # early; what is exact lies in the first cell, up to 64 ns
    assert found[1258.9254] == 2  # a cell of 1 % ends just over a limit, and counts where it ends
    assert found[100_000.0] == 1


def test_a_stall_shows_in_every_curve_of_its_port_alone() -> None:
    measured = Measurements(0)
    measured.name(["synth", "host"], ["opener"])
    measured.event(events.Song(30 * NS_PER_S, "opener", "Opener", 0, "4/4", 30 * NS_PER_S))
    for tick in range(4000):
        late_ns = 80 * NS_PER_MS if tick == 2000 else 50_000
        measured.add([record(tick, late_ns, 0), record(tick, 50_000, 1)])
    report = measured.report(90 * NS_PER_S, Conditions(None, "alsa"))
    jsonschema.Draft202012Validator(json_schema(Report)).validate(to_plain(report))
    assert report.song_changes == (SongMark(at_s=30.0, words="Opener"),)
    synth, host = report.curves
    (worst,) = [step for step in synth.lateness if step.max_us > 1000]
    assert worst.at_s <= 2000 * STEP_NS / NS_PER_S < worst.at_s + synth.bucket_s
    assert worst.max_us == 80_000
    assert {point.us for point in synth.mtie} == {79_950.0}
    assert {point.us for point in host.mtie} == {0.0}
    assert [point.ticks for point in host.mtie] == [2**k - 1 for k in range(1, 12)]
    assert host.mtie[-1].s == pytest.approx(2047 * STEP_NS / NS_PER_S, rel=1e-6)
    assert synth.tdev[0].us > host.tdev[0].us == 0.0


def test_a_short_gap_is_bridged_and_a_long_one_is_not() -> None:
    for gap, longest in ((10, 255), (100, 127)):
        measured = Measurements(0)
        for tick in [*range(200), *range(200 + gap, 400)]:
            measured.add([record(tick)])
        (curves,) = measured.report(NS_PER_S, Conditions()).curves
        assert curves.mtie[-1].ticks == longest


def test_wires_inputs_and_load_are_of_the_seconds_between_totals() -> None:
    measured = Measurements(0)
    measured.rig(RIG)
    measured.song("Opener")
    for second, size in enumerate((100, 1662, 1662, 4787)):
        measured.traffic(
            traffic(
                second,
                outputs=(
                    OutputTraffic("synth", size // 3, size, second, 2 * second),
                    OutputTraffic("host", 0, 0, 0, 0),
                ),
                inputs=(InputTraffic("keys", 10 * second),),
                took=((100_000, 500), (900_000, 2)),
            )
        )
    report = measured.report(4 * NS_PER_S, Conditions())
    jsonschema.Draft202012Validator(json_schema(Report)).validate(to_plain(report))
    synth, host = report.wires
    assert (synth.bytes, synth.max_bytes_per_s, synth.most_waiting) == (4687, 3125, 3)
    assert synth.thinned == 6
    assert synth.max_percent == 100.0  # 3125 bytes a second fill the wire (M1 p. 1)
    assert synth.mean_percent == 50.0
    assert (host.wire, host.max_percent) == ("usb", None)
    assert report.inputs == (InputTotals("keys", 30),)
    assert report.load.engine == ProcessLoad(mean_percent=5.0, max_percent=5.0)
    assert report.load.songs[0].messages_in == 30
    assert report.routing.messages == 2008
    assert report.routing.us.p50 == pytest.approx(100, rel=0.01)
    assert report.routing.us.p99_9 == pytest.approx(900, rel=0.01)


def test_totals_that_begin_anew_are_not_taken_for_minus() -> None:
    measured = Measurements(0)
    for second, size in enumerate((1000, 40)):
        outputs = (OutputTraffic("synth", size, size, 0, 0),)
        measured.traffic(traffic(second, outputs=outputs, inputs=(InputTraffic("keys", size),)))
    report = measured.report(0, Conditions())
    assert (report.wires[0].bytes, report.inputs[0].messages) == (40, 40)


def test_the_last_minute_is_the_last_minute() -> None:
    measured = Measurements(0)
    measured.name(["synth"], ["opener"])
    for tick in range(9600):  # 200 s
        measured.add([record(tick, 40 * NS_PER_MS if tick == 3000 else 10_000)])
    now_ns = 9599 * STEP_NS
    assert measured.report(now_ns, Conditions()).overall.stalls == 1
    minute = measured.frozen_minute()(now_ns, Conditions())
    assert minute.overall.stalls == 0
    assert minute.overall.ticks == pytest.approx(2880, abs=2)
    assert minute.ports[0].port == "synth"
    assert minute.duration_s == 60.0


def test_the_last_minute_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("routerd.server.report.measurements.MOST_RECORDS", 100)
    recent = Recent(0)
    for tick in range(500):
        recent.add([record(tick)])
    assert recent.report(500 * STEP_NS, Conditions(), {}).overall.ticks == 100


def test_a_span_measures_from_its_begin_to_its_end_only() -> None:
    measured = Measurements(0)
    measured.name(["synth"], ["opener"])
    measured.add([record(tick) for tick in range(100)])
    span = measured.begin_span(100 * STEP_NS)
    measured.add([record(tick) for tick in range(100, 150)])
    measured.end_span(span)
    measured.end_span(span)
    measured.add([record(tick) for tick in range(150, 200)])
    assert span.report(0, Conditions()).overall.ticks == 50
    assert span.report(0, Conditions()).ports[0].port == "synth"
    assert measured.report(0, Conditions()).overall.ticks == 200
