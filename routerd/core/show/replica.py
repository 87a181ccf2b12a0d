"""What is asked of a show, as values; and a second show that is brought to the same state by them.

The core reads no clock and draws no lots. So two shows that were the same, and are given the same messages,
requests and times, are the same again. `perform` is the one place where a request becomes a call, so that a
show and its replica cannot mean different things by it.

A `Replica` takes what the first show was given, in that order, and sends nothing. What it would have sent is
known: `settle` notes it as gone out, as the worker does. When the first one died on the way, `unsent` tells
what has still to go out, from how far it had come (see `Step`).

Not carried over: `Show.load` and `Show.complete`, as a compiled rig is no small value. After those, whoever
keeps a replica makes another one.
"""

from __future__ import annotations

import contextlib
import io
import pickle
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from routerd.core.midi.messages import TICK_BYTES, is_piece, is_release
from routerd.core.model.commands import Apply, FromAPerson, SendPast, Sound, TakeOrder
from routerd.core.output.wire import Wire
from routerd.core.routing.input import Input

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable

    from routerd.core.output.wire import Sink
    from routerd.core.show.compiler import CompiledRig
    from routerd.core.show.show import Show


@dataclass(frozen=True, slots=True)
class OpenOutput:
    """The port of a wire is there."""

    wire: Wire
    takes_pieces: bool


@dataclass(frozen=True, slots=True)
class LoseOutput:
    """The port of a wire has gone; see `Recovery.output_lost`."""

    wire: Wire
    unsent: tuple[bytes, ...] = ()
    why: str = ""
    since_ns: int | None = None


@dataclass(frozen=True, slots=True)
class OpenInput:
    """A device can be heard."""

    input: Input


@dataclass(frozen=True, slots=True)
class LoseInput:
    """A device cannot be heard any more."""

    input: Input
    why: str = ""


@dataclass(frozen=True, slots=True)
class ShutDown:
    """Stop transport and silence the rig."""


Request = FromAPerson | OpenOutput | LoseOutput | OpenInput | LoseInput | ShutDown
"""All that is asked of a show besides messages and the passing of time."""


def perform(show: Show, request: Request, now_ns: int) -> None:
    """Do what is asked; raises CommandError as the show does."""
    match request:
        case Apply(command):
            show.apply(command, now_ns)
        case TakeOrder(set_list):
            show.set_order(set_list, now_ns)
        case Sound(device, channel, note, velocity, seconds):
            show.sound(device, channel, note, velocity, now_ns, for_s=seconds)
        case SendPast(device, messages):
            show.effects.enter(now_ns)
            for output in show.compiled.outputs:
                if output.name == device:
                    for data in messages:
                        output.offer(data, now_ns, show.effects.sink)
        case OpenOutput(wire, takes_pieces):
            show.output_opened(wire, takes_pieces, now_ns)
        case LoseOutput(wire, unsent, why, since_ns):
            show.output_lost(wire, now_ns, unsent, why=why, since_ns=since_ns)
        case OpenInput(input):
            show.input_opened(input, now_ns)
        case LoseInput(input, why):
            show.input_lost(input, now_ns, why=why)
        case ShutDown():
            show.shut_down(now_ns)


def pack(request: Request, compiled: CompiledRig) -> bytes | None:
    """Return a request as bytes, with wires and inputs by their place in the compiled rig in force; None when
    one is not in it any more.
    """
    packed = io.BytesIO()
    try:
        _Packer(packed, compiled).dump(request)
    except LookupError:
        return None
    return packed.getvalue()


def unpack(data: bytes, compiled: CompiledRig) -> Request:
    """Return what `pack` has packed with a compiled rig of the same devices."""
    request: Request = _Unpacker(io.BytesIO(data), compiled).load()
    return request


class _Packer(pickle.Pickler):
    def __init__(self, file: io.BytesIO, compiled: CompiledRig) -> None:
        super().__init__(file)
        self._compiled = compiled

    def persistent_id(self, value: object) -> tuple[str, int] | None:
        """Return what stands for a part of the compiled rig."""
        for name in ("wires", "inputs") if isinstance(value, Wire | Input) else ():
            for place, one in enumerate(getattr(self._compiled, name)):
                if one is value:
                    return name, place
        if isinstance(value, Wire | Input):
            raise LookupError(value.name)
        return None


