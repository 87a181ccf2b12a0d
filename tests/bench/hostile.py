"""Ticks while a crowd of hostile clients is at the API, beside the same ticks without it, in one run.

    python -m tests.bench.hostile [--seconds 30] [--clients 2000]

The crowd (`tests.hostile.clients`) is a process of its own: clients that connect and say nothing, headers and
bodies that trickle in, answers that nobody reads, bodies of a gigabyte, headers without an end, TLS, junk.
Ticks are measured at the far end of a port as in `tests.bench.ticks`, cyclictest beside them; a person asks
for the status once a second, whose waits are printed.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import resource
import socket
import subprocess
import sys
import time
from typing import Any

from tests.bench.ticks import BPM, cyclictest, figures, get, histogram, lateness_us, observe, routerd
from tests.hostile.clients import POURING, WAITING, crowd
from tests.service import free_port

POURING_CLIENTS = 5


async def _crowd(port: int, seconds: float, clients: int) -> None:
    async with crowd(port) as bad:
        end_s = time.monotonic() + seconds
        for kind in WAITING:
            bad.send_in(clients // len(WAITING), kind)
        while time.monotonic() < end_s:
            for kind in POURING:
                bad.send_in(POURING_CLIENTS, kind)
            await asyncio.sleep(3)
        print(
            json.dumps(
                {"statuses": bad.statuses, "sent_mb": bad.sent_bytes / 1e6, "connections": bad.connections}
            )
        )


def _ask(http: int, seconds: float) -> list[float]:
    """Ask for the status once a second; return the waits in seconds."""
    waits = []
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        begun_s = time.monotonic()
        with contextlib.suppress(OSError):  # it is counted as the wait that it was
            get(f"http://127.0.0.1:{http}/v1/status")
        waits.append(time.monotonic() - begun_s)
        time.sleep(max(0.0, begun_s + 1 - time.monotonic()))
    return waits


def _measure(http: int, udp: int, seconds: float, clients: int) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.bench.hostile", "--port", str(http)]
    command += ["--seconds", str(seconds + 2), "--clients", str(clients)]
    bad = subprocess.Popen(command, stdout=subprocess.PIPE, text=True) if clients else None
    time.sleep(1)
    reference, observer = cyclictest(seconds), observe(udp, seconds)
    waits = _ask(http, seconds)
    stamps = [float(stamp) for _, stamp in json.loads(observer.communicate()[0])]
    referred, _ = reference.communicate()
    crowded = json.loads(bad.communicate()[0]) if bad else None
    grid = get(f"http://127.0.0.1:{http}/v1/status")["tempo"]
    return {
        "ticks": figures(lateness_us(stamps, grid["anchor_ns"])),
        "reference": figures(histogram(referred)),
        "waits": waits,
        "crowd": crowded,
    }


def _show(name: str, result: dict[str, Any]) -> None:
    print(f"\n{name}: {result['ticks']['n']} ticks")
    for label, key in (("ticks, far end", "ticks"), ("cyclictest beside it", "reference")):
        row = result[key]
        print(f"{label:>22} " + " ".join(f"{at} {row[at]:9.1f}" for at in ("p50", "p99", "p99.9", "p100")))
    waits = sorted(result["waits"])
    print(
        f"  status asked {len(waits)} times: median {waits[len(waits) // 2]:.3f} s, longest {waits[-1]:.3f} s"
    )
    if result["crowd"]:
        print(f"  crowd: {result['crowd']}")


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--clients", type=int, default=2000)
    parser.add_argument("--port", type=int, help="be the crowd, at this port")
    given = parser.parse_args()
    if given.port:
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, max(soft, 8 * given.clients)), hard))
        asyncio.run(_crowd(given.port, given.seconds, given.clients))
        return
    http, udp = free_port(), free_port(socket.SOCK_DGRAM)
    print(f"{BPM:g} BPM, {given.seconds:g} s each, {given.clients} clients that wait and some that pour")
    with routerd(http, udp):
        time.sleep(2)
        quiet = _measure(http, udp, given.seconds, 0)
        hostile = _measure(http, udp, given.seconds, given.clients)
        missed = sum(port["missed"] for port in get(f"http://127.0.0.1:{http}/v1/report")["ports"])
    _show("without", quiet)
    _show("with the crowd", hostile)
    ratios = [hostile["ticks"][at] / max(quiet["ticks"][at], 1.0) for at in ("p50", "p99", "p99.9")]
    print("\nratio of lateness, with to without: " + ", ".join(f"{ratio:.2f}" for ratio in ratios))
    print(f"ticks missed: {missed}")


if __name__ == "__main__":
    main()
