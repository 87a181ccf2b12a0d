"""How late ticks are, seen from outside and under load, beside cyclictest and beside the obvious way.

    python -m tests.bench.ticks [--seconds 60]

Three runs, each under the same load (100 API requests a second, a reload every 5 s, 3 000 routed
messages a second) and each with cyclictest (Debian rt-tests) of the same interval beside it in the same
seconds: routerd without that load for scale, routerd under it, and the naive program in `naive`.
Ticks are stamped by the kernel when their datagram reaches the observer's socket, so everything
between the grid and the far end of a simulated port is in the figure. The port is the last of six that
get each tick; the observer hears it alone, because telling it of the other five would cost routerd more than
sending to them. For routerd the grid is the exact
one that it states; for the naive program, which has none, it is the best-fitting even grid, to its favour.
Judge by the ratios, on a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

RIG = Path(__file__).parents[2] / "configs" / "demo"
BPM = 240.0
INTERVAL_NS = 60e9 / 24 / BPM
DEVICE = "instrument-host"
"""Gets the clock and, in the song below, everything that the keyboard plays."""

SONG = "Weather Room"


def percentile(values: list[float], share: float) -> float:
    """Return the least value that at least `share` of the values do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, -(-int(share * 10_000) * len(ordered) // 10_000) - 1)]


def figures(values: list[float]) -> dict[str, float]:
    """Return count and percentiles, in µs."""
    return {"n": len(values)} | {f"p{s * 100:g}": percentile(values, s) for s in (0.5, 0.99, 0.999, 1.0)}


def free_port(kind: socket.SocketKind) -> int:
    """Return a port of 127.0.0.1 that is free now."""
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def get(url: str, data: bytes | None = None) -> Any:
    """GET, or POST `data`; JSON back."""
    with urllib.request.urlopen(url, data=data, timeout=10) as answer:
        return json.loads(answer.read())


@contextlib.contextmanager
def routerd(http: int, udp: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run the service on the demo's rig with simulated ports."""
    with tempfile.TemporaryDirectory() as state:
        command = [sys.executable, "-m", "routerd.cli", "run", str(RIG), "--ports", "simulated"]
        command += ["--listen", f"127.0.0.1:{http}", "--far-end", str(udp), "--state-dir", state]
        log = (Path(state) / "log").open("w+")
        process = subprocess.Popen(command, stderr=log)
        try:
            until_s = time.monotonic() + 20
            while time.monotonic() < until_s:
                with contextlib.suppress(OSError):
                    get(f"http://127.0.0.1:{http}/v1/song", json.dumps({"song": SONG}).encode())
                    get(f"http://127.0.0.1:{http}/v1/tempo", json.dumps({"bpm": str(BPM)}).encode())
                    break
                time.sleep(0.2)
            yield process
        finally:
            process.terminate()
            process.wait(5)
            log.seek(0)
            sys.stderr.writelines(line for line in log if '"info"' not in line)
            log.close()


@contextlib.contextmanager
def naive(http: int, udp: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run the obvious way."""
    command = [sys.executable, "-m", "tests.bench.naive", str(http), str(udp), str(BPM), str(RIG)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        process.stdout.readline()
        yield process
    finally:
        process.terminate()
        process.wait(5)
        process.stdout.close()


def cyclictest(seconds: float) -> subprocess.Popen[str]:
    """Start the reference: a C program that sleeps the same interval, with a histogram in µs."""
    loops = int(seconds * 1e9 / INTERVAL_NS)
    command = ["cyclictest", "-m", "-p80", "-i", str(int(INTERVAL_NS / 1000)), "-l", str(loops)]
    return subprocess.Popen([*command, "-q", "-h", "100000"], stdout=subprocess.PIPE, text=True)


def histogram(text: str) -> list[float]:
    """Return the latencies that cyclictest's histogram counts."""
    out: list[float] = []
    for micros, count in re.findall(r"^(\d{6,}) (\d+)$", text, re.MULTILINE):
        out += [float(micros)] * int(count)
    return out


def loads(http: int, udp: int, seconds: float) -> list[subprocess.Popen[str]]:
    """Start the two load programs."""
    where = {"api": f"http://127.0.0.1:{http}", "messages": str(udp)}
    return [
        subprocess.Popen(
            [sys.executable, "-m", "tests.bench.load", what, at, str(seconds)],
            stdout=subprocess.PIPE,
            text=True,
        )
        for what, at in where.items()
    ]


def observe(udp: int, seconds: float) -> subprocess.Popen[str]:
    """Start the observer."""
    command = [sys.executable, "-m", "tests.bench.observer", str(udp), DEVICE, str(seconds)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def lateness_us(stamps: list[float], anchor_ns: float | None) -> list[float]:
    """Return lateness against the grid of `anchor_ns`, or against the best-fitting one without early ticks.

    `stamps` are instants of ticks in ns. Without a grid: ticks are numbered in order, the slope is fitted
    by the first and last fifth, the height by the earliest tick.
    """
    if anchor_ns is not None:
        return [
            ((stamp - anchor_ns + INTERVAL_NS / 2) % INTERVAL_NS - INTERVAL_NS / 2) / 1000 for stamp in stamps
        ]
    fifth = max(1, len(stamps) // 5)
    first = sum(stamps[:fifth]) / fifth
    last = sum(stamps[-fifth:]) / fifth
    slope = (last - first) / (len(stamps) - fifth)
    rests = [stamp - slope * i for i, stamp in enumerate(stamps)]
    return [(rest - min(rests)) / 1000 for rest in rests]


def run(program: Any, seconds: float, *, loaded: bool, has_grid: bool) -> dict[str, Any]:
    """Run one program with cyclictest beside it; return both figures and what the load did."""
    http, udp = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    with program(http, udp):
        time.sleep(1)
        load = loads(http, udp, seconds + 1) if loaded else []
        time.sleep(0.5)
        reference, observer = cyclictest(seconds), observe(udp, seconds)
        seen, _ = observer.communicate()
        referred, _ = reference.communicate()
        did = [json.loads(process.communicate()[0]) for process in load]
        grid = get(f"http://127.0.0.1:{http}/v1/status")["tempo"] if has_grid else None
    stamps = [float(stamp) for _, stamp in json.loads(seen)]
    ticks = figures(lateness_us(stamps, grid and grid["anchor_ns"]))
    expected = seconds * 1e9 / INTERVAL_NS
    return {
        "ticks": ticks,
        "reference": figures(histogram(referred)),
        "load": did,
        "heard": len(stamps) / expected,
    }


def show(name: str, result: dict[str, Any]) -> None:
    """Print one run."""
    ticks, reference = result["ticks"], result["reference"]
    print(f"\n{name}: {ticks['n']} ticks")
    print(f"{'µs late':>22} {'p50':>9} {'p99':>9} {'p99.9':>9} {'max':>9}")
    for label, row in (("ticks, far end", ticks), ("cyclictest beside it", reference)):
        print(f"{label:>22} " + " ".join(f"{row[key]:9.1f}" for key in ("p50", "p99", "p99.9", "p100")))
    ratios = (ticks[key] / max(reference[key], 1.0) for key in ("p50", "p99", "p99.9", "p100"))
    print(f"{'ratio':>22} " + " ".join(f"{ratio:9.2f}" for ratio in ratios))
    for did in result["load"]:
        print("  load: " + ", ".join(f"{key} {value:.0f}" for key, value in did.items()))


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    seconds = parser.parse_args().seconds
    if shutil.which("cyclictest") is None:
        sys.exit("cyclictest is missing: apt-get install rt-tests")
    print(f"{BPM:g} BPM, one tick each {INTERVAL_NS / 1e6:.3f} ms, {seconds:g} s a run")
    show("routerd, idle", run(routerd, seconds, loaded=False, has_grid=True))
    show("routerd, under load", run(routerd, seconds, loaded=True, has_grid=True))
    show(
        "asyncio.sleep and mido in one process, under load", run(naive, seconds, loaded=True, has_grid=False)
    )


if __name__ == "__main__":
    main()
