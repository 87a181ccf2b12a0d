"""Ports opened and closed beside a program that connects and disconnects all the time: no call hangs.

Once this ended in a deadlock of engine and server. The long version is `tests.bench.port_churn`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import pytest
from dummy_server import DummyServer
from far_program import FarProgram

from routerd.core.errors import PortError
from routerd.ports.jack import JackPorts, open_jack

pytestmark = pytest.mark.system

PERIOD_FRAMES = 64
CHURN_S = 4.0
LONGEST_CALL_S = 2.0
LEAST = 6
"""Ports that must have been open at last: some 60 are on a quiet machine."""

_CONNECTS = """
import subprocess, sys
while True:
    for command in ("jack_connect", "jack_disconnect"):
        subprocess.run([command, *sys.argv[1:]], capture_output=True)
"""


@pytest.fixture
def box(jack_server: DummyServer) -> Iterator[FarProgram]:
    with FarProgram("jack", "Box") as program:
        yield program


@pytest.fixture
def connecting(box: FarProgram) -> Iterator[None]:
    """Have a program that connects two ports of others and disconnects them, all the time."""
    command = [sys.executable, "-c", _CONNECTS, box.output_name, box.input_name]
    with subprocess.Popen(command) as program:
        yield
        program.kill()


class Calls:
    """How long calls took."""

    def __init__(self) -> None:
        self.longest_s = 0.0

    def of(self, function: Callable[[], Any]) -> Any:
        """Call, and return what came of it; None when it was refused, as a busy server may."""
        began_s = time.monotonic()
        try:
            return function()
        except (PortError, IndexError):
            return None
        finally:
            self.longest_s = max(self.longest_s, time.monotonic() - began_s)


def open_one(system: JackPorts, number: int) -> Any:
    """Open an output or an input, in turn."""
    if number % 2:
        return system.open_input(system.inputs()[0], lambda *_: None, "churned")
    return system.open_output(system.outputs()[0], "churned")


def test_no_call_hangs_while_connections_come_and_go(box: FarProgram, connecting: None) -> None:
    system, calls, number = open_jack(), Calls(), 0
    try:
        system.watch(lambda: None)
        until_s = time.monotonic() + CHURN_S
        # A machine too busy to have opened LEAST by then gets more time, but no call does.
        while time.monotonic() < until_s or (number < LEAST and time.monotonic() < until_s + 10 * CHURN_S):
            port = calls.of(partial(open_one, system, number))
            if port is None:
                time.sleep(0.02)
                continue
            if not number % 2:
                calls.of(lambda port=port: port.send(b"\xf8"))
            calls.of(port.condition)
            calls.of(port.close)
            number += 1
    finally:
        calls.of(system.close)
    print(f"{number} ports, longest call {calls.longest_s:.3f} s")
    assert number >= LEAST
    assert calls.longest_s <= LONGEST_CALL_S
