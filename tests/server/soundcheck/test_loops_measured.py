"""Loops: what came round, how long it took, what was lost; and offsets that line all up."""

from __future__ import annotations

from typing import Any

import pytest

from routerd.core.units import NS_PER_MS
from routerd.link.messages import INPUT_BIT, Tap, TickRecord
from routerd.server.soundcheck.loopback import PROBES, Loop, match, probe, suggested_offsets


def test_probes_are_legal_distinct_and_for_nobody() -> None:
    probes = {probe(number) for number in range(PROBES)}
    assert len(probes) == PROBES
    assert all(data[:2] == b"\xf0\x7d" and max(data[1:-1]) < 0x80 and data[-1] == 0xF7 for data in probes)


def measured(latencies_ns: list[int | None]) -> dict[str, Any]:
    loop = Loop("synth", "loop-in", din=True)
    taps = []
    for number, took_ns in enumerate(latencies_ns):
        sent_ns = number * 50 * NS_PER_MS
        taps.append(Tap(sent_ns, 3, probe(number)))
        taps.append(Tap(sent_ns, 4, probe(number)))  # another output
        if took_ns is not None:
            taps.append(Tap(sent_ns + took_ns, INPUT_BIT | 1, probe(number)))
    loop.take_taps(taps, 3, 1)
    return loop.plain()


def test_latency_and_loss_of_probes() -> None:
    found = measured([1_700_000 + number * 1000 for number in range(198)] + [None, None])
    assert (found["probes"], found["lost"]) == (200, 2)
    assert found["latency_us"]["min"] == 1700
    assert found["latency_us"]["p50"] == 1798  # the 99th of 198, as numpy's inverted_cdf would have it
    assert found["latency_us"]["max"] == 1897
    assert found["latency_us"]["p99_9"] is None
    assert found["wire_us"] == 1600  # five bytes of 320 µs (M1 p. 1)


def test_a_loop_that_is_not_there() -> None:
    found = measured([None] * 50)
    assert (found["probes"], found["lost"], found["latency_us"]["p50"]) == (50, 50, None)


def test_a_probe_that_a_tick_has_cut_is_not_measured() -> None:
    loop = Loop("synth", "loop-in", din=True)
    first, rest = probe(1)[:3], probe(1)[3:]
    taps = [Tap(0, 3, first), Tap(900_000, 3, rest), Tap(2_500_000, INPUT_BIT | 1, probe(1))]
    loop.take_taps(taps, 3, 1)
    found = loop.plain()
    assert (found["probes"], found["probes_cut"], found["lost"]) == (0, 1, 0)


def test_ticks_are_matched_with_the_ones_that_were_sent() -> None:
    loop = Loop("synth", "loop-in", din=True)
    step_ns = 20_833_333
    loop.take_ticks([TickRecord(n, n * step_ns, n * step_ns + 5000, 3, 0) for n in range(1000)], 3)
    loop.take_ticks([TickRecord(n, n * step_ns, n * step_ns, 7, 0) for n in range(1000)], 3)
    taps = [Tap(n * step_ns + 5000 + 320_000 + n, INPUT_BIT | 1, b"\xf8") for n in range(1000) if n != 500]
    loop.take_taps(taps, 3, 1)
    found = loop.plain()
    assert found["ticks"] == 999
    assert (found["tick_latency_us"]["min"], found["tick_latency_us"]["max"]) == (320.0, 320.999)


def test_what_comes_before_anything_was_sent_is_not_matched() -> None:
    ms = NS_PER_MS
    assert match([100 * ms, 200 * ms], [50 * ms, 110 * ms, 205 * ms, 900 * ms], 50 * ms) == [10 * ms, 5 * ms]
    assert match([], [5], 50) == []


def test_what_comes_before_it_is_known_to_be_sent_took_no_time_and_is_not_lost() -> None:
    found = measured([-200_000, 0, 300_000])
    assert (found["lost"], found["latency_us"]["min"], found["latency_us"]["max"]) == (0, 0, 300)
    ms = NS_PER_MS
    assert match([100 * ms, 120 * ms, 140 * ms], [99_500_000, 119_999_999, 141 * ms], 15 * ms) == [0, 0, ms]


def test_the_slowest_keeps_its_place_and_the_others_wait() -> None:
    def loop(device: str, p50: float | None) -> dict[str, Any]:
        return {"device": device, "tick_latency_us": {"p50": p50}}

    found = suggested_offsets([loop("a", 320.0), loop("b", 4820.0), loop("c", 1000.0), loop("d", None)])
    assert found == [
        {"device": "a", "offset_ms": 4.5},
        {"device": "b", "offset_ms": 0.0},
        {"device": "c", "offset_ms": 3.82},
    ]
    assert suggested_offsets([loop("a", 320.0)]) == []


@pytest.mark.parametrize(("tick_spread_us", "verdict"), [(900, "pass"), (2900, "pass"), (3100, "fail")])
def test_verdicts_by_the_spread_of_ticks(tick_spread_us: float, verdict: str) -> None:
    """1 ms Wessel & Wright; 3 ms Jack et al., Music Perception 36(1), p. 109."""
    from routerd.core.model.rig import Device, Rig
    from routerd.server.soundcheck.judge import judge_devices

    times = {"min": 300.0, "p50": 400.0, "p99": 300 + tick_spread_us, "p99_9": None, "max": 9000.0}
    loop = {"device": "synth", "hears": "loop-in", "probes": 200, "lost": 0, "ticks": 900}
    loops = [{**loop, "tick_latency_us": times, "latency_us": times}]
    ports = [{"device": "synth", "direction": "output", "state": "open", "error": None}]
    rig = Rig("r", (Device("synth", "Synth", output_pattern="synth", loopback="loop-in"),))
    (found,) = judge_devices(rig, ports, {"ports": []}, loops, {})
    assert (found["verdict"], found["measured"]) == (verdict, "loop")
    (lost,) = judge_devices(rig, ports, {"ports": []}, [{**loops[0], "lost": 1}], {})
    assert lost["verdict"] == "fail"
    nothing = {**loops[0], "lost": 200, "ticks": 0}
    (gone,) = judge_devices(rig, ports, {"ports": []}, [nothing], {})
    assert "the loop is not there" in gone["why"][-1]
    (away,) = judge_devices(rig, [], {"ports": []}, [], {})
    assert (away["verdict"], away["measured"]) == ("fail", "port only")
