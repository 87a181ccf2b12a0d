"""How long no tick goes out when the engine is killed, and whether the next one is on the old grid.

    python -m tests.bench.restart [--times 10]

The service runs on simulated ports under a small stand-in for the service manager (RestartSec= as in the
unit), with the demo's rig and with 500 songs. The engine gets SIGKILL while a song runs; seen from outside
are the last tick before and the first one after, their places on the grid that was stated before, and how
long the API does not answer. Needs a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

from routerd.cli.demo import rig_folder
from routerd.core.midi.messages import TICK_BYTES
from routerd.ports.far_end import FarEnd
from tests.bench.resources import SONGS, many_songs
from tests.bench.ticks import DEVICE
from tests.service import RESTART_S, Restarted, free_port

SETTLE_S = 11.0
"""Between two deaths: longer than an engine counts as young."""

ASK_EVERY_S = 0.005


class Death(NamedTuple):
    """What was seen of one: spans in s, and how far the first tick was from the grid in µs."""

    gap_s: float
    missing: int
    off_us: float
    api_s: float


@contextlib.contextmanager
def ticks_of(udp: int, device: str = DEVICE) -> Iterator[list[int]]:
    """Collect when ticks arrive at a device, in ns, from whatever engine there is."""
    arrivals: list[int] = []
    ended = threading.Event()

    def collect(far_end: FarEnd) -> None:
        while not ended.is_set():
            arrival = far_end.receive(ASK_EVERY_S)
            if arrival is None:
                far_end.ask(device)
            elif arrival.data == TICK_BYTES and arrival.device == device:
                arrivals.append(arrival.arrival_ns)

    with FarEnd(("127.0.0.1", udp)) as far_end:
        thread = threading.Thread(target=collect, args=(far_end,))
        thread.start()
        try:
            yield arrivals
        finally:
            ended.set()
            thread.join()


def die(service: Restarted, udp: int) -> Death:
    """Kill the engine and watch."""
    tempo = service.status()["tempo"]
    period_ns = Fraction(60_000_000_000, 24) / Fraction(tempo["rate_bpm"])
    with ticks_of(udp) as arrivals:
        time.sleep(0.5)
        pid = service.kill_engine()
        began_s = time.monotonic()
        service.status_of_another(pid)
        api_s = time.monotonic() - began_s
        time.sleep(0.2)
    gap_ns, first_ns = max((after - before, after) for before, after in itertools.pairwise(arrivals))
    place = (first_ns - tempo["anchor_ns"]) / period_ns
    off_ns = (place - round(place)) * period_ns
    return Death(gap_ns / 1e9, round(gap_ns / period_ns) - 1, float(off_ns) / 1000, api_s)


def deaths(place: Path, times: int, *, many: bool) -> list[Death]:
    """Run the service and kill its engine so many times."""
    folder = Path(shutil.copytree(rig_folder(), place / "rig"))
    if many:
        many_songs(folder)
    udp = free_port()
    options = ("--ports", "simulated", "--far-end", str(udp))
    with Restarted(folder, place / "state", *options) as service:
        service.wait_until_open()
        service.ask("POST", "/v1/start")
        seen = []
        for _ in range(times):
            time.sleep(SETTLE_S)
            seen.append(die(service, udp))
            print("  gap {:.3f} s, {} ticks missing, first {:.0f} µs off, API {:.1f} s".format(*seen[-1]))
        return seen


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--times", type=int, default=10)
    times = parser.parse_args().times
    print(f"started again {RESTART_S * 1000:g} ms after its death; last tick before to first tick after:")
    for many in (False, True):
        with tempfile.TemporaryDirectory() as place:
            print(f"{SONGS if many else 'few'} songs")
            seen = deaths(Path(place), times, many=many)
        for name in ("gap_s", "off_us", "api_s"):
            values = [getattr(death, name) for death in seen]
            print(
                f"{name:>8}: {min(values):.3f} to {max(values):.3f}, median {statistics.median(values):.3f}"
            )


if __name__ == "__main__":
    main()
