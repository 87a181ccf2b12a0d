"""Ports that flood, stall or break: the clock and the others go on, memory stays bounded, it is said once.

The real worker with its real threads, on ports that are plain objects here.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from itertools import cycle, pairwise

import pytest

from routerd.core.errors import PortError
from routerd.core.model.events import event_to_json
from routerd.core.output.wire import Wire
from routerd.core.routing.input import Input
from routerd.core.show.show import Show
from routerd.engine.realtime import BURST, BURST_NS, FloodLimit
from routerd.engine.worker import INBOX_LIMIT, Worker
from routerd.link.messages import Happened
from tests.service import until
from tests.stage import TICK, compiled

MS = 1_000_000


class Device:
    """The far end of an output; `broken` makes it refuse."""

    takes_pieces = True

    def __init__(self) -> None:
        self.got: list[bytes] = []
        self.broken = False

    def send(self, data: bytes) -> None:
        if self.broken:
            raise PortError("it takes nothing")
        self.got.append(data)


class Bench:
    """A running worker with every output attached."""

    def __init__(self) -> None:
        self.worker = Worker(Show(time.monotonic_ns()), lambda: None)
        self.devices: dict[str, Device] = {}
        self.stopping = False
        self._threads = [threading.Thread(target=self.worker.run, daemon=True)]
        self._threads[0].start()
        book = compiled()
        self.worker.call(lambda now_ns: self.worker.show.load(book, 1, now_ns, None))
        until(lambda: self.worker.show.generation == 1)
        for wire in book.wires:
            self._attach(wire)
        until(lambda: len(self.worker.ports) == len(book.wires))

    def _attach(self, wire: Wire) -> None:
        device = self.devices[wire.name] = Device()

        def attach(now_ns: int) -> None:
            self.worker.ports[wire] = device  # type: ignore[assignment]
            self.worker.show.output_opened(wire, True, now_ns)

        self.worker.call(attach)

    def input(self, name: str) -> Input:
        return next(input for input in self.worker.show.compiled.inputs if input.name == name)

    def flood(self, name: str, *messages: bytes) -> None:
        """Have a thread of its own bring messages from a device as fast as it can."""
        received = self.worker.receiver(self.input(name))

        def bring() -> None:
            for data in cycle(messages):
                if self.stopping:
                    return
                received(data, time.monotonic_ns())

        self._threads.append(threading.Thread(target=bring, daemon=True))
        self._threads[-1].start()

    def events(self, kind: str) -> list[dict[str, object]]:
        return [
            event_to_json(note.event)
            for note in list(self.worker.outbox)
            if isinstance(note, Happened) and note.event.kind == kind
        ]

    def close(self) -> None:
        self.stopping = True
        self.worker.stop()
        for thread in self._threads:
            thread.join(10)


@pytest.fixture
def bench() -> Iterator[Bench]:
    bench = Bench()
    yield bench
    bench.close()


def every_tick_is_there(bench: Bench) -> None:
    """Wait for a quarter note of ticks; none may have been given up, each port must have had every one.

    A machine that stands still for longer than a quarter note costs ticks as well, so there are five tries.
    """
    for _ in range(5):
        missed = len(bench.events("ticks-missed"))
        numbers = numbers_of_ticks(bench)
        if len(bench.events("ticks-missed")) == missed:
            break
    else:
        pytest.fail("ticks are given up again and again")
    for of_port in numbers:
        assert all(after - one == 1 for one, after in pairwise(of_port))


def numbers_of_ticks(bench: Bench, ticks: int = 24) -> list[list[int]]:
    """Wait for so many more ticks; return the numbers of those that have been recorded, for each port."""
    bench.worker.take_records()
    before = bench.worker.show.ticks.number
    until(lambda: bench.worker.show.ticks.number > before + ticks, what="ticks go on")
    records, dropped = bench.worker.take_records()
    assert dropped is None
    return [
        [record.tick for record in records if record.output == number]
        for number in {record.output for record in records}
    ]


@pytest.mark.parametrize(
    "garbage",
    [
        (b"\xf4", b"\xf5", b"\xfd", b"\xf9"),
        (b"\xf0\x7d\x02", b"\x12", b"\x90\x40", b"\xf7"),
        (b"\xf8",),
        tuple(bytes((0xB0, number, value)) for number in range(100) for value in range(100)),
    ],
    ids=["undefined bytes", "broken messages", "ticks", "controllers"],
)
def test_a_port_that_floods_is_slowed_down_and_the_others_go_on(
    bench: Bench, garbage: tuple[bytes, ...]
) -> None:
    bench.flood("pedals", *garbage)
    until(lambda: bench.events("flood"), what="the flood is reported")
    play = bench.worker.receiver(bench.input("keys"))
    for note in range(60, 70):
        for data in (bytes((0x90, note, 100)), bytes((0x80, note, 64))):
            play(data, time.monotonic_ns())
        until(lambda note=note: bytes((0x80, note, 64)) in bench.devices["synth"].got, what="a note passes")
        assert len(bench.worker._inbox) <= INBOX_LIMIT + 2
    every_tick_is_there(bench)
    # once, as tests of the limit show exactly; a machine that stands still may end a flood and begin another
    assert {event["device"] for event in bench.events("flood")} == {"pedals"}
    assert len(bench.events("flood")) < 5
    assert bench.worker.faults == 0


def test_many_floods_at_once_are_held_to_what_can_be_routed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("routerd.engine.realtime.BURST_NS", 0)  # only the limit of the inbox acts
    bench.flood("pedals", b"\xf4")
    bench.flood("keys", b"\xfd")
    longest = 0
    for _ in range(200):
        longest = max(longest, len(bench.worker._inbox))
        time.sleep(0.002)
    assert longest <= INBOX_LIMIT + 2
    before = bench.worker.show.ticks.number
    until(lambda: bench.worker.show.ticks.number > before + 20, what="ticks go on")


def test_a_port_that_refuses_is_given_up_and_the_others_go_on(bench: Bench) -> None:
    bench.devices["synth"].broken = True
    until(lambda: bench.worker.lost, what="it is reported as lost")
    heard = len(bench.devices["modular"].got)
    every_tick_is_there(bench)
    assert bench.devices["modular"].got[heard:].count(TICK) >= 24
    assert len(bench.worker.lost) == 1


def test_a_fault_with_every_message_is_reported_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a mistake in the program")

    monkeypatch.setattr(Input, "receive", broken)
    play = bench.worker.receiver(bench.input("keys"))
    for _ in range(300):
        play(b"\x90\x40\x40", time.monotonic_ns())
    until(lambda: bench.worker.faults == 300)
    assert len(bench.events("fault")) == 1
    every_tick_is_there(bench)


class Limited:
    """A limit on simulated time."""

    def __init__(self) -> None:
        self.slept: list[float] = []
        self.reported = 0
        self.limit = FloodLimit(self._report, self.slept.append)

    def _report(self) -> None:
        self.reported += 1

    def bursts(self, *at_ms: float) -> None:
        for at in at_ms:
            self.limit.check(int(at * MS))


def test_as_many_as_the_limit_allows_pass_unslowed() -> None:
    slowed = Limited()
    slowed.bursts(*range(1000, 1400, BURST_NS // MS))
    assert (slowed.slept, slowed.reported) == ([], 0)
    assert BURST * 1_000_000_000 // BURST_NS == 8 * 3125  # M1 p. 1: 31 250 bits, ten to the byte


def test_a_flood_sleeps_for_the_rest_of_its_time_and_is_reported_once_each_time() -> None:
    slowed = Limited()
    slowed.bursts(1000, 1005, 1025, 1045.5)
    assert slowed.slept == [0.015, 0.015, pytest.approx(0.0145)]
    assert slowed.reported == 1
    slowed.bursts(2000, 2001)
    assert slowed.reported == 2
