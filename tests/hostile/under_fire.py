"""A show at which anything is thrown, and what must hold all the while.

The way of the bytes is the engine's own: RtMidi's messages go through `SysexAssembly` (or, as from
JACK and simulated ports, past it) into `Show.receive`; time passes from deadline to deadline. Checked here,
by code that shares nothing with the router's:

- no call raises, and no tick is missed or late by the show's own doing;
- what comes out of the assembly is what a reader of single bytes makes of the same chunks (`assembled`);
- every output is legal MIDI: whole messages, within a SysEx nothing but data and real time (M1 pp. 5, 30);
- everything that could grow stays within a stated bound (`check_bounds`);
- after stop and panic nothing sounds, counted press by press (`end`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from contextlib import suppress

from routerd.core.errors import CommandError
from routerd.core.model.actions import Action, OnOff
from routerd.core.model.commands import Command
from routerd.core.model.events import TicksMissed
from routerd.core.output.lanes import SURPLUS
from routerd.core.output.wire import BULK_LIMIT_BYTES, QUEUE_LIMIT
from routerd.core.show.compiler import CompiledRig
from routerd.core.show.show import Show
from routerd.ports.sysex_assembly import LONGEST_SYSEX, SysexAssembly

MS = 1_000_000
LONGEST_SILENCE_NS = 1_000 * MS
"""A tick of the slowest tempo comes after 250 ms; a source that is followed may slow that down."""
MOST_LIVE = 2 * QUEUE_LIMIT + 16 * (128 + 10) * SURPLUS
"""Releases alone come to more than twice the limit: of each key and switch a few."""
MOST_BULK_BYTES = BULK_LIMIT_BYTES + 1024 * 1024

_LENGTHS = {8: 3, 9: 3, 10: 3, 11: 3, 12: 2, 13: 2, 14: 3}
_SYSTEM_LENGTHS = {0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1, 0xF8: 1, 0xFA: 1, 0xFB: 1, 0xFC: 1, 0xFE: 1, 0xFF: 1}


def length_of(status: int) -> int:
    """Return how long a message is by M1 Tables I to VII, 0 where there is none or no fixed length."""
    return _LENGTHS.get(status >> 4, 0) or _SYSTEM_LENGTHS.get(status, 0)


def assembled(chunks: Iterable[bytes], open_sysex: list[int] | None = None) -> list[bytes]:
    """Return the whole messages in `chunks`, read byte by byte. `open_sysex` is kept from call to call.

    Real time may stand inside a SysEx, also an undefined one, which is passed over; any other status byte
    ends it, unheard (M1 pp. 29, 30, A-2). Nothing but a SysEx goes on in the next chunk.
    """
    out: list[bytes] = []
    sysex = [] if open_sysex is None else open_sysex
    for chunk in chunks:
        message: list[int] = []
        for place, byte in enumerate(chunk):
            last = place + 1 == len(chunk) or chunk[place + 1] >= 0x80
            if byte >= 0xF8:
                message = []
                if length_of(byte):
                    out.append(bytes((byte,)))
            elif byte < 0x80:
                if message:
                    message.append(byte)
                    if last and len(message) == length_of(message[0]):
                        out.append(bytes(message))
                elif sysex:
                    sysex.append(byte)
            elif byte == 0xF7 and sysex:
                out.append(bytes((*sysex, 0xF7)))
                sysex.clear()
                message = []
            else:
                sysex.clear()
                message = [byte]
                if byte == 0xF0:
                    sysex.append(byte)
                    message = []
                elif last and length_of(byte) == 1:
                    out.append(bytes(message))
    return out


class FarEnd:
    """A device at the end of an output: reads the bytes, and knows what sounds."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.in_sysex = False
        self.sounding: Counter[tuple[int, int]] = Counter()
        self.pedals: set[tuple[int, int]] = set()

    def hear(self, data: bytes) -> None:
        """Take what a port is handed; fails when it is not legal MIDI."""
        first = data[0]
        if first >= 0xF8:
            assert len(data) == 1, (self.name, data.hex())
            assert length_of(first), (self.name, data.hex())
            return
        if self.in_sysex or first == 0xF0:
            assert self.in_sysex != (first == 0xF0), (self.name, "inside a SysEx", data[:9].hex())
            body = data[first == 0xF0 :]
            self.in_sysex = body[-1:] != b"\xf7"
            assert max(body if self.in_sysex else body[:-1], default=0) < 0x80, (self.name, data[:9].hex())
            return
        assert len(data) == length_of(first), (self.name, data.hex())
        assert max(data[1:], default=0) < 0x80, (self.name, data.hex())
        self._play(data)

    def _play(self, data: bytes) -> None:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90 and data[2]:
            self.sounding[channel, data[1]] += 1
        elif kind in (0x80, 0x90):
            if self.sounding[channel, data[1]] > 1:
                self.sounding[channel, data[1]] -= 1
            else:
                del self.sounding[channel, data[1]]
        elif kind == 0xB0 and data[1] in (64, 66):
            (self.pedals.add if data[2] >= 64 else self.pedals.discard)((channel, data[1]))
        elif kind == 0xB0 and data[1] == 121:  # Reset All Controllers
            self.pedals -= {(channel, 64), (channel, 66)}


