"""`routerd new`: a rig folder from the ports that are there."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

from routerd.cli import main
from routerd.cli import new as module
from routerd.cli.new import Heard, make_folder, paired, rig_text
from routerd.core.errors import PortError
from routerd.ports.base import CONNECTED, Condition, PortInfo, Received
from routerd.server.rigfiles import load_folder


def names(*ports: str) -> list[PortInfo]:
    return [PortInfo(name, name) for name in ports]


class Ports:
    """A machine's ports; what `presses` has for an input comes in soon after it is opened."""

    kind = "alsa"
    malformed = 0

    def __init__(
        self, inputs: list[PortInfo], outputs: list[PortInfo], presses: dict[str, list[str]] | None = None
    ) -> None:
        self._inputs, self._outputs, self.presses = inputs, outputs, presses or {}
        self.open: set[str] = set()

    def inputs(self) -> list[PortInfo]:
        return self._inputs

    def outputs(self) -> list[PortInfo]:
        return self._outputs

    def open_input(self, info: PortInfo, received: Received, _name: str = "") -> Port:
        def play() -> None:
            for code in self.presses.get(info.name, []):
                received(bytes.fromhex(code), 0)

        threading.Timer(0.05, play).start()
        self.open.add(info.name)
        return Port(self, info)

    def close(self) -> None:
        assert not self.open


class Port:
    def __init__(self, system: Ports, info: PortInfo) -> None:
        self.system, self.info = system, info

    def condition(self) -> Condition:
        return CONNECTED

    def close(self) -> None:
        self.system.open.discard(self.info.name)


IN = names("Stage Keys:Stage Keys MIDI 1", "Pedal Board:Pedal Board MIDI 1", "Box-20417:out")
OUT = names("Stage Keys:Stage Keys MIDI 1", "Lead Synth:Lead Synth MIDI 1", "Box-20417:in")


def test_what_belongs_together_is_one_device() -> None:
    assert [(one.name, one.input is not None, one.output is not None) for one in paired(IN, OUT)] == [
        ("stage-keys", True, True),
        ("pedal-board", True, False),
        ("box", True, True),
        ("lead-synth", False, True),
    ]


def test_several_ports_of_one_box_get_their_own_names() -> None:
    found = paired(names("Hub:Hub MIDI 1", "Hub:Hub MIDI 2"), names("Hub:Hub MIDI 1", "Hub:Hub MIDI 2"))
    assert [one.name for one in found] == ["hub-midi-1", "hub-midi-2"]


def test_no_two_devices_have_the_same_name() -> None:
    found = paired(names("A b", "a-b", "A.b"), [])
    assert [one.name for one in found] == ["a-b", "a-b-2", "a-b-3"]


def test_twins_are_told_apart_by_their_usb_device() -> None:
    twins = [PortInfo("Twin Synth", "1", serial="T0001"), PortInfo("Twin Synth", "2", usb_path="1-1.2")]
    text = rig_text(paired([], twins), {})
    assert 'output: {name: "Twin Synth", serial: "T0001"}' in text
    assert 'output: {name: "Twin Synth", usb-path: "1-1.2"}' in text
    assert "wire: usb}  # wire: guessed" in text


def test_the_folder_loads_and_finds_its_ports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    odd = names('Odd "name": {a}, #b*?', "Ünïcode\tTab", "-", "9")
    system = Ports(IN + odd, OUT + odd)
    monkeypatch.setattr(module, "open_system", lambda _: system)
    assert make_folder(tmp_path / "rig", None, learn=False) == 0
    loaded = load_folder(tmp_path / "rig")
    assert loaded.problems == ()
    assert loaded.rig_folder is not None
    assert len(loaded.rig_folder.rig.devices) == 8
    assert [one.title for one in loaded.rig_folder.songs] == ["First Song"]
    assert "with 8 devices" in capsys.readouterr().out


