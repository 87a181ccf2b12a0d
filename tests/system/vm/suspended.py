"""In a virtual machine: the daemon ticks, the machine is suspended and resumed, the daemon ticks on.

Suspended by the kernel's own test of it, level "core" (Documentation/power/basic-pm-debugging.rst in its
sources): all is done as for suspend to memory (processes frozen, devices and the second processor off,
clocks suspended), but instead of the power going off it waits for five seconds. Said is what was measured,
as one line of JSON, and what of it is as it should be; the status is 0 when all is.
"""

from __future__ import annotations

import json
import shutil
import sys
import threading
import time
from fractions import Fraction
from pathlib import Path
from typing import Any

from routerd.cli.demo import rig_folder
from routerd.core.clock.clock import CATCH_UP_TICKS
from routerd.core.midi.messages import TICK_BYTES, controller
from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port, until

START_LIMIT_S = 240.0
"""An emulated processor is slow."""

ASLEEP_S = 5.0
"""The kernel's wait, longer on a busy host. The hardware clock tells how long it was, in whole seconds."""

AWAKE_S = 4.0
DEVICE = "instrument-host"
POWER = Path("/sys/power")


def clocks() -> tuple[float, float]:
    """Return CLOCK_MONOTONIC, which stands still while the machine is suspended, and CLOCK_BOOTTIME."""
    return time.clock_gettime(time.CLOCK_MONOTONIC), time.clock_gettime(time.CLOCK_BOOTTIME)


def suspend() -> None:
    """Suspend, wait and resume."""
    (POWER / "mem_sleep").write_text("deep")
    (POWER / "pm_test").write_text("core")
    (POWER / "state").write_text("mem")


def main() -> int:
    folder = Path(shutil.copytree(rig_folder(), "/run/rig"))
    udp = free_port()
    with Service(folder, Path("/run/state"), "--ports", "simulated", "--far-end", str(udp)) as service:
        until(lambda: all(p["state"] == "open" for p in service.status()["ports"]), START_LIMIT_S)
        service.ask("POST", "/v1/tempo", {"bpm": "120"})
        with FarEnd(("127.0.0.1", udp)) as far_end:
            return observe(service, far_end)


def observe(service: Service, far_end: FarEnd) -> int:
    far_end.listen()
    arrivals: list[int] = []
    ended = threading.Event()

    def collect() -> None:
        while not ended.is_set():
            arrival = far_end.receive(0.1)
            if arrival is not None and (arrival.device, arrival.data) == (DEVICE, TICK_BYTES):
                arrivals.append(arrival.arrival_ns)

    ear = threading.Thread(target=collect)
    ear.start()
    before = service.status()
    time.sleep(AWAKE_S)
    monotonic_s, boottime_s = clocks()
    suspend()
    passed_s, slept_s = clocks()[0] - monotonic_s, clocks()[1] - boottime_s
    slept_s -= passed_s
    time.sleep(AWAKE_S)
    ended.set()
    ear.join()
    tempo = service.status()["tempo"]
    far_end.play("pedals", controller(15, 80, 127))
    until(lambda: service.status()["song"] != before["song"], 60, "the foot switch works")
    after = until(lambda: (s := service.status()) and s["engine"]["counters"]["suspensions"] and s, 60)
    return judge(service, before["tempo"], tempo, after, arrivals, slept_s)


def judge(
    service: Service,
    tempo: dict[str, Any],
    tempo_after: dict[str, Any],
    status: dict[str, Any],
    arrivals: list[int],
    slept_s: float,
) -> int:
    period_ns = Fraction(60_000_000_000, 24) / Fraction(tempo["rate_bpm"])
    numbers = [round((at_ns - tempo["anchor_ns"]) / period_ns) for at_ns in arrivals]
    log = [json.loads(line) for line in service.log.splitlines() if line.startswith("{")]
    first, last = tempo["anchor_tick"] + numbers[0], tempo["anchor_tick"] + numbers[-1]
    told = [line for line in log if line["event"].startswith("the machine was suspended")]
    facts = {
        "slept_s": round(slept_s, 2),
        "told_s": [line["seconds"] for line in told],
        "suspensions": status["engine"]["counters"]["suspensions"],
        "places_on_the_grid": numbers[-1] - numbers[0] + 1,
        "ticks": len(arrivals),
        "given_up": sum(line["count"] for line in log if first <= line.get("from_tick", -1) <= last),
        "restarts": status["server"]["restarts"],
        "faults": status["engine"]["counters"]["faults"],
    }
    print(json.dumps(facts))
    # A place is told by an arrival, and on a slow machine the last tick seen may be a quarter note late.
    ticks = facts["ticks"] + facts["given_up"]
    good = {
        "the machine was suspended": slept_s > ASLEEP_S - 1.5,
        "it is told once, and for how long": len(told) == 1 and abs(told[0]["seconds"] - slept_s) < 1,
        "the time asleep has no ticks, sent or given up": (
            abs(ticks - facts["places_on_the_grid"]) <= CATCH_UP_TICKS < slept_s * 1e9 / period_ns / 4
        ),
        "the tempo is where it was": tempo_after == tempo,
        "no process was replaced and nothing failed": (facts["restarts"], facts["faults"]) == (0, 0),
    }
    for what, holds in good.items():
        print("holds" if holds else "FAILS", what)
    if not all(good.values()):
        print(service.log)
    return 0 if all(good.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
