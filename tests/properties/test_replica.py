"""A show that is given what another was given is in the same state, whatever an evening brings.

Evenings of chance are those of `tests/recorded.py`. What is compared is everything that can be reached from a
show, but for the songs as they were compiled, which do not change.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from enum import Enum
from fractions import Fraction
from functools import partial
from typing import Any

import pytest

from routerd.core.clock.tempo_map import TempoMap
from routerd.core.model.actions import Action
from routerd.core.model.commands import Apply, Sound, TakeOrder
from routerd.core.model.rig import Device, Rig
from routerd.core.output.wire import Wire
from routerd.core.routing.input import Input
from routerd.core.show import replica
from routerd.core.show.compiler import CompiledRig, CompiledSection, CompiledSong
from routerd.core.show.replica import Replica, Step, digest
from routerd.core.show.show import Show
from tests.recorded import Evening
from tests.stage import MS, Stage, ask

UNCHANGING = (CompiledRig, CompiledSong, CompiledSection, TempoMap, Device, Rig)
COUNTED = ("messages_sent", "bytes_sent")
"""By whoever sends, which a stage does not."""

PLAIN = (int, str, bytes, float, Fraction, type(None), Enum)


def is_frozen(value: object) -> bool:
    """Return whether it is a value, so that only what is in it matters, and not which one it is."""
    parameters = getattr(type(value), "__dataclass_params__", None)
    return parameters is not None and parameters.frozen


def state_of(root: object) -> list[tuple[str, object]]:
    """Return what can be reached from an object, as a list of (where, value)."""
    known: dict[int, int] = {}
    keep: list[object] = []
    found: list[tuple[str, object]] = []

    def walk(value: object, where: str) -> None:
        if isinstance(value, PLAIN):
            found.append((where, value))
        elif callable(value) or isinstance(value, UNCHANGING):
            found.append((where, type(value).__name__))
        elif isinstance(value, tuple) or is_frozen(value):
            inside(value, where)
        elif id(value) in known:
            found.append((where, ("seen", known[id(value)])))
        else:
            known[id(value)] = len(known)
            keep.append(value)
            inside(value, where)

    def inside(value: Any, where: str) -> None:
        if isinstance(value, Mapping):
            for number, (key, one) in enumerate(value.items()):
                walk(key, f"{where}[key {number}]")
                walk(one, f"{where}[{number}]")
        elif isinstance(value, list | tuple | deque):
            for number, one in enumerate(value):
                walk(one, f"{where}[{number}]")
        elif isinstance(value, set | frozenset):
            found.append((where, sorted(str(getattr(one, "name", one)) for one in value)))
        else:
            names = [name for cls in type(value).__mro__ for name in getattr(cls, "__slots__", ())]
            for name in names or list(vars(value)):
                if hasattr(value, name) and name not in COUNTED:
                    walk(getattr(value, name), f"{where}.{name}")

    walk(root, type(root).__name__)
    return found


class Twin:
    """Stands before a show: hands everything on, and to a replica as values."""

    def __init__(self, show: Show, rigs: dict[int, CompiledRig]) -> None:
        self._show = show
        self._rigs = rigs
        self._ports: set[Wire] = set()
        self.replica = Replica(Show(show.effects.now_ns), self._ports)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._show, name)

    def _wire(self, wire: Wire) -> int:
        return self._show.compiled.wires.index(wire)

    def _ask(self, request: replica.Request, now_ns: int) -> None:
        packed = replica.pack(request, self._show.compiled)
        assert packed is not None
        try:
            replica.perform(self._show, request, now_ns)
        finally:
            self.replica.perform(packed, now_ns)
            self._settle()

    def _settle(self) -> None:
        ours, its = self._show.effects.sink, self.replica.show.effects.sink
        added = ours[len(ours) - len(its) :]
        assert [(wire.name, data) for wire, data in added] == [(wire.name, data) for wire, data in its]
        self.replica.settle()

    def load(self, book: CompiledRig, generation: int, now_ns: int, begin: Any = None) -> None:
        self._show.load(book, generation, now_ns, begin)
        self.replica.show.load(self._rigs[id(book)], generation, now_ns, begin)
        self._settle()

    def receive(self, input: Input, data: bytes, at_ns: int) -> None:
        self._show.receive(input, data, at_ns)
        self.replica.receive(input.number, data, at_ns)
        self._settle()

    def advance(self, now_ns: int) -> None:
        self._show.advance(now_ns)
        self.replica.advance(now_ns)
        self._settle()

    def apply(self, command: Any, now_ns: int) -> None:
        self._ask(Apply(command), now_ns)

    def sound(
        self, device: str, channel: int, note: int, velocity: int, now_ns: int, for_s: int = 60
    ) -> None:
        self._ask(Sound(device, channel, note, velocity, for_s), now_ns)

    def set_order(self, set_list: Any, now_ns: int) -> None:
        self._ask(TakeOrder(set_list), now_ns)

    def output_opened(self, wire: Wire, takes_pieces: bool, now_ns: int) -> None:
        self._ports.add(self.replica.show.compiled.wires[self._wire(wire)])
        self._ask(replica.OpenOutput(wire, takes_pieces), now_ns)

    def output_lost(self, wire: Wire, now_ns: int, unsent: Any = (), **more: Any) -> None:
        self._ports.discard(self.replica.show.compiled.wires[self._wire(wire)])
        self._ask(replica.LoseOutput(wire, tuple(unsent), **more), now_ns)

    def input_opened(self, input: Input, now_ns: int) -> None:
        self._ask(replica.OpenInput(input), now_ns)

    def input_lost(self, input: Input, now_ns: int, why: str = "") -> None:
        self._ask(replica.LoseInput(input, why), now_ns)


def twin_evening(number: int) -> tuple[Evening, Twin]:
    """Return an evening whose show has had a replica from its start."""
    evening, other = Evening(number), Evening(number)
    rigs = {id(ours): its for ours, its in zip(evening.rig_folders, other.rig_folders, strict=True)}
    show = evening.stage.show
    twin = Twin(show, rigs)
    twin.replica.show = other.stage.show  # the same start
    twin._ports.update(other.stage.show.compiled.wires)
    other.stage.show.effects.events.clear()
    evening.stage.show = twin  # type: ignore[assignment]
    return evening, twin


@pytest.mark.parametrize("number", range(2))
def test_a_replica_is_in_the_state_of_its_show_after_any_stretch_of_an_evening(number: int) -> None:
    evening, twin = twin_evening(number)
    for stretch, _ in enumerate(evening.stretches()):
        assert digest(twin._show) == digest(twin.replica.show)
        if stretch % 20 != 19:
            continue
        ours, its = state_of(twin._show), state_of(twin.replica.show)
        assert ours == its, next(pair for pair in zip(ours, its, strict=False) if pair[0] != pair[1])


def test_the_digest_notices_one_message_less() -> None:
    evening, twin = twin_evening(1)
    evening.stage.run(evening.stage.now_ns + 1_000_000_000)
    evening.stage.play("keys", "90 3c 40")
    assert digest(twin._show) == digest(twin.replica.show)
    twin._show.receive(evening.stage.input("keys"), bytes.fromhex("90 40 40"), evening.stage.now_ns)
    assert digest(twin._show) != digest(twin.replica.show)


def test_what_may_have_gone_out_is_not_sent_again_unless_it_is_a_release() -> None:
    evening, twin = twin_evening(2)
    show = twin.replica.show
    wire = show.compiled.wires[0]
    press, release, other = b"\x90\x3c\x40", b"\x80\x3c\x40", b"\x90\x40\x40"
    rest = partial(list, ((wire, press), (wire, release), (wire, other)))
    for step, expected in (
        (Step(), [press, release, other]),
        (Step(0, sending=True), [release, other]),
        (Step(1), [release, other]),
        (Step(1, sending=True), [release, other]),
        (Step(2, sending=True), []),
        (Step(3), []),
    ):
        show.effects.sink += rest()
        assert [data for _, data in twin.replica.unsent(step)] == expected, step
    assert not show.effects.sink
    del evening


def test_a_sysex_of_which_a_piece_may_be_missing_is_ended_and_begun_again() -> None:
    evening, twin = twin_evening(3)
    show = twin.replica.show
    wire = next(wire for wire in show.compiled.wires if wire.connected)
    dump = b"\xf0\x7d" + bytes(600) + b"\xf7"
    show.effects.sink.clear()
    wire.clear(show.effects.now_ns, [])
    wire.offer(dump, show.effects.now_ns, show.effects.sink)
    assert show.effects.sink[0][1][0] == 0xF0
    assert twin.replica.unsent(Step(0, sending=True))[0] == (wire, b"\xf7")
    heard = b""
    for _ in range(2000):
        show.advance(max(show.effects.now_ns, show.next_deadline_ns()))
        heard += b"".join(data for to, data in show.effects.sink if to is wire and data[0] < 0xF8)
        show.effects.sink.clear()
        if dump in heard:
            break
    assert heard.startswith(dump)
    del evening


Asked = Callable[[Stage], replica.Request]


@pytest.mark.parametrize(
    ("request_of", "directly"),
    [
        (lambda _: replica.Apply(ask(Action.START)), lambda s: s.do(Action.START)),
        (
            lambda s: replica.TakeOrder(replace(s.show.compiled.set_list, order=("closer", "opener"))),
            lambda s: s.show.set_order(
                replace(s.show.compiled.set_list, order=("closer", "opener")), s.now_ns
            ),
        ),
        (
            lambda _: replica.Sound("synth", 2, 69, 90, 3),
            lambda s: s.show.sound("synth", 2, 69, 90, s.now_ns, for_s=3),
        ),
        (
            lambda _: replica.SendPast("sampler", (b"\xc0\x05", b"\xb0\x07\x64")),
            lambda s: [
                s.output("sampler").offer(data, s.now_ns, s.show.effects.sink)
                for data in (b"\xc0\x05", b"\xb0\x07\x64")
            ],
        ),
        (
            lambda s: replica.OpenOutput(s.output("synth").wire, False),
            lambda s: s.show.output_opened(s.output("synth").wire, False, s.now_ns),
        ),
        (
            lambda s: replica.LoseOutput(s.output("synth").wire, (b"\x80\x3c\x40",), "gone", 7),
            lambda s: s.show.output_lost(
                s.output("synth").wire, s.now_ns, (b"\x80\x3c\x40",), why="gone", since_ns=7
            ),
        ),
        (
            lambda s: replica.OpenInput(s.input("keys")),
            lambda s: s.show.input_opened(s.input("keys"), s.now_ns),
        ),
        (
            lambda s: replica.LoseInput(s.input("keys"), "gone"),
            lambda s: s.show.input_lost(s.input("keys"), s.now_ns, why="gone"),
        ),
        (lambda _: replica.ShutDown(), lambda s: s.show.shut_down(s.now_ns)),
    ],
)
def test_a_request_is_what_the_show_is_asked_directly(
    request_of: Asked, directly: Callable[[Stage], object]
) -> None:
    ours, its = Stage(), Stage()
    for stage in (ours, its):
        stage.run(500 * MS)
        stage.do(Action.START)
        stage.play("keys", "90 3c 40", "b0 40 7f")
        stage.run(700 * MS)
        stage.log.clear()
        stage.events.clear()
    before = state_of(ours.show)
    replica.perform(ours.show, request_of(ours), ours.now_ns)
    directly(its)
    for stage in (ours, its):
        stage.collect()
        stage.run(4_500 * MS)
    assert ours.log == its.log
    assert ours.events == its.events
    assert state_of(ours.show) == state_of(its.show) != before
