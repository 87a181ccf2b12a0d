"""Loopbacks: what came round, how long it took, what was lost; and offsets that line all up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from routerd.core.model.rig import Device, Rig
from routerd.core.units import NS_PER_MS
from routerd.link.frames import INPUT_BIT, Tap, TickRecord
from routerd.link.messages import PortState
from routerd.server.soundcheck.facts import PROBES, Loopback, match, probe, suggested_offsets
from routerd.server.soundcheck.figures import LoopbackFigures, LoopbackTimes, Offset
from routerd.server.soundcheck.verdicts import judge_devices


def test_probes_are_legal_distinct_and_for_nobody() -> None:
    probes = {probe(number) for number in range(PROBES)}
    assert len(probes) == PROBES
    assert all(data[:2] == b"\xf0\x7d" and max(data[1:-1]) < 0x80 and data[-1] == 0xF7 for data in probes)


def measured(latencies_ns: list[int | None]) -> LoopbackFigures:
    loop = Loopback("synth", "loop-in", din=True)
    taps = []
    for number, took_ns in enumerate(latencies_ns):
        sent_ns = number * 50 * NS_PER_MS
        taps.append(Tap(sent_ns, 3, probe(number)))
        taps.append(Tap(sent_ns, 4, probe(number)))  # another output
        if took_ns is not None:
            taps.append(Tap(sent_ns + took_ns, INPUT_BIT | 1, probe(number)))
    loop.take_taps(taps, 3, 1)
    return loop.figures()


def test_latency_and_loss_of_probes() -> None:
    found = measured([1_700_000 + number * 1000 for number in range(198)] + [None, None])
    assert (found.probes, found.lost) == (200, 2)
    assert found.latency_us.min == 1700
    assert found.latency_us.p50 == 1798  # the 99th of 198, as numpy's inverted_cdf would have it
    assert found.latency_us.max == 1897
    assert found.latency_us.p99_9 is None
    assert found.wire_us == 1600  # five bytes of 320 µs (M1 p. 1)


def test_a_loop_that_is_not_there() -> None:
    found = measured([None] * 50)
    assert (found.probes, found.lost, found.latency_us.p50) == (50, 50, None)


def test_a_probe_that_a_tick_has_cut_is_not_measured() -> None:
    loop = Loopback("synth", "loop-in", din=True)
    first, rest = probe(1)[:3], probe(1)[3:]
    taps = [Tap(0, 3, first), Tap(900_000, 3, rest), Tap(2_500_000, INPUT_BIT | 1, probe(1))]
    loop.take_taps(taps, 3, 1)
    found = loop.figures()
    assert (found.probes, found.probes_cut, found.lost) == (0, 1, 0)


def test_ticks_are_matched_with_the_ones_that_were_sent() -> None:
    loop = Loopback("synth", "loop-in", din=True)
    step_ns = 20_833_333
    loop.take_ticks([TickRecord(n, n * step_ns, n * step_ns + 5000, 3, 0) for n in range(1000)], 3)
    loop.take_ticks([TickRecord(n, n * step_ns, n * step_ns, 7, 0) for n in range(1000)], 3)
    taps = [Tap(n * step_ns + 5000 + 320_000 + n, INPUT_BIT | 1, b"\xf8") for n in range(1000) if n != 500]
    loop.take_taps(taps, 3, 1)
    found = loop.figures()
    assert found.ticks == 999
    assert (found.tick_latency_us.min, found.tick_latency_us.max) == (320.0, 320.999)


def test_what_comes_before_anything_was_sent_is_not_matched() -> None:
    ms = NS_PER_MS
    assert match([100 * ms, 200 * ms], [50 * ms, 110 * ms, 205 * ms, 900 * ms], 50 * ms) == [10 * ms, 5 * ms]
    assert match([], [5], 50) == []


def test_what_comes_before_it_is_known_to_be_sent_took_no_time_and_is_not_lost() -> None:
    found = measured([-200_000, 0, 300_000])
    assert (found.lost, found.latency_us.min, found.latency_us.max) == (0, 0, 300)
    ms = NS_PER_MS
    assert match([100 * ms, 120 * ms, 140 * ms], [99_500_000, 119_999_999, 141 * ms], 15 * ms) == [0, 0, ms]


def test_the_slowest_keeps_its_place_and_the_others_wait() -> None:
    def loopback(device: str, p50: float | None) -> LoopbackFigures:
        return replace(
            measured([]), device=device, tick_latency_us=LoopbackTimes(None, p50, None, None, None)
        )

    found = suggested_offsets(
        [loopback("a", 320.0), loopback("b", 4820.0), loopback("c", 1000.0), loopback("d", None)]
    )
    assert found == (Offset("a", 4.5), Offset("b", 0.0), Offset("c", 3.82))
    assert suggested_offsets([loopback("a", 320.0)]) == ()


@pytest.mark.parametrize(("tick_spread_us", "verdict"), [(900, "pass"), (2900, "pass"), (3100, "fail")])
def test_verdicts_by_the_spread_of_ticks(tick_spread_us: float, verdict: str) -> None:
    """1 ms Wessel & Wright; 3 ms Jack et al., Music Perception 36(1), p. 109."""
    times = LoopbackTimes(min=300.0, p50=400.0, p99=300 + tick_spread_us, p99_9=None, max=9000.0)
    loopback = LoopbackFigures(
        device="synth",
        hears="loop-in",
        probes=200,
        probes_cut=0,
        lost=0,
        latency_us=times,
        wire_us=1600.0,
        ticks=900,
        tick_latency_us=times,
    )
    ports = [PortState("synth", "output", "synth", "Synth 1", "open")]
    rig = Rig("r", (Device("synth", "Synth", output_pattern="synth", loopback="loop-in"),))
    (found,) = judge_devices(rig, ports, [], [loopback], {})
    assert (found.verdict, found.measured) == (verdict, "loopback")
    (lost,) = judge_devices(rig, ports, [], [replace(loopback, lost=1)], {})
    assert lost.verdict == "fail"
    (gone,) = judge_devices(rig, ports, [], [replace(loopback, lost=200, ticks=0)], {})
    assert "there is no loopback" in gone.why[-1]
    (away,) = judge_devices(rig, [], [], [], {})
    assert (away.verdict, away.measured) == ("fail", "port only")
