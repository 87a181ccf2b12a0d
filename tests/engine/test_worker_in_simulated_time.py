"""A worker on a clock of ours, on one thread: what it sends, and when, is what its show says.

Time passes by a microsecond whenever somebody looks at it. While the worker sleeps, and inside the sends of
its ports, what other threads do is done: messages arrive and calls are made. A stage (`tests/stage.py`) that
is given the same says what has to come of it.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest

import routerd.engine.worker as module
from routerd.core.errors import PortError
from routerd.core.model.actions import Action
from routerd.core.model.commands import Apply
from routerd.core.model.events import Fault, PortClosed, event_to_json
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.song import Patch, Song
from routerd.core.model.timing import Segment, Timing
from routerd.core.output.wire import Wire
from routerd.core.show.compiler import CompiledRig
from routerd.core.show.show import Show
from routerd.engine.journal import AT, DONE, WRITTEN, Kind, Reader, Shared, Writer
from routerd.engine.worker import (
    FAULT_AGAIN_NS,
    INBOX_LIMIT,
    OUTBOX_LIMIT,
    RECORD_LIMIT,
    SPIN_NS,
    TICK_CHECK_EVERY,
    Worker,
)
from routerd.link.frames import INPUT_BIT, OWN_RATE, Unpacker, pack_taps
from routerd.link.messages import Happened
from routerd.ports.base import StalledError
from tests.stage import CONTROLS, KEYS, MODULAR, MS, PEDALS, SAMPLER, SYNTH, TICK, Stage, ask, compiled, route

LOOK_NS = 1_000
LATE_NS = 60_000
"""So late a tick may be by what is looked at on its way; a message by what a worker works out, too."""

FAST = Device(
    "fast", output_pattern="fast", wire=WireKind.VIRTUAL, clock=True, timing=Timing(rate=Fraction(2))
)
DUMP = b"\xf0\x7d" + bytes(800) + b"\xf7"
RIG = Rig("test rig", (KEYS, PEDALS, SYNTH, SAMPLER, MODULAR, FAST), CONTROLS)
SONGS = (
    Song("opener", "Opener", Fraction(125), routes=(route("synth"), route("modular"))),
    Song(
        "closer",
        "Closer",
        Fraction(250),
        routes=(route("sampler"),),
        patches=(
            Patch("synth", sysex=(DUMP,)),
            Patch("modular", program=3, cc=tuple((n, 5) for n in range(20, 60))),
        ),
    ),
)


class Port:
    """A port that notes when it was given what; what other threads do meanwhile is done inside."""

    def __init__(self, world: World, wire: Wire) -> None:
        self._world, self._wire = world, wire
        self.error: PortError | None = None

    def send(self, data: bytes) -> None:
        world = self._world
        assert world.worker._lock.locked(), "only who has the lock may send"
        if self.error is not None:
            raise self.error
        world.sent.append((world.now_ns, self._wire.name, bytes(data)))
        if world.inside:
            world.inside.popleft()()


class World:
    """A worker with ports, time, and a script of what other threads do at what time."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, book: CompiledRig | None = None) -> None:
        self.now_ns = 0
        self.sent: list[tuple[int, str, bytes]] = []
        self.inside: deque[Callable[[], None]] = deque()
        self.script: list[tuple[int, Callable[[], None]]] = []
        self.told = 0
        self.marks: list[int] = []
        self._roused = False
        for name in ("monotonic_ns", "sleep"):
            monkeypatch.setattr(module, name, getattr(self, name))
        self.turns: list[str] = []
        monkeypatch.setattr(module, "keep_interpreter", lambda: self.turns.append("keep"))
        monkeypatch.setattr(module, "share_interpreter", lambda: self.turns.append("share"))
        monkeypatch.setattr(module, "make_thread_realtime", lambda _priority: 70)
        self.book = compiled(RIG, SONGS, ("opener", "closer")) if book is None else book
        self.worker = Worker(Show(0), self.tell)
        self.worker._wake = self  # type: ignore[assignment]
        self.worker.mark = self.marks.append
        self.worker.show.load(self.book, 1, 0)
        for wire in self.book.wires:
            self.worker.ports[wire] = Port(self, wire)  # type: ignore[assignment]
            self.worker.show.output_opened(wire, True, 0)
        self.inputs = {input.name: self.worker.receiver(input) for input in self.book.inputs}

    def tell(self) -> None:
        self.told += 1

    def monotonic_ns(self) -> int:
        self.now_ns += LOOK_NS
        return self.now_ns

    def sleep(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)

    def acquire(self, timeout: float) -> bool:
        """Sleep until `timeout` seconds are over or somebody rouses the worker; others act meanwhile."""
        assert not self.worker._lock.locked(), "nobody sleeps with the lock"
        until_ns = self.now_ns + round(timeout * 1e9)
        while not self._roused and self.script and self.script[0][0] <= until_ns:
            at_ns, act = self.script.pop(0)
            self.now_ns = max(self.now_ns, at_ns)
            act()
        if not self._roused:
            self.now_ns = max(self.now_ns, until_ns)
        roused, self._roused = self._roused, False
        return roused

    def release(self) -> None:
        if self._roused:
            raise RuntimeError("released already")
        self._roused = True

    def run(self, script: list[tuple[int, Callable[[], None]]], until_ns: int) -> None:
        self.script = sorted([*script, (until_ns, self.worker.stop)], key=lambda one: one[0])
        self.worker.run()

    def play(self, device: str, hexes: str) -> Callable[[], None]:
        def act() -> None:
            self.inputs[device](bytes.fromhex(hexes), self.now_ns)

        return act

    def do(self, action: Action, argument: Any = None) -> Callable[[], None]:
        def act() -> None:
            self.worker.call(lambda now_ns: self.worker.show.apply(ask(action, argument), now_ns))

        return act

    def posted(self, kind: type) -> list[Any]:
        return [one for one in self.worker.outbox if isinstance(one, kind)]


