"""A small invented rig, and a stage that lets simulated time pass over a show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from fractions import Fraction
from typing import Any, Literal

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import (
    ACTIONS,
    Action,
    Argument,
    At,
    ClockSource,
    FromBar,
    Learn,
    Learns,
    Nudge,
    OnOff,
    Restart,
    StepDone,
    Subject,
    TapRounding,
    ToSection,
    ToTempo,
)
from routerd.core.model.commands import Command, parse_when
from routerd.core.model.controls import Control
from routerd.core.model.events import PortClosed, PortOpened, event_to_json
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Route
from routerd.core.model.set_list import SetList
from routerd.core.model.snapshot import ResumePoint, resume_point_from
from routerd.core.model.song import Patch, Section, Song, StartPolicy
from routerd.core.output.patches import compile_patch
from routerd.core.output.wire import Output, Wire
from routerd.core.routing.input import Input
from routerd.core.show.compiler import EMPTY_RIG, CompiledRig, Compiler
from routerd.core.show.crash_state import Kept
from routerd.core.show.show import Show
from routerd.core.units import parse_bpm

MS = 1_000_000
TICK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"

PLAYED = frozenset({Kind.NOTES, Kind.CC, Kind.PITCH_BEND})

KEYS = Device("keys", input_pattern="keys")
PEDALS = Device("pedals", input_pattern="pedals")
SYNTH = Device("synth", output_pattern="synth", wire=WireKind.DIN, clock=True, transport=True)
SAMPLER = Device("sampler", output_pattern="sampler", wire=WireKind.USB)
MODULAR = Device("modular", output_pattern="modular", wire=WireKind.VIRTUAL, clock=True, transport=True)

CONTROLS = (
    Control("pedals", 0xB0, 80, Command(Action.NEXT)),
    Control("pedals", 0xB0, 81, Command(Action.PREVIOUS), channel=3),
    Control("pedals", 0x90, 36, Command(Action.SECTION, ToSection(2))),
    Control("pedals", 0xC0, 7, Command(Action.PANIC)),
    Control("pedals", 0xB0, 82, Command(Action.START)),
)
RIG = Rig("test rig", (KEYS, PEDALS, SYNTH, SAMPLER, MODULAR), CONTROLS)


def route(target: str, source: str = "keys", kinds: Iterable[Kind] = PLAYED, **options: int) -> Route:
    return Route(f"{source} to {target}", source, target, frozenset(kinds), **options)


OPENER = Song(
    "opener",
    "Opener",
    Fraction(125),
    routes=(route("synth"),),
    patches=(Patch("synth", channel=2, bank=129, program=5, cc=((7, 100),)),),
)
MIDDLE = Song(
    "middle",
    "Middle",
    Fraction(250),
    beats=3,
    routes=(route("sampler"),),
    patches=(Patch("sampler", program=9),),
    sections=(
        Section("verse", (route("sampler"),)),
        Section("chorus", (route("synth", transpose=12), route("modular")), (Patch("synth", program=6),)),
        Section("bridge", (route("modular"),), (), Fraction(100)),
    ),
)
CLOSER = Song("closer", "Closer", Fraction(100), start=StartPolicy.ENTRY, routes=(route("modular"),))
SONGS = (OPENER, MIDDLE, CLOSER)
ORDER = ("opener", "middle", "closer")


def compiled(
    rig: Rig = RIG,
    songs: Iterable[Song] = SONGS,
    order: Iterable[str] = ORDER,
    before: CompiledRig = EMPTY_RIG,
) -> CompiledRig:
    compiler = Compiler(rig, before)
    for song in songs:
        compiler.add(song)
    return compiler.finish(SetList("tonight", tuple(order), "2031-05-06"))


def patch_messages(patch: Patch) -> tuple[bytes, ...]:
    """Return everything that a patch sends to a device that is not on it."""
    return compile_patch(patch, Wire((SYNTH,), 0).outputs[0]).steps


Short = int | str | Fraction | bool | Argument | None
"""An argument, or its only field: "device pad" is a subject, "bar pad" a restart, tempos are text."""


NEEDS_NOTHING = [
    action
    for action, row in ACTIONS.items()
    if row.argument in (None, FromBar, TapRounding, OnOff, StepDone, Learn)
]
"""Actions that can be asked for without saying anything more."""


def ask(action: Action, short: Short = None, when: str = "now") -> Command:
    """Return a command, its argument written in short."""
    kind = ACTIONS[action].argument
    made: Any = short
    if kind is None or isinstance(short, Argument):
        pass
    elif kind is Subject:
        key, _, name = str(short).partition(" ")
        made = Subject(**{key: name})
    elif kind is Restart:
        at, _, name = str(short).partition(" ")
        made = Restart(name, At(at))
    elif kind is OnOff:
        made = OnOff({"on": True, "off": False}.get(str(short)))
    elif kind is ClockSource:
        made = ClockSource(str(short) if short else None)
    elif kind is Learn:
        made = Learn(Learns(str(short or "nothing")))
    elif kind is StepDone:
        made = StepDone(None if short is None else int(str(short)))
    elif kind is ToTempo:
        made = ToTempo(parse_bpm(str(short)))
    elif kind is Nudge or (kind is TapRounding and short is not None):
        made = kind(Fraction(str(short)))  # type: ignore[arg-type]
    else:
        made = kind(short)  # type: ignore[arg-type]
    return Command(action, made, parse_when(when))


def port_closed(
    at_ns: int, output: int | None, device: str = "synth", since_ns: int | None = None
) -> PortClosed:
    """Return the event of a port that is closed; without `output` it is an input's."""
    direction: Literal["input", "output"] = "input" if output is None else "output"
    return PortClosed(at_ns, device, direction, output, "", at_ns if since_ns is None else since_ns)


