"""Loop cables: what goes out of a simulated output comes in, whole, when its wire has carried it."""

from __future__ import annotations

import queue
from time import monotonic_ns

from routerd.core.model.rig import Device, WireKind
from routerd.ports.far_end import MOST_WAITING, LoopbackCables
from routerd.ports.simulated import SimulatedPorts

Heard = queue.SimpleQueue[tuple[bytes, int]]


def looped() -> tuple[SimulatedPorts, Heard]:
    ports = SimulatedPorts()
    out = Device("synth", output_pattern="synth", wire=WireKind.DIN, loopback="loop-in")
    ports.provide([out, Device("loop-in", input_pattern="loop-in")])
    heard: Heard = queue.SimpleQueue()
    (listed,) = ports.inputs()
    ports.open_input(listed, lambda data, at_ns: heard.put((data, at_ns)))
    return ports, heard


def test_it_arrives_when_the_wire_has_carried_it() -> None:
    """Three bytes take 960 µs on a DIN wire (M1 p. 9)."""
    ports, heard = looped()
    port = ports.open_output(ports.outputs()[0])
    began_ns = monotonic_ns()
    port.send(b"\x90\x3c\x01")
    port.send(b"\xf8")
    first, second = heard.get(timeout=5), heard.get(timeout=5)
    assert (first[0], second[0]) == (b"\x90\x3c\x01", b"\xf8")
    assert first[1] - began_ns >= 960_000
    assert second[1] - began_ns >= 1_280_000
    ports.close()


def test_a_sysex_in_pieces_arrives_whole_and_real_time_does_not_wait_for_it() -> None:
    ports, heard = looped()
    port = ports.open_output(ports.outputs()[0])
    for data in (b"\xf0\x7d\x01", b"\xf8", b"\x02", b"\xf7"):
        port.send(data)
    assert [heard.get(timeout=5)[0] for _ in range(2)] == [b"\xf8", b"\xf0\x7d\x01\x02\xf7"]
    ports.close()


def test_what_is_too_much_is_dropped_and_counted() -> None:
    cables = LoopbackCables(lambda *_: None)
    far_ns = monotonic_ns() + 10**12
    for _ in range(MOST_WAITING + 2):
        cables.carry("loop-in", b"\xf8", far_ns)
    assert cables.dropped == 2
    cables.close()
