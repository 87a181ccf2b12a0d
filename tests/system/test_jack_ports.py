"""JACK for real: a server with the dummy driver, and other programs on the other side."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from dummy_server import DummyServer
from far_program import FarProgram
from jack_faults import bridge_of

from routerd.core.errors import PortError
from routerd.ports import describe_ports, open_system, ports_json
from routerd.ports.base import CONNECTED, InputPort, OutputPort, PortInfo, PortSystem, Received, StalledError
from routerd.ports.jack_ends import LONGEST_MESSAGE
from tests.service import as_port_thread

pytestmark = pytest.mark.system

TIMEOUT_S = 10.0


@pytest.fixture
def changes() -> queue.Queue[str]:
    return queue.Queue()


@pytest.fixture
def ports(jack_server: DummyServer, changes: queue.Queue[str]) -> Iterator[PortSystem]:
    system = open_system("jack")
    with as_port_thread():
        system.watch(lambda: changes.put("changed"))
    yield system
    system.close()


@pytest.fixture
def box(jack_server: DummyServer) -> Iterator[FarProgram]:
    with FarProgram("jack", "Box") as program:
        yield program


def until(condition: Callable[[], object]) -> None:
    """Wait until the condition holds; fails after TIMEOUT_S."""
    end_s = time.monotonic() + TIMEOUT_S
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def patiently(function: Callable[[], Any]) -> Any:
    """Return what the function returns, tried again while a busy machine makes JACK slow to answer."""
    until_s = time.monotonic() + TIMEOUT_S
    while True:
        try:
            if (found := function()) or time.monotonic() > until_s:
                return found
        except StalledError:
            if time.monotonic() > until_s:
                raise
        time.sleep(0.01)


def the_input(ports: PortSystem) -> PortInfo:
    """Return the one port to read from, once it is listed."""
    (found,) = patiently(ports.inputs)
    return found


def the_output(ports: PortSystem) -> PortInfo:
    """Return the one port to write to, once it is listed."""
    (found,) = patiently(ports.outputs)
    return found


def open_input(ports: PortSystem, received: Received) -> InputPort:
    """Open the one port to read from."""
    return patiently(lambda: ports.open_input(the_input(ports), received))


def open_output(ports: PortSystem) -> OutputPort:
    """Open the one port to write to."""
    return patiently(lambda: ports.open_output(the_output(ports)))


def open_both(ports: PortSystem, received: Received) -> tuple[InputPort, OutputPort]:
    """Open the one input and the one output; both anew when the server has stood still meanwhile."""

    def both() -> tuple[InputPort, OutputPort] | None:
        source, output = open_input(ports, received), open_output(ports)
        if source.condition() == output.condition() == CONNECTED:
            return source, output
        source.close()
        output.close()
        return None

    found: tuple[InputPort, OutputPort] = patiently(both)
    return found


def arrives(data: bytes, send: Callable[[bytes], None], hear: Callable[[float], bytes]) -> bool:
    """Return whether it arrives, sent again when it does not: JACK loses what a client sends that is late."""
    for _ in range(5):
        send(data)
        with contextlib.suppress(queue.Empty):
            while hear(2.0) != data:
                pass
            return True
    return False


def test_ports_of_others_are_listed_and_our_own_are_not(ports: PortSystem, box: FarProgram) -> None:
    patiently(lambda: ports.inputs() and ports.outputs())
    assert [info.name for info in ports.inputs()] == [box.output_name]
    assert [info.name for info in ports.outputs()] == [box.input_name]
    open_output(ports)
    open_input(ports, lambda *_: None)
    assert [info.name for info in ports.inputs()] == [box.output_name]
    assert [info.name for info in ports.outputs()] == [box.input_name]
    assert ports.inputs() == ports.inputs()


MESSAGES = [
    b"\xf8",
    b"\xfe",
    b"\x90\x3c\x40",
    b"\xc0\x05",
    b"\xf2\x10\x00",
    b"\xf0\x7d\x01\xf7",
    b"\xf0\x7d" + bytes(i % 128 for i in range(LONGEST_MESSAGE - 3)) + b"\xf7",
]


def test_messages_go_out_and_come_in_whole_and_in_order(ports: PortSystem, box: FarProgram) -> None:
    heard: queue.Queue[tuple[bytes, int]] = queue.Queue()
    _, output = open_both(ports, lambda data, at_ns: heard.put((data, at_ns)))
    assert not output.takes_pieces
    for message in MESSAGES:
        output.send(message)
        assert box.receive() == message
        before_ns = time.monotonic_ns()
        box.send(message)
        data, at_ns = heard.get(timeout=TIMEOUT_S)
        assert data == message
        assert before_ns <= at_ns <= time.monotonic_ns()
    for note in range(128):
        output.send(bytes((0x90, note, 1)))
    assert [box.receive()[1] for _ in range(128)] == list(range(128))


def test_a_sysex_too_long_for_jack_is_refused(ports: PortSystem, box: FarProgram) -> None:
    output = open_output(ports)
    with pytest.raises(PortError, match="too long"):
        output.send(bytes(LONGEST_MESSAGE + 1))
    output.send(b"\xf8")
    assert box.receive() == b"\xf8"


def test_malformed_bytes_go_no_further(ports: PortSystem, box: FarProgram) -> None:
    heard: queue.Queue[bytes] = queue.Queue()
    open_input(ports, lambda data, _: heard.put(data))
    strange = [b"\x90", b"\x90\x3c", b"\x3c\x40", b"\xf4", b"\xfd", b"\xf7", b"\xf2\x01", b"\x90\x80\x40"]
    for data in strange:
        box.send(data)
    box.send(b"\xfa")
    assert heard.get(timeout=TIMEOUT_S) == b"\xfa"
    assert heard.empty()


def test_a_receiver_that_fails_does_not_stop_the_port(ports: PortSystem, box: FarProgram) -> None:
    heard: queue.Queue[bytes] = queue.Queue()

    def received(data: bytes, _: int) -> None:
        heard.put(data)
        raise RuntimeError

    open_input(ports, received)
    for data in (b"\xfa", b"\xfc"):
        assert arrives(data, box.send, lambda limit_s: heard.get(timeout=limit_s))


def test_a_closed_input_hears_nothing_and_a_closed_output_refuses(ports: PortSystem, box: FarProgram) -> None:
    first: queue.Queue[bytes] = queue.Queue()
    second: queue.Queue[bytes] = queue.Queue()
    port = open_input(ports, lambda data, _: first.put(data))
    port.close()
    port.close()
    open_input(ports, lambda data, _: second.put(data))
    box.send(b"\xfa")
    assert second.get(timeout=TIMEOUT_S) == b"\xfa"
    assert first.empty()
    output = open_output(ports)
    output.close()
    output.close()
    with pytest.raises(PortError, match="closed"):
        output.send(b"\xf8")


def test_programs_that_come_and_go_are_noticed(
    ports: PortSystem, jack_server: DummyServer, changes: queue.Queue[str]
) -> None:
    with FarProgram("jack", "Visitor") as visitor:
        changes.get(timeout=TIMEOUT_S)
        until(lambda: len(ports.outputs()) == 1 and len(ports.inputs()) == 1)
        first = the_output(ports)
        output = patiently(lambda: ports.open_output(first))
        assert arrives(b"\xf8", output.send, visitor.receive)
        while not changes.empty():
            changes.get()
    changes.get(timeout=TIMEOUT_S)
    until(lambda: ports.outputs() == [])
    output.send(b"\xf8")
    with pytest.raises(PortError, match="gone"):
        ports.open_output(first)
    output.close()
    with FarProgram("jack", "Visitor") as visitor:
        second = the_output(ports)
        assert second.name == first.name
        assert second != first, "a port that was away is not taken for one that is still open"
        open_output(ports).send(b"\xfa")
        assert visitor.receive() == b"\xfa"


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_server_that_ends_and_comes_back(
    ports: PortSystem,
    jack_server: DummyServer,
    changes: queue.Queue[str],
    how: signal.Signals,
    capfd: pytest.CaptureFixture[str],
) -> None:
    for _ in range(3):
        with FarProgram("jack", "Box") as box:
            heard: queue.Queue[bytes] = queue.Queue()
            source, output = open_both(ports, lambda data, _, heard=heard: heard.put(data))  # type: ignore[misc]
            assert arrives(b"\xf8", output.send, box.receive)
            assert arrives(b"\xfa", box.send, lambda limit_s, heard=heard: heard.get(timeout=limit_s))  # type: ignore[misc]
            while not changes.empty():
                changes.get()
            capfd.readouterr()
            jack_server.end(how)
            changes.get(timeout=TIMEOUT_S)
        with pytest.raises(PortError, match=r"has gone|stands still"):  # as it does while it ends
            output.send(b"\xf8")
        until(lambda: "no JACK server" in why_not(ports))
        source.close()
        output.close()
        assert "routerd" not in capfd.readouterr().err
        jack_server.start()
        until(lambda: not why_not(ports))


def why_not(ports: PortSystem) -> str:
    """Return why ports cannot be listed, "" when they can."""
    try:
        ports.inputs()
    except PortError as error:
        return str(error)
    return ""


def test_a_server_that_stands_still_is_an_error_and_not_a_wait(
    ports: PortSystem, jack_server: DummyServer, box: FarProgram
) -> None:
    output = open_output(ports)
    output.send(b"\xf8")
    assert box.receive() == b"\xf8"
    jack_server.signal(signal.SIGSTOP)
    try:
        began_s = time.monotonic()
        with pytest.raises(PortError, match="stands still"):
            send_for_ever(output)
        assert output.condition().kind == "stalled"
        with pytest.raises(StalledError):
            ports.outputs()
        print(f"noticed after {time.monotonic() - began_s:.3f} s")
        box.settle()  # what came before the server stood still
    finally:
        jack_server.signal(signal.SIGCONT)
    assert patiently(lambda: heard_of_start(ports, box)) == b"\xfa", "and nothing that was sent before"


def heard_of_start(ports: PortSystem, box: FarProgram) -> bytes:
    """Open the one output, send a Start, and return what is heard first; nothing when that cannot be done."""
    with contextlib.suppress(PortError, IndexError, queue.Empty):
        ports.open_output(ports.outputs()[0]).send(b"\xfa")
        return box.receive(1.0)
    return b""


def send_for_ever(output: OutputPort) -> None:
    """Send ticks until that fails."""
    while True:
        output.send(b"\xf8")
        time.sleep(0.02)


def test_a_program_that_is_stopped_holds_up_no_port_but_its_own(
    ports: PortSystem, box: FarProgram, jack_server: DummyServer
) -> None:
    """Once: opening a port to it ended the process that talks to JACK, and every other port with it.

    On a very busy machine that process may stand still for 0.3 s, and is then given up for that: so more than
    one try.
    """
    assert any(hears_beside_a_stopped_program(ports, box) for _ in range(5))


def hears_beside_a_stopped_program(ports: PortSystem, box: FarProgram) -> bool:
    """Open a port to a stopped program; return whether a port that was open went on."""
    with contextlib.suppress(PortError, queue.Empty):
        return hears_beside(ports, box)
    return False


def hears_beside(ports: PortSystem, box: FarProgram) -> bool:
    """Do that; raises PortError or queue.Empty when the server stood still meanwhile."""
    opened = open_output(ports)
    bridge = bridge_of(os.getpid())
    with FarProgram("jack", "Hung") as hung:
        (info,) = patiently(lambda: [port for port in ports.outputs() if port.name == hung.input_name])
        time.sleep(1.2)  # so that the server is tried anew
        os.kill(hung.pid, signal.SIGSTOP)
        with pytest.raises(StalledError, match=r"the program 'Hung in' is stopped"):
            ports.open_output(info, "hung")
        time.sleep(1.5)
        if opened.condition().kind != "connected" or bridge_of(os.getpid()) != bridge:
            return False
        opened.send(bytes((0x90, 60, 1)))
        assert box.receive() == bytes((0x90, 60, 1))
        os.kill(hung.pid, signal.SIGCONT)
        patiently(lambda: ports.open_output(info, "hung")).send(bytes((0x90, 61, 1)))
        assert hung.receive() == bytes((0x90, 61, 1))
    return True


def test_a_server_with_more_ports_than_one_report_holds(ports: PortSystem, box: FarProgram) -> None:
    """Once: the thread that hears of ports died of half a report, and all stayed "open" whatever came."""
    opened = open_output(ports)
    try:
        with crowd(400):
            until(lambda: len(listed(ports)) == 401)
            assert opened.condition().kind == "connected"
            opened.send(bytes((0x90, 60, 1)))
            assert box.receive() == bytes((0x90, 60, 1))
        until(lambda: listed(ports) == {box.input_name})
    finally:
        opened.close()


_CROWD = """
import ctypes, sys
from routerd.ports import libjack
library = libjack.load_libjack()
register = library.jack_port_register
register.restype = ctypes.c_void_p
register.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_ulong, ctypes.c_ulong]
client = library.jack_client_open(b"Crowd", libjack.NO_START_SERVER, None)
for number in range(int(sys.argv[1])):
    name = f"{number} ".encode() + b"\\xe9" * 150  # in no known encoding: six characters each in a report
    assert register(client, name, libjack.MIDI_TYPE, libjack.IS_INPUT, 0)