def port_opened(at_ns: int, output: int | None, device: str = "synth") -> PortOpened:
    """Return the event of a port that is open again."""
    return PortOpened(at_ns, device, "input" if output is None else "output", output)


Begin = dict[str, object] | ResumePoint | None
"""Where a show begins: a resume point, or JSON of one, which may make no sense."""


class Stage:
    """A show, its time, and everything that has gone out: (time, name of the device, bytes)."""

    def __init__(
        self,
        book: CompiledRig | None = None,
        begin: Begin = None,
        at_ns: int = 0,
        kept: Kept | None = None,
    ) -> None:
        """Begin at `at_ns`; `kept`: where an engine had died."""
        self.now_ns = at_ns
        self.show = Show(at_ns)
        self.log: list[tuple[int, str, bytes]] = []
        self.events: list[dict[str, object]] = []
        self.generation = 0
        self.gap_ns = 0
        self.load(compiled() if book is None else book, begin)
        if kept is not None:
            self.gap_ns = self.show.go_on(kept, at_ns)
        for wire in self.show.compiled.wires:
            self.open(wire.name)
        self.run(at_ns)

    def output(self, name: str) -> Output:
        return next(output for output in self.show.compiled.outputs if output.name == name)

    def input(self, name: str) -> Input:
        return next(input for input in self.show.compiled.inputs if input.name == name)

    def collect(self) -> None:
        for wire, data in self.show.effects.sink:
            self.log.append((self.now_ns, wire.name, data))
            if data != TICK:
                self.show.routes.loops.went(wire, data, self.now_ns)
        self.show.effects.sink.clear()
        self.events += [event_to_json(event) for event in self.show.effects.events]
        self.show.effects.events.clear()

    def load(self, book: CompiledRig, begin: Begin = None) -> None:
        self.generation += 1
        self.show.load(
            book, self.generation, self.now_ns, resume_point_from(begin) if isinstance(begin, dict) else begin
        )
        self.collect()

    def open(self, name: str, *, takes_pieces: bool = True) -> None:
        self.show.output_opened(self.output(name).wire, takes_pieces, self.now_ns)
        self.collect()

    def lose(self, name: str) -> None:
        self.show.output_lost(self.output(name).wire, self.now_ns)
        self.collect()

    def run(self, until_ns: int) -> None:
        """Let time pass to `until_ns`, doing what is due exactly when it is due."""
        while (deadline_ns := self.show.next_deadline_ns()) <= until_ns:
            self.now_ns = max(self.now_ns, deadline_ns)
            self.show.advance(self.now_ns)
            self.collect()
        self.now_ns = max(self.now_ns, until_ns)

    def play(self, device: str, *hexes: str) -> None:
        for text in hexes:
            self.show.receive(self.input(device), bytes.fromhex(text), self.now_ns)
            self.collect()

    def do(self, action: Action, argument: Short = None, when: str = "now", *, at_bar: bool = False) -> None:
        self.show.apply(ask(action, argument, "bar" if at_bar else when), self.now_ns)
        self.collect()

    def sent(self, name: str | None = None, *, ticks: bool = False) -> list[str]:
        """Return what went to a device as hex, without ticks unless asked for; forgets nothing."""
        return [
            data.hex(" ")
            for _, device, data in self.log
            if name in (None, device) and (ticks or data != TICK)
        ]

    def events_of(self, kind: str) -> list[dict[str, object]]:
        return [event for event in self.events if event["kind"] == kind]

    def times_ms(self, name: str, data: bytes) -> list[float]:
        return [at_ns / MS for at_ns, device, sent in self.log if (device, sent) == (name, data)]

    def sounding(self) -> Counter[tuple[str, int, int]]:
        return sounding(self.log)


