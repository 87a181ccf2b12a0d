"""Faults of the desk, the process that talks to people: each returns its row for `faults`."""

from __future__ import annotations

import os
import signal

from tests.bench.fault_rows import Row, Watched, answer_of, beside, watched


def killed() -> Row:
    """The desk is killed again and again."""
    with watched() as stage:
        return _desk_fault(stage, "desk killed (SIGKILL)", signal.SIGKILL)


def stopped() -> Row:
    """The desk hangs: it is stopped, answers nothing and does no work."""
    with watched() as stage:
        return _desk_fault(stage, "desk hangs (SIGSTOP)", signal.SIGSTOP)


def _desk_fault(stage: Watched, name: str, number: int) -> Row:
    before = answer_of(stage.service)
    back: list[float] = []

    def disturb() -> None:
        pid = int(stage.service.status()["desk"]["pid"])
        os.kill(pid, number)
        back.append(stage.until_back(pid))

    lateness = beside(stage, disturb)
    same = answer_of(stage.service) == before
    pid = int(stage.service.status()["desk"]["pid"])
    os.kill(pid, number)
    press_s = stage.press()
    stage.until_back(pid)
    seen = f"clock, routes, foot switch go on; {'the status is as before' if same else 'STATUS DIFFERS'}"
    back_text = f"API again after {min(back):.1f} to {max(back):.1f} s"
    figure = f"{back_text}; press to patch meanwhile {press_s * 1e3:.0f} ms; {lateness.text()}"
    return Row(name, seen, figure)
