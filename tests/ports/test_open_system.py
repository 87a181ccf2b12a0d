"""Choosing a port system, and finding a port by its pattern."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from routerd.cli import main
from routerd.cli.demo import rig_folder
from routerd.core.errors import PortError
from routerd.ports import describe_ports, missing_library, open_system, pattern_of
from routerd.ports.base import PortInfo
from routerd.ports.libjack import built_without_jack
from routerd.ports.patterns import match_port


def test_a_kind_that_does_not_exist_is_an_error_that_names_those_that_do() -> None:
    with pytest.raises(PortError, match="alsa, jack, simulated"):
        open_system("usb")


def test_simulated_ports_load_no_library() -> None:
    code = (
        "import sys; from routerd.ports import open_system; open_system('simulated').close();"
        "print([m for m in sys.modules if 'rtmidi' in m or m.startswith('yaml')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_machine_without_ports_is_reported_how_to_get_some(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    if reason := missing_library():
        pytest.skip(reason)
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
        ("rack*", "Rack 1"),
        ("box a*", "Box A"),
        ("box a ?*", "Box A spare"),
        ("Box B*", "Box B 10"),
        ("drum*", None),
        ("", None),
    ],
)
def test_match_port_takes_the_first_that_fits_best(pattern: str, found: str | None) -> None:
    names = ("Keys:1", "Keys:2", "Rack [1]", "Rack 1", "Box A spare", "Box A", "Box B 10", "Box B 9")
    ports = [PortInfo(name, "") for name in names]
    match = match_port(pattern, ports)
    assert (match.name if match else None) == found


def without(library: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let importing a library fail as it does where libasound2 is missing (seen on a minimal Debian 12)."""
    words = "libasound.so.2: cannot open shared object file: No such file or directory"

    def load(name: str) -> ModuleType:
        if name in (library, "routerd.ports.jack"):  # which needs rtmidi too
            raise ImportError(words)
        raise AssertionError(name)

    monkeypatch.setattr("routerd.ports.import_module", load)


def test_a_missing_system_library_is_one_line_that_names_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("routerd.ports._ALSA_SEQUENCER", Path("/nowhere"))
    monkeypatch.setattr("routerd.engine.realtime.make_thread_realtime", lambda _: 0)  # the thread is pytest's
    without("routerd.ports.jack", monkeypatch)
    for kind in (None, "jack"):
        with pytest.raises(PortError, match=r"apt-get install libasound2 .*libasound2t64") as caught:
            open_system(kind)
        assert "\n" not in str(caught.value)
    folder = str(rig_folder())
    assert main(["ports"]) == 2
    assert main(["run", folder, "--no-spare", "--state-dir", str(tmp_path / "state")]) == 1
    listing, *log = capfd.readouterr().err.splitlines()
    assert listing == f"routerd: {caught.value}"
    assert [json.loads(line)["event"] for line in log if '"error"' in line] == [str(caught.value)]
    without("rtmidi", monkeypatch)
    assert main(["check", folder]) == 0
    assert f"warning: {caught.value}\n" in capfd.readouterr().out
    assert missing_library() == str(caught.value)


def test_a_library_that_is_broken_otherwise_is_reported_as_it_says_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def load(_: str) -> ModuleType:
        raise ImportError("No module named 'rtmidi'")

    monkeypatch.setattr("routerd.ports.import_module", load)
    assert "No module named 'rtmidi'; --ports simulated" in missing_library()


def test_what_rtmidi_was_built_without_is_reported_with_package_and_command() -> None:
    words = built_without_jack()
    assert "apt-get install libjack-jackd2-dev" in words
    assert f"{sys.executable} -m pip install --force-reinstall --no-cache-dir" in words
    assert "--ports alsa" in words
