"""System ports on the real ALSA sequencer: another program, and USB devices, on the other side."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator

import pytest
from far_program import FarProgram
from usb import Gadget, load_bus, wait_for

from routerd.core.errors import PortError
from routerd.ports import describe_ports, open_system
from routerd.ports.base import PortInfo, PortSystem
from routerd.ports.patterns import match_port

pytestmark = pytest.mark.system

TIMEOUT_S = 20.0
DUMP = b"\xf0\x7d" + bytes(i % 128 for i in range(5997)) + b"\xf7"
WHOLE_DUMP = b"\xf0\x7d" + bytes(i % 128 for i in range(3997)) + b"\xf7"
"""Short enough for one sequencer event: a client's input takes 200 cells of 28 bytes, 5 600 bytes in all."""

MESSAGES = [
    b"\xf8",
    b"\xfe",
    b"\x90\x3c\x40",
    b"\xc0\x05",
    b"\xf2\x10\x00",
    b"\xf0\x7d\x01\xf7",
    WHOLE_DUMP,
]


@pytest.fixture
def changes() -> queue.Queue[str]:
    return queue.Queue()


@pytest.fixture
def ports(changes: queue.Queue[str]) -> Iterator[PortSystem]:
    system = open_system()
    assert system.kind == "alsa"
    system.watch(lambda: changes.put("changed"))
    yield system
    system.close()


@pytest.fixture
def box() -> Iterator[FarProgram]:
    with FarProgram("alsa", "Box") as program:
        yield program


@pytest.fixture(scope="module")
def synth(guest_only: None) -> Iterator[Gadget]:
    load_bus(2)
    gadget = Gadget(0, "Test Synth", "S-1")
    gadget.plug()
    yield gadget
    gadget.remove()


def find(listed: list[PortInfo], pattern: str) -> PortInfo:
    """Return the port that the pattern finds."""
    info = match_port(pattern, listed)
    assert info is not None
    return info


def drained(changes: queue.Queue[str]) -> None:
    """Forget the changes so far."""
    while not changes.empty():
        changes.get()


def test_names_carry_no_numbers_and_our_own_ports_are_not_listed(ports: PortSystem, box: FarProgram) -> None:
    source, destination = find(ports.inputs(), "box out*"), find(ports.outputs(), "box in*")
    assert (source.name, destination.name) == (box.output_name, box.input_name)
    before = ports.inputs(), ports.outputs()
    ports.open_input(source, lambda *_: None)
    ports.open_output(destination)
    assert (ports.inputs(), ports.outputs()) == before
    assert not any("announce" in info.name.casefold() for info in before[0])
    assert '"Box out:port"' in describe_ports("alsa")


def test_messages_go_out_and_come_in_whole_and_in_order(
    ports: PortSystem, box: FarProgram, capfd: pytest.CaptureFixture[str]
) -> None:
    heard: queue.Queue[bytes] = queue.Queue()
    ports.open_input(find(ports.inputs(), box.output_name), lambda data, _: heard.put(data))
    output = ports.open_output(find(ports.outputs(), box.input_name))
    for message in MESSAGES:
        box.send(message)
        assert heard.get(timeout=TIMEOUT_S) == message
    for message in MESSAGES:
        output.send(message)
        assert box.receive(TIMEOUT_S) == message
    for note in range(128):
        output.send(bytes((0x90, note, 1)))
    assert [box.receive(TIMEOUT_S)[1] for _ in range(128)] == list(range(128))
    assert capfd.readouterr().err == ""


TIMER_LATE_NS = 20_000_000
"""The sequencer's queue goes by a timer, and while that is late it is behind by as much: some ms on an
emulated processor that gets what others leave of a real one. An interval left out would be more each time."""


def test_a_tick_is_stamped_when_the_kernel_got_it_also_behind_a_dump(
    ports: PortSystem, box: FarProgram
) -> None:
    heard: queue.Queue[tuple[bytes, int, int]] = queue.Queue()
    ports.open_input(
        find(ports.inputs(), box.output_name),
        lambda data, at_ns: heard.put((data, at_ns, time.monotonic_ns())),
    )
    for message in (b"\xf8", WHOLE_DUMP, b"\x90\x3c\x40", b"\xf8") * 5:
        before_ns = time.monotonic_ns()
        box.send(message)
        data, at_ns, told_ns = heard.get(timeout=TIMEOUT_S)
        assert data == message
        assert before_ns - TIMER_LATE_NS < at_ns <= told_ns


