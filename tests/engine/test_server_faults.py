"""The server out of memory, or dying at every start: the clock, the routes and the feet go on."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from routerd.cli.demo import rig_folder
from routerd.core.midi.messages import START, TICK, controller, note_off, note_on
from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port, own_package, unexpected, until


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[tuple[Service, FarEnd]]:
    folder = Path(shutil.copytree(rig_folder(), tmp_path / "rig"))
    udp = free_port()
    options = ("--ports", "simulated", "--far-end", str(udp))
    package = own_package(tmp_path / "package")
    with (
        Service(folder, tmp_path / "state", *options, cwd=package) as service,
        FarEnd(("127.0.0.1", udp)) as far_end,
    ):
        service.wait_until_open()
        far_end.listen()
        yield service, far_end


def hears(far_end: FarEnd, device: str, wanted: bytes) -> None:
    """Wait until the device has got this."""
    end_s = time.monotonic() + 30
    while time.monotonic() < end_s:
        arrival = far_end.receive(0.2)
        if arrival is not None and (arrival.device, arrival.data) == (device, wanted):
            return
    raise AssertionError(f"{wanted.hex()} did not reach {device}")


def goes_on(far_end: FarEnd) -> None:
    """Ticks come, a key is routed and released, and the foot switch brings the next song."""
    hears(far_end, "modular-left", bytes((TICK,)))
    far_end.play("keys", note_on(0, 62, 80))
    hears(far_end, "lead-synth", note_on(0, 62, 80))
    far_end.play("keys", note_off(0, 62))
    hears(far_end, "lead-synth", note_off(0, 62))
    far_end.play("pedals", controller(15, 80, 127))
    hears(far_end, "modular-left", bytes((START,)))  # the second song starts its sequencers on entry


def test_a_server_without_memory_is_replaced(stage: tuple[Service, FarEnd]) -> None:
    service, far_end = stage
    before = service.status()
    pid = service.starve_server()
    goes_on(far_end)
    service.until_server_dies(pid)
    hears(far_end, "modular-left", bytes((TICK,)))
    after = until(lambda: (s := service.status()) and s["server"]["pid"] != pid and s)
    assert after["engine"]["pid"] == before["engine"]["pid"]
    assert after["song"]["title"] == "Nine Lamps"
    assert after["engine"]["counters"].get("faults", 0) == 0


def test_a_server_that_dies_at_every_start_disturbs_nobody(
    stage: tuple[Service, FarEnd], tmp_path: Path
) -> None:
    service, far_end = stage
    module = tmp_path / "package" / "routerd" / "server" / "main.py"
    good = module.read_text()
    module.write_text("raise RuntimeError('broken on purpose')\n")
    service.kill_server()
    until(lambda: service.log.count("the server has ended (exit status 1)") >= 2, what="servers die at once")
    goes_on(far_end)
    with pytest.raises(OSError, match="refused"):
        service.status()
    module.write_text(good)
    after = until(service.status)
    assert after["song"]["title"] == "Nine Lamps"
    assert after["server"]["restarts"] >= 2
    assert "started again (restart" in str(after["problems"])
    assert unexpected(after) == []
