"""USB devices that are pulled out and put back while the daemon plays on them, and twins of one name."""

from __future__ import annotations

import json
import time
from collections.abc import Callable

import pytest
from daemon import RIG, Daemon
from far_program import FarProgram
from listener import Aseqdump
from usb import DeviceEnd, Gadget, hear, plug, wait_for

from routerd.ports.describe import describe_ports

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

CYCLES = 10
NOTICE_LIMIT_S, REOPEN_LIMIT_S = 10.0, 20.0
"""Ten times what is promised for a real processor; what it took here is printed."""

LEFT_PATCH = bytes.fromhex("c105b1075a")
RIGHT_PATCH = bytes.fromhex("c208")


def seconds_until(what: str, look: Callable[[], object], limit_s: float) -> float:
    begun = time.monotonic()
    wait_for(what, look, limit_s)
    return time.monotonic() - begun


@pytest.mark.timeout(300)
def test_ten_times_pulled_and_put_back(
    daemon: Daemon, watcher: Aseqdump, twins: tuple[Gadget, Gadget], keys: FarProgram
) -> None:
    left, right = twins
    right_end = right.open()
    events, noticed, reopened = daemon.events, [], []
    for cycle in range(CYCLES):
        note = 40 + cycle
        gone, came = (len(events.of(kind, device="left")) for kind in ("port-closed", "port-opened"))
        keys.send(bytes((0x90, note, 100)))
        hear(right_end, bytes((0x92, note, 100)))
        clocks = len(watcher.clocks())

        left.unplug()
        # both ways of the device are told
        noticed.append(
            seconds_until(
                "the daemon to say so",
                lambda n=gone: len(events.of("port-closed", device="left")) >= n + 2,
                NOTICE_LIMIT_S,
            )
        )
        keys.send(bytes((0x90, note + 20, 100)))
        hear(right_end, bytes((0x92, note + 20, 100)))  # the other device never notices
        for released in (note, note + 20):
            keys.send(bytes((0x80, released, 64)))
            hear(right_end, bytes((0x82, released, 64)))

        begun = time.monotonic()
        end = plug(left)
        heard = hear(end, LEFT_PATCH, REOPEN_LIMIT_S)
        assert bytes((0x81, note)) in heard, "the note that it was holding is ended"
        wait_for("the event", lambda n=came: len(events.of("port-opened", device="left")) >= n + 2)
        reopened.append(time.monotonic() - begun)
        wait_for("clocks", lambda n=clocks: len(watcher.clocks()) > n + 24)
        end.close()
    right_end.close()
    print(
        "the daemon said so after " + ", ".join(f"{s:.2f}" for s in noticed) + " s; the device had its"
        " patches again after " + ", ".join(f"{s:.2f}" for s in reopened) + " s (emulated processor)"
    )
    log = [line for line in daemon.log_lines() if line.get("device") == "left"]
    assert sum(line["event"] == "port closed" for line in log) >= 2 * CYCLES
    assert daemon.status()["engine"]["counters"]["faults"] == 0
    assert daemon.port("left", "output")["state"] == "open"


def test_while_it_is_out_the_status_says_so(daemon: Daemon, twins: tuple[Gadget, Gadget]) -> None:
    left, _ = twins
    left.unplug()
    daemon.wait_for_port("left", "output", "missing")
    assert daemon.port("left", "input") == {
        "device": "left",
        "direction": "input",
        "pattern": "Twin Synth*, serial LEFT1",
        "port": None,
        "state": "missing",
        "error": None,
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
    try:
        (daemon.folder / "rig.yaml").write_text(by_path)
        daemon.post("/v1/reload")
        assert paths["LEFT1"] in daemon.port("left", "output")["pattern"]
        for device in ("left", "right"):
            daemon.wait_for_port(device)
        left_end, right_end = swap(daemon, twins)
        hear(left_end, RIGHT_PATCH)  # the left twin now is where the right one was
        hear(right_end, LEFT_PATCH)
        left_end.close()
        right_end.close()
    finally:
        (daemon.folder / "rig.yaml").write_text(RIG)
        daemon.post("/v1/reload")
    for device in ("left", "right"):
        daemon.wait_for_port(device)
