"""How long /metrics takes to come, beside the status in the same seconds: many clocked ports at a fast tempo.

    python -m tests.bench.metrics [--ports 16] [--bpm 300]

The service runs on simulated ports for more than a minute first, so that the last minute is whole.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
import urllib.request
from pathlib import Path

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


def main() -> None:
    """Print median and largest of each path."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ports", type=int, default=16)
    parser.add_argument("--bpm", type=int, default=300)
    given = parser.parse_args()
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
