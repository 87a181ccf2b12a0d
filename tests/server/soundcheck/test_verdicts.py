"""The verdict on a device's ports: open all the time, or it fails."""

from __future__ import annotations

from typing import Any

import pytest

from routerd.core.model.rig import Device, Rig
from routerd.link.messages import PortState
from routerd.server.soundcheck.figures import DeviceVerdict
from routerd.server.soundcheck.verdicts import judge_devices

RIG = Rig("r", (Device("synth", "Synth", output_pattern="Synth*"),))


def verdict(state: Any, error: str | None = None, closed: str | None = None) -> DeviceVerdict:
    port = PortState("synth", "output", "Synth*", None, state, error)
    was = {} if closed is None else {("synth", "output"): closed}
    (found,) = judge_devices(RIG, [port], [], [], was)
    return found


def test_open_all_the_time_passes() -> None:
    assert verdict("open").verdict == "pass"


@pytest.mark.parametrize("state", ["missing", "failed", "disconnected", "stalled", "contested", "opening"])
def test_a_port_in_any_other_state_fails_with_what_is_wrong(state: str) -> None:
    found = verdict(state, error="told so")
    assert found.verdict == "fail"
    assert "told so" in found.why[0]
    assert state in found.why[0] or "not there" in found.why[0]


def test_a_port_that_was_disconnected_and_came_back_by_itself_fails() -> None:
    found = verdict("open", closed="another program has disconnected it")
    assert found.verdict == "fail"
    assert "was not all the time (another program has disconnected it)" in found.why[0]
