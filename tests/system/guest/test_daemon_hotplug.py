"""USB devices that are pulled out and put back while the daemon plays on them, and twins of one name."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest
from daemon import RIG, Daemon
from far_program import FarProgram
from listener import Aseqdump
from usb import DeviceEnd, Gadget, hear, plug, wait_for

from routerd.ports import describe_ports

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

CYCLES = 10
NOTICE_LIMIT_S, REOPEN_LIMIT_S = 10.0, 20.0
"""Ten times what is promised for a real processor; what it took here is printed."""

LEFT_PATCH = bytes.fromhex("c105b1075a")
RIGHT_PATCH = bytes.fromhex("c208")


class Told:
    """Waits for the events of both ways of the left device."""

    def __init__(self, daemon: Daemon, kind: str) -> None:
        self._events = lambda: daemon.events.of(kind, device="left")
        self._before = len(self._events())

    def both_ways(self, limit_s: float) -> list[dict[str, Any]]:
        wait_for("both events", lambda: len(self._events()) >= self._before + 2, limit_s)
        return self._events()[self._before :]


def since(begun_ns: int, events: list[dict[str, Any]]) -> float:
    """Return how long after `begun_ns` the engine did the last of these, in seconds."""
    return (max(event["at_ns"] for event in events) - begun_ns) / 1e9


@pytest.mark.timeout(300)
def test_ten_times_pulled_and_put_back(
    daemon: Daemon, watcher: Aseqdump, twins: tuple[Gadget, Gadget], keys: FarProgram
) -> None:
    left, right = twins
    right_end = right.open()
    closed, opened, told = [], [], []
    for cycle in range(CYCLES):
        held, pressed_meanwhile = 40 + cycle, 60 + cycle
        gone = Told(daemon, "port-closed")
        came = Told(daemon, "port-opened")
        keys.send(bytes((0x90, held, 100)))
        hear(right_end, bytes((0x92, held, 100)))
        clocks = len(watcher.clocks())

        begun_ns = time.monotonic_ns()
        left.unplug()
        events = gone.both_ways(NOTICE_LIMIT_S)
        told.append((time.monotonic_ns() - begun_ns) / 1e9)
        closed.append(since(begun_ns, events))
        keys.send(bytes((0x90, pressed_meanwhile, 100)))
        hear(right_end, bytes((0x92, pressed_meanwhile, 100)))  # the other device never notices
        for released in (held, pressed_meanwhile):
            keys.send(bytes((0x80, released, 64)))
            hear(right_end, bytes((0x82, released, 64)))

        begun_ns = time.monotonic_ns()
        end = plug(left)
        heard = hear(end, LEFT_PATCH, REOPEN_LIMIT_S)
        assert bytes((0x81, held)) in heard, "the note that it was holding is ended"
        opened.append(since(begun_ns, came.both_ways(REOPEN_LIMIT_S)))
        wait_for("clocks", lambda n=clocks: len(watcher.clocks()) > n + 24)
        end.close()
    right_end.close()
    for what, spans in (("closed by the engine", closed), ("told by an event", told), ("reopened", opened)):
        print(f"{what} after", *(f"{span:.2f}" for span in spans), "s (emulated processor)")
    log = [line for line in daemon.log_lines() if line.get("device") == "left"]
    assert sum(line["event"] == "port closed" for line in log) >= 2 * CYCLES
    assert daemon.status()["engine"]["counters"]["faults"] == 0
    assert daemon.port("left", "output")["state"] == "open"


def test_while_it_is_out_the_status_says_so(daemon: Daemon, twins: tuple[Gadget, Gadget]) -> None:
    left, _ = twins
    left.unplug()
    daemon.wait_for_port("left", "output", "missing")
    port = daemon.port("left", "input")
    assert port.pop("since_ns") < time.monotonic_ns()
    assert port == {
        "device": "left",
        "direction": "input",
        "pattern": "Twin Synth*, serial LEFT1",
        "port": None,
        "state": "missing",
        "error": None,
        "doubt": None,
    }
    assert daemon.port("right", "output")["state"] == "open"
    left.plug()
    daemon.wait_for_port("left", "output")


def swap(daemon: Daemon, twins: tuple[Gadget, Gadget]) -> tuple[DeviceEnd, DeviceEnd]:
    """Put each twin into the other's socket, the one that was second first."""
    sockets = [gadget.socket for gadget in twins]
    for device, gadget in zip(("left", "right"), twins, strict=True):
        gadget.unplug()
        daemon.wait_for_port(device, "output", "missing")
    right_end = plug(twins[1], sockets[0])
    left_end = plug(twins[0], sockets[1])
    for device in ("left", "right"):
        daemon.wait_for_port(device)
    return left_end, right_end


def test_twins_keep_their_parts_by_serial_number_in_any_socket(
    daemon: Daemon, twins: tuple[Gadget, Gadget]
) -> None:
    left_end, right_end = swap(daemon, twins)
    assert RIGHT_PATCH not in hear(left_end, LEFT_PATCH)
    assert LEFT_PATCH not in hear(right_end, RIGHT_PATCH)
    left_end.close()
    right_end.close()


def test_sockets_keep_their_parts_by_usb_path_whatever_is_plugged(
    daemon: Daemon, twins: tuple[Gadget, Gadget]
) -> None:
    shown = describe_ports("alsa")
    for twin in twins:
        assert f'serial: "{twin.serial}"' in shown
    assert "tell them apart by the serial" in shown
    paths = {
        line.split('serial: "')[1].split('"')[0]: line.split('usb-path: "')[1].split('"')[0]
        for line in shown.splitlines()
        if "usb-path:" in line
    }
    by_path = RIG.replace("serial: LEFT1", f"usb-path: {json.dumps(paths['LEFT1'])}").replace(
        "serial: RIGHT2", f"usb-path: {json.dumps(paths['RIGHT2'])}"
    )
    with daemon.rig(by_path):
        wait_for("the new pattern", lambda: paths["LEFT1"] in daemon.port("left", "output")["pattern"])
        for device in ("left", "right"):
            daemon.wait_for_port(device)
        left_end, right_end = swap(daemon, twins)
        hear(left_end, RIGHT_PATCH)  # the left twin now is where the right one was
        hear(right_end, LEFT_PATCH)
        left_end.close()
        right_end.close()
    for device in ("left", "right"):
        daemon.wait_for_port(device)
