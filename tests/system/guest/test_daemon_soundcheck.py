"""A soundcheck on ALSA: another program answers the roll call, the kernel's "Midi Through" is the loop."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from daemon import RIG, Daemon
from far_program import FarProgram
from usb import wait_for

from routerd.server.soundcheck.facts import REQUEST

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

LOOP_RIG = (
    RIG.replace("box: {output", "box: {input: Far Box out*, output")
    + """\
  looped: {output: "Midi Through*Port-1*", wire: virtual, clock: true, loopback: loop-in}
  loop-in: {input: "Midi Through*Port-1*"}
"""
)
REPLY = bytes.fromhex("F0 7E 10 06 02 7D 42 00 00 20 00 01 00 00 F7")
"""M1 p. 40: family 42H, member 1000H, least significant byte first; 7D (from memory) is for nobody's use."""


@pytest.fixture
def looped(daemon: Daemon) -> Iterator[Daemon]:
    """The tests' daemon with a loop, and a box that can answer."""
    with daemon.rig(LOOP_RIG):
        daemon.wait_for_port("looped")
        daemon.wait_for_port("loop-in", "input")
        yield daemon


def answer(program: FarProgram) -> None:
    """Say who it is when it is asked."""
    while program.receive(3600) != REQUEST:
        pass
    program.send(REPLY)


@pytest.mark.timeout(240)
def test_roll_call_and_loop_over_alsa(looped: Daemon, box: FarProgram) -> None:
    looped.wait_for_port("box", "input")
    threading.Thread(target=answer, args=(box,), daemon=True).start()
    plan = {"levels_down": True, "seconds": 1, "stages": ["roll-call", "loopbacks"]}
    looped.post("/v1/soundcheck", plan)
    wait_for(
        "the end of the soundcheck",
        lambda: not looped.ask("GET", "/v1/soundcheck/state")["running"],
        every_s=0.5,
    )
    document = looped.ask("GET", "/v1/soundcheck")
    assert document["ended"] == "complete"
    calls = {one["device"]: one for one in document["roll_call"]}
    assert calls["box"]["state"] == "answered"
    assert (calls["box"]["identity"]["family"], calls["box"]["identity"]["member"]) == (0x42, 0x1000)
    (loop,) = document["loopbacks"]
    print(loop, [(one["stage"], one["seconds"]) for one in document["stages"]])
    assert (loop["device"], loop["hears"], loop["probes"], loop["lost"]) == ("looped", "loop-in", 20, 0)
