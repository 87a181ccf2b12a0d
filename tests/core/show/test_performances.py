"""Real performances through a demanding route, note for note against an independent computation with mido.

The files are music21's own test files, read where that package lies: split and transposed notes with capped
velocities, controller 7 turned round on 11, bends scaled, programs, bank select, NRPN and SysEx passed on.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from fractions import Fraction
from importlib.util import find_spec
from math import floor
from pathlib import Path

import mido
import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.rig import Device, WireKind
from routerd.core.model.route import Quantity, QuantityKind, Remap, Route
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.input import Input
from routerd.core.routing.tables import compile_tables
from routerd.core.units import NEVER_NS

EVERYTHING = frozenset(Kind) - {Kind.CLOCK, Kind.TRANSPORT}
LOW = Route(
    "low", "keys", "synth", EVERYTHING - {Kind.PITCH_BEND}, note_high=59, transpose=-12, velocity_max=90
)
REVERSED = Remap(Quantity(QuantityKind.CC, 7), Quantity(QuantityKind.CC, 11), (0, 127), (127, 0))
HIGH = Route(
    "high",
    "keys",
    "synth",
    frozenset({Kind.NOTES, Kind.PITCH_BEND}),
    note_low=60,
    transpose=5,
    bend_from=2,
    bend_to=12,
)


def performance(name: str) -> list[mido.Message]:
    spec = find_spec("music21")
    assert spec is not None
    assert spec.origin is not None
    found = list(Path(spec.origin).parent.glob(f"midi/testPrimitive/{name}"))
    assert len(found) == 1
    return [message for message in mido.merge_tracks(mido.MidiFile(found[0]).tracks) if not message.is_meta]


def expected(played: list[mido.Message]) -> dict[int, list[mido.Message]]:
    """Return what each channel gets, worked out on mido's attributes; SysEx under -1."""
    out: dict[int, list[mido.Message]] = defaultdict(list)
    held: dict[tuple[int, int], int | None] = {}
    for message in played:
        if message.type == "sysex":
            out[-1].append(message)
            continue
        here = out[message.channel]
        if message.type in ("note_on", "note_off"):
            key = (message.channel, message.note)
            tone: int | None = message.note + (-12 if message.note < 60 else 5)
            tone = tone if tone is not None and 0 <= tone <= 127 else None
            is_press = message.type == "note_on" and message.velocity > 0
            velocity = message.velocity if message.type == "note_off" else 64
            if is_press:
                if held.get(key) is not None:  # pressed again: the first press ends
                    here.append(
                        mido.Message("note_off", channel=message.channel, note=held[key], velocity=64)
                    )
                held[key] = tone
                if tone is not None:
                    loud = min(message.velocity, 90) if message.note < 60 else message.velocity
                    here.append(message.copy(note=tone, velocity=loud))
            else:
                tone = held.pop(key, tone)
                if tone is not None:
                    here.append(
                        mido.Message("note_off", channel=message.channel, note=tone, velocity=velocity)
                    )
        elif message.type == "pitchwheel":
            here.append(message.copy(pitch=floor(Fraction(message.pitch * 2, 12) + Fraction(1, 2))))
        elif message.type == "control_change" and message.control == 7:
            here.append(message.copy(control=11, value=127 - message.value))
        else:
            here.append(message)
    return out


