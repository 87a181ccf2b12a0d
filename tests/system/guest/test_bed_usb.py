"""The bed itself: USB MIDI devices carry bytes both ways, come and go for real, and keep their identity."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from usb import Gadget, load_bus, wait_for

if TYPE_CHECKING:
    import rtmidi

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("guest_only")]

SYSEX = bytes([0xF0, 0x7D, *(number & 0x7F for number in range(1000)), 0xF7])


@pytest.fixture(scope="module")
def bus(guest_only: None) -> None:
    load_bus(2)


@pytest.fixture
def synth(bus: None) -> Iterator[Gadget]:
    gadget = Gadget(0, "Bed Synth", "S0001")
    gadget.plug()
    wait_for("the synth's port", lambda: listed("Bed Synth"))
    yield gadget
    gadget.remove()
    wait_for("the synth to go", lambda: not listed("Bed Synth"))


def listed(product: str) -> list[str]:
    """Return the sequencer clients of this name, by an eye other than RtMidi's."""
    text = subprocess.run(["aconnect", "-l"], capture_output=True, text=True, check=True).stdout
    return [line for line in text.splitlines() if line.startswith("client") and f"'{product}'" in line]


def number_of(port: rtmidi.MidiIn | rtmidi.MidiOut, product: str) -> int:
    return next(number for number, name in enumerate(port.get_ports()) if product in name)


def test_bytes_from_the_device(synth: Gadget) -> None:
    end = synth.open()
    import rtmidi

    port = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="bed")
    port.ignore_types(sysex=False, timing=False, active_sense=False)
    port.open_port(number_of(port, "Bed Synth"))
    end.write(bytes([0x90, 60, 64, 0xF8, 0xFA]) + SYSEX)
    got: list[list[int]] = []

    def enough() -> bool:
        while message := port.get_message():
            got.append(message[0])
        return sum(map(len, got)) >= 5 + len(SYSEX)

    wait_for("what the device sent", enough)
    assert got[:3] == [[0x90, 60, 64], [0xF8], [0xFA]]
    assert bytes(byte for message in got[3:] for byte in message) == SYSEX
    port.close_port()
    port.delete()
    end.close()


def test_bytes_to_the_device(synth: Gadget) -> None:
    end = synth.open()
    import rtmidi

    port = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bed")
    port.open_port(number_of(port, "Bed Synth"))
    port.send_message([0xB0, 7, 100])
    port.send_message([0xF8])
    assert end.read_exactly(4) == bytes([0xB0, 7, 100, 0xF8])
    port.send_message(SYSEX)
    assert end.read_exactly(len(SYSEX)) == SYSEX
    port.close_port()
    port.delete()
    end.close()


def test_coming_and_going_is_announced(synth: Gadget, tmp_path: Path) -> None:
    """The sequencer's announce port (0:1) tells of each unplugging and plugging."""
    heard = tmp_path / "announced"
    with heard.open("w") as file:
        command = ["stdbuf", "-oL", "aseqdump", "-p", "0:1"]
        dump = subprocess.Popen(command, stdout=file)
        try:
            wait_for("aseqdump", lambda: "Port subscribed" in heard.read_text())
            for times in range(1, 4):
                synth.unplug()
                wait_for("its going", lambda n=times: heard.read_text().count("Client exit") >= n)
                wait_for("its port to go", lambda: not listed("Bed Synth"))
                before = heard.read_text().count("Port start")
                synth.plug()
                wait_for("its coming", lambda n=before: heard.read_text().count("Port start") > n)
                wait_for("its port", lambda: listed("Bed Synth"))
        finally:
            dump.terminate()
            dump.wait()


def identities(product: str) -> dict[str, str]:
    """Return serial number to USB path of each card of this product, as sysfs has them."""
    found = {}
    for card in Path("/sys/class/sound").glob("card*"):
        device = (card / "device").resolve().parent  # the card hangs on an interface of the device
        serial, name = device / "serial", device / "product"
        if name.exists() and name.read_text().strip() == product:
            found[serial.read_text().strip()] = device.name
    return found


def test_two_devices_of_one_name_are_reported_apart(bus: None) -> None:
    """By serial number wherever they are plugged, by USB path whichever is plugged there."""
    left, right = Gadget(0, "Bed Twin", "T0001"), Gadget(1, "Bed Twin", "T0002")
    try:
        left.plug()
        right.plug()
        wait_for("both", lambda: len(listed("Bed Twin")) == 2)
        first = wait_for("both in sysfs", lambda: len(found := identities("Bed Twin")) == 2 and found)
        assert first.keys() == {"T0001", "T0002"}
        assert len(set(first.values())) == 2
        left.unplug()
        right.unplug()
        wait_for("both to go", lambda: not listed("Bed Twin"))
        right.plug(0)
        left.plug(1)
        wait_for("both again", lambda: len(listed("Bed Twin")) == 2)
        second = wait_for("both in sysfs", lambda: len(found := identities("Bed Twin")) == 2 and found)
        assert second == {"T0001": first["T0002"], "T0002": first["T0001"]}
    finally:
        left.remove()
        right.remove()