class UnderFire:
    """A show on a rig with all its outputs open. `handed` counts what was thrown at it so far."""

    def __init__(self, book: CompiledRig) -> None:
        self.now_ns = 0
        self.handed = 0
        self.show = Show(0)
        self.show.load(book, 1, 0)
        self.far_ends = {wire: FarEnd(wire.name) for wire in book.wires}
        self.inputs = book.inputs
        self.last_tick_ns = 0
        self._assemblies = [SysexAssembly() for _ in self.inputs]
        self._open = [[] for _ in self.inputs]  # type: list[list[int]]
        for number, wire in enumerate(book.wires):
            self.show.output_opened(wire, number % 3 != 1, 0)
        self._collect()

    def _collect(self) -> None:
        for wire, data in self.show.effects.sink:
            if data == b"\xf8":
                self.last_tick_ns = self.now_ns
            self.show.routes.loops.went(wire, data, self.now_ns)
            self.far_ends[wire].hear(data)
        self.show.effects.sink.clear()
        for event in self.show.effects.events:
            assert not isinstance(event, TicksMissed), event
        self.show.effects.events.clear()

    def pass_time(self, until_ns: int) -> None:
        """Let time pass, doing what is due when it is due."""
        show = self.show
        while (due_ns := show.next_deadline_ns()) <= until_ns:
            self.now_ns = max(self.now_ns, due_ns)
            show.advance(self.now_ns)
            self._collect()
        self.now_ns = max(self.now_ns, until_ns)

    def throw(self, number: int, chunk: bytes, late_ns: int = 0, *, split: bool = True) -> None:
        """Hand over a chunk as if the port of input `number` had received it `late_ns` ago."""
        self.handed += 1
        number %= len(self.inputs)
        messages = [chunk]
        if split:
            messages = self._assemblies[number].take(chunk)
            assert messages == assembled([chunk], self._open[number]), chunk.hex()
            assert len(self._open[number]) <= LONGEST_SYSEX
        for message in messages:
            self.show.receive(self.inputs[number], message, max(0, self.now_ns - late_ns))
            self._collect()

    def check_bounds(self) -> None:
        """Fail when something has grown beyond what its module promises."""
        show = self.show
        assert self.now_ns - self.last_tick_ns < LONGEST_SILENCE_NS, "ticks have stopped"
        assert len(show.transport.schedule) < 2_000
        for input in self.inputs:
            assert len(input.held_notes) <= 16 * 128
            assert len(input.held_pedals) <= 16 * 2
            assert all(len(ways) <= 64 for ways in (*input.held_notes.values(), *input.held_pedals.values()))
        assert len(show.routes.loops.sent) <= 5_000
        for wire in self.far_ends:
            assert len(wire._live) <= MOST_LIVE, (wire.name, len(wire._live))
            assert wire._bulk_bytes <= MOST_BULK_BYTES, (wire.name, wire._bulk_bytes)
            assert (
                len(wire.receivers.values) + sum(len(o.latched) for o in wire.outputs) + len(wire.owed)
                < 10_000
            )

    def end(self) -> None:
        """Stop, panic, and wait until every wire is empty: nothing may sound."""
        self.show.apply(Command(Action.STOP), self.now_ns)
        with suppress(CommandError):  # of a song that has no click
            self.show.apply(Command(Action.CLICK, OnOff(on=False)), self.now_ns)
        self._collect()
        self.pass_time(self.now_ns + 500 * MS)  # pulses and clicks that have begun end by themselves
        self.show.apply(Command(Action.PANIC), self.now_ns)
        self._collect()
        waited = 0
        while not self.show.drained(self.now_ns):
            self.pass_time(self.now_ns + 100 * MS)
            waited += 1
            assert waited < 100, "wires do not run empty"
        for far_end in self.far_ends.values():
            assert not far_end.sounding, (far_end.name, far_end.sounding)
            assert not far_end.pedals, (far_end.name, far_end.pedals)
            assert not far_end.in_sysex, far_end.name
