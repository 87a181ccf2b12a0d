"""What an engine writes down for its spare: in order, whole, or reported as lost."""

from __future__ import annotations

import random
import threading

import pytest

from routerd.core.errors import PortError
from routerd.core.model.actions import Action
from routerd.core.model.commands import Apply, Command
from routerd.core.output.wire import Wire
from routerd.core.show.replica import unpack
from routerd.engine.journal import (
    AT,
    DONE,
    LONG_BYTES,
    SLOTS,
    WAITING,
    WRITTEN,
    Entry,
    Kind,
    OverrunError,
    Reader,
    Shared,
    Writer,
)
from routerd.engine.worker import Worker
from tests.stage import Stage


def test_what_is_written_is_read_in_order_over_many_rounds_of_the_ring() -> None:
    shared, chance = Shared(), random.Random(1)
    writer, reader = Writer(shared), Reader(shared)
    expected: list[Entry] = []
    for _ in range(2 * SLOTS // 100):
        for _ in range(100):
            kind, at_ns = chance.randrange(3), chance.randrange(1 << 62)
            data = chance.randbytes(chance.choice((0, 1, 2, 3, 20, 21, 300, 9000)))
            number = chance.randrange(0xFFFF)
            if kind == 0:
                writer.message(number, data, at_ns)
                expected.append(Entry(Kind.MESSAGE, number, at_ns, data))
            elif kind == 1:
                writer.advance(at_ns)
                expected.append(Entry(Kind.ADVANCE, 0, at_ns, b""))
            else:
                writer.request(data, at_ns)
                expected.append(Entry(Kind.REQUEST, 0, at_ns, data))
            while len(expected) > 50:
                assert reader.take() == expected.pop(0)


def test_what_waits_is_known_in_the_order_in_which_it_came() -> None:
    shared, chance = Shared(), random.Random(3)
    writer, reader = Writer(shared), Reader(shared)
    came = [(n % 40, chance.randbytes(chance.choice((1, 2, 3, 20))), 1_000 + n) for n in range(900)]

    def wait(own: list[tuple[int, bytes, int]]) -> None:
        for one in own:
            writer.waits(*one)

    threads = [threading.Thread(target=wait, args=(came[n::3],)) for n in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    writer.waits(1, bytes(21), 5_000)  # too long
    waiting = reader.waiting(0)
    assert len({entry.at_ns for entry in waiting}) == WAITING, "every thread had slots of its own"
    assert [entry.at_ns for entry in waiting] == sorted(entry.at_ns for entry in waiting)
    assert {(entry.number, entry.data, entry.at_ns) for entry in waiting} <= set(came)
    assert reader.waiting(1_900) == []


def test_a_reader_that_has_been_overtaken_learns_it() -> None:
    shared = Shared()
    writer, reader = Writer(shared), Reader(shared)
    for number in range(SLOTS - 1):
        writer.advance(number)
    assert reader.take().at_ns == 0
    writer.advance(0)
    writer.advance(0)
    with pytest.raises(OverrunError):
        reader.take()


def test_a_long_message_that_has_been_overwritten_is_not_taken_for_whole() -> None:
    shared = Shared()
    writer, reader = Writer(shared), Reader(shared)
    writer.message(1, bytes(LONG_BYTES // 2 + 1), 1)
    writer.message(1, b"\x01" * (LONG_BYTES // 2 + 1), 1)
    with pytest.raises(OverrunError):
        reader.take()


def test_a_message_that_no_ring_holds_breaks_off() -> None:
    shared = Shared()
    writer, reader = Writer(shared), Reader(shared)
    writer.message(1, bytes(LONG_BYTES + 1), 1)
    assert reader.take().kind == Kind.BREAK


class Port:
    """Takes everything, and looks at the journal meanwhile; refuses where it is told to."""

    def __init__(self, words: memoryview[int], *, refuses: bool = False) -> None:
        self.seen: list[tuple[int, int, int]] = []
        self.words = words
        self.refuses = refuses

    def send(self, data: bytes) -> None:
        del data
        self.seen.append((self.words[WRITTEN], self.words[DONE], self.words[AT]))
        if self.refuses:
            raise PortError("refused")


def worker_with_journal(refusing: str = "") -> tuple[Stage, Worker, Shared, dict[Wire, Port]]:
    stage, shared = Stage(), Shared()
    stage.do(Action.NEXT)  # "middle", in which keys play the sampler
    worker = Worker(stage.show, lambda: None)
    stage.show.effects.events.clear()
    worker.keep_journal(Writer(shared))
    ports = {wire: Port(shared.words, refuses=wire.name == refusing) for wire in stage.show.compiled.wires}
    worker.ports.update(ports)  # type: ignore[arg-type]
    return stage, worker, shared, ports


def test_a_message_is_written_before_it_is_sent_and_done_afterwards() -> None:
    stage, worker, shared, ports = worker_with_journal()
    reader = Reader(shared)
    worker._planned_ns = worker._hands_off_ns = 1 << 62
    worker.receiver(stage.input("keys"))(b"\x90\x3c\x40", 5)
    assert ports[stage.output("sampler").wire].seen == [(1, 0, 1)]
    assert shared.words[DONE] == 1
    assert reader.take() == Entry(Kind.MESSAGE, stage.input("keys").number, 5, b"\x90\x3c\x40")


def test_a_request_is_written_as_a_value_and_how_far_its_messages_are() -> None:
    stage, worker, shared, ports = worker_with_journal()
    reader = Reader(shared)
    command = Apply(Command(Action.PANIC))
    worker._hands_off_ns = 1 << 62
    worker._planned_ns = 1 << 62
    worker.call(lambda now_ns: worker.perform(command, now_ns))
    worker._carry()
    assert unpack(reader.take().data, stage.show.compiled) == command
    steps = [at for port in ports.values() for _, _, at in port.seen]
    assert sorted(steps) == list(range(1, 2 * len(steps), 2))
    assert shared.words[DONE] == shared.words[WRITTEN]


def test_a_port_that_is_lost_is_written_down_too() -> None:
    stage, worker, shared, _ = worker_with_journal(refusing="sampler")
    reader = Reader(shared)
    worker._planned_ns = worker._hands_off_ns = 1 << 62
    worker.receiver(stage.input("keys"))(b"\x90\x3c\x40", 5)
    assert [reader.take().kind, reader.take().kind] == [Kind.MESSAGE, Kind.REQUEST]
    assert shared.words[DONE] == 2
