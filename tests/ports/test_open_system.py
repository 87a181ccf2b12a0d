"""Choosing a port system, and finding a port by its pattern."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from routerd.core.errors import PortError
from routerd.ports import open_system
from routerd.ports.base import PortInfo, match_port
from routerd.ports.describe import describe_ports, pattern_of


def test_a_kind_that_does_not_exist_is_an_error_that_names_those_that_do() -> None:
    with pytest.raises(PortError, match="alsa, jack, simulated"):
        open_system("usb")


def test_simulated_ports_load_no_library() -> None:
    code = (
        "import sys; from routerd.ports import open_system; open_system('simulated').close();"
        "print([m for m in sys.modules if 'rtmidi' in m or 'alsa_midi' in m or m.startswith('yaml')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_machine_without_ports_is_told_how_to_get_some(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("rtmidi")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "routerd-test-nobody")
    monkeypatch.setattr("routerd.ports._ALSA_SEQUENCER", Path("/nowhere"))
    with pytest.raises(PortError, match="--ports simulated"):
        open_system()
    assert capfd.readouterr().err == ""


def test_the_description_of_simulated_ports_says_how_to_use_them() -> None:
    assert "--ports simulated" in describe_ports("simulated")


@pytest.mark.parametrize(
    ("name", "pattern"),
    [
        ("Stage Keys:Stage Keys MIDI 1", "Stage Keys:Stage Keys MIDI 1"),
        ("Box-20417:in", "Box-*:in"),
        ("Box [2]:port", "Box [2]:port"),
    ],
)
def test_the_pattern_that_is_shown_finds_its_port(name: str, pattern: str) -> None:
    assert pattern_of(name) == pattern
    port = PortInfo(name, "")
    assert match_port(pattern, [port]) is port


@pytest.mark.parametrize(
    ("pattern", "found"),
    [
        ("keys*", "Keys:1"),
        ("*:2", "Keys:2"),
        ("KEYS:2", "Keys:2"),
        ("Rack [1]", "Rack [1]"),
        ("rack*", "Rack [1]"),
        ("drum*", None),
        ("", None),
    ],
)
def test_match_port_takes_the_first_that_fits(pattern: str, found: str | None) -> None:
    ports = [PortInfo(name, "") for name in ("Keys:1", "Keys:2", "Rack [1]", "Rack 1")]
    match = match_port(pattern, ports)
    assert (match.name if match else None) == found
