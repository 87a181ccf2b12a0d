"""A simulated show of twelve hours through the report: memory as it goes, and how long report and page take.

`python -m tests.bench.long_show [ports] [hours]`: at 120 BPM, one record for every tick and port.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time

from routerd.core.model import events
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.link.frames import TickRecord
from routerd.link.messages import InputTraffic, OutputTraffic, Traffic
from routerd.server.report import Conditions, Measurements
from routerd.server.report.document import to_json
from routerd.server.status import rss_bytes

STEP_NS = 20_833_333
TICKS_PER_S = 48


def main(ports: int, hours: float) -> None:
    """Play the show and print the figures."""
    names = [f"device-{number}" for number in range(ports)]
    measured = Measurements(0)
    measured.rig(Rig("rig", tuple(Device(name, output_pattern=name, wire=WireKind.DIN) for name in names)))
    measured.name(names, [f"song {number}" for number in range(40)])
    began_s = time.perf_counter()
    total = int(hours * 3600)
    for second in range(total):
        first = second * TICKS_PER_S
        song = second * 40 // total
        if second % (total // 40 or 1) == 0:
            measured.event(
                events.Song(first * STEP_NS, f"song-{song}", f"song {song}", song, "4/4", first * STEP_NS)
            )
        measured.add(
            [
                TickRecord(tick, tick * STEP_NS, tick * STEP_NS + tick * 7919 % 300_000, number, song)
                for tick in range(first, first + TICKS_PER_S)
                for number in range(ports)
            ]
        )
        totals = tuple(OutputTraffic(name, first, 50 * second, 0, 0) for name in names)
        keys, took = (InputTraffic("keys", second),), ((90_000, 9),)
        measured.traffic(Traffic(first * STEP_NS, totals, keys, took, second * 20_000_000, taps_dropped=0))
        if second % (total // 6 or 1) == 0:
            print(
                f"{second / 3600:5.1f} h: {(rss_bytes(os.getpid()) or 0) / 1e6:6.1f} MB resident", flush=True
            )
    played_s = time.perf_counter() - began_s
    records = total * TICKS_PER_S * ports
    print(f"{records} records in {played_s:.0f} s, {played_s / records * 1e6:.0f} µs each")
    began_s = time.perf_counter()
    report = measured.report(total * TICKS_PER_S * STEP_NS, Conditions(None, "simulated"))
    text = to_json(report)
    reported_s = time.perf_counter() - began_s
    command = [sys.executable, "-m", "routerd.server.report.page"]
    page = subprocess.run(command, input=text, capture_output=True, check=True).stdout
    paged_s = time.perf_counter() - began_s - reported_s
    print(f"report {reported_s:.2f} s ({len(text) / 1000:.0f} kB)")
    print(f"page {paged_s:.1f} s ({len(page) / 1000:.0f} kB)")


if __name__ == "__main__":
    main(int((sys.argv[1:] or ["2"])[0]), float((sys.argv[2:] or ["12"])[0]))