def test_the_example_begins_with_the_keyboard_and_says_what_gets_a_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        module, "open_system", lambda _: Ports(names("Drum Pads", "Stage Keys"), names("Box"))
    )
    assert make_folder(tmp_path / "rig", None, learn=False) == 0
    assert "{from: stage-keys, to: box" in (tmp_path / "rig" / "songs" / "first-song.yaml").read_text()
    assert "`clock: true`" in (tmp_path / "rig" / "rig.yaml").read_text()


def test_switches_are_learnt_each_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    presses = {
        "Pedal Board:Pedal Board MIDI 1": ["f8", "bf 50 7f", "bf 50 00", "bf 50 7f", "bf 51 7f", "c0 05"]
    }
    system = Ports(IN, OUT, presses)
    monkeypatch.setattr(module, "open_system", lambda _: system)
    assert make_folder(tmp_path / "rig", None, learn=True) == 0
    text = (tmp_path / "rig" / "rig.yaml").read_text()
    assert text.endswith(
        "controls:\n"
        "  - {from: pedal-board, cc: 80, channel: 16, do: next}\n"
        "  - {from: pedal-board, cc: 81, channel: 16, do: previous}\n"
        "  - {from: pedal-board, program: 6, channel: 1, do: panic}\n"
    )
    assert load_folder(tmp_path / "rig").problems == ()
    song = (tmp_path / "rig" / "songs" / "first-song.yaml").read_text()
    # neither from the foot switches nor to itself
    assert "{from: stage-keys, to: box, channel: 1}" in song


def test_the_example_in_the_song_loads_once_its_marks_are_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ports = names("Stage Keys", "Lead Synth")
    monkeypatch.setattr(module, "open_system", lambda _: Ports(ports[:1], ports))
    assert make_folder(tmp_path / "rig", None, learn=False) == 0
    song = tmp_path / "rig" / "songs" / "first-song.yaml"
    lines = song.read_text().splitlines(keepends=True)
    words = re.compile("# [a-zA-Z]")
    song.write_text("".join(line if words.match(line) else line.removeprefix("#") for line in lines))
    loaded = load_folder(tmp_path / "rig")
    assert loaded.problems == ()
    assert loaded.rig_folder is not None
    (route,) = loaded.rig_folder.songs[0].routes
    assert (route.source, route.target) == ("stage-keys", "lead-synth")


def test_one_device_is_counted_as_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "open_system", lambda _: Ports(names("Stage Keys"), []))
    assert make_folder(tmp_path / "rig", None, learn=False) == 0
    assert "with 1 device." in capsys.readouterr().out


def test_a_switch_that_nobody_presses_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LEARN_S", 0.2)
    monkeypatch.setattr(module, "open_system", lambda _: Ports(IN, OUT))
    assert make_folder(tmp_path / "rig", None, learn=True) == 0
    assert "controls" not in (tmp_path / "rig" / "rig.yaml").read_text()


@pytest.mark.parametrize("is_file", [True, False])
def test_what_is_there_is_never_overwritten(
    tmp_path: Path, is_file: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "open_system", lambda _: Ports(IN, OUT))
    target = tmp_path / "rig"
    mine = target if is_file else target / "mine.txt"
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("mine")
    assert main(["new", str(target)]) == 2
    assert "already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.rglob("*")] == (["rig"] if is_file else ["rig", "mine.txt"])


def test_without_ports_nothing_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "open_system", lambda _: Ports([], []))
    assert main(["new", str(tmp_path / "rig")]) == 2
    assert "there are no ports" in capsys.readouterr().err

    def refuse(_kind: str | None) -> None:
        raise PortError("this machine offers no MIDI ports")

    monkeypatch.setattr(module, "open_system", refuse)
    assert main(["new", str(tmp_path / "rig")]) == 2
    assert "offers no MIDI ports" in capsys.readouterr().err
    assert not (tmp_path / "rig").exists()


def test_a_switch_is_known_by_device_and_message() -> None:
    text = rig_text(paired(IN, OUT), {"next": Heard("pedal-board", bytes.fromhex("90 24 64"))})
    assert "  - {from: pedal-board, note: 36, channel: 1, do: next}" in text