EVENING: list[tuple[float, str, Any]] = [
    (33, "keys", "90 3c 40"), (47, "keys", "80 3c 40"), (55, "do", (Action.START, None)),
    (90, "keys", "90 40 40"), (93, "keys", "b0 07 20"), (133, "keys", "80 40 40"),
    (151, "do", (Action.NEXT, None)), (172, "keys", "90 3c 40"), (190, "keys", "80 3c 40"),
    (211, "do", (Action.TEMPO, "100")), (333, "keys", "e0 00 50"), (334, "pedals", "b3 51 7f"),
    (371, "keys", "90 48 10"), (391, "keys", "80 48 00"), (470, "do", (Action.STOP, None)),
    (505, "do", (Action.PANIC, None)),
]  # fmt: skip
"""What is done at what time in ms."""


def played_on_a_stage() -> Stage:
    stage = Stage(compiled(RIG, SONGS, ("opener", "closer")))
    for at_ms, what, argument in EVENING:
        stage.run(round(at_ms * MS))
        if what == "do":
            stage.do(*argument)
        else:
            stage.play(what, argument)
    stage.run(700 * MS)
    return stage


def by_wire(log: list[tuple[int, str, bytes]]) -> dict[str, list[tuple[int, bytes]]]:
    found: dict[str, list[tuple[int, bytes]]] = {}
    for at_ns, name, data in log:
        found.setdefault(name, []).append((at_ns, data))
    return found


