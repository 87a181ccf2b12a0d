"""Every press that was let in is released, whatever happens between the two.

A player presses and releases keys and pedals while songs, sections, routes, rigs, orders and ports
change, the set is reloaded and panic is pressed. At the end all keys and pedals are up and all
devices are there: then nothing may sound anywhere, counted press by press. The ticks of a device
that is always there stay on their grid all along. Presses and releases of a note take turns, and none is
withheld, as no echo is heard. Without a route every device is at rest.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from routerd.core.errors import CommandError
from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.commands import Command
from routerd.core.model.controls import Control
from routerd.core.model.rig import WireKind
from routerd.core.model.route import Quantity, QuantityKind, Remap, Route
from routerd.core.model.set_list import SetList
from routerd.core.model.song import Hold, Patch
from tests.stage import (
    CLOSER,
    CONTROLS,
    MIDDLE,
    MODULAR,
    MS,
    NEEDS_NOTHING,
    OPENER,
    RIG,
    SAMPLER,
    SYNTH,
    TICK,
    Stage,
    ask,
    compiled,
    not_at_rest,
    route,
    struck_while_sounding,
)

DUMP = b"\xf0\x7d" + bytes(299) + b"\xf7"
PLAIN = compiled().rig
KEY_CONTROL = replace(RIG, controls=(*CONTROLS, Control("keys", 0x90, 61, Command(Action.NEXT))))
PEDAL_CONTROL = replace(RIG, controls=(*CONTROLS, Control("keys", 0xB0, 64, Command(Action.PANIC))))
SLOW_SAMPLER = replace(
    RIG, devices=tuple(replace(d, wire=WireKind.DIN) if d is SAMPLER else d for d in RIG.devices)
)
OTHER_SYNTH = replace(
    RIG, devices=tuple(replace(d, output_pattern="other") if d is SYNTH else d for d in RIG.devices)
)
OTHER_KEYS = replace(RIG, devices=(replace(RIG.devices[0], input_pattern="other"), *RIG.devices[1:]))
RIGS = (PLAIN, KEY_CONTROL, PEDAL_CONTROL, SLOW_SAMPLER, OTHER_SYNTH, OTHER_KEYS)

LAYERED = replace(
    CLOSER,
    identifier="layered",
    bpm=Fraction(300),
    routes=(
        replace(route("synth", to_channel=0), chase=True),
        route("synth", transpose=12),
        route("sampler", to_channel=3),
    ),
    patches=(Patch("synth", sysex=(DUMP,), program=1), Patch("sampler", sysex=(DUMP,))),
)
SWITCH = Quantity(QuantityKind.CC, 80)
SUSTAIN = Quantity(QuantityKind.CC, 64)
FULL_RANGE = (0, 127)
OPTIONS = Route(
    "options",
    "keys",
    "sampler",
    frozenset(Kind) - {Kind.CLOCK, Kind.TRANSPORT},
    chord=(0, 4, 7),
    velocity_low=40,
    maps=(
        Remap(Quantity(QuantityKind.NOTE, 61), SWITCH, FULL_RANGE, FULL_RANGE),
        Remap(Quantity(QuantityKind.CC, 4), SUSTAIN, FULL_RANGE, FULL_RANGE),
    ),
)
ZONES = replace(
    LAYERED,
    identifier="zones",
    routes=(
        OPTIONS,
        replace(OPTIONS, name="soft", target="synth", velocity_low=1, velocity_high=39, maps=()),
        replace(OPTIONS, name="drone", target="modular", chord=(), drone=(40, 47), note_low=62, maps=()),
    ),
    holds=(Hold("sampler", 0, 60, 90), Hold("modular", 0, 47, 90)),
)
SONGS = (OPENER, MIDDLE, CLOSER, LAYERED, ZONES)
REROUTED = tuple(replace(song, routes=(route("sampler", transpose=-5),), sections=()) for song in SONGS)
SILENT = replace(OPENER, identifier="silent", routes=(), patches=())
NAMES = tuple(song.identifier for song in SONGS)

keys = st.sampled_from((60, 61, 62, 72))
channels = st.sampled_from((0, 1))
names = st.sampled_from(("synth", "sampler"))


class Player(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.stage = Stage(compiled(songs=SONGS, order=NAMES))
        self.down: set[tuple[int, int]] = set()
        self.away: set[str] = set()

    # What a player does

    @rule(channel=channels, key=keys, velocity=st.integers(1, 127))
    def press(self, channel: int, key: int, velocity: int) -> None:
        self.down.add((channel, key))
        self.stage.play("keys", bytes((0x90 | channel, key, velocity)).hex())

    @rule(channel=channels, key=keys, as_note_on=st.booleans())
    def release(self, channel: int, key: int, as_note_on: bool) -> None:
        if (channel, key) in self.down:
            self.down.discard((channel, key))
            data = (0x90 | channel, key, 0) if as_note_on else (0x80 | channel, key, 33)
            self.stage.play("keys", bytes(data).hex())

    @rule(channel=channels, number=st.sampled_from((64, 66, 4)), value=st.sampled_from((0, 20, 63, 64, 127)))
    def pedal(self, channel: int, number: int, value: int) -> None:
        self.stage.play("keys", bytes((0xB0 | channel, number, value)).hex())

    @rule(
        channel=channels,
        moved=st.sampled_from(
            ("e0 00 50", "e0 00 40", "d0 45", "b0 01 33", "b0 0b 20", "b0 43 7f", "b0 02 11")
        ),
    )
    def move(self, channel: int, moved: str) -> None:
        self.stage.play("keys", f"{moved[0]}{channel}{moved[2:]}")

    @rule(data=st.binary(max_size=4))
    def noise(self, data: bytes) -> None:
        if data[:1] and (0x80 <= data[0] < 0xC0 or 0xD0 <= data[0] < 0xF0):
            data = data[1:2]  # keys and pedals are counted and wheels looked at: noise may be none of them
        self.stage.play("keys", data.hex())

    # What changes between press and release

    @rule(ms=st.integers(0, 400))
    def wait(self, ms: int) -> None:
        self.stage.run(self.stage.now_ns + ms * MS)

    @rule(
        command=st.sampled_from(
            [
                *(ask(action) for action in NEEDS_NOTHING),
                *(ask(Action.SONG, name) for name in NAMES),
                *(ask(Action.SECTION, number) for number in (1, 2, 3)),
                ask(Action.TEMPO, "243/2"),
                ask(Action.CONTINUE, 3),
                *(
                    ask(action, subject)
                    for action in (Action.MUTE, Action.UNMUTE, Action.SOLO, Action.UNSOLO)
                    for subject in ("device sampler", "device synth", "route options", "route keys to synth")
                ),
            ]
        ),
        at_bar=st.booleans(),
    )
    def command(self, command: Command, at_bar: bool) -> None:
        try:
            self.stage.do(command.action, command.argument, at_bar=at_bar)
        except CommandError:
            self.stage.collect()

    @rule(rig=st.sampled_from(RIGS), songs=st.sampled_from((SONGS, REROUTED, SONGS[1:], SONGS[:1])))
    def reload(self, rig: object, songs: tuple[object, ...]) -> None:
        before = self.stage.show.compiled.outputs
        order = tuple(song.identifier for song in songs)
        self.stage.load(compiled(rig, songs, order, self.stage.show.compiled))
        for output in self.stage.show.compiled.outputs:  # what the port thread does with outputs that are new
            if output not in before and output.name not in self.away:
                self.stage.open(output.name)

    @rule(order=st.permutations(NAMES))
    def reorder(self, order: list[str]) -> None:
        known = tuple(name for name in order if name in self.stage.show.compiled.songs)
        self.stage.show.set_order(SetList("changed", known), self.stage.now_ns)
        self.stage.collect()

    @rule(name=names)
    def lose(self, name: str) -> None:
        if name not in self.away:
            self.away.add(name)
            self.stage.lose(name)

    @rule(name=names, takes_pieces=st.booleans())
    def come_back(self, name: str, takes_pieces: bool) -> None:
        if name in self.away:
            self.away.discard(name)
            self.stage.open(name, takes_pieces=takes_pieces)

    @rule(name=names, note=st.integers(60, 62), velocity=st.sampled_from((0, 64)))
    def tune(self, name: str, note: int, velocity: int) -> None:
        """Somebody tunes by ear, and forgets about it."""
        self.stage.show.sound(name, 3, note, velocity, self.stage.now_ns)
        self.stage.collect()

    @rule()
    def unplug_keys(self) -> None:
        self.stage.show.input_lost(self.stage.input("keys"), self.stage.now_ns)
        self.stage.collect()

    # What must hold

    @invariant()
    def ticks_keep_their_grid(self) -> None:
        """Of "modular", which is never away; and no Start or Continue beside a tick (M1 p. 30)."""
        mine = [(at_ns, data) for at_ns, name, data in self.stage.log[-400:] if name == MODULAR.name]
        ticks = [at_ns for at_ns, data in mine if data == TICK]
        shortest_ns = 60_000_000_000 // (24 * 480)  # at the fastest tempo that there is
        assert all(after - before >= shortest_ns for before, after in pairwise(ticks))
        for at_ns, data in mine:
            if data in (b"\xfa", b"\xfb"):
                assert all(abs(at_ns - tick_ns) >= MS for tick_ns in ticks)

    def teardown(self) -> None:
        if not hasattr(self, "stage"):
            return
        stage = self.stage
        for name in sorted(self.away):
            stage.open(name)
        stage.show.sound("synth", 0, 0, 0, stage.now_ns)
        stage.collect()
        for channel, key in sorted(self.down):
            stage.play("keys", bytes((0x80 | channel, key, 64)).hex())
        for channel in (0, 1):
            for number in (64, 66, 4):
                stage.play("keys", bytes((0xB0 | channel, number, 0)).hex())
        stage.load(compiled(PLAIN, (SILENT,), ("silent",), stage.show.compiled))  # every song has been left
        for output in stage.show.compiled.outputs:
            stage.open(output.name)
        stage.run(stage.now_ns + 5_000 * MS)
        left = {
            "waiting": [wire.name for wire in stage.show.compiled.wires if wire.queued],
            "sounding": stage.sounding(),
            "struck while sounding": struck_while_sounding(stage.log),
            "not at rest": not_at_rest(stage.log),
            "withheld": sum(input.withheld for input in stage.show.compiled.inputs),  # nothing echoes here
            "loops": stage.events_of("loop"),
        }
        assert not any(left.values()), left


TestNoNoteHangs = Player.TestCase
