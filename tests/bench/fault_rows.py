"""What every fault of the fault bench needs: a service watched from outside, and its row of the table.

Lateness is that of the ticks at the far end of a simulated port, by the kernel's receive stamps in another
process, against the grid that the service states. Quiet and disturbed stretches alternate in one run, so that
what else the machine does falls on both alike: judge by the ratios.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from routerd.cli.demo import rig_folder
from routerd.core.midi.messages import controller
from routerd.ports.far_end import FarEnd
from tests.bench.ticks import BPM, DEVICE, INTERVAL_NS, SONG, lateness_us, percentile
from tests.service import Service, free_port, until

ROUNDS = 5
STRETCH_S = 4.0


class Row(NamedTuple):
    """One line of the table, in words for a reader of README."""

    fault: str
    seen: str
    figure: str


Fault = Callable[[], Row]


@dataclass(frozen=True, slots=True)
class Watched:
    """A running service on simulated ports at 240 BPM, with one device's ticks observed."""

    service: Service
    udp: int
    folder: Path

    def press(self, limit_s: float = 5.0) -> float:
        """Press the foot switch for the previous song; return the seconds until a patch is at a device."""
        with FarEnd(("127.0.0.1", self.udp)) as far_end:
            far_end.listen()
            began_s = time.monotonic()
            far_end.play("pedals", controller(15, 81, 127))
            while time.monotonic() < began_s + limit_s:
                arrival = far_end.receive(0.1)
                if arrival is not None and arrival.data[0] & 0xF0 == 0xC0:
                    return time.monotonic() - began_s
        raise AssertionError(f"a press of the foot switch sent no patch within {limit_s} s")

    def until_back(self, pid: int, limit_s: float = 60.0) -> float:
        """Return the seconds until another server than `pid` answers."""
        began_s = time.monotonic()
        until(lambda: self.service.status()["server"]["pid"] != pid, limit_s, "another server answers")
        return time.monotonic() - began_s


@contextlib.contextmanager
def watched(*options: str, cwd: Path | None = None, stderr: int | None = None) -> Iterator[Watched]:
    """Run the demo's rig, on the song and in the tempo of the tick bench; `stderr` may take the log."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(shutil.copytree(rig_folder(), Path(place) / "rig"))
        udp = free_port()
        far_end = ("--ports", "simulated", "--far-end", str(udp))
        state = Path(place) / "state"
        with Service(folder, state, *far_end, *options, cwd=cwd, stderr=stderr) as service:
            service.wait_until_open()
            service.ask("POST", "/v1/song", {"song": SONG})
            service.ask("POST", "/v1/tempo", {"bpm": str(BPM)})
            time.sleep(1)
            yield Watched(service, udp, folder)


@dataclass(slots=True)
class Lateness:
    """Lateness of ticks in µs, in quiet and in disturbed stretches of one run, and ticks that are missing."""

    quiet: list[float]
    disturbed: list[float]
    lost: int

    def text(self) -> str:
        """Return p50 and p99 of both, and their ratios."""
        shares = (0.5, 0.99)
        quiet = [percentile(self.quiet, share) for share in shares]
        disturbed = [percentile(self.disturbed, share) for share in shares]
        ratios = [d / max(q, 1.0) for d, q in zip(disturbed, quiet, strict=True)]
        return (
            f"ticks late by p50 {disturbed[0]:.0f} µs, p99 {disturbed[1]:.0f} µs; without the fault "
            f"{quiet[0]:.0f} and {quiet[1]:.0f} µs ({ratios[0]:.2f} ×, {ratios[1]:.2f} ×); {self.lost} lost"
        )


def beside(
    stage: Watched,
    disturb: Callable[[], None],
    restore: Callable[[], None] = lambda: None,
    rounds: int = ROUNDS,
    stretch_s: float = STRETCH_S,
) -> Lateness:
    """Alternate quiet stretches with stretches that begin with `disturb` and end with `restore`.

    A stretch is `stretch_s` long, or as long as `disturb` takes. The grid must stay the same.
    """
    anchor_ns = stage.service.status()["tempo"]["anchor_ns"]
    total_s = 4 * rounds * stretch_s + 60
    command = [
        sys.executable,
        "-m",
        "tests.bench.observer",
        str(stage.udp),
        DEVICE,
        str(total_s),
        "until-eof",
    ]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as observer:
        time.sleep(1.0)
        spans: list[tuple[bool, int, int]] = []
        for _ in range(rounds):
            for disturbed in (False, True):
                began_ns = time.monotonic_ns()
                if disturbed:
                    disturb()
                time.sleep(max(0.0, stretch_s - (time.monotonic_ns() - began_ns) / 1e9))
                if disturbed:
                    restore()
                spans.append((disturbed, began_ns, time.monotonic_ns()))
        seen, _ = observer.communicate()  # closes its input, which ends it
    stamps = [float(stamp) for _, stamp in json.loads(seen)]
    sides: dict[bool, list[float]] = {False: [], True: []}
    for disturbed, began_ns, ended_ns in spans:
        sides[disturbed] += lateness_us([s for s in stamps if began_ns <= s < ended_ns], anchor_ns)
    numbers = [round((s - anchor_ns) / INTERVAL_NS) for s in stamps]
    # by their count: one that is late by more than half a tick is late, not lost
    lost = max(0, numbers[-1] - numbers[0] + 1 - len(stamps))
    return Lateness(sides[False], sides[True], lost)


def table(rows: list[Row]) -> str:
    """Return the rows as a Markdown table."""
    lines = ["| fault | what was seen | figures |", "|---|---|---|"]
    return "\n".join([*lines, *(f"| {row.fault} | {row.seen} | {row.figure} |" for row in rows)])


def answer_of(service: Service) -> dict[str, Any]:
    """Return what of the status must be equal before and after: where the show stands."""
    status = service.status()
    keys = ("song", "section", "transport", "set_list", "muted", "soloed", "next")
    same: dict[str, Any] = {key: status[key] for key in keys if key in status}
    return same | {"bpm": status["tempo"]["bpm"]}
