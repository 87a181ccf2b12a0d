"""Faults of routerd's own two processes: each returns its row for `faults`."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.fault_rows import Row, Watched, answer_of, beside, watched
from tests.bench.restart import deaths
from tests.service import own_package


def killed() -> Row:
    """The server is killed again and again."""
    with watched() as stage:
        return _server_fault(stage, "server killed (SIGKILL)", signal.SIGKILL)


def stopped() -> Row:
    """The server hangs: it is stopped, answers nothing and does no work."""
    with watched() as stage:
        return _server_fault(stage, "server hangs (SIGSTOP)", signal.SIGSTOP)


def without_memory() -> Row:
    """The server gets no more memory."""
    with watched() as stage:
        service = stage.service
        before = answer_of(service)
        back: list[float] = []

        def disturb() -> None:
            began_s = time.monotonic()
            pid = service.starve_server()
            service.until_server_dies(pid)
            died_s = time.monotonic()
            stage.until_back(pid)
            back.append(time.monotonic() - died_s)
            print(f"  a server without memory lived {died_s - began_s:.1f} s", file=sys.stderr)

        lateness = beside(stage, disturb)
        seen = f"it ends, another comes; {_compared(answer_of(service), before)}"
        return Row(
            "server out of memory", seen, f"API {min(back):.1f} to {max(back):.1f} s later; {lateness.text()}"
        )


def dying_at_every_start() -> Row:
    """Each new server dies of an exception at once, for some seconds."""
    with tempfile.TemporaryDirectory() as place:
        package = own_package(Path(place))
        module = package / "routerd" / "server" / "main.py"
        good = module.read_text()
        with watched(cwd=package) as stage:
            service = stage.service
            before = answer_of(service)
            back: list[float] = []
            presses: list[float] = []

            def disturb() -> None:
                module.write_text("raise RuntimeError('broken on purpose')\n")
                pid = service.kill_server()
                time.sleep(2.5)
                module.write_text(good)
                back.append(stage.until_back(pid))

            lateness = beside(stage, disturb)
            seen = f"clock and foot switch go on; {_compared(answer_of(service), before)}"
            module.write_text("raise RuntimeError('broken on purpose')\n")
            service.kill_server()
            time.sleep(1)
            presses.append(stage.press())
            module.write_text(good)
        figure = f"API {min(back):.1f} to {max(back):.1f} s after the fault has gone"
        press = f"press to patch meanwhile {presses[0] * 1e3:.0f} ms"
        return Row("server dies at every start", seen, f"{figure}; {press}; {lateness.text()}")


def engine_killed() -> Row:
    """The engine is killed five times, with few songs."""
    with tempfile.TemporaryDirectory() as place:
        seen = deaths(Path(place), 5, many=False)
    gaps, off = sorted(d.gap_s for d in seen), max(abs(d.off_us) for d in seen)
    return Row(
        "engine killed (SIGKILL)",
        "started again, same song, tempo and grid; devices silenced and told where to go on",
        f"no tick for {gaps[0]:.2f} to {gaps[-1]:.2f} s (median {gaps[2]:.2f}), the next {off:.0f} µs off "
        f"the old grid at most; API again after {max(d.api_s for d in seen):.1f} s at most",
    )


def _compared(after: object, before: object) -> str:
    return "the status is as before" if after == before else "STATUS DIFFERS"


def _server_fault(stage: Watched, name: str, number: int) -> Row:
    before = answer_of(stage.service)
    back: list[float] = []

    def disturb() -> None:
        pid = int(stage.service.status()["server"]["pid"])
        os.kill(pid, number)
        back.append(stage.until_back(pid))

    lateness = beside(stage, disturb)
    same = _compared(answer_of(stage.service), before)
    pid = int(stage.service.status()["server"]["pid"])
    os.kill(pid, number)
    press_s = stage.press()
    stage.until_back(pid)
    seen = f"clock and foot switch go on; {same}"
    back_text = f"API again after {min(back):.1f} to {max(back):.1f} s"
    figure = f"{back_text}; press to patch meanwhile {press_s * 1e3:.0f} ms; {lateness.text()}"
    return Row(name, seen, figure)