def struck_while_sounding(log: Iterable[tuple[int, str, bytes]]) -> list[tuple[int, str, bytes]]:
    """Return the presses of notes that sounded already, with no release between: a device may stack them."""
    on: set[tuple[str, int, int]] = set()
    found = []
    for at_ns, device, data in log:
        kind = data[0] & 0xF0
        if kind in (0x80, 0x90):
            key = (device, data[0] & 0x0F, data[1])
            if kind == 0x80 or not data[2]:
                on.discard(key)
            elif key in on:
                found.append((at_ns, device, data))
            else:
                on.add(key)
    return found


REST: dict[object, int] = {"bend": 8192, "pressure": 0, 1: 0, 11: 127, 65: 0, 67: 0}
"""RP-015 (MIDI Manufacturers Association), from memory; hold pedals are counted by `sounding`."""


def not_at_rest(log: Iterable[tuple[int, str, bytes]]) -> dict[tuple[str, int, object], int]:
    """Return what is bent, pressed or turned by (device, channel, what)."""
    stands: dict[tuple[str, int, object], int] = {}
    for _, device, data in log:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0xE0:
            stands[device, channel, "bend"] = data[2] << 7 | data[1]
        elif kind == 0xD0:
            stands[device, channel, "pressure"] = data[1]
        elif kind == 0xB0 and data[1] in REST:
            stands[device, channel, data[1]] = data[2]
        elif kind == 0xB0 and data[1] == 121:
            stands.update({key: REST[key[2]] for key in stands if key[:2] == (device, channel)})
    return {key: value for key, value in stands.items() if value != REST[key[2]]}


def sounding(log: Iterable[tuple[int, str, bytes]]) -> Counter[tuple[str, int, int]]:
    """Return what still sounds by (device, channel, note), one for each press; pedals as note 1000 + number.

    Note On with velocity 0 is a Note Off (M1 p. 10); hold pedals are down from 64 (M1 Table III).
    """
    on: Counter[tuple[str, int, int]] = Counter()
    for _, device, data in log:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90 and data[2]:
            on[device, channel, data[1]] += 1
        elif kind in (0x80, 0x90):
            on[device, channel, data[1]] = max(0, on[device, channel, data[1]] - 1)
        elif kind == 0xB0 and data[1] in (64, 66):
            on[device, channel, 1000 + data[1]] = int(data[2] >= 64)
    return +on
