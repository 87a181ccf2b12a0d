"""The way of a message is gone through in the pauses of playing, so that the next message finds it warm.

In a pause the code of that way falls out of the processor's caches, and a message that comes after it takes
several times as long (`tests.bench.warming`). What is gone through is the same code with another worker and
another show, of a rig of two devices at a port that sends nothing: so no route, note held, count or record of
the real show can be touched, whatever the way does. What belongs to that alone, its tables and what is held,
stays cold: that is the smaller part.
"""

from __future__ import annotations

from collections.abc import Callable

from routerd.core.midi.messages import Kind, note_off, note_on
from routerd.core.model.rig import Device, Rig
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Song
from routerd.core.show.compiler import Compiler
from routerd.core.show.show import Show
from routerd.core.show.transport import DEFAULT_BPM
from routerd.engine.worker import Worker
from routerd.ports.base import CONNECTED, Condition, PortInfo

_ROUTE = Route("warm", "in", "out", frozenset({Kind.NOTES}), to_channel=1, transpose=12)


class _Nowhere:
    """An output port that has sent what it is given."""

    takes_pieces = False
    info = PortInfo("", "")

    def send(self, data: bytes) -> None:
        """Do nothing."""

    def condition(self) -> Condition:
        """Be well."""
        return CONNECTED

    def close(self) -> None:
        """Do nothing."""


def make_warmer(now_ns: int) -> Callable[[int], None]:
    """Return what goes through the way of a message with the time: a press and its release."""
    compiler = Compiler(Rig("warm", (Device("in", input_pattern="-"), Device("out", output_pattern="-"))))
    compiler.add(Song("warm", "Warm", DEFAULT_BPM, routes=(_ROUTE,)))
    compiled = compiler.finish(SetList("warm", ("warm",)))
    worker = Worker(Show(now_ns), lambda: None)
    worker.show.load(compiled, 1, now_ns)
    for wire in compiled.wires:
        worker.ports[wire] = _Nowhere()
        worker.show.output_opened(wire, False, now_ns)
    receive = worker.receiver(compiled.inputs[0])
    worker.be_nobodys()
    press, release = note_on(0, 60, 64), note_off(0, 60, 64)

    def warm(at_ns: int) -> None:
        receive(press, at_ns)
        receive(release, at_ns)

    return warm
