"""Simulated ports: exact wire times on an injected clock, and the far end over real UDP."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from queue import Queue

import pytest

from routerd.core.errors import PortError
from routerd.core.model.rig import Device, WireKind
from routerd.ports.base import CONNECTED
from routerd.ports.far_end import FarEnd, split_arrival
from routerd.ports.patterns import match_port
from routerd.ports.simulated import SimulatedPorts, port_name

KEYS = Device("keys", input_pattern="Stage Keys*", output_pattern="Stage Keys*", wire=WireKind.USB)
RACK = Device("rack", output_pattern="Interface * Port 1", wire=WireKind.DIN)
HOST = Device("host", output_pattern="*", wire=WireKind.VIRTUAL)

TIMEOUT_S = 5.0


class Clock:
    """A clock that stands where the test puts it."""

    now_ns = 0

    def __call__(self) -> int:
        return self.now_ns


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def ports(clock: Clock) -> Iterator[SimulatedPorts]:
    system = SimulatedPorts(now_ns=clock)
    system.provide([KEYS, RACK, HOST])
    yield system
    system.close()


@pytest.fixture
def watched(ports: SimulatedPorts) -> tuple[SimulatedPorts, Queue[str]]:
    changes: Queue[str] = Queue()
    ports.watch(lambda: changes.put("changed"))
    return ports, changes


@pytest.fixture
def far_end(watched: tuple[SimulatedPorts, Queue[str]]) -> Iterator[FarEnd]:
    with FarEnd(watched[0].address) as client:
        client.listen()
        yield client


def until(condition: object) -> None:
    """Wait until the callable is true; fails after TIMEOUT_S."""
    assert callable(condition)
    end_s = time.monotonic() + TIMEOUT_S
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.002)


def test_every_device_has_the_ports_its_rig_asks_for(ports: SimulatedPorts) -> None:
    assert [(info.name, info.handle) for info in ports.inputs()] == [("Stage Keys", "keys")]
    assert [(info.name, info.handle) for info in ports.outputs()] == [
        ("Stage Keys", "keys"),
        ("Interface  Port 1", "rack"),
        ("host", "host"),
    ]


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("Stage Keys", "Stage Keys"),
        ("*Keys MIDI 1*", "Keys MIDI 1"),
        ("*", "device"),
        ("Box ?", "Box ?"),
        ("Box [12]", "Box [12]"),
        ("d?vice", "device"),
    ],
)
def test_a_simulated_name_is_found_by_its_pattern(pattern: str, name: str) -> None:
    assert port_name(pattern, "device") == name
    ports = SimulatedPorts()
    ports.provide([Device("device", output_pattern=pattern)])
    found = match_port(pattern, ports.outputs())
    ports.close()
    assert found is not None
    assert found.handle == "device"


def test_din_note_on_takes_960_microseconds(ports: SimulatedPorts, clock: Clock) -> None:
    # M1 p. 1: 31 250 baud, ten bits a byte, 320 µs; M1 p. 9: a Note On has three bytes.
    wire = ports.open_output(ports.outputs()[1])
    clock.now_ns = 5_000_000
    wire.send(bytes((0x90, 60, 64)))
    assert wire.free_ns == 5_960_000


def test_bytes_wait_for_a_busy_din_wire_and_not_for_an_idle_one(ports: SimulatedPorts, clock: Clock) -> None:
    wire = ports.open_output(ports.outputs()[1])
    clock.now_ns = 1_000_000
    wire.send(bytes((0xF0, 0x7D, *range(97), 0xF7)))
    assert wire.free_ns == 1_000_000 + 100 * 320_000
    clock.now_ns = 2_000_000
    wire.send(b"\xf8")
    assert wire.free_ns == 33_320_000, "the tick has come 30 ms late, behind the dump"
    clock.now_ns = 40_000_000
    wire.send(b"\xf8")
    assert wire.free_ns == 40_320_000


@pytest.mark.parametrize("index", [0, 2])
def test_usb_and_virtual_ports_deliver_at_once(ports: SimulatedPorts, clock: Clock, index: int) -> None:
    wire = ports.open_output(ports.outputs()[index])
    clock.now_ns = 7
    wire.send(bytes(1000))
    assert wire.free_ns == 7


def test_the_far_end_hears_what_is_sent(ports: SimulatedPorts, far_end: FarEnd, clock: Clock) -> None:
    clock.now_ns = 1_000
    ports.open_output(ports.outputs()[1]).send(b"\xc0\x05")
    ports.open_output(ports.outputs()[0]).send(b"\xf8")
    assert far_end.receive(TIMEOUT_S) == ("rack", 641_000, b"\xc0\x05", 0)
    assert far_end.receive(TIMEOUT_S) == ("keys", 1_000, b"\xf8", 0)
    assert far_end.receive(0.01) is None


def test_kernel_stamps_lie_between_sending_and_receiving(watched: tuple[SimulatedPorts, Queue[str]]) -> None:
    ports, _ = watched
    with FarEnd(ports.address, kernel_stamps=True) as client:
        client.listen()
        before_ns = time.time_ns()
        ports.open_output(ports.outputs()[0]).send(b"\xf8")
        arrival = client.receive(TIMEOUT_S)
        assert arrival is not None
        assert before_ns <= arrival.kernel_ns <= time.time_ns()


def test_what_a_device_plays_is_received_with_its_time(ports: SimulatedPorts, far_end: FarEnd) -> None:
    got: Queue[tuple[bytes, int]] = Queue()
    port = ports.open_input(ports.inputs()[0], lambda data, at_ns: got.put((data, at_ns)))
    before_ns = time.monotonic_ns()
    # what is no legal message is not stopped here: the router must live with it
    for data in (
        b"\x90\x3c\x40",
        b"\xf8",
        b"\xf4",
        b"\x90\x3c",
        b"\x3c\x40",
        b"\xf0\x7d" + bytes(5000) + b"\xf7",
    ):
        far_end.play("keys", data)
        received, at_ns = got.get(timeout=TIMEOUT_S)
        assert received == data
        assert before_ns <= at_ns <= time.monotonic_ns()
    port.close()
    far_end.play("keys", b"\xf8")
    until(lambda: ports.ignored == 1)
    assert got.empty()


@pytest.mark.parametrize(
    "datagram",
    [
        b"",
        b"X",
        b"I",
        b"Ikeys",
        b"Ikeys\0",
        b"Irack\0\xf8",
        b"I\xff\xfe\0\xf8",
        b"U",
        b"Unobody",
        b"P\xff",
        b"LL",
        b"O" + bytes(20),
    ],
)
def test_malformed_datagrams_are_ignored_and_counted(
    ports: SimulatedPorts, far_end: FarEnd, datagram: bytes
) -> None:
    got: Queue[bytes] = Queue()
    ports.open_input(ports.inputs()[0], lambda data, _: got.put(data))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        stranger.sendto(datagram, ports.address)
    until(lambda: ports.ignored == 1)
    far_end.play("keys", b"\xfa")
    assert got.get(timeout=TIMEOUT_S) == b"\xfa"
    assert got.empty()


def test_a_pulled_cable_takes_the_ports_away_until_it_is_back(
    watched: tuple[SimulatedPorts, Queue[str]], far_end: FarEnd
) -> None:
    ports, changes = watched
    got: Queue[bytes] = Queue()
    input_info, output_info = ports.inputs()[0], ports.outputs()[0]
    ports.open_input(input_info, lambda data, _: got.put(data))
    output = ports.open_output(output_info)
    far_end.unplug("keys")
    changes.get(timeout=TIMEOUT_S)
    assert input_info not in ports.inputs()
    assert output_info not in ports.outputs()
    with pytest.raises(PortError, match="Stage Keys"):
        output.send(b"\xf8")
    with pytest.raises(PortError, match="Stage Keys"):
        ports.open_output(output_info)
    with pytest.raises(PortError, match="Stage Keys"):
        ports.open_input(input_info, lambda data, _: got.put(data))
    far_end.play("keys", b"\xf8")
    far_end.plug("keys")
    changes.get(timeout=TIMEOUT_S)
    assert ports.inputs() == [input_info]
    with pytest.raises(PortError):
        output.send(b"\xf8")
    ports.open_output(output_info).send(b"\xfa")
    arrival = far_end.receive(TIMEOUT_S)
    assert arrival is not None
    assert arrival.data == b"\xfa"
    assert got.empty()


def test_a_new_rig_leaves_open_what_stays(ports: SimulatedPorts, far_end: FarEnd) -> None:
    output = ports.open_output(ports.outputs()[0])
    ports.provide([KEYS])
    assert [info.handle for info in ports.outputs()] == ["keys"]
    output.send(b"\xf8")
    assert far_end.receive(TIMEOUT_S) is not None


def test_a_listener_that_has_left_is_reported_no_more(ports: SimulatedPorts, far_end: FarEnd) -> None:
    with FarEnd(ports.address) as other:
        other.listen()
    other.close()
    output = ports.open_output(ports.outputs()[0])
    output.send(b"\xf8")
    assert far_end.receive(TIMEOUT_S) is not None
    until(lambda: len(ports._listeners) == 1)


def test_an_arrival_too_long_for_a_datagram_is_counted(ports: SimulatedPorts, far_end: FarEnd) -> None:
    ports.open_output(ports.outputs()[0]).send(bytes(70_000))
    assert ports.dropped == 1


def test_a_taken_udp_port_is_an_error(ports: SimulatedPorts) -> None:
    with pytest.raises(PortError, match=str(ports.address[1])):
        SimulatedPorts(ports.address[1])


def test_nobody_at_the_address_is_an_error(ports: SimulatedPorts) -> None:
    with FarEnd(ports.address) as client, pytest.raises(PortError, match=str(ports.address[1])):
        client.listen(timeout_s=0.05)


def test_closing_twice_is_harmless(watched: tuple[SimulatedPorts, Queue[str]]) -> None:
    ports, _ = watched
    output = ports.open_output(ports.outputs()[0])
    ports.close()
    ports.close()
    with pytest.raises(PortError):
        output.send(b"\xf8")


@pytest.mark.parametrize("datagram", [b"", b"L", b"O", b"Okeys", b"Okeys\0" + bytes(7)])
def test_what_is_no_arrival_is_reported_apart(datagram: bytes) -> None:
    assert split_arrival(datagram) is None


def test_a_listener_can_ask_for_one_device(ports: SimulatedPorts, far_end: FarEnd) -> None:
    outputs = {info.handle: ports.open_output(info) for info in ports.outputs()}
    one, other, *_ = outputs
    far_end.listen(device=other)
    outputs[one].send(b"\xf8")
    outputs[other].send(b"\xfa")
    arrival = far_end.receive(TIMEOUT_S)
    assert arrival is not None
    assert (arrival.device, arrival.data) == (other, b"\xfa")


def test_a_connection_taken_away_carries_nothing_until_it_is_made_anew(
    watched: tuple[SimulatedPorts, Queue[str]], far_end: FarEnd
) -> None:
    ports, changes = watched
    got: Queue[bytes] = Queue()
    source = ports.open_input(ports.inputs()[0], lambda data, _: got.put(data))
    output = ports.open_output(ports.outputs()[0])
    assert output.condition() == source.condition() == CONNECTED
    far_end.disconnect("keys")
    changes.get(timeout=TIMEOUT_S)
    assert output.condition().kind == source.condition().kind == "disconnected"
    output.send(b"\xfa")
    far_end.play("keys", b"\xfa")
    until(lambda: ports.ignored == 1)
    source.close()
    output.close()
    source = ports.open_input(source.info, lambda data, _: got.put(data))
    output = ports.open_output(output.info)
    assert output.condition() == source.condition() == CONNECTED
    output.send(b"\xfb")
    far_end.play("keys", b"\xfb")
    assert far_end.receive(TIMEOUT_S).data == b"\xfb"  # type: ignore[union-attr]
    assert got.get(timeout=TIMEOUT_S) == b"\xfb"


@pytest.mark.parametrize("name", ["keys", ""])
def test_what_is_sent_to_a_device_that_stands_still_arrives_when_it_goes_on(
    watched: tuple[SimulatedPorts, Queue[str]], far_end: FarEnd, name: str
) -> None:
    ports, changes = watched
    output = ports.open_output(ports.outputs()[0])
    far_end.stall(name)
    changes.get(timeout=TIMEOUT_S)
    assert output.condition().kind == "stalled"
    output.send(b"\xf8")
    output.close()
    far_end.go_on(name)
    assert far_end.receive(TIMEOUT_S).data == b"\xf8"  # type: ignore[union-attr]
    assert ports.open_output(output.info).condition() == CONNECTED


def test_a_device_that_refuses(watched: tuple[SimulatedPorts, Queue[str]], far_end: FarEnd) -> None:
    ports, changes = watched
    info = ports.outputs()[0]
    output = ports.open_output(info)
    far_end.refuse("keys")
    changes.get(timeout=TIMEOUT_S)
    with pytest.raises(PortError, match="refuses a message"):
        output.send(b"\xf8")
    with pytest.raises(PortError, match="refuses to be opened"):
        ports.open_output(info)
    far_end.go_on("keys")
    changes.get(timeout=TIMEOUT_S)
    ports.open_output(info).send(b"\xf8")
