"""Opens and closes ports on JACK by the thousand on a server that has no rest, and times every call.

    python -m tests.bench.port_churn [COUNT [STOPS]]

A server with a period of 64 frames, first in JACK's usual asynchronous mode, then in its synchronous one
(-S); two processes that compute beside it, and a second program that connects and disconnects all the time.
COUNT ports (2000) are opened, sent to, and closed, outputs and inputs in turn; then a daemon is stopped STOPS
times (20) at random moments. No call may take longer than 2 s, and a stopped daemon must have let go of its
ports within one. A port that is refused is no mistake while the server is held up. Needs jackd2.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

from jack_faults import PROGRAMS, RIG, SONG, Bed, bridge_of

from routerd.core.errors import PortError
from routerd.ports.base import StalledError
from routerd.ports.jack import JackPorts, open_jack
from tests.service import Service, write_rig

FRAMES = 64
REST_S = 5.0
LONGEST_CALL_S = 2.0
LONGEST_STOP_S = 1.0

_COMPUTES = "while True: pass"
_CONNECTS = f"""
import subprocess
while True:
    for command in ("jack_connect", "jack_disconnect"):
        pair = ["{PROGRAMS["box"]} out:port", "{PROGRAMS["synth"]} in:port"]
        subprocess.run([command, *pair], capture_output=True)
"""


class Times:
    """How long calls took, and which of them failed."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self.calls = self.failed = 0

    def of(self, function: Callable[[], Any]) -> Any:
        """Call, and return what came of it; None when it failed."""
        began_s = time.monotonic()
        try:
            return function()
        except (PortError, IndexError):
            self.failed += 1
            return None
        finally:
            self.calls += 1
            self.longest_s = max(self.longest_s, time.monotonic() - began_s)


def churn(system: JackPorts, count: int, times: Times) -> int:
    """Open and close `count` ports; return how many were really open."""
    opened = 0
    for number in range(count):
        port: Any
        if number % 2:
            port = times.of(lambda: system.open_input(system.inputs()[0], lambda *_: None, "churned"))
        else:
            port = times.of(lambda: system.open_output(system.outputs()[0], "churned"))
        if port is None:
            until_s = time.monotonic() + REST_S  # whoever keeps ports open does not try again at once either
            while times.of(system.outputs) is None and time.monotonic() < until_s:
                time.sleep(0.02)
            continue
        opened += 1
        if not number % 2:
            for _ in range(10):
                times.of(lambda port=port: port.send(b"\xf8"))
        times.of(port.condition)
        times.of(port.close)
    return opened


def stops(place: Path, count: int, chance: random.Random) -> list[float]:
    """Start and stop daemons on the same server; return after how many s each had let go of its ports."""
    folder = write_rig(place / "second", RIG, {"one": SONG}, ["one"])
    took = []
    for number in range(count):
        with Service(folder, place / f"state-{number}", "--ports", "jack") as service:
            service.wait_until_up()
            time.sleep(chance.uniform(0.0, 1.0))
            took.append(stop(service))
    return took


def stop(service: Service) -> float:
    """Stop a daemon; return after how many s it had let go of its ports, 99 if it ended badly.

    What comes then, the end of the server process, has nothing to do with ports.
    """
    began_s = time.monotonic()
    engine = service.engine()
    service.process.terminate()
    while bridge_of(engine):
        time.sleep(0.01)
    took_s = time.monotonic() - began_s
    return took_s if service.process.wait(30) == 0 else 99.0


def _one_mode(words: str, options: tuple[str, ...], count: int, stop_count: int) -> bool:
    beside: list[subprocess.Popen[bytes]] = []
    times = Times()
    with tempfile.TemporaryDirectory() as place, Bed(Path(place), FRAMES, options) as bed:
        try:
            beside += [
                subprocess.Popen([sys.executable, "-c", code]) for code in (_COMPUTES, _COMPUTES, _CONNECTS)
            ]
            system = open_jack()
            system.watch(lambda: None)
            until_s = time.monotonic() + 20
            while time.monotonic() < until_s:
                try:
                    if system.outputs():
                        break
                except (StalledError, PortError):
                    pass
                time.sleep(0.05)
            began_s = time.monotonic()
            opened = churn(system, count, times)
            took_s = time.monotonic() - began_s
            ended_s = time.monotonic()
            system.close()
            close_s = time.monotonic() - ended_s
            stop_s = stops(Path(place), stop_count, random.Random(1))
        finally:
            for process in beside:
                process.kill()
                process.wait()
        states = bed.states()
        answer_s = bed.longest_answer_s
        stop_s.append(stop(bed.service))
    good = times.longest_s <= LONGEST_CALL_S and max(stop_s) <= LONGEST_STOP_S
    print(
        f"{words}: {opened} of {count} ports opened in {took_s:.0f} s, {times.calls} calls, {times.failed}"
        f" refused, longest {times.longest_s:.3f} s; closed in {close_s:.3f} s; {len(stop_s)} stops, longest"
        f" {max(stop_s):.3f} s; the daemon beside it: {states}, answered within {answer_s:.3f} s",
        flush=True,
    )
    return good


def main(count: int = 2000, stop_count: int = 20) -> int:
    """See the module's head."""
    good = [
        _one_mode("asynchronous", (), count, stop_count),
        _one_mode("synchronous (-S)", ("-S",), count, stop_count),
    ]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main(*(int(argument) for argument in sys.argv[1:])))