@pytest.mark.parametrize(
    ("name", "notes"), [("test03.mid", 1391), ("test04.mid", 6059), ("test19.mid", 0), ("test21.mid", 0)]
)
@pytest.mark.parametrize("wire", [WireKind.VIRTUAL, WireKind.USB])
def test_a_performance_comes_out_note_for_note(name: str, notes: int, wire: WireKind) -> None:
    played = performance(name)
    pressed = sum(message.type == "note_on" and message.velocity > 0 for message in played)
    assert pressed == notes or not notes
    low = replace(LOW, maps=(REVERSED,))
    input = Input(Device("keys", input_pattern="keys"))
    output = Wire((Device("synth", output_pattern="synth", wire=wire),), 0).outputs[0]
    output.wire.connected = True
    (input.table,) = compile_tables((low, HIGH), {"keys": 0}, {"synth": output}).tables
    sink: Sink = []
    now_ns = 0
    for message in played:
        now_ns += 100_000_000
        while output.wire.deadline_ns != NEVER_NS:
            output.wire.pump(output.wire.deadline_ns, sink)
        input.receive(bytes(message.bytes()), now_ns, sink)
    while output.wire.deadline_ns != NEVER_NS:
        output.wire.pump(output.wire.deadline_ns, sink)
    input.send_banks(now_ns + 10**9, sink)
    got: dict[int, list[mido.Message]] = defaultdict(list)
    dump = b""
    for _, data in sink:
        if dump or data[0] == 0xF0:
            dump += data
            if dump[-1] == 0xF7:
                got[-1].append(mido.Message.from_bytes(dump))
                dump = b""
        else:
            got[data[0] & 15].append(mido.Message.from_bytes(data))
    wanted = expected(played)
    assert set(got) == set(wanted)
    for channel, messages in wanted.items():
        assert [m.bytes() for m in got[channel]] == [m.bytes() for m in messages], channel


FOLDED = Route("folded", "keys", "synth", frozenset({Kind.NOTES}), to_channel=0, chord=(-12, 0, 12))


def expected_folded(played: list[mido.Message]) -> list[tuple[int, ...]]:
    """Return the notes of one channel, each as (1 for a press, tone, velocity): a tone ends with the last key
    that leads to it."""
    out: list[tuple[int, ...]] = []
    keys: set[tuple[int, int]] = set()  # channel and note of what is down
    tones: dict[int, set[tuple[int, int]]] = defaultdict(set)  # by tone: the keys that lead to it

    def let_up(key: tuple[int, int], velocity: int) -> None:
        keys.discard(key)
        for tone in (key[1] - 12, key[1], key[1] + 12):
            if 0 <= tone <= 127:
                tones[tone].discard(key)
                if not tones[tone]:
                    out.append((0, tone, velocity))

    for message in played:
        key = (message.channel, message.note)
        if message.type == "note_off" or not message.velocity:
            if key in keys:
                let_up(key, message.velocity if message.type == "note_off" else 64)
            else:
                out += [(0, t, 64 if message.type == "note_on" else message.velocity) for t in
                        (key[1] - 12, key[1], key[1] + 12) if 0 <= t <= 127 and not tones[t]]  # fmt: skip
            continue
        if key in keys:
            let_up(key, 64)
        for tone in (key[1] - 12, key[1], key[1] + 12):
            if 0 <= tone <= 127:
                if tones[tone]:
                    out.append((0, tone, 64))
                tones[tone].add(key)
                out.append((1, tone, message.velocity))
        keys.add(key)
    return out


@pytest.mark.parametrize("name", ["test02.mid", "test03.mid", "test04.mid", "test09.mid"])
@pytest.mark.parametrize("wire", [WireKind.VIRTUAL, WireKind.DIN])
def test_channels_folded_and_octaves_doubled_note_for_note(name: str, wire: WireKind) -> None:
    """Presses and releases of every tone take turns, and a tone ends with the last key that leads to it."""
    played = [message for message in performance(name) if message.type in ("note_on", "note_off")]
    assert len({message.channel for message in played}) > 1
    input = Input(Device("keys", input_pattern="keys"))
    output = Wire((Device("synth", output_pattern="synth", wire=wire),), 0).outputs[0]
    output.wire.connected = True
    (input.table,) = compile_tables((FOLDED,), {"keys": 0}, {"synth": output}).tables
    sink: Sink = []
    now_ns = 0
    for message in played:
        now_ns += 50_000_000
        input.receive(bytes(message.bytes()), now_ns, sink)
        while output.wire.deadline_ns != NEVER_NS:
            output.wire.pump(output.wire.deadline_ns, sink)
    got = [(int(data[0] >= 0x90 and data[2] > 0), data[1], data[2]) for _, data in sink]
    assert {data[0] & 0x0F for _, data in sink} <= {0}
    assert got == expected_folded(played)
    sounding: set[int] = set()
    for pressed, tone, _ in got:
        assert not (pressed and tone in sounding)
        (sounding.add if pressed else sounding.discard)(tone)
    assert not sounding
