"""ALSA ports whose far end misbehaves: it stands still, somebody else hangs, the connection is taken away."""

from __future__ import annotations

import queue
import re
import time
from collections.abc import Iterator

import pytest
from far_program import FarProgram
from listener import Aseqdump
from sequencer_tools import aconnect, address, standing_still
from usb import wait_for

from routerd.core.errors import PortError
from routerd.core.midi.messages import TICK_BYTES
from routerd.ports import open_system
from routerd.ports.base import CONNECTED, OutputPort, PortInfo, PortSystem, StalledError
from routerd.ports.patterns import match_port
from routerd.ports.sequencer import CAN_WRITE, DESTINATION, NO_EXPORT, SequencerClient

pytestmark = pytest.mark.system

LIMIT_S = 20.0
QUARTER = 24
"""Timing clocks to a quarter note (M1 p. 30)."""
TICK_S = 60 / QUARTER / 120


@pytest.fixture
def changes() -> queue.Queue[str]:
    return queue.Queue()


@pytest.fixture
def ports(changes: queue.Queue[str]) -> Iterator[PortSystem]:
    system = open_system("alsa")
    system.watch(lambda: changes.put("changed"))
    yield system
    system.close()


def find(listed: list[PortInfo], pattern: str) -> PortInfo:
    info = match_port(pattern, listed)
    assert info is not None, (pattern, listed)
    return info


def kind(port: OutputPort) -> str:
    return port.condition().kind


def taken(output: OutputPort, message: bytes, every_s: float = 0) -> int:
    """Send again and again; return how often that went well before the port said that nobody reads."""
    for count in range(3000):
        try:
            output.send(message)
        except StalledError:
            return count
        time.sleep(every_s)
    return 3000


def test_a_program_that_hangs_is_noticed_and_what_it_was_sent_reaches_nobody_else(ports: PortSystem) -> None:
    with FarProgram("alsa", "Hangs") as hangs, FarProgram("alsa", "Synth") as synth:
        output = ports.open_output(find(ports.outputs(), hangs.input_name), "host")
        output.send(b"\x90\x01\x01")
        assert hangs.receive(LIMIT_S) == b"\x90\x01\x01"
        assert output.condition() is CONNECTED
        with standing_still(hangs.pid):
            output.send(b"\x90\x02\x01")
            begun = time.monotonic()
            wait_for("the standstill", lambda: kind(output) == "stalled", every_s=0.1)
            print(f"noticed after {time.monotonic() - begun:.2f} s")
            assert taken(output, b"\x90\x03\x01") < 3000
            output.close()
            other = ports.open_output(find(ports.outputs(), synth.input_name), "synth")
            other.send(b"\xfa")
            assert synth.receive(LIMIT_S) == b"\xfa"
            assert synth.silent(0.5)
        other.close()


def test_ticks_stop_within_a_quarter_note_of_a_standstill_without_anybody_asking(ports: PortSystem) -> None:
    with FarProgram("alsa", "Hangs") as hangs:
        output = ports.open_output(find(ports.outputs(), hangs.input_name))
        for _ in range(3):  # in bursts, as when the engine itself stood still: while they are read it is well
            for _ in range(QUARTER):
                output.send(TICK_BYTES)
            assert [hangs.receive(LIMIT_S) for _ in range(QUARTER)] == [TICK_BYTES] * QUARTER
        with standing_still(hangs.pid):
            assert taken(output, TICK_BYTES, every_s=TICK_S) < QUARTER
            assert kind(output) == "stalled"
        wait_for("the program to read again", lambda: kind(output) == "connected", every_s=0.1)
        heard = 0
        while not hangs.silent(0.5):
            heard += 1
        assert heard < QUARTER