def test_an_evening_goes_out_as_the_show_says_and_is_counted_and_reported(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    worker = world.worker
    begun = []
    worker.begin = lambda: begun.append(True)
    script = [
        (round(at_ms * MS), world.do(*argument) if what == "do" else world.play(what, argument))
        for at_ms, what, argument in EVENING
    ]
    world.run(script, 700 * MS)
    stage = played_on_a_stage()
    ours, its = by_wire(world.sent), by_wire(stage.log)
    for name, expected in its.items():
        assert [data for _, data in ours[name]] == [data for _, data in expected]
        for (at_ns, data), (due_ns, _) in zip(ours[name], expected, strict=True):
            assert 0 <= at_ns - due_ns < (LATE_NS if data == TICK else 4 * LATE_NS), (
                name,
                data.hex(),
                due_ns,
            )
    assert sum(data == DUMP[-1:] or data.endswith(DUMP[-1:]) for _, data in ours["synth"]) == 1
    # what is counted
    assert worker.sent == len(world.sent)
    for wire in world.book.wires:
        assert wire.messages_sent == len(ours[wire.name])
        assert wire.bytes_sent == sum(len(data) for _, data in ours[wire.name])
    messages = [what for _, what, _ in EVENING if what != "do"]
    assert worker.received == len(messages)
    assert {one.name: one.received for one in world.book.inputs} == {
        one.name: messages.count(one.name) for one in world.book.inputs
    }
    assert sum(count for _, count in worker.recorder.take_times()) > 5
    assert (worker.faults, worker.outbox_dropped, worker.records_dropped) == (0, 0, 0)
    assert begun == [True]
    assert worker.priority == 70
    # the ticks' records: each tick that a port was given, with when
    records, dropped = worker.take_records()
    assert dropped is None
    assert worker.take_records() == ([], None)
    names = {wire.number: wire.name for wire in world.book.wires}
    assert [(one.sent_ns // MS, names[one.output & ~OWN_RATE]) for one in records] == [
        (at_ns // MS, name) for at_ns, name, data in world.sent if data == TICK
    ]
    due = {name: [at_ns for at_ns, data in log if data == TICK] for name, log in its.items()}
    for number, name in names.items():
        own = [one for one in records if one.output & ~OWN_RATE == number]
        assert [one.due_ns for one in own] == due.get(name, [])
        assert all(0 < one.sent_ns - one.due_ns < LATE_NS for one in own)
        assert all(bool(one.output & OWN_RATE) == (name == "fast") for one in own)
    synth = [one for one in records if names[one.output & ~OWN_RATE] == "synth"]
    assert [one.tick for one in synth] == list(range(synth[0].tick, synth[0].tick + len(synth)))
    assert [song for song, _ in itertools.groupby(one.song for one in synth)] == [0, 1, 0]
    # what is marked for another engine: the number of each tick, when it is out
    assert sorted(set(world.marks)) == [*range(min(world.marks), synth[-1].tick + 1)]
    assert world.marks == sorted(world.marks)
    # what is posted: events as the stage has them, and a snapshot for each change, before its events
    its_events = [{k: v for k, v in one.items() if k != "at_ns"} for one in stage.events]
    our_events = [
        {k: v for k, v in event_to_json(one.event).items() if k != "at_ns"} for one in world.posted(Happened)
    ]
    assert our_events == its_events
    snapshots = world.posted(Snapshot)
    assert snapshots[-1].position_tick == stage.show.snapshot().position_tick
    assert len({id(one) for one in snapshots}) == len(snapshots) < 3 * len(its_events)
    assert world.told == len(worker.outbox)
    assert isinstance(worker.outbox[0], Snapshot)
    # the interpreter is kept while a deadline is worked out, and shared before anything is sent
    assert world.turns == ["keep", "share"] * (len(world.turns) // 2)


def test_what_arrives_while_a_tick_goes_out_goes_out_behind_it_in_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    notes = [f"90 {number:02x} 40" for number in range(60, 72)]

    def flood() -> None:
        for one in notes:
            world.play("keys", one)()

    world.run([(15 * MS, lambda: world.inside.append(flood))], 45 * MS)
    (tick_ns,) = {
        at_ns // MS
        for at_ns, name, data in world.sent
        if data == TICK and at_ns > 15 * MS and at_ns < 35 * MS and name == "synth"
    }
    heard = [(at_ns, data) for at_ns, name, data in world.sent if name == "modular" and data[0] == 0x90]
    assert [data.hex(" ") for _, data in heard] == notes
    assert all(at_ns // MS == tick_ns for at_ns, _ in heard), "as soon as the tick is out"
    first = next(place for place, (_, _, data) in enumerate(world.sent) if data[0] == 0x90)
    assert all(data == TICK for at_ns, _, data in world.sent[first - 2 : first])


def test_a_message_just_before_a_tick_waits_for_it_and_one_before_that_does_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    stage = played_on_a_stage()
    due_ns = next(at_ns for at_ns, _, data in stage.log if data == TICK and at_ns > 30 * MS)
    script = [
        (due_ns - SPIN_NS - 40_000, world.play("keys", "90 3c 40")),
        (due_ns - SPIN_NS, world.play("keys", "90 40 40")),
    ]
    world.run(script, due_ns + 5 * MS)
    at = {data.hex(" "): at_ns for at_ns, name, data in world.sent if name == "modular" and data != TICK}
    assert at["90 3c 40"] < due_ns - SPIN_NS
    assert due_ns < at["90 40 40"] < due_ns + 4 * LATE_NS


def test_what_another_thread_asks_for_is_done_at_once_and_not_at_the_next_deadline(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    done: list[tuple[str, int]] = []

    def ask_for_it() -> None:
        world.worker.call(
            lambda now_ns: done.append(("function", now_ns)), lambda: done.append(("then", world.now_ns))
        )

    world.run([(25 * MS, ask_for_it), (25 * MS, world.play("keys", "90 3c 40"))], 39 * MS)
    assert [what for what, _ in done] == ["function", "then"]
    assert all(25 * MS <= at_ns < 25 * MS + LATE_NS for _, at_ns in done)


def test_a_message_that_makes_something_due_earlier_rouses_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program change of a device starts what it does between two ticks."""
    world, earlier = World(monkeypatch), []
    real = world.worker._rouse
    world.worker._rouse = lambda: (earlier.append(world.now_ns), real())[1]  # type: ignore[method-assign]
    world.run([(25 * MS, world.play("keys", "90 3c 40"))], 39 * MS)
    assert len(earlier) == 1, "only to stop"
    world = World(monkeypatch)
    deadline_ns = []

    def arm() -> None:
        world.worker._planned_ns = 1 << 62
        deadline_ns.append(world.now_ns)
        world.play("keys", "90 3c 40")()

    world.script = [(25 * MS, arm)]
    world.worker._hands_off_ns = 1 << 62
    assert world.acquire(1)


def test_a_port_that_refuses_is_lost_with_what_it_has_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker = world.worker
    modular = next(wire for wire in world.book.wires if wire.name == "modular")
    port: Any = worker.ports[modular]

    def break_it() -> None:
        port.error = StalledError("stands still", 4711)

    world.run([(25 * MS, break_it), (26 * MS, world.play("keys", "90 3c 40"))], 60 * MS)
    assert [(wire.name, why) for wire, _, why in worker.lost] == [("modular", "stands still")]
    assert worker.lost[0][1] is port
    assert modular not in worker.ports
    lost = [one.event for one in world.posted(Happened) if isinstance(one.event, PortClosed)]
    assert [(one.device, one.why, one.since_ns) for one in lost] == [("modular", "stands still", 4711)]
    after = [(name, data) for at_ns, name, data in world.sent if at_ns >= 26 * MS]
    assert ("synth", b"\x90\x3c\x40") in after, "the others go on"
    assert not [name for name, _ in after if name == "modular"]
    assert worker.sent == len(world.sent)
    assert sum(wire.messages_sent for wire in world.book.wires) == len(world.sent)


@pytest.mark.parametrize("what", ["a tick", "one message", "one of several"])
def test_whatever_a_port_refuses_is_counted_for_nobody(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker = world.worker
    name = "sampler" if what == "one message" else "modular"
    wire = next(wire for wire in world.book.wires if wire.name == name)
    port: Any = worker.ports[wire]
    if what == "one message":
        worker.call(lambda now_ns: worker.show.apply(ask(Action.NEXT), now_ns))

    def break_it() -> None:
        port.error = PortError("gone")

    script = [(24 * MS, break_it)]
    if what != "a tick":
        script.append((25 * MS, world.play("keys", "90 3c 40")))
    world.run(script, 60 * MS)
    assert [(lost.name, why) for lost, _, why in worker.lost] == [(name, "gone")]
    assert worker.sent == len(world.sent) == sum(one.messages_sent for one in world.book.wires)
    assert worker.sent == sum(1 for _ in world.sent)
    assert sum(one.bytes_sent for one in world.book.wires) == sum(len(data) for *_, data in world.sent)
    heard = [one for one, to, _ in worker.take_records()[0] and world.sent if to == name and one > 24 * MS]
    assert heard == []


def test_ticks_pass_a_long_row_of_messages(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that takes 2 ms for each message; a tick is due every 20 ms, looked for every 16 sends."""
    world = World(monkeypatch)
    sampler = next(wire for wire in world.book.wires if wire.name == "sampler")
    port: Any = world.worker.ports[sampler]
    real = port.send

    def slow(data: bytes) -> None:
        real(data)
        world.now_ns += 2 * MS

    port.send = slow

    def much(now_ns: int) -> None:
        world.worker._effects.sink.extend((sampler, bytes((0xB0, n, 1))) for n in range(100))

    world.run([(25 * MS, lambda: world.worker.call(much))], 400 * MS)
    row = [(at_ns, data) for at_ns, _, data in world.sent if at_ns > 25 * MS]
    kinds = "".join("T" if data == TICK else "m" for _, data in row)
    assert kinds.count("m") == 100
    row_of_kinds = kinds[: kinds.rindex("m") + 1]
    breaks = [place for place in range(1, len(row_of_kinds)) if row_of_kinds[place - 1 : place + 1] == "mT"]
    assert len(breaks) > 4
    assert all(place % TICK_CHECK_EVERY == 0 for place in breaks)
    assert [b - a for a, b in itertools.pairwise(breaks)] == [TICK_CHECK_EVERY] * (len(breaks) - 1)
    assert [data[1] for _, data in row if data != TICK] == list(range(100))


def test_a_tick_is_not_looked_for_before_so_many_sends_and_not_behind_the_last(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    worker = world.worker
    asked: list[int] = []
    real = Show.advance
    monkeypatch.setattr(Show, "advance", lambda show, now_ns: (asked.append(now_ns), real(show, now_ns))[1])
    (wire,) = (wire for wire in world.book.wires if wire.name == "sampler")
    for count, expected in ((15, 0), (16, 0), (17, 1), (32, 1), (33, 2)):
        asked.clear()
        worker._effects.sink[:] = [(wire, b"\xb0\x07\x01")] * count
        world.now_ns = max(world.now_ns, worker._clock.next_due_ns)
        with worker._lock:
            worker._send(worker._effects.sink)
        assert (len(asked) > 0) == (expected > 0), count
        assert worker._effects.sink == []


def test_what_is_too_much_for_the_outbox_is_dropped_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker = world.worker
    worker.outbox.clear()
    world.told = 0
    for number in range(OUTBOX_LIMIT + 3):
        worker.post(Happened(Fault(number, "x", number)))
    assert [one.event.at_ns for one in worker.outbox] == list(range(OUTBOX_LIMIT))  # type: ignore[union-attr]
    assert (worker.outbox_dropped, world.told) == (3, OUTBOX_LIMIT)
    worker.post_call(lambda: None)  # never dropped
    assert (len(worker.outbox), worker.outbox_dropped, world.told) == (OUTBOX_LIMIT + 1, 3, OUTBOX_LIMIT + 1)


def test_records_that_are_too_many_are_dropped_and_reported_once(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker, wire = world.worker, world.book.wires[0]
    worker._ticks.stamps.clear()
    for number in range(RECORD_LIMIT + 5):
        worker._ticks.number = number
        worker._record(wire, number)
    assert worker.records_dropped == 5
    taken, event = worker.take_records()
    assert [one.tick for one in taken] == list(range(RECORD_LIMIT))
    assert event is not None
    assert {k: v for k, v in event_to_json(event.event).items() if k != "at_ns"} == {
        "kind": "records-dropped", "count": 5, "from_tick": RECORD_LIMIT, "to_tick": RECORD_LIMIT + 4,
    }  # fmt: skip
    assert worker.records_dropped == 0
    assert worker.take_records() == ([], None)
    worker._record(wire, 1)
    assert len(worker.take_records()[0]) == 1


def test_a_fault_is_counted_each_time_and_reported_when_it_is_new_or_long_ago(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    worker = world.worker
    worker.outbox.clear()
    said: list[tuple[str, int]] = []
    for wait_ns, text in (
        (0, "a"),
        (0, "a"),
        (0, "b"),
        (FAULT_AGAIN_NS - 9_000, "b"),
        (20_000, "b"),
        (0, "b"),
    ):
        world.now_ns += wait_ns
        worker.fault(ValueError(text))
        said = [
            (one.event.what, one.event.count)
            for one in world.posted(Happened)
            if isinstance(one.event, Fault)
        ]
    assert said == [("ValueError: a", 1), ("ValueError: b", 3), ("ValueError: b", 5)]
    assert (worker.faults, worker.last_fault) == (6, "ValueError: b")


@pytest.mark.parametrize("where", ["message", "call", "deadline"])
def test_whatever_fails_the_clock_and_the_next_message_go_on(
    where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(monkeypatch)
    worker = world.worker
    name = {"message": "receive", "call": "apply", "deadline": "advance"}[where]
    real, failed = getattr(Show, name), []

    def fails(*args: Any) -> None:
        if world.now_ns > 22 * MS and not failed:
            failed.append(True)
            raise ValueError("of ours")
        real(*args)

    monkeypatch.setattr(Show, name, fails)
    script = [(25 * MS, world.play("keys", "90 3c 40")), (26 * MS, world.do(Action.START))]
    world.run([*script, (27 * MS, world.play("keys", "90 40 40"))], 80 * MS)
    assert (worker.faults, worker.last_fault) == (1, "ValueError: of ours")
    assert any(data == b"\x90\x40\x40" for _, name, data in world.sent)
    assert any(data == TICK and at_ns > 60 * MS for at_ns, _, data in world.sent)


def test_who_finds_the_inbox_full_carries_or_waits_until_there_is_room(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for hands_off in ("later", "now"):
        world = World(monkeypatch)
        worker = world.worker
        input = world.book.inputs[0]
        worker._planned_ns = 1 << 62
        worker._inbox.extend((input, bytes((0x90, 60, 1)), 0) for _ in range(INBOX_LIMIT + 1))
        begun_ns = world.now_ns
        worker._hands_off_ns = 1 << 62 if hands_off == "later" else world.now_ns + SPIN_NS // 2
        if hands_off == "now":
            world.now_ns += SPIN_NS
            slept: list[float] = []

            def sleep(seconds: float, slept: list[float] = slept, worker: Worker = worker) -> None:
                slept.append(seconds)
                if len(slept) == 3:
                    worker._hands_off_ns = 1 << 62  # the clock thread is done with its tick

            monkeypatch.setattr(module, "sleep", sleep)
        worker._wait_for_room()
        assert len(worker._inbox) == 0
        assert worker.received == INBOX_LIMIT + 1
        if hands_off == "now":
            assert slept == [SPIN_NS / 1e9] * 3
        assert world.now_ns > begun_ns
    world = World(monkeypatch)
    world.worker._inbox.extend((world.book.inputs[0], b"\x90\x3c\x01", 0) for _ in range(INBOX_LIMIT))
    world.worker._wait_for_room()
    assert len(world.worker._inbox) == INBOX_LIMIT, "so many are not too many"


def test_the_spare_is_told_everything_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    shared = Shared()
    reader = Reader(shared)
    world = World(monkeypatch)
    world.worker.keep_journal(Writer(shared))
    world.run(
        [(25 * MS, world.play("keys", "90 3c 40")), (26 * MS, world.play("pedals", "b3 51 7f"))], 30 * MS
    )
    entries = []
    while reader.taken < reader.words[WRITTEN]:
        entries.append(reader.take())
    messages = [(one.number, one.data.hex(" ")) for one in entries if one.kind == Kind.MESSAGE]
    assert messages == [(0, "90 3c 40"), (1, "b3 51 7f")]
    assert [one.at_ns for one in entries if one.kind == Kind.MESSAGE] == [25 * MS, 26 * MS + 0]
    ticks = {at_ns // MS for at_ns, _, data in world.sent if data == TICK and at_ns < 30 * MS}
    assert {one.at_ns // MS for one in entries if one.kind == Kind.ADVANCE} >= ticks
    assert [one.at_ns for one in entries] == sorted(one.at_ns for one in entries)
    assert reader.words[DONE] == len(entries), "all of it is done"


def test_somebody_who_listens_gets_every_message_as_it_came_and_went(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    recorder = world.worker.recorder
    recorder.on = True
    world.run(
        [(25 * MS, world.play("keys", "90 3c 40")), (26 * MS, world.play("pedals", "b0 01 7f"))], 30 * MS
    )
    taps = recorder.take_taps()
    assert len(taps) >= 4
    assert sum(count for _, count in recorder.take_times()) == 1
    assert world.worker.received == 2


def test_the_grid_is_posted_by_itself_while_nothing_else_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker = world.worker
    with worker._lock:
        worker._flush()
    worker.outbox.clear()
    clock = worker._clock
    times = []
    for n in range(1, 200):
        clock.segment = Segment(n, n, Fraction(120))
        world.now_ns += MS
        with worker._lock:
            worker._flush()
        if worker.outbox:
            times.append(world.now_ns // MS)
            assert worker.outbox.pop() is clock.segment
    assert [b - a for a, b in itertools.pairwise(times)] == [50] * (len(times) - 1)


class Taken:
    """The worker's lock while somebody else has it: it can be asked for, and not be waited for."""

    def acquire(self, blocking: bool = True) -> bool:
        assert not blocking, "nobody but the clock waits for the lock"
        return False

    def release(self) -> None:
        raise AssertionError("it is somebody else's")

    def locked(self) -> bool:
        return True


def test_an_input_never_waits_for_who_has_the_lock(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    world.worker._lock = Taken()  # type: ignore[assignment]
    world.worker._hands_off_ns = 1 << 62
    received = world.worker.receiver(world.book.inputs[0])
    received(b"\x90\x3c\x40", 5)
    assert [item[1] for item in world.worker._inbox] == [b"\x90\x3c\x40"]  # type: ignore[index]
    world.worker._carry()
    assert len(world.worker._inbox) == 1


def test_who_carries_for_others_rouses_the_clock_when_something_is_due_earlier(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    world.worker._hands_off_ns = 1 << 62
    for planned_ns, roused in ((1 << 62, True), (0, False)):
        world.worker._planned_ns = planned_ns
        world.worker._inbox.append((world.book.inputs[0], b"\x90\x3c\x40", 0))
        world.worker._carry()
        assert world._roused is roused
        world._roused = False


def test_who_comes_while_a_message_is_carried_is_carried_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)

    def another() -> None:
        world.inside.append(world.play("keys", "90 40 40"))
        world.play("keys", "90 3c 40")()
        assert [data for _, name, data in world.sent if name == "modular" and data != TICK] == [
            b"\x90\x3c\x40",
            b"\x90\x40\x40",
        ]

    world.run([(25 * MS, another)], 30 * MS)
    assert world.worker.received == 2


def test_where_a_device_has_no_port_a_message_goes_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    for wire in world.book.wires:
        if wire.name == "synth":
            del world.worker.ports[wire]
    world.run([(25 * MS, world.play("keys", "90 3c 40")), (26 * MS, world.play("keys", "80 3c 40"))], 30 * MS)
    assert [data for _, name, data in world.sent if data != TICK] == [b"\x90\x3c\x40", b"\x80\x3c\x40"]
    assert world.worker.faults == 0
    world.book.wires[0].messages_sent = 0


def test_what_a_message_leads_to_is_posted_before_the_next_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    posted: list[int] = []

    def press() -> None:
        world.worker.outbox.clear()
        world.play("pedals", "b0 50 7f")()  # next
        posted.append(len(world.posted(Snapshot)))

    world.run([(25 * MS, press)], 30 * MS)
    assert posted == [1]


@pytest.mark.parametrize("revision", [0, 1, 2])
def test_the_first_snapshot_is_posted_whatever_came_before(
    revision: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(monkeypatch)
    world.worker._effects.revision = revision
    with world.worker._lock:
        world.worker._flush()
    assert len(world.posted(Snapshot)) == 1


def test_messages_are_counted_towards_a_flood_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    for _ in range(5):
        world.play("keys", "b0 07 01")()
    assert world.worker._flood_limits["keys"].count == 5
    world.worker._flood_limits["keys"].count = module.BURST - 1
    world.now_ns = 3600 * 10**9
    world.play("keys", "b0 07 01")()
    assert world.worker._flood_limits["keys"].count == 0


def test_who_finds_exactly_the_limit_in_the_inbox_does_not_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    waited: list[bool] = []
    world.worker._wait_for_room = lambda: waited.append(True)  # type: ignore[method-assign]
    input = world.book.inputs[0]
    world.worker._inbox.extend((input, b"\xb0\x07\x01", 0) for _ in range(INBOX_LIMIT))
    world.inputs["keys"](b"\xb0\x07\x01", 1)
    assert waited == []
    world.inputs["keys"](b"\xb0\x07\x01", 1)
    assert waited == [True]


def test_times_of_messages_are_those_from_arrival_to_the_last_port(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    script = [(n * 20 * MS + 5 * MS, world.play("keys", f"90 3c {n:02x}")) for n in range(1, 30)]
    script.append((100 * MS, world.do(Action.NEXT)))  # one message out for each, from then on
    world.run(script, 700 * MS)
    times = world.worker.recorder.take_times()
    assert sum(count for _, count in times) == 29
    assert all(0 < edge_ns < LATE_NS for edge_ns, _ in times)


def test_when_a_port_refuses_one_of_several_the_other_wires_get_theirs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World(monkeypatch)
    worker = world.worker
    synth, sampler = (next(w for w in world.book.wires if w.name == name) for name in ("synth", "sampler"))
    port: Any = worker.ports[synth]
    port.error = PortError("gone")
    unsent: list[Any] = []
    real = Show.output_lost

    def lost(show: Show, wire: Wire, now_ns: int, left: Any = (), *args: Any, **more: Any) -> None:
        unsent.append((wire.name, tuple(left)))
        real(show, wire, now_ns, left, *args, **more)

    monkeypatch.setattr(Show, "output_lost", lost)
    rest = [(sampler, b"\xb0\x07\x01"), (synth, b"\x80\x3c\x40"), (sampler, b"\xb0\x07\x02")]
    worker._effects.sink[:] = [(synth, b"\x90\x3c\x40"), *rest, (synth, b"\x80\x40\x40")]
    with worker._lock:
        worker._send(worker._effects.sink)
    assert [(name, data) for _, name, data in world.sent] == [
        ("sampler", b"\xb0\x07\x01"),
        ("sampler", b"\xb0\x07\x02"),
    ]
    assert unsent == [("synth", (b"\x90\x3c\x40", b"\x80\x3c\x40", b"\x80\x40\x40"))]
    assert (worker.sent, sampler.messages_sent, synth.messages_sent) == (2, 2, 0)


def test_the_journal_says_how_far_sending_has_come(monkeypatch: pytest.MonkeyPatch) -> None:
    """Odd while a port has a message in its hands: 2·n + 1 for the n-th of what is sent in one go."""
    shared = Shared()
    reader = Reader(shared)
    world = World(monkeypatch)
    worker = world.worker
    worker.keep_journal(Writer(shared))
    steps: list[tuple[str, int]] = []
    for wire, port in worker.ports.items():

        def send(data: bytes, real: Any = port.send, name: str = wire.name) -> None:
            steps.append((name, reader.words[AT]))
            real(data)

        port.send = send  # type: ignore[method-assign]
    world.run([(25 * MS, world.play("keys", "90 3c 40"))], 45 * MS)
    runs = [[at for _, at in group] for _, group in itertools.groupby(steps, key=lambda one: one[0])]
    assert {at for run in runs for at in run} <= {1, 3, 5}
    assert all(b in (1, a + 2) for (_, a), (_, b) in itertools.pairwise(steps))
    assert any(at == 3 for _, at in steps)
    assert reader.words[AT] % 2 == 0 or reader.words[AT] == 1
    worker.keep_journal(None)
    assert worker._words is not reader.words
    world.play("keys", "90 41 40")()
    worker.break_off()  # nobody is told
    written = reader.words[WRITTEN]
    worker.keep_journal(Writer(shared))
    worker.break_off()
    assert reader.words[WRITTEN] == written + 1


def test_time_that_passes_while_much_is_sent_is_in_the_journal_and_in_the_records(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shared = Shared()
    reader = Reader(shared)
    world = World(monkeypatch)
    worker = world.worker
    worker.keep_journal(Writer(shared))
    sampler = next(wire for wire in world.book.wires if wire.name == "sampler")
    port: Any = worker.ports[sampler]
    real = port.send

    def slow(data: bytes) -> None:
        real(data)
        world.now_ns += 2 * MS

    port.send = slow
    much = [(sampler, bytes((0xB0, n, 1))) for n in range(40)]
    world.run([(25 * MS, lambda: worker.call(lambda _: worker._effects.sink.extend(much)))], 200 * MS)
    entries = []
    while reader.taken < reader.words[WRITTEN]:
        entries.append(reader.take())
    within = [one.number for one in entries if one.kind == Kind.ADVANCE and one.number]
    assert within[:1] == [TICK_CHECK_EVERY]
    assert all(place % TICK_CHECK_EVERY == 0 for place in within)
    assert len(worker.take_records()[0]) == sum(data == TICK for *_, data in world.sent)


def test_what_a_loopback_brings_back_is_expected(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    expected: list[tuple[str, bytes, int]] = []

    class Loops:
        links = True

        def __init__(self) -> None:
            self.sent: dict[bytes, int] = {}

        def expect(self, wire: Wire, data: bytes, now_ns: int) -> None:
            expected.append((wire.name, data, now_ns))

    loops = Loops()
    world.worker.show.apply(ask(Action.NEXT), 0)
    with world.worker._lock:
        world.worker._flush()
    world.worker._loops = loops  # type: ignore[assignment]
    world.worker._hands_off_ns = 1 << 62
    world.inputs["keys"](b"\x90\x3c\x40", 7)
    assert expected == [("sampler", b"\x90\x3c\x40", 7)]
    assert loops.sent == {b"\x90\x3c\x40": 7}


def test_a_copy_has_nothing_to_do_of_what_its_original_had(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker = world.worker
    ran = []
    worker.begin = lambda: ran.append(True)
    worker._inbox.append((world.book.inputs[0], b"\x90\x3c\x40", 0))
    worker.post_call(lambda: None)
    worker._record(world.book.wires[0], 1)
    worker.recorder.on = True
    worker.keep_journal(Writer(Shared()))
    worker._lock.acquire()
    worker.become_copy()
    assert not worker._lock.locked()
    worker.begin()
    assert ran == []
    assert (len(worker._inbox), len(worker.outbox), len(worker.records)) == (0, 0, 0)
    assert (worker.recorder.on, worker.journal) == (False, None)


def test_who_takes_over_sends_what_was_left_at_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    worker = world.worker
    with worker._lock:
        worker._flush()
    worker.outbox.clear()
    wire = world.book.wires[0]
    worker._ticks.number = 41
    with worker._lock:
        worker.take_over([(wire, b"\x80\x3c\x40")], 3 * MS, from_tick=40)
    assert [(name, data) for _, name, data in world.sent] == [(wire.name, b"\x80\x3c\x40")]
    assert 3 * MS <= world.sent[0][0] < 3 * MS + LATE_NS
    assert world.marks == [41]
    assert len(world.posted(Snapshot)) == 1, "the server learns where it stands"
    taken, lost = worker.take_records()
    assert taken == []
    assert lost is not None
    assert (lost.event.count, lost.event.from_tick, lost.event.to_tick) == (2, 40, 41)
    with worker._lock:
        worker.take_over([], 0, from_tick=42)  # every record is there
    assert worker.take_records() == ([], None)


def test_a_request_is_carried_out_and_told_to_a_spare_that_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    for journal in (None, Writer(Shared())):
        world = World(monkeypatch)
        world.worker.keep_journal(journal)
        world.worker.perform(Apply(ask(Action.NEXT)), 5)
        assert world.worker.show._songs.on.identifier == "closer"
        if journal is not None:
            assert journal.words[WRITTEN] == 1


def test_somebody_who_listens_gets_the_only_message_of_a_route_too(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(monkeypatch)
    world.worker.show.apply(ask(Action.NEXT), 0)
    with world.worker._lock:
        world.worker._flush()
    world.worker.recorder.on = True
    world.worker._hands_off_ns = 1 << 62
    world.inputs["keys"](b"\x90\x3c\x40", 7)
    sampler = next(wire for wire in world.book.wires if wire.name == "sampler")
    (came, went) = (
        tap
        for frame in [pack_taps(world.worker.recorder.take_taps())]
        for batch in Unpacker().feed(frame)
        for tap in batch.messages  # type: ignore[union-attr]
    )
    assert (came.at_ns, came.way, came.data) == (7, INPUT_BIT | 0, b"\x90\x3c\x40")
    assert (went.way, went.data) == (sampler.number, b"\x90\x3c\x40")
    assert 0 < went.at_ns - world.sent[-1][0] < LATE_NS
