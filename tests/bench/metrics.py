"""How long /metrics takes to come, beside the status in the same seconds: many clocked ports at a fast tempo.

    python -m tests.bench.metrics [--ports 16] [--bpm 300]

First, in this process: how much processor time a text takes, and the longest part of it for which no other
request has a turn. Then a service runs on simulated ports for more than a minute first, so that the last
minute is whole.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import statistics
import tempfile
import time
import urllib.request
from pathlib import Path

from routerd.core.units import NS_PER_S
from routerd.link.frames import TickRecord
from routerd.link.messages import OutputTraffic, Traffic
from routerd.server.http.metrics import Metrics
from routerd.server.http.operation import METRICS
from routerd.server.report import Measurements
from routerd.server.view import View
from tests.service import Service, write_rig

FILL_S = 65
ROUNDS = 30
PATHS = ("/metrics", "/v1/status", "/v1/health")


def took_s(service: Service, path: str) -> float:
    """Return how long an answer took to come."""
    began_s = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{service.http}{path}", timeout=60) as answer:
        answer.read()
    return time.monotonic() - began_s


def filled(ports: int, bpm: int) -> tuple[Measurements, int]:
    """Return what seventy seconds of a show leave, with ticks up to 0.3 ms late, and when that ends."""
    chance, step_ns, second = random.Random(1), 60 * NS_PER_S // (24 * bpm), 0
    measured = Measurements(0)
    measured.name([f"d{number}" for number in range(ports)], ["steady"])
    for tick in range(70 * NS_PER_S // step_ns):
        due_ns = tick * step_ns
        late = (chance.randrange(20_000, 300_000) for _ in range(ports))
        measured.add(
            [TickRecord(tick, due_ns, due_ns + late_ns, number, 0) for number, late_ns in enumerate(late)]
        )
        if due_ns // NS_PER_S > second:
            second = due_ns // NS_PER_S
            out = tuple(
                OutputTraffic(f"d{number}", 50 * second, 99 * second, 1, 0) for number in range(ports)
            )
            took = tuple((chance.randrange(50_000, 900_000), 2) for _ in range(60))
            measured.traffic(Traffic(due_ns, out, (), took, second * 10**7, 0))
    return measured, due_ns


async def held_s(measured: Measurements, now_ns: int) -> tuple[float, float]:
    """Return the processor time of one text, and of its longest part without a turn for others."""
    began_s = last_s = time.thread_time()
    longest_s = 0.0
    text = asyncio.ensure_future(Metrics(View(), measured, lambda: 0, lambda: now_ns).text(METRICS, None))
    while not text.done():
        await asyncio.sleep(0)
        longest_s, last_s = max(longest_s, time.thread_time() - last_s), time.thread_time()
    return last_s - began_s, longest_s


def main() -> None:
    """Print median and largest of each path."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ports", type=int, default=16)
    parser.add_argument("--bpm", type=int, default=300)
    given = parser.parse_args()
    measured, now_ns = filled(given.ports, given.bpm)
    runs = [asyncio.run(held_s(measured, now_ns)) for _ in range(10)]
    whole, longest = (statistics.median(times) * 1e3 for times in zip(*runs, strict=True))
    print(f"a text takes {whole:.1f} ms of processor, at most {longest:.1f} ms without a turn for others")
    devices = "".join(f"  d{n}: {{output: D{n}, wire: usb, clock: true}}\n" for n in range(given.ports))
    with tempfile.TemporaryDirectory() as place:
        song = f"title: Steady\ntempo: {given.bpm}\n"
        folder = write_rig(
            Path(place) / "rig", f"name: Many\ndevices:\n{devices}", {"steady": song}, ["steady"]
        )
        with Service(folder, Path(place) / "state", "--ports", "simulated") as service:
            service.wait_until_open()
            time.sleep(FILL_S)
            found: dict[str, list[float]] = {path: [] for path in PATHS}
            for _ in range(ROUNDS):
                for path, times in found.items():
                    times.append(took_s(service, path))
                time.sleep(1.1)  # a text is good for a second
    for path, times in found.items():
        print(
            f"{path:12} median {statistics.median(times) * 1e3:6.0f} ms, at most {max(times) * 1e3:6.0f} ms"
        )
    ratio = statistics.median(found["/metrics"]) / statistics.median(found["/v1/status"])
    print(f"{given.ports} ports at {given.bpm} BPM; metrics / status {ratio:.1f} x")


if __name__ == "__main__":
    main()
