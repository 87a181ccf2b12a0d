"""What is doubtful about the patterns of a rig: nothing there, several there, somebody else's, our own."""

from __future__ import annotations

from routerd.core.model.rig import Device, Usb
from routerd.ports.base import PortInfo
from routerd.ports.patterns import doubts

KEYS_A = PortInfo("Stage Keys:A", "1", "S1", "1-1")
KEYS_B = PortInfo("Stage Keys:B", "2", "S2", "1-2")
TWIN_1 = PortInfo("Twin", "3", "T1", "2-1")
TWIN_2 = PortInfo("Twin", "4", "T2", "2-2")
PLAIN_1 = PortInfo("Program", "5")
PLAIN_2 = PortInfo("Program", "6")


def told(*devices: Device, ports: tuple[PortInfo, ...] = ()) -> list[tuple[str, str, str]]:
    """Return device, kind and words of what is doubtful, all as outputs."""
    return [
        (wish.devices[0], doubt.kind, f"{doubt.text}; {doubt.remedy}")
        for wish, doubt in doubts(devices, (), ports)
    ]


def output(name: str, pattern: str, serial: str = "") -> Device:
    return Device(name, output_pattern=pattern, output_usb=Usb(serial))


def test_one_port_each_is_no_doubt() -> None:
    devices = output("keys", "stage keys:a"), output("twin", "Twin", "T2"), output("other", "Twin*", "T1")
    assert told(*devices, ports=(KEYS_A, KEYS_B, TWIN_1, TWIN_2)) == []


def test_nothing_matches() -> None:
    ((device, kind, words),) = told(output("keys", "Stage*"), ports=(TWIN_1,))
    assert (device, kind) == ("keys", "none")
    assert words.startswith("no port matches 'Stage*'; ")


def test_two_ports_match_by_a_pattern_and_by_one_name() -> None:
    ((_, kind, words),) = told(output("keys", "Stage*"), ports=(KEYS_A, KEYS_B))
    assert kind == "several"
    assert words == (
        "'Stage*' matches 2 ports, 'Stage Keys:A' and 'Stage Keys:B': the first is opened; "
        "write the whole name of the one that is meant"
    )
    ((_, kind, words),) = told(output("twin", "Twin"), ports=(TWIN_1, TWIN_2))
    assert kind == "several"
    assert words.endswith(
        "say which USB device is meant by its serial or usb-path; routerd ports prints both"
    )
    ((_, _, words),) = told(output("program", "Program"), ports=(PLAIN_1, PLAIN_2))
    assert words.endswith("a name cannot tell them apart")


def test_a_port_that_another_device_has_is_no_choice() -> None:
    exact, loose = output("one", "Stage Keys:A"), output("two", "Stage*")
    assert told(exact, loose, ports=(KEYS_A, KEYS_B)) == []
    ((device, kind, words),) = told(exact, loose, ports=(KEYS_A,))
    assert (device, kind) == ("two", "taken")
    assert words.startswith(
        "'Stage Keys:A' matches 'Stage*', but is the port of one already; write it in the same"
    )


def test_devices_that_share_a_port_are_one() -> None:
    assert told(output("one", "Stage*"), output("two", "stage*"), ports=(KEYS_A,)) == []
    ((device, kind, _),) = told(output("one", "Stage*"), output("two", "stage*"), ports=(KEYS_A, KEYS_B))
    assert (device, kind) == ("one", "several")


def test_our_own_ports_are_left_out() -> None:
    ((_, kind, words),) = told(output("loop", "Routerd-*"), ports=(KEYS_A,))
    assert kind == "own"
    assert "routerd itself" in words
    ((_, kind, _),) = told(output("any", "*nothing*"), ports=(KEYS_A,))
    assert kind == "none"


def test_an_input_and_an_output_of_one_name_are_two_ports() -> None:
    device = Device("keys", input_pattern="Stage*", output_pattern="Stage*")
    other = Device("other", input_pattern="Stage Keys:A")
    found = [
        (wish.devices, wish.is_output, doubt.kind) for wish, doubt in doubts((device, other), (KEYS_A,), ())
    ]
    assert found == [(("keys",), False, "taken"), (("keys",), True, "none")]
