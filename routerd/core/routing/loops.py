"""Loops through outside devices: what we have sent comes back on an input and would be routed round again.

A loop is recognized by its cause. That a message repeats says nothing: full pressure sent every 5 ms and a
cable that brings one message back after 5 ms look the same at an input. So there are three steps:

1. A message that arrives and equals one that went out within the last WINDOW_NS is a *return*. Returns alone
   change nothing: a finger may play what was sent just now.
2. Returns that go on for SUSPECT_NS, from an output of which nothing has failed to return meanwhile, are
   asked about: that output is sent a *probe*, the release of a key that nobody holds on a channel that nobody
   uses. No instrument does anything about it; a cable, a thru or an echo brings it back. If it does not come
   back, the returns were fingers, and the same messages are not asked about again for a while.
3. A probe that comes back proves a link from that output to that input. When routes lead from the input back
   to the output it is a loop: then each message to that output is expected back once, about as late as the
   probe was, and what is expected and comes is withheld and counted. Everything else passes, and so does the
   release of a key or pedal whose press was let in. While it lasts the probe is repeated; when one does not
   return, the loop has ended.

So no message is withheld but while a probe of ours comes back, and with a loop closed each press sounds once.
An echo that goes nowhere, or to a device from which nothing leads back, is no loop and passes (an input that
hears the thru of another device, for example). Not recognised: an echo that the device has changed (another
channel, another velocity), real-time messages, and whatever takes longer than WINDOW_NS for one round
through one device.

More than 400 lines: suspicion, probes and proof share what has gone out and come back.
"""

from __future__ import annotations

from collections import deque
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from routerd.core.midi.messages import (
    CONTROLLER,
    NOTE_OFF,
    NOTE_ON,
    POLY_PRESSURE,
    SYSEX,
    SYSEX_END,
    TICK,
    is_release,
)
from routerd.core.model import events
from routerd.core.routing.links import LONG_AGO_NS, Links
from routerd.core.units import DIN_BYTE_NS, NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from routerd.core.output.wire import Sink, Wire
    from routerd.core.routing.input import Input


WINDOW_NS = 150 * NS_PER_MS
"""An echo comes back within this time: 100 ms, and what ports and full wires add."""

MEMORY_NS = 400 * NS_PER_MS
"""So long a return is thought of."""

SUSPECT_NS = 180 * NS_PER_MS
"""Returns that have gone on for so long are asked about: by then what was sent first ought to be back."""

PATIENCE_NS = 1500 * NS_PER_MS
"""So long returns must go on where messages of other kinds do not come back."""

FLOOD = 64
"""So many returns within MEMORY_NS are asked about at once, whatever has not returned: a loop that feeds
itself over two routes fills any wire and loses messages."""

LOOK_EVERY_NS = 10 * NS_PER_MS
PROBE_EVERY_NS = 100 * NS_PER_MS
GIVEN_UP_NS = 10 * NS_PER_S
FRESH_NS = 300 * NS_PER_MS
"""So long a probe that has come back proves a link."""

KNOWN_NS = 10 * NS_PER_S
"""So often a link that closes no loop is asked about again while messages come over it."""

QUIET_NS = 5 * NS_PER_S
QUIET_MAX_NS = 60 * NS_PER_S
"""So long messages that proved to be fingers are not asked about again; doubled each time."""

MAX_KEPT = 512
"""With more different messages than this the old ones are forgotten, with MAX_FRESH all: few lie in the
processor's caches, and a flood shall fill no memory."""

MAX_FRESH = 2048
FORGET_EVERY_NS = 100 * NS_PER_MS

MAX_SYSEX_BYTES = 1 << 20
"""So much of SysEx since the last time that something was forgotten, and all is."""


class _Return(NamedTuple):
    at_ns: int
    input: Input
    data: bytes
    sent_ns: int


_Heard = tuple["Input", bytes]


class _Probe(NamedTuple):
    wire: Wire
    asked_ns: int
    about: frozenset[_Heard]
    """The returns that led to it."""