def test_a_dump_in_pieces_with_ticks_between_them_reaches_a_device_whole(
    ports: PortSystem, synth: Gadget
) -> None:
    # Real-time bytes may stand inside a SysEx (M1 p. 30).
    wait_for("the synth", lambda: match_port("Test Synth*", ports.outputs()))
    end = synth.open()
    output = ports.open_output(find(ports.outputs(), "Test Synth*"))
    assert output.takes_pieces
    got = bytearray()
    for start in range(0, len(DUMP), 256):
        output.send(DUMP[start : start + 256])
        output.send(b"\xf8")
        ticks = 1 + start // 256
        # USB carries SysEx in threes: up to two bytes wait for the next piece, and the tick does not.
        there = min(start + 254, len(DUMP)) + ticks
        wait_for("the piece", lambda there=there: got.extend(end.read()) or len(got) >= there)
    output.send(b"\x90\x3c\x40")
    wait_for("the note", lambda: got.extend(end.read()) or got.endswith(b"\x90\x3c\x40"))
    end.close()
    output.close()
    assert bytes(got).replace(b"\xf8", b"") == DUMP + b"\x90\x3c\x40"
    places = [place - number for number, place in enumerate(i for i, byte in enumerate(got) if byte == 0xF8)]
    sent_at = [min(end_of_piece, len(DUMP)) for end_of_piece in range(256, len(DUMP) + 256, 256)]
    assert all(0 <= sent - place <= 2 for sent, place in zip(sent_at, places, strict=True))


def test_a_device_that_is_pulled_and_put_back(
    ports: PortSystem, synth: Gadget, changes: queue.Queue[str]
) -> None:
    wait_for("the synth", lambda: match_port("Test Synth*", ports.inputs()))
    heard: queue.Queue[bytes] = queue.Queue()
    first = find(ports.inputs(), "Test Synth*")
    port = ports.open_input(first, lambda data, _: heard.put(data))
    output = ports.open_output(find(ports.outputs(), "Test Synth*"))
    drained(changes)
    synth.unplug()
    changes.get(timeout=TIMEOUT_S)
    wait_for("the synth to go", lambda: match_port("Test Synth*", ports.inputs()) is None)
    for message in (b"\xf8", b"\xf0\x7d\xf7"):
        with pytest.raises(PortError, match="has gone"):
            output.send(message)
    with pytest.raises(PortError):
        ports.open_input(first, lambda *_: None)
    port.close()
    output.close()
    drained(changes)
    synth.plug()
    changes.get(timeout=TIMEOUT_S)
    wait_for("the synth to come back", lambda: match_port("Test Synth*", ports.inputs()))
    second = find(ports.inputs(), "Test Synth*")
    assert second.name == first.name
    assert second != first, "a port that was away is not taken for one that is still open"
    port = ports.open_input(second, lambda data, _: heard.put(data))
    end = synth.open()
    end.write(b"\x90\x3c\x40")
    assert heard.get(timeout=TIMEOUT_S) == b"\x90\x3c\x40"
    end.close()
    port.close()


def test_programs_that_come_and_go_are_noticed(ports: PortSystem, changes: queue.Queue[str]) -> None:
    with FarProgram("alsa", "Visitor") as visitor:
        changes.get(timeout=TIMEOUT_S)
        first = find(ports.outputs(), visitor.input_name)
        ports.open_output(first)
        drained(changes)
    changes.get(timeout=TIMEOUT_S)
    wait_for("the visitor to go", lambda: match_port("Visitor*", ports.outputs()) is None)
    with pytest.raises(PortError):
        ports.open_output(first)
    with FarProgram("alsa", "Visitor") as visitor:
        second = find(ports.outputs(), visitor.input_name)
        assert second.name == first.name
        assert second != first
        ports.open_output(second).send(b"\xfa")
        assert visitor.receive(TIMEOUT_S) == b"\xfa"


def test_ports_can_be_closed_while_messages_stream_in(ports: PortSystem, box: FarProgram) -> None:
    stop = threading.Event()

    def play() -> None:
        while not stop.is_set():
            box.send(b"\xf8")
            time.sleep(0.002)

    player = threading.Thread(target=play)
    player.start()
    source = find(ports.inputs(), box.output_name)
    for _ in range(5):
        heard: queue.Queue[bytes] = queue.Queue()
        port = ports.open_input(source, lambda data, _, heard=heard: heard.put(data))
        assert heard.get(timeout=TIMEOUT_S) == b"\xf8"
        port.close()
    ports.open_input(source, lambda *_: None)
    ports.close()
    stop.set()
    player.join()