print("ready", flush=True)
sys.stdin.read()
library.jack_client_close(client)
"""


@contextlib.contextmanager
def crowd(count: int) -> Iterator[None]:
    """Have a program with so many inputs with long names."""
    command = [sys.executable, "-c", _CROWD, str(count)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as program:
        assert program.stdout is not None
        assert program.stdout.readline() == b"ready\n"
        yield


def test_a_process_that_is_stopped_before_there_is_a_server_is_no_obstacle(
    jack_server: DummyServer,
) -> None:
    """Once: the server came, and for ever it was said that there was none."""
    jack_server.end()
    system = open_system("jack")
    with as_port_thread():
        system.watch(lambda: None)
    try:
        until(lambda: bridge_of(os.getpid()))
        with pytest.raises(PortError):
            system.outputs()
        stopped = bridge_of(os.getpid())
        os.kill(stopped, signal.SIGSTOP)
        jack_server.start()
        with FarProgram("jack", "Box") as box:
            until(lambda: box.input_name in listed(system))
            assert bridge_of(os.getpid()) != stopped
    finally:
        system.close()


def listed(system: PortSystem) -> set[str]:
    """Return the names of the ports to write to, of none while that cannot be told."""
    with contextlib.suppress(PortError):
        return {port.name for port in system.outputs()}
    return set()


def test_no_server_is_an_error_that_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "routerd-test-nobody")
    with pytest.raises(PortError, match="routerd-test-nobody"):
        open_system("jack").inputs()


def test_ports_are_described_with_patterns_for_the_rig(jack_server: DummyServer) -> None:
    assert describe_ports("jack").count("none: switch the device on") == 2
    with FarProgram("jack", "Box") as box:
        text = describe_ports("jack")
        listed = json.loads(ports_json("jack"))
    assert listed["ports"] == "jack"
    assert [port["name"] for port in listed["inputs"]] == [box.output_name]
    assert f'input (routerd reads from these):\n  "{box.output_name}"' in text
    assert f'output (routerd writes to these):\n  "{box.input_name}"' in text