class Loops:
    """Finds loops and keeps them open. `sent` has every message that has gone out, and when.

    Whoever sends calls `went`; a port that sends much sets `sent` and Wire.sent itself.
    """

    __slots__ = (
        "_count",
        "_doubted",
        "_forget_ns",
        "_inputs",
        "_links",
        "_look_ns",
        "_pressed",
        "_probed",
        "_probes",
        "_quiet",
        "_returned",
        "_returns",
        "_sysex_bytes",
        "_withheld",
        "events",
        "links",
        "sent",
        "wires",
    )

    def __init__(self) -> None:
        self.sent: dict[bytes, int] = {}
        self.wires: tuple[Wire, ...] = ()
        """Those of the rig."""
        self._inputs: tuple[Input, ...] = ()
        self._sysex_bytes = 0
        self.events: list[Callable[[int], events.Loop | events.LoopEnded]] = []
        """Kinds and fields of what has happened; whoever asks takes them away."""
        self._returned: dict[bytes, int] = {}
        self._returns: deque[_Return] = deque(maxlen=FLOOD)
        self._pressed: dict[tuple[Input, int, int], int] = {}
        """Keys and pedals that an echo may have pressed before that was known, and no finger, and when."""
        self._look_ns = LONG_AGO_NS
        self._forget_ns = LONG_AGO_NS
        self._doubted: dict[Wire, tuple[int, int]] = {}
        """By port: since when, and when last, returns were of some kinds only."""
        self._probes: dict[bytes, _Probe] = {}
        self._probed: dict[Wire, int] = {}
        self._quiet: dict[tuple[Wire, _Heard], tuple[int, int]] = {}
        """Until when an output is not asked about a message, and how long that is."""
        self._links = Links()
        self.links = self._links.known
        """Outputs that are known to be heard at an input; empty most evenings, which is asked per message."""
        self._withheld: dict[Input, int] = {}
        """How much has been withheld, by input that hears a loop."""
        self._count = 0

    @property
    def looped(self) -> list[str]:
        """Names of the devices whose input hears a loop that is kept open now."""
        return sorted(input.name for input in self._withheld)

    @property
    def busy(self) -> bool:
        """Whether `poll` has something to do."""
        return bool(self._probes or self.links or self._is_full)

    @property
    def _is_full(self) -> bool:
        return len(self.sent) > MAX_KEPT or self._sysex_bytes > MAX_SYSEX_BYTES

    def went(self, wire: Wire, data: bytes, now_ns: int) -> None:
        """Take note of a message that a port has taken; pieces of SysEx do not matter here."""
        self.sent[data] = wire.sent[data] = now_ns
        if self.links:
            self.expect(wire, data, now_ns)

    def expect(self, wire: Wire, data: bytes, now_ns: int) -> None:
        """Expect a message back where that output is heard."""
        if data not in self._probes:
            self._links.expect(wire, data, now_ns)

    def note_sysex(self, wire: Wire, data: bytes, now_ns: int) -> None:
        """Take note of a whole SysEx on its way out: it is back when its bytes have gone over two wires."""
        self._sysex_bytes += len(data)
        self.went(wire, data, now_ns)
        self.sent[data] = wire.sent[data] = now_ns + 2 * len(data) * DIN_BYTE_NS

    def rerouted(self) -> None:
        """Routes or ports have changed: what has been asked says nothing of what is now."""
        self._links.rerouted()
        self._quiet.clear()
        for input in [one for one in self._withheld if not self._links.is_looped(one)]:
            self._end(input)

    def lets_in(self, input: Input, data: bytes, now_ns: int, sink: Sink) -> bool:
        """Return whether a message that equals one in `sent` is to be routed."""
        # 1. Too long ago to be an echo, or real time, which is never routed round.
        sent_ns = self.sent[data]
        if now_ns - sent_ns > WINDOW_NS or data[0] >= TICK:
            return True
        # 2. A probe of ours: nobody plays that key, so it has come over a cable. All that share the port
        #    hear it.
        probe = self._probes.get(data)
        if probe is not None:
            for one in input.shares:
                self._prove(probe, one, data, now_ns)
            return False
        # 3. It came back, whoever sent it: so far nothing speaks against a cable.
        self._returned[data] = now_ns
        # 4. Over a link that is proven and closes a loop it is one that we expect: it is withheld, but for
        #    the release of what was let in, because a press without its release would never end.
        if self.links and self._is_echo(input, data, now_ns, sink):
            if input not in self._withheld:
                self._withheld[input] = 0
                self.events.append(partial(events.Loop, device=input.name))
            if is_release(data) and self._pressed.pop((input, *_key(data)), 0) and input.holds(data):
                return True
            self._withheld[input] += 1
            input.withheld += 1
            return False
        # 5. It passes, and may yet turn out to have been an echo: remember presses that no finger holds, so
        #    that they can be released when the loop is cut.
        if data[0] & 0xF0 in (NOTE_OFF, NOTE_ON, CONTROLLER):
            was = self._pressed.pop((input, *_key(data)), None)
            if not is_release(data) and (was is not None or not input.holds(data)):
                self._pressed[input, *_key(data)] = now_ns
        # 6. Over a link that closes no loop it is no reason for suspicion; anything else is, and is looked
        #    into from time to time, not at every message.
        if self.links and self._is_explained(input, data, sent_ns, now_ns, sink):
            return True
        self._returns.append(_Return(now_ns, input, data, sent_ns))
        if now_ns >= self._look_ns:
            self._look_ns = now_ns + LOOK_EVERY_NS
            self._suspect(now_ns, sink)
        return True

    def poll(self, now_ns: int, sink: Sink) -> None:
        """Once a tick: give up what is not coming back, and ask again where a loop is kept open."""
        for data, probe in list(self._probes.items()):
            sent_ns = probe.wire.sent.get(data)  # it may wait for its wire
            if sent_ns is not None and now_ns - sent_ns > WINDOW_NS:
                self._refute(probe, now_ns)
            elif now_ns - probe.asked_ns < GIVEN_UP_NS:
                continue
            del self._probes[data]
            self.sent.pop(data, None)
            probe.wire.sent.pop(data, None)
        for link in list(self.links.values()):
            if link.input in self._withheld:
                self._probe(link.wire, frozenset(), now_ns, sink)
        if self._withheld:
            self._let_go(now_ns, sink)
        if self._is_full and now_ns >= self._forget_ns:
            self._forget_ns = now_ns + FORGET_EVERY_NS
            self._forget(now_ns - MEMORY_NS - WINDOW_NS)

    def _let_go(self, now_ns: int, sink: Sink) -> None:
        """Release what a loop has pressed before it was cut: its releases may have been lost on the way."""
        for (input, status, number), at_ns in list(self._pressed.items()):
            if now_ns - at_ns > PROBE_EVERY_NS:
                del self._pressed[input, status, number]
                input.let_go_of(status, number, now_ns, sink)

    def _forget(self, before_ns: int) -> None:
        """Forget what has gone out before then."""
        is_flood = len(self.sent) > MAX_FRESH or self._sysex_bytes > MAX_SYSEX_BYTES
        for kept in (self.sent, self._returned, *(wire.sent for wire in self.wires)):
            if is_flood:
                kept.clear()
            for data in [data for data, at_ns in kept.items() if at_ns < before_ns]:
                del kept[data]
        self._sysex_bytes = 0
        if len(self._quiet) > MAX_KEPT:
            self._quiet.clear()

    def use(self, inputs: tuple[Input, ...], wires: tuple[Wire, ...]) -> None:
        """Take another rig."""
        self.drop((*(set(self.wires) - set(wires)), *(set(self._inputs) - set(inputs))))
        self._inputs, self.wires = inputs, wires

    def drop(self, ends: Iterable[Wire | Input]) -> None:
        """These are there no more, or the device behind them may be another."""
        gone: set[object] = {*ends}
        self._links.drop(gone)
        for data in [data for data, probe in self._probes.items() if probe.wire in gone]:
            del self._probes[data]
        self._probed = {wire: at_ns for wire, at_ns in self._probed.items() if wire not in gone}
        self.rerouted()

    # Suspicion

    def _suspect(self, now_ns: int, sink: Sink) -> None:
        """Ask about the returns of late, if they may be echoes."""
        # 1. The returns of late, and since when their originals went out. Few, or for a short time only, are
        #    not asked about: by then what was sent first could not be back yet.
        returns = self._returns
        while returns[0].at_ns < now_ns - MEMORY_NS:
            returns.popleft()
        since_ns = min(min(one.sent_ns, one.at_ns) for one in returns)  # a SysEx may be back before its time
        is_flood = len(returns) == FLOOD
        if len(returns) < 2 or (now_ns - since_ns < SUSPECT_NS and not is_flood):
            return
        # 2. Which outputs each may have come from. One that is routed nowhere does no harm, and one that
        #    nothing was sent to has another reason. The outputs that it is routed to are asked, too: a loop
        #    may go over several devices, and any of them may be the one that echoes.
        wires: dict[Wire, set[_Heard]] = {}
        for one in {(one.input, one.data): one for one in returns}.values():
            legs = one.input.table[one.data[0] - 0x80]
            come_from = list(self._sent_by(one))
            if legs and come_from:
                for wire in (*come_from, *(leg[0].output.wire for leg in legs)):
                    wires.setdefault(wire, set()).add((one.input, one.data))
        # 3. Ask each output whose returns are not all being asked about already, or known to be fingers, and
        #    of which nothing has failed to come back meanwhile. A flood is asked about in any case: it loses
        #    messages itself.
        for wire, returned in wires.items():
            asked = [one.about for one in self._probes.values() if one.wire is wire]
            about = returned.difference(*asked)
            if all(self._quiet.get((wire, heard), (0, 0))[0] > now_ns for heard in about):
                continue
            if is_flood or self._may_be_heard(wire, about, since_ns, now_ns):
                self._probe(wire, frozenset(about), now_ns, sink)

    def _is_explained(self, input: Input, data: bytes, sent_ns: int, now_ns: int, sink: Sink) -> bool:
        """Return whether one comes over a link that is known and closes no loop; ask from time to time."""
        link = self._links.explaining(input, data, sent_ns)
        if link is None:
            return False
        if now_ns - link.proven_ns > KNOWN_NS:
            self._probe(link.wire, frozenset(), now_ns, sink)
        return True

    def _sent_by(self, one: _Return) -> Iterator[Wire]:
        """Yield the ports that a return may come from."""
        for wire in self.wires:
            if wire.sent.get(one.data, LONG_AGO_NS) >= one.sent_ns:
                yield wire

    def _may_be_heard(self, wire: Wire, about: set[_Heard], since_ns: int, now_ns: int) -> bool:
        """Return whether these returns may be echoes: what went there since, and is like them, has come back.

        A device may echo notes and no controllers: where only messages of other kinds have not come back, the
        returns must go on for PATIENCE_NS.
        """
        kinds = {_kind(data) for _, data in about}
        lost = {
            _kind(data) in kinds
            for data, sent_ns in wire.sent.items()
            if since_ns <= sent_ns <= now_ns - WINDOW_NS
            and self._returned.get(data, LONG_AGO_NS) < sent_ns
            and data not in self._probes
            and 0x80 <= data[0] <= SYSEX
            and (data[0] != SYSEX or data[-1] == SYSEX_END)  # else it is a piece
        }
        if True in lost or not lost:
            self._doubted.pop(wire, None)
            return not lost
        first_ns, last_ns = self._doubted.get(wire, (now_ns, now_ns))
        if now_ns - last_ns > MEMORY_NS:
            first_ns = now_ns
        self._doubted[wire] = (first_ns, now_ns)
        return now_ns - first_ns >= PATIENCE_NS

    def _probe(self, wire: Wire, about: frozenset[_Heard], now_ns: int, sink: Sink) -> None:
        if not wire.connected or now_ns - self._probed.get(wire, LONG_AGO_NS) < PROBE_EVERY_NS:
            return
        self._probed[wire] = now_ns
        self._count += 1
        used = {data[0] & 0x0F for data in wire.sent if data[0] < SYSEX and data not in self._probes}
        channel = max(set(range(16)) - used, default=15)
        data = bytes((NOTE_OFF | channel, self._count % 128, 1 + self._count // 128 % 127))
        self._probes[data] = _Probe(wire, now_ns, about)
        wire.offer(data, now_ns, sink)

    # Proof

    def _prove(self, probe: _Probe, input: Input, data: bytes, now_ns: int) -> None:
        wire = probe.wire
        link = self.links.get((wire, input))
        sent_ns = wire.sent.get(data, probe.asked_ns)
        if link is None:
            link = self._links.add(wire, input)
            for other, other_ns in wire.sent.items():
                if other not in self._probes and other_ns > sent_ns - WINDOW_NS:
                    link.expect(other, other_ns)
        link.lag_ns = now_ns - sent_ns
        link.proven_ns = now_ns

    def _refute(self, probe: _Probe, now_ns: int) -> None:
        """A probe's time is over: those who have not heard it do not hear that output."""
        wire = probe.wire
        for input in self._links.drop_unproven(wire, probe.asked_ns):
            if input in self._withheld and not self._links.is_looped(input):
                self._end(input)
        for heard in probe.about:
            if (wire, heard[0]) not in self.links:
                _, quiet_ns = self._quiet.get((wire, heard), (0, QUIET_NS // 2))
                quiet_ns = min(2 * quiet_ns, QUIET_MAX_NS)
                self._quiet[wire, heard] = (now_ns + quiet_ns, quiet_ns)

    def _end(self, input: Input) -> None:
        withheld = self._withheld.pop(input)
        self.events.append(partial(events.LoopEnded, device=input.name, withheld=withheld))

    def _is_echo(self, input: Input, data: bytes, now_ns: int, sink: Sink) -> bool:
        """Return whether a message is one of ours that would go round; where that is uncertain, ask."""
        for link in self._links.closing(input, data[0]):
            if now_ns - link.proven_ns > FRESH_NS:
                self._probe(link.wire, frozenset(), now_ns, sink)
            elif link.takes(data, now_ns):
                return True
        return False


def _key(data: bytes) -> tuple[int, int]:
    """Return what a press and its release have in common."""
    return (data[0] & 0xEF if data[0] < POLY_PRESSURE else data[0]), data[1]


def _kind(data: bytes) -> int:
    """Return what a device echoes alike: notes, or one kind of message."""
    kind = data[0] & 0xF0
    return 0x90 if kind == NOTE_OFF else kind
