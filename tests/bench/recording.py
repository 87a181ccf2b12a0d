"""What recording, or a monitor that reads along, costs: tick lateness with and without it, side by side.

    python -m tests.bench.recording [seconds]
    python -m tests.bench.recording [seconds] monitor

One run of the service on simulated ports, 400 messages a second played by another process, off, on, on and
off by turns, so that what slowly changes in the machine falls on both. Figures are of the sending side.
"""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port

DEMO = Path(__file__).parents[2] / "configs" / "demo"
MESSAGES_PER_S = 400
TURNS = (False, True, True, False) * 3


def play(far_end_port: int) -> None:
    """Play notes for ever; the body of the other process."""
    far_end = FarEnd(("127.0.0.1", far_end_port))
    number = 0
    while True:
        note = 48 + number // 2 % 24
        far_end.play("keys", bytes((0x90, note, 0 if number % 2 else 20)))
        number += 1
        time.sleep(1 / MESSAGES_PER_S)


def figures(folder: Path, service: Service, seconds: float) -> list[list[int]]:
    """Return [ticks, worst lateness in µs] of every port and second of the next `seconds`."""
    log = folder / "log.jsonl"
    skip = len(log.read_text().splitlines())
    time.sleep(seconds)
    lines = [json.loads(line) for line in log.read_text().splitlines()[skip:]]
    return [ticks for line in lines for ticks in line.get("ticks", {}).values()]


@contextlib.contextmanager
def recording(service: Service) -> Iterator[None]:
    """Record every message."""
    service.ask("POST", "/v1/recording", {"on": True})
    yield
    service.ask("POST", "/v1/recording", {"on": False})


@contextlib.contextmanager
def monitor(service: Service) -> Iterator[None]:
    """Have somebody read every message, with its fate."""
    words = ["monitor", "--json", "--listen", f"127.0.0.1:{service.http}"]
    command = [sys.executable, "-m", "routerd.cli", *words]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as reading:
        yield
        reading.kill()


def main(seconds: float, what: str) -> None:
    """Run and print."""
    cost = {"recording": recording, "monitor": monitor}[what]
    far_end_port = free_port(socket.SOCK_DGRAM)
    options = ("--ports", "simulated", "--far-end", str(far_end_port))
    with (
        tempfile.TemporaryDirectory() as state,
        Service(DEMO, Path(state) / "state", *options) as service,
    ):
        service.wait_until_open()
        folder = Path(service.ask("GET", "/v1/recording")["folder"])
        player = subprocess.Popen([sys.executable, "-m", "tests.bench.recording", "play", str(far_end_port)])
        found: dict[bool, list[int]] = {False: [], True: []}
        try:
            for on in TURNS:
                with cost(service) if on else contextlib.nullcontext():
                    time.sleep(2)
                    found[on] += [worst_us for _, worst_us in figures(folder, service, seconds)]
        finally:
            player.kill()
            player.wait()
        medians = {}
        for on, values in found.items():
            ordered = sorted(values)
            p50, p90 = ordered[len(ordered) // 2], ordered[len(ordered) * 9 // 10]
            medians[on] = p50
            words = f"with {what}" if on else "without"
            print(
                f"{words:>15}: worst tick of a port's second in µs: p50 {p50}, p90 {p90}, max {ordered[-1]} "
                f"({len(ordered)} port seconds)"
            )
        print(f"with {what} / without, of the medians: {medians[True] / medians[False]:.2f}")
        if what == "recording":
            print(f"messages recorded: {(folder / 'messages.bin').stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    if sys.argv[1:2] == ["play"]:
        play(int(sys.argv[2]))
    else:
        main(float((sys.argv[1:2] or ["15"])[0]), (sys.argv[2:3] or ["recording"])[0])