def test_a_burst_beyond_what_a_program_has_room_for_arrives_whole_and_in_order(ports: PortSystem) -> None:
    with FarProgram("alsa", "Slow") as slow:
        output = ports.open_output(find(ports.outputs(), slow.input_name))
        burst = [bytes((0xB0, number // 100, number % 100)) for number in range(800)]
        with standing_still(slow.pid):  # for a moment, as when it is not its turn on a busy processor
            for message in burst:
                output.send(message)
        got = []
        while len(got) < len(burst):
            output.condition()
            while True:
                try:
                    got.append(slow.receive(0.2))
                except queue.Empty:
                    break
        assert got == burst


def test_whoever_else_listens_and_hangs_is_no_concern_of_the_device(ports: PortSystem) -> None:
    with FarProgram("alsa", "Healthy") as healthy:
        output = ports.open_output(find(ports.outputs(), healthy.input_name), "lead-synth")
        with Aseqdump(address("routerd", "lead-synth")) as monitor:
            wait_for("the monitor", lambda: "Connecting To" in aconnect("-l").partition("lead-synth")[2])
            with standing_still(monitor.pid):
                for _ in range(4):  # twice what the monitor has room for
                    for number in range(100):
                        output.send(bytes((0x90, number, 1)))
                    assert [healthy.receive(LIMIT_S)[1] for _ in range(100)] == list(range(100))
                assert output.condition() is CONNECTED


def test_whoever_hangs_behind_midi_through_costs_the_others_nothing(ports: PortSystem) -> None:
    output = ports.open_output(find(ports.outputs(), "Midi Through*Port-1*"))
    with Aseqdump("14:1") as healthy, Aseqdump("14:1") as hangs:
        wait_for("both", lambda: re.search(r"Port-1'\s+Connecting To: \S+, \S+", aconnect("-l")))
        with standing_still(hangs.pid):
            for number in range(300):
                output.send(bytes((0xB0, 1, number % 100)))
                if number % 50 == 49:
                    wait_for("them", lambda count=number + 1: len(healthy.texts()) == count)
            assert output.condition() is CONNECTED


def test_a_connection_that_another_program_takes_away_is_noticed_and_made_again(
    ports: PortSystem, changes: queue.Queue[str]
) -> None:
    with FarProgram("alsa", "Far") as far:
        info = find(ports.outputs(), far.input_name)
        output = ports.open_output(info, "bass")
        port = ports.open_input(find(ports.inputs(), far.output_name), lambda *_: None, "pads")
        assert (output.condition(), port.condition()) == (CONNECTED, CONNECTED)
        while not changes.empty():
            changes.get()
        aconnect("-d", address("routerd", "bass"), address("Far in", "port"))
        changes.get(timeout=LIMIT_S)
        assert kind(output) == "disconnected"
        aconnect("-d", address("Far out", "port"), address("routerd", "pads"))
        assert port.condition().kind == "disconnected"
        assert info in ports.outputs(), "the port itself has not gone"
        output.close()
        output = ports.open_output(info, "bass")
        output.send(b"\xfb")
        assert far.receive(LIMIT_S) == b"\xfb"


def test_announcements_outlast_a_program_that_disconnects_everything(
    guest_only: None, ports: PortSystem, changes: queue.Queue[str]
) -> None:
    with FarProgram("alsa", "Far") as far:
        output = ports.open_output(find(ports.outputs(), far.input_name))
        aconnect("-x")
        assert kind(output) == "disconnected"
        while not changes.empty():
            changes.get()
    changes.get(timeout=LIMIT_S)
    wait_for("the program to go", lambda: match_port("Far*", ports.outputs()) is None)


def test_more_announcements_than_fit_lose_nothing_that_matters(
    ports: PortSystem, changes: queue.Queue[str]
) -> None:
    visitor = SequencerClient("Visitor")
    first = visitor.create_port("in", DESTINATION)
    output = ports.open_output(find(ports.outputs(), "Visitor:in"))
    with ports.sequencer._reading:  # type: ignore[attr-defined] # nobody reads announcements meanwhile
        for _ in range(3000):
            visitor.delete_port(visitor.create_port("again", 0))
        visitor.delete_port(first)
        assert visitor.create_port("in", DESTINATION) == first
    changes.get(timeout=LIMIT_S)
    listed = find(ports.outputs(), "Visitor:in")
    assert output.condition().kind == "disconnected" or listed != output.info
    visitor.close()


def test_only_ports_that_may_be_connected_are_listed(ports: PortSystem) -> None:
    other = SequencerClient("Private")
    other.create_port("ours alone", DESTINATION | NO_EXPORT)
    other.create_port("not to be connected", CAN_WRITE)
    other.create_port("for all", DESTINATION)
    assert [info.name for info in ports.outputs() if "Private" in info.name] == ["Private:for all"]
    other.close()


def test_the_sixty_fifth_client_is_refused_in_plain_words(guest_only: None, ports: PortSystem) -> None:
    through = find(ports.inputs(), "Midi Through*")
    clients: list[SequencerClient] = []

    def fill() -> None:
        while len(clients) < 70:
            clients.append(SequencerClient("Many"))

    try:
        with pytest.raises(PortError, match="no room for another client"):
            fill()
        with pytest.raises(PortError, match="no room for another client"):
            ports.open_input(through, lambda *_: None)
    finally:
        for client in clients:
            client.close()


def test_many_outputs_take_one_client(ports: PortSystem) -> None:
    with FarProgram("alsa", "Far") as far:
        info = find(ports.outputs(), far.input_name)
        first = ports.open_output(info, "first")
        before = aconnect("-l").count("client ")
        outputs = [ports.open_output(info, f"device-{number}") for number in range(20)]
        listing = aconnect("-l")
        assert listing.count("client ") == before
        assert all(f"'device-{number}" in listing for number in range(20))
        for output in (first, *outputs):
            output.close()
        assert "device-1" not in aconnect("-l")
