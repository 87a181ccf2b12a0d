"""Reports and soundchecks for tests of those who keep, compare and show them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from routerd.server.report import Conditions, Report, TickLog
from routerd.server.report.figures import Deviation, Grade, Lateness, PortFigures, Verdict
from routerd.server.soundcheck.figures import CAUTIONS, Comparison, DeviceVerdict, Soundcheck, StageResult


def report(duration_s: float = 60.0) -> Report:
    """Return the report on a show without ticks."""
    return TickLog(0).report(int(duration_s * 1_000_000_000), Conditions(None, "alsa"))


def soundcheck(name: str, late_us: float = 100, missed: int = 0, **more: Any) -> Soundcheck:
    """Return a soundcheck of two ports: how late their ticks were, how many of them were missed."""
    whole = report()
    figures = replace(
        whole.overall,
        missed=missed,
        lateness_us=Lateness(p50=1.0, p99=1.0, p99_9=late_us, max=late_us, min=0.0),
        interval_deviation_us=Deviation(p50=1.0, p99=1.0, p99_9=late_us, max=late_us),
        verdict=Verdict(Grade.STEADY, (), "", ()),
    )
    ports = tuple(PortFigures(port=port, **vars(figures)) for port in ("synth", "modular"))
    found = Soundcheck(
        kind="soundcheck",
        schema=1,
        name=name,
        began="2031-05-06T18:00:00+00:00",
        rig="Touring rig",
        set_list="Harbour",
        ended="complete",
        cautions=CAUTIONS,
        stages=(StageResult("clock", "done", 30.0, ""),),
        machine=(),
        devices=(DeviceVerdict("synth", "Synth", "fail" if missed else "pass", "sending side", (), ()),),
        roll_call=(),
        loopbacks=(),
        offsets=(),
        traffic=None,
        song_changes=(),
        unplug=None,
        comparison=Comparison(),
        report=replace(whole, overall=figures, ports=ports),
    )
    return replace(found, **more)