class _Unpacker(pickle.Unpickler):
    """For bytes that this very program has packed, in memory that nobody else has."""

    def __init__(self, file: io.BytesIO, compiled: CompiledRig) -> None:
        super().__init__(file)
        self._compiled = compiled

    def persistent_load(self, place: tuple[str, int]) -> object:
        """Return the part of the compiled rig at that place."""
        return getattr(self._compiled, place[0])[place[1]]


@dataclass(frozen=True, slots=True)
class Step:
    """How far the first show's worker had come when it died, in the sink of what it was doing.

    `handed_over` messages are with their ports for certain; while `sending`, the one behind them may be.
    """

    handed_over: int = 0
    sending: bool = False


class Replica:
    """A show that follows another. `ports` has the wires whose ports are open, as the other one's worker has
    them."""

    def __init__(self, show: Show, ports: Container[Wire]) -> None:
        self.show = show
        self._ports = ports

    # What the other show was given: each leaves in the sink what went out because of it

    def receive(self, number: int, data: bytes, at_ns: int) -> None:
        """Take a message of the input at that place."""
        inputs = self.show.compiled.inputs
        if number < len(inputs):
            self._quietly(lambda: self.show.receive(inputs[number], data, at_ns))

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        self._quietly(lambda: self.show.advance(now_ns))

    def perform(self, packed: bytes, now_ns: int) -> None:
        """Do what was asked, as `pack` has packed it."""
        self._quietly(lambda: perform(self.show, unpack(packed, self.show.compiled), now_ns))

    @staticmethod
    def _quietly(call: Callable[[], None]) -> None:
        """What was refused there, or failed, is refused here, or fails, and has been reported."""
        with contextlib.suppress(Exception):
            call()

    def settle(self) -> int:
        """All that lies in the sink has gone out there; return how many messages that were."""
        effects = self.show.effects
        count = note_sent(self.show, effects.sink, self._ports)
        effects.sink.clear()
        effects.events.clear()
        return count

    def unsent(self, step: Step) -> Sink:
        """Empty the sink; return what of it has to go out now, when the other one died at that step.

        What may have gone out counts as gone, so that nothing is struck twice and no tick comes twice; but a
        release is sent again, because one too many ends nothing. A SysEx of which a piece may be missing is
        ended, and begun again.
        """
        effects = self.show.effects
        items = [item for item in effects.sink if item[0] in self._ports]
        effects.sink.clear()
        effects.events.clear()
        gone, doubtful = items[: step.handed_over], items[step.handed_over :][: int(step.sending)]
        again: Sink = [(wire, data) for wire, data in doubtful if is_release(data)]
        for wire, data in doubtful:
            if is_piece(data):
                wire.begin_again(again)
        note_sent(self.show, gone + doubtful, self._ports)
        return again + items[step.handed_over + len(doubtful) :]


def note_sent(show: Show, items: Iterable[tuple[Wire, bytes]], ports: Container[Wire]) -> int:
    """Count what has gone out, and note it for the loop detection, ticks left out."""
    went, now_ns, count = show.routes.loops.went, show.effects.now_ns, 0
    for wire, data in items:
        if wire in ports:
            count += 1
            wire.messages_sent += 1
            wire.bytes_sent += len(data)
            if data != TICK_BYTES:
                went(wire, data, now_ns)
    return count


def digest(show: Show) -> int:
    """Return a number that two shows in the same state have in common.

    It looks at the grid, the place in the set, what is held, what sounds and what waits, and costs some 50 µs
    for a rig of ten devices.
    """
    clock, songs = show.transport.clock, show.compiled
    parts: list[object] = [
        show.effects.now_ns,
        show.effects.revision,
        show.ticks.number,
        clock.next_due_ns,
        clock.position_ticks,
        clock.state.value,
        show.armed.change is None,
        *(_of_wire(wire) for wire in songs.wires),
        *(_of_input(input) for input in songs.inputs),
    ]
    return zlib.crc32(repr(parts).encode())


def _of_wire(wire: Wire) -> object:
    return (
        wire.connected,
        wire.queued,
        wire.busy_until_ns,
        wire.deadline_ns,
        len(wire.owed),
        len(wire.receivers.moved),
    )


def _of_input(input: Input) -> object:
    return (
        input.heard_ns,
        input.withheld,
        tuple(input.held_notes),
        tuple(input.held_pedals),
        tuple(input.controls_down),
        len(input.banks),
    )
