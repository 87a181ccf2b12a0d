"""USB devices of one name: what sysfs tells of them, which of them a rig means, what a person is shown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from routerd.core.model.rig import ANY_USB, Device, Usb
from routerd.ports import describe_ports, ports_json
from routerd.ports.alsa_sequencer import usb_of_card
from routerd.ports.base import PortInfo
from routerd.ports.patterns import match_port
from routerd.ports.simulated import SimulatedPorts

LEFT = PortInfo("Twin:MIDI 1", "0 20:0", "T0001", "1-1.2")
RIGHT = PortInfo("Twin:MIDI 1", "0 24:0", "T0002", "1-1.3")
OTHER = PortInfo("Twin:MIDI 1", "0 28:0")


def plug(root: Path, card: int, path: str, serial: str | None, bus: str = "usb") -> None:
    """Lay the folders of a sound card as the kernel does."""
    interface = root / "devices" / path / f"{path}:1.0"
    interface.mkdir(parents=True)
    (root / "bus" / bus).mkdir(parents=True, exist_ok=True)
    (interface / "subsystem").symlink_to(root / "bus" / bus)
    if serial is not None:
        (interface.parent / "serial").write_text(serial + "\n")
    (root / f"card{card}").mkdir()
    (root / f"card{card}" / "device").symlink_to(interface)


def test_serial_and_path_of_a_card(tmp_path: Path) -> None:
    plug(tmp_path, 0, "1-1.2", "T0001")
    plug(tmp_path, 1, "2-3", None)
    plug(tmp_path, 2, "0000:00:1f.3", None, bus="pci")
    (tmp_path / "card3").mkdir()  # such as the loopback card: it hangs on nothing
    assert usb_of_card(0, tmp_path) == Usb("T0001", "1-1.2")
    assert usb_of_card(1, tmp_path) == Usb("", "2-3")
    assert [usb_of_card(number, tmp_path) for number in (2, 3, 4)] == [ANY_USB] * 3


@pytest.mark.parametrize(
    ("usb", "found"),
    [
        (Usb(serial="T0002"), RIGHT),
        (Usb(path="1-1.3"), RIGHT),
        (Usb(serial="T0001"), LEFT),
        (Usb("T0001", "1-1.2"), LEFT),
        (Usb("T0001", "1-1.3"), None),
        (Usb(serial="T0003"), None),
        (ANY_USB, OTHER),
    ],
)
@pytest.mark.parametrize("pattern", ["twin*", "Twin:MIDI 1"])
def test_one_of_several_ports_of_one_name(pattern: str, usb: Usb, found: PortInfo | None) -> None:
    assert match_port(pattern, [OTHER, LEFT, RIGHT], usb) is found


def test_simulated_twins_are_reported_apart_too() -> None:
    ports = SimulatedPorts()
    left = Device("left", output_pattern="Twin*", output_usb=Usb(serial="T0001"))
    right = Device("right", output_pattern="Twin*", output_usb=Usb(path="1-1.3"))
    ports.provide([left, right])
    found = [match_port("Twin*", ports.outputs(), usb) for usb in (right.output_usb, left.output_usb)]
    assert [port.handle if port else None for port in found] == ["right", "left"]
    ports.close()


class Listing:
    """A port system that lists what it is given."""

    kind = "alsa"

    def __init__(self, *ports: PortInfo) -> None:
        self._ports = list(ports)

    def inputs(self) -> list[PortInfo]:
        return self._ports

    def outputs(self) -> list[PortInfo]:
        return self._ports

    def close(self) -> None:
        pass


def shown(monkeypatch: pytest.MonkeyPatch, *ports: PortInfo) -> str:
    monkeypatch.setattr("routerd.ports.open_system", lambda _: Listing(*ports))
    return describe_ports("alsa")


def test_what_is_shown_can_be_copied_into_the_rig(monkeypatch: pytest.MonkeyPatch) -> None:
    text = shown(monkeypatch, LEFT, RIGHT)
    assert '  "Twin:MIDI 1"   (serial: "T0001", usb-path: "1-1.2")\n' in text
    assert "2 ports are called 'Twin:MIDI 1'; tell them apart by the serial, such as\n" in text
    assert '  input: {name: "Twin:MIDI 1", serial: "T0001"}' in text


def test_as_json_each_port_has_its_pattern(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("routerd.ports.open_system", lambda _: Listing(LEFT))
    listed = json.loads(ports_json("alsa"))
    port = {"name": "Twin:MIDI 1", "pattern": "Twin:MIDI 1", "serial": "T0001", "usb_path": "1-1.2"}
    assert listed == {"ports": "alsa", "inputs": [port], "outputs": [port]}


def test_twins_without_serial_numbers_are_reported_apart_by_path(monkeypatch: pytest.MonkeyPatch) -> None:
    twins = (PortInfo("Twin", "a", "", "1-1"), PortInfo("Twin", "b", "", "1-2"))
    assert 'input: {name: "Twin", usb-path: "1-1"}' in shown(monkeypatch, *twins)
    same = (PortInfo("Twin", "a", "S", "1-1"), PortInfo("Twin", "b", "S", "1-1"))
    assert "a name cannot tell them apart" in shown(monkeypatch, *same)
