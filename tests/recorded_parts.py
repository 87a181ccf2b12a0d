"""What single parts make of a lot of things of chance; `tests/recorded.py` keeps the digests.

Evenings take seconds and meet few limits. Here a part is given little else: times that lie on its limits and
a nanosecond beside them, routes with every option, sources that stutter. What it made of that is written
down, a line each. A run of a part takes some hundredths of a second.

More than 600 lines: what all parts are given by chance (routes, timings, messages) is made in one place.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

from routerd.core.clock.clock import Clock, ClockState, TransportCommand, start_slot
from routerd.core.clock.tempo_map import TempoMap
from routerd.core.clock.time_code import frame_number, frame_time, full_message, quarter_frame
from routerd.core.errors import CommandError, FileEditError
from routerd.core.follow.follower import Follower
from routerd.core.midi.messages import TICK_BYTES, Kind, is_piece, is_release, is_whole
from routerd.core.midi.tuning import note_name, retuned, tuning_data
from routerd.core.midi.words import controller_words, message_words
from routerd.core.model.actions import Action
from routerd.core.model.codec import to_json
from routerd.core.model.controls import Control, Press, Switch, Turn
from routerd.core.model.rig import AfterRestart, Device, Rig, WireKind
from routerd.core.model.route import (
    FULL,
    SOURCE_KINDS,
    TARGET_KINDS,
    NoteZone,
    Quantity,
    QuantityKind,
    Remap,
    Route,
    Switching,
    bend_by,
    scale,
    velocity_map,
)
from routerd.core.model.set_list import SetList
from routerd.core.model.song import HeldNotes, Hold, Patch, Section, SectionsEnd, Song, StartPolicy
from routerd.core.model.timing import (
    ChangePolicy,
    Click,
    ClickPlays,
    ClockFrom,
    Curve,
    FrameRate,
    MeterPoint,
    Pulse,
    Segment,
    SongTiming,
    StartMode,
    TempoBy,
    TempoPoint,
    TimeCode,
    Timing,
)
from routerd.core.output.wire import Sink, Wire
from routerd.core.routing.fate import RouteAlone
from routerd.core.show.crash_state import crash_state_of, kept_from
from routerd.core.show.switches import Presses
from routerd.core.units import NEVER_NS, format_bpm, shown_bpm
from routerd.server.rigfiles.edit import save_set, with_values
from routerd.server.rigfiles.text import read_document
from tests.core.routing.test_loops import evening_with_echoes
from tests.hostile.rich_rig import RICH
from tests.stage import MS, Stage, ask, compiled

BEATS = ((4, 4), (3, 4), (7, 8), (5, 32), (1, 4), (12, 8))
TEMPOS = (Fraction(125), Fraction(120), Fraction(480), Fraction(10), Fraction(361, 3), Fraction(97))
RATES = (Fraction(1), Fraction(2), Fraction(1, 2), Fraction(3, 4), Fraction(4), Fraction(1, 96))


def some(random: Random, part: float, **options: Callable[[], Any]) -> dict[str, Any]:
    """Return some of these options, each made anew."""
    return {name: make() for name, make in options.items() if random.random() < part}


# What is played, and on which routes


def a_route(random: Random, name: str, sources: tuple[str, ...], targets: tuple[str, ...]) -> Route:
    """Return a route with options of chance."""
    one, number = random.choice, random.randrange
    curves: tuple[Any, ...] = (
        (), ((0, 20), (127, 127)), ((1, 5), (60, 5), (127, 90)), ((10, 0), (11, 127)), ((0, 0), (100, 127)),
    )  # fmt: skip
    kinds = frozenset(Kind) if random.random() < 0.6 else frozenset(random.sample(sorted(Kind), 5))

    def a_map() -> Remap:
        source = Quantity(one(sorted(SOURCE_KINDS)), one((1, 5, 7, 11, 20, 31, 60)))
        target = Quantity(one(sorted(TARGET_KINDS)), one((1, 5, 11, 31)))
        ends = sorted(random.sample((0, 1, 20, 63, 64, 100, 126, 127, source.max), 2))
        return Remap(
            source, target, (ends[0], min(ends[1], source.max)) if ends[0] < source.max else (0, source.max),
            (one((0, 1, 64, target.max)), one((0, 127, target.max))), one(curves),
            **some(random, 0.25, deadband=lambda: one((1, 2, 8)), pickup=lambda: True,
                   switching=lambda: one(tuple(Switching)), channels=lambda: (one((0, 3)), 5)),
        )  # fmt: skip

    def a_zone() -> NoteZone:
        return NoteZone(one((True, False)), one((1, 2, 7, 15)), one((True, False)), one((0, 1, 2, 7, 15)),
                        one((0, 4)), one((2, 12, 48)))  # fmt: skip

    options = some(
        random, 0.18,
        from_channel=lambda: one((0, 1, 15)), to_channel=lambda: one((0, 2, 15)),
        note_low=lambda: one((36, 48, 60)), note_high=lambda: one((60, 61, 72, 100)),
        transpose=lambda: one((12, -12, 67, -60, 1)), velocity_fixed=lambda: one((1, 100)),
        velocity_max=lambda: one((1, 64, 90)), velocity_low=lambda: one((2, 64)),
        velocity_high=lambda: one((64, 126)), velocity_curve=lambda: one(curves),
        blocked_channels=lambda: frozenset((one((0, 1, 9)),)),
        blocked_cc=lambda: frozenset((7, one((1, 64)))),
        programs=lambda: ((0, 5), (5, number(128))), sysex_prefixes=lambda: (b"\xf0\x7d", b"\xf0\x7f\x7f"),
        chord=lambda: one(((0, 7), (0, 67), (-60, 12), (0, 4, 7))), drone=lambda: one(((36,), (48, 55))),
        maps=lambda: tuple(a_map() for _ in range(one((1, 1, 2)))), chase=lambda: True,
    )  # fmt: skip
    if random.random() < 0.12:
        options |= {"bend_from": one((1, 2, 48)), "bend_to": one((1, 2, 12, 48))}
    if random.random() < 0.15:
        kept = ("note_low", "note_high", "transpose", "velocity_max", "velocity_low")
        options = {key: value for key, value in options.items() if key in kept} | {"zone": a_zone()}
    return Route(name, one(sources), one(targets), kinds, **options)


def played(random: Random) -> list[bytes]:
    """Return what a player does next: a message, or some that belong together."""
    one = random.choice
    channel, key = one((0, 0, 0, 1, 1, 2, 14, 15)), one((36, 48, 60, 60, 61, 72, 127, 0))
    status = lambda kind: kind | channel  # noqa: E731 - one line
    value = one((0, 1, 63, 64, 65, 126, 127, random.randrange(128)))
    match random.randrange(16):
        case 0 | 1 | 2 | 3:
            return [bytes((status(0x90), key, value))]
        case 4 | 5 | 6:
            return [bytes((status(one((0x80, 0x90))), key, 0))]
        case 7:
            return [
                bytes(
                    (status(0xB0), one((1, 5, 7, 11, 20, 31, 33, 37, 43, 52, 63, 74, 123, 120, 121)), value)
                )
            ]
        case 8:
            return [bytes((status(0xB0), one((64, 66, 67, 69)), value))]
        case 9:
            return [bytes((status(0xE0), one((0, 64, 127)), value))]
        case 10:
            return [bytes((status(0xD0), value))]
        case 11:
            return [bytes((status(0xA0), key, value))]
        case 12:
            return [bytes((status(0xC0), one((0, 5, 127))))]
        case 13:
            banks = [bytes((status(0xB0), 0, one((0, 1)))), bytes((status(0xB0), 32, one((0, 5))))]
            return [*banks[: one((1, 2, 2))], *([bytes((status(0xC0), 7))] if random.random() < 0.8 else [])]
        case 14:
            upper, lower = one(((101, 100), (99, 98)))
            numbers = one(((0, 0), (0, 6), (0, 1), (0, 5), (0, 7), (127, 127), (0, 20)))
            data = [
                bytes((status(0xB0), 6, value)),
                bytes((status(0xB0), one((38, 96, 97)), one((0, 1, 127)))),
            ]
            run = [bytes((status(0xB0), upper, numbers[0])), bytes((status(0xB0), lower, numbers[1])), *data]
            return run[one((0, 0, 1, 2)) : one((2, 3, 4, 4))]
        case _:
            return [
                one((b"\xf0\x7d\x01\xf7", b"\xf0\x7f\x7f\x04\x01\x00\x40\xf7", b"\xf1\x23", b"\xf2\x08\x00",
                     b"\xf3\x01", b"\xf6", b"\xfa", b"\xfb", b"\xfc", b"\xfe"))
            ]  # fmt: skip


PLAYERS = (
    Device("keys", input_pattern="keys"),
    Device("upper", input_pattern="two", channels=(0,)),
    Device("lower", input_pattern="two", channels=(1, 2, 14)),
)
SOUNDS = (
    Device("synth", output_pattern="synth", wire=WireKind.DIN, clock=True, transport=True),
    Device("sampler", output_pattern="sampler", wire=WireKind.USB, running_status=True, local_control=False),
    Device("part a", output_pattern="parts", wire=WireKind.VIRTUAL, channels=(0, 2), local_control=True),
    Device("part b", output_pattern="parts", wire=WireKind.VIRTUAL, channels=(3, 15)),
    Device("slow", output_pattern="slow", wire=WireKind.DIN, running_status=True, active_sensing=True),
)


def a_patch(random: Random, device: str) -> Patch:
    """Return a patch with parts of chance."""
    one = random.choice
    made = some(
        random, 0.4,
        channel=lambda: one((0, 2, 3)), bank=lambda: one((0, 127, 128, 300)),
        program=lambda: one((0, 5, 127)),
        cc=lambda: ((7, 100), (one((1, 11, 64)), one((0, 127)))), sysex=lambda: (b"\xf0\x7d\x02\xf7",),
        messages=lambda: (b"\xb0\x7e\x01",), rpn=lambda: ((0, 256), (1, 8192)), nrpn=lambda: ((300, FULL),),
        always=lambda: True,
        order=lambda: one(((), ("program", 20 * MS, "cc", "sysex", "messages", "rpn", "nrpn"))),
    )  # fmt: skip
    return Patch(device, **made)


def a_song(random: Random, name: str) -> Song:
    """Return a song whose sections have routes, patches and held notes of chance."""
    one = random.choice
    sources, targets = tuple(d.name for d in PLAYERS), tuple(d.name for d in SOUNDS)

    def routes() -> tuple[Route, ...]:
        return tuple(a_route(random, one("abcde"), sources, targets) for _ in range(random.randrange(1, 5)))

    def patches() -> tuple[Patch, ...]:
        return tuple(a_patch(random, one(targets)) for _ in range(one((0, 0, 1, 3))))

    def holds() -> tuple[Hold, ...]:
        return tuple(Hold(one(targets[:2]), one((0, 2)), one((36, 60)), 90) for _ in range(one((0, 0, 1))))

    whole = routes()
    sections = tuple(
        Section(f"{name} {n}", one((whole, routes())), patches(), one((None, Fraction(100))),
                one(tuple(HeldNotes)), holds())
        for n in range(one((0, 1, 3)))
    )  # fmt: skip
    return Song(
        name, name, one(TEMPOS[:3]), routes=whole, patches=patches(), sections=sections, holds=holds(),
        held_notes=one(tuple(HeldNotes)), sections_end=one(tuple(SectionsEnd)),
    )  # fmt: skip


def lines_of(stage: Stage) -> Iterator[str]:
    """Yield, and forget, what went out and what was said."""
    for at_ns, device, data in stage.log:
        yield f"{at_ns} {device} {data.hex(' ')}"
    for event in stage.events:
        yield json.dumps(to_json(event), sort_keys=True)
    stage.log.clear()
    stage.events.clear()


def asked(stage: Stage, action: Action, argument: Any = None, when: str = "now") -> None:
    """Ask for something that may be refused."""
    try:
        stage.do(action, argument, when)
    except CommandError as error:
        stage.log.append((stage.now_ns, str(error), b""))


def a_set_of_routes(random: Random) -> Iterator[str]:
    """A show of two songs, played on and changed."""
    one = random.choice
    rig = Rig("rig", (*PLAYERS, *SOUNDS))
    songs = [a_song(random, name) for name in ("one", "two")]
    stage = Stage(compiled(rig, songs, ("one", "two")))
    lost: list[str] = []
    for _ in range(220):
        match random.randrange(24):
            case 0 | 1:
                places = (Action.NEXT, Action.PREVIOUS, Action.NEXT_SECTION, Action.PREVIOUS_SECTION)
                asked(stage, one(places), when=one(("now", "release", "next-press", "bar")))
            case 2:
                subject = one(("route a", "route b", "device synth", "device part a"))
                asked(stage, one((Action.MUTE, Action.UNMUTE, Action.SOLO, Action.UNSOLO)), subject)
            case 3:
                asked(stage, one((Action.PANIC, Action.SILENCE, Action.START, Action.STOP)))
            case 4:
                name = one([wire.name for wire in stage.show.compiled.wires])
                if name in lost:
                    lost.remove(name)
                    stage.open(name, takes_pieces=one((True, False)))
                else:
                    lost.append(name)
                    stage.lose(name)
            case 5:
                input_ = one(stage.show.compiled.inputs)
                stage.show.input_lost(input_, stage.now_ns)
                stage.show.input_opened(input_, stage.now_ns)
                stage.collect()
            case 6 if random.random() < 0.3:
                songs[1] = a_song(random, "two")
                stage.load(compiled(rig, songs, ("one", "two"), stage.show.compiled))
            case _:
                device = one(PLAYERS).name
                for data in played(random):
                    stage.play(device, data.hex())
                    stage.run(stage.now_ns + one((0, 0, 0, 1)) * MS)
        stage.run(stage.now_ns + one((0, 0, 0, 1, 3, 20, 100)) * MS)
        yield from lines_of(stage)
    yield json.dumps(to_json(stage.show.snapshot()), sort_keys=True)


def fates(random: Random) -> Iterator[str]:
    """What becomes of messages on routes of chance, in words."""
    for number in range(60):
        source, target = random.choice(PLAYERS), random.choice(SOUNDS)
        route = a_route(random, f"route {number}", (source.name,), (target.name,))
        alone = RouteAlone(route, source, target)
        for _ in range(20):
            for data in played(random):
                fate = alone.fate(data)
                yield f"{data.hex()} {' '.join(sent.hex() for sent in fate.sent)} {fate.why}"
        for data in (b"", b"\x90\x3c", b"\xf9", b"\xf4", b"\xff"):
            yield alone.fate(data).why


def loops(random: Random) -> Iterator[str]:
    """Players among devices that echo: all that goes out, probes too, and cables that are pulled."""
    for _ in range(2):
        made, end_ns = evening_with_echoes(random.randrange(1000, 2000))
        made.echoes.clear()
        made.play_all("a", ((end_ns + 1_000 * MS + 30 * MS * n, bytes((0xD0, n % 3))) for n in range(60)))
        made.run(end_ns + 3_000 * MS)
        yield from lines_of(made.stage)
        yield f"{made.withheld} {made.probes()}"


def zones(random: Random) -> Iterator[str]:
    """A zone of one note a channel, moved, squeezed or folded, and its configuration."""
    one = random.choice
    for _ in range(5):
        upper = one((True, False))
        zone = NoteZone(upper, one((1, 2, 7, 15)), one((True, False)), one((0, 1, 2, 7)), 4, one((2, 12, 48)))
        options = some(
            random, 0.3, note_low=lambda: 48, transpose=lambda: one((7, -60)), velocity_max=lambda: 90
        )
        route = Route("zone", "keys", "synth", frozenset(Kind), zone=zone, **options)
        song = Song("one", "one", TEMPOS[0], routes=(route,))
        stage = Stage(compiled(Rig("rig", (PLAYERS[0], SOUNDS[0])), [song], ("one",)))
        manager = 15 if upper else 0
        for _ in range(90):
            channel = one((manager, *((14, 13, 8) if upper else (1, 2, 7)), 5))
            key, value = one((36, 48, 60, 60, 61)), one((0, 1, 2, 7, 48, 64, 127))
            kinds = ((0x90, key, value), (0x90, key, 90), (0x80, key, 64), (0xA0, key, value),
                     (0xB0, 74, value), (0xB0, 7, value), (0xE0, one((0, 127)), value),
                     (0xD0, value), (0xC0, value))  # fmt: skip
            played_now = [one(kinds)]
            if random.random() < 0.25:
                played_now = [(0xB0, 101, 0), (0xB0, 100, one((0, 6, 6, 2))), (0xB0, 6, value), (0xB0, 38, 1)]
                played_now = played_now[one((0, 0, 1)) : one((3, 4, 4))]
            for kind, *data in played_now:
                stage.play("keys", bytes((kind | channel, *data)).hex())
            stage.run(stage.now_ns + one((0, 1, 20)) * MS)
        asked(stage, one((Action.PANIC, Action.SILENCE)))
        stage.run(stage.now_ns + 200 * MS)
        yield from lines_of(stage)


# Time


def a_song_timing(random: Random, devices: tuple[str, ...]) -> SongTiming:
    """Return tempo, meters, click and device clocks of chance."""
    one = random.choice
    beats = one(BEATS)
    points, at = [], Fraction(0)
    bpm = one(TEMPOS[:3])
    for _ in range(random.randrange(4)):
        at += one((Fraction(24), Fraction(96), Fraction(97, 2), Fraction(1)))
        to = one(TEMPOS[:5])
        over = one((Fraction(0), Fraction(48), Fraction(97, 2)))
        points.append(TempoPoint(at, to if not over else bpm, to, over, one(tuple(Curve))))
        at, bpm = at + over, to
    meters, tick = [MeterPoint(0, *beats)], 0
    for _ in range(random.randrange(3)):
        before = meters[-1]
        tick += 96 * before.beats // before.unit * one((1, 2))
        meters.append(MeterPoint(tick, *one(BEATS)))
    click = Click(
        one(devices), subdivision=one((1, 2, 3)), count_in_bars=one((0, 1, 2)), plays=one(tuple(ClickPlays))
    )
    return SongTiming(
        tempo=tuple(points), meters=tuple(meters), click=one((None, click)), change=one(tuple(ChangePolicy)),
        devices=tuple((name, a_timing(random)) for name in devices if random.random() < 0.25),
    )  # fmt: skip


def a_timing(random: Random) -> Timing:
    """Return how a device gets its clock, by chance."""
    one = random.choice

    def pulse() -> Pulse:
        note = one((True, False))
        return Pulse(
            one((Fraction(4), Fraction(1), Fraction(24), Fraction(1, 2))), note=36 if note else -1,
            cc=-1 if note else 20, length_ns=one((1, 10, 300)) * MS, reset=one((-1, 37)),
            always=one((True, False)),
        )  # fmt: skip

    return Timing(**some(
        random, 0.35,
        rate=lambda: one(RATES), start=lambda: one(tuple(StartMode)), sequence_steps=lambda: one((1, 7, 16)),
        pulse=pulse, offset_ns=lambda: one((-20, -7, 3, 20, 40)) * MS,
        mtc=lambda: TimeCode(one(tuple(FrameRate)), one((True, False))), restarts=lambda: True,
        leads_transport=lambda: False, clock_from=lambda: one(tuple(ClockFrom)),
    ))  # fmt: skip


def a_timed_show(random: Random) -> Iterator[str]:
    """Devices with clocks of their own, through songs with tempo maps, over stops, reloads and deaths."""
    one = random.choice
    names = ("drum", "bass", "box")
    wires = (WireKind.DIN, WireKind.USB, WireKind.VIRTUAL)
    devices = tuple(
        Device(name, input_pattern=f"in {name}", output_pattern=name, wire=wire, timing=a_timing(random),
               clock=name != "box" or one((True, False)), transport=name != "box")
        for name, wire in zip(names, wires, strict=True)
    )  # fmt: skip
    rig = Rig("rig", devices, after_restart=one(tuple(AfterRestart)), holdover_s=one((1, 15)))

    def songs() -> list[Song]:
        return [
            Song(name, name, one(TEMPOS[:3]), *one(BEATS), timing=a_song_timing(random, names),
                 start=one(tuple(StartPolicy)), sections=(Section("s", (), bpm=Fraction(90)),))
            for name in ("one", "two")
        ]  # fmt: skip

    stage = Stage(compiled(rig, songs(), ("one", "two")))
    for _ in range(70):
        match random.randrange(20):
            case 0 | 1 | 2:
                asked(
                    stage,
                    one((Action.START, Action.START, Action.STOP)),
                    when=one(("now", "now", "beat", "bar")),
                )
            case 3:
                asked(stage, Action.CONTINUE, one((None, 1, 2, 3)))
            case 4:
                asked(stage, Action.TEMPO, one(("125", "97", "480", "241/2")))
            case 5:
                asked(stage, one((Action.HALF, Action.DOUBLE, Action.SONG_TEMPO)))
            case 6:
                asked(stage, Action.NUDGE, one(("0.5", "-50", "12")))
            case 7 | 8:
                asked(stage, Action.RETRIGGER, f"{one(('bar', 'cycle'))} {one(names)}")
            case 9 | 10:
                asked(stage, one((Action.NEXT, Action.PREVIOUS, Action.NEXT_SECTION)),
                      when=one(("now", "beat", "bar", "2 bars", "bar 3")))  # fmt: skip
            case 11:
                asked(stage, Action.CLICK, one((None, "on", "off")))
            case 12:
                for _ in range(one((2, 3, 5))):
                    asked(stage, Action.TAP)
                    stage.run(stage.now_ns + one((480, 500, 250)) * MS)
            case 13:
                stage.load(compiled(rig, songs(), ("one", "two"), stage.show.compiled))
            case 14:
                stage.now_ns += one((2, 19, 20, 480, 481, 2_000)) * MS
                stage.show.advance(stage.now_ns)
                stage.collect()
            case 15:
                name = one(names)
                stage.lose(name)
                stage.run(stage.now_ns + one((0, 30, 700, 1_100)) * MS)
                stage.open(name)
            case 16:
                asked(stage, Action.CLOCK_SOURCE, one(("", "drum", "bass")))
            case 17 | 18:
                follow(random, stage)
            case _ if random.random() < 0.4:
                stage = after_a_death(random, stage)
        stage.run(stage.now_ns + one((0, 1, 10, 20, 21, 95, 480, 2_000)) * MS + one((0, 0, 1, -1)))
        yield from lines_of(stage)
        yield json.dumps(to_json(stage.show.snapshot()), sort_keys=True)


def follow(random: Random, stage: Stage) -> None:
    """Have a device send ticks, transport and positions for a while, or time code."""
    one = random.choice
    name = one(("drum", "bass"))
    period_ns = one((20_000_000, 21_000_000, 10_000_000, 5_208_333))
    for data in one(((), ("fa",), ("f2 08 00", "fb"), ("fc",), ("f2 03 00",))):
        stage.play(name, data)
    due_ns = stage.now_ns + one((0, 1, 5)) * MS
    if random.random() < 0.4:
        frame = random.randrange(20_000)
        rate = one(tuple(FrameRate))
        for piece in range(one((9, 40))):
            stage.run(due_ns)
            time = frame_time(frame + piece // 8 * 2, rate)
            stage.play(name, quarter_frame(piece % 8, time, rate).hex())
            due_ns += one((10_000_000, 10_000_000, 10_416_667))
        return
    for number in range(one((3, 30, 60))):
        stage.run(due_ns + random.randrange(200_000))
        stage.play(name, "f8")
        if number == 20:
            stage.play(name, one(("fc", "fa", "fb", "fe")))
        due_ns += period_ns


def after_a_death(random: Random, stage: Stage) -> Stage:
    """Return the stage of the next engine."""
    state = crash_state_of(stage.show.snapshot())
    kept = kept_from(state, max(0, stage.show.ticks.number))
    at_ns = stage.now_ns + random.choice((0, 20, 47, 400, 1_920, 1_940, 3_000)) * MS
    after = Stage(stage.show.compiled, to_json(state.resume), at_ns, kept)
    after.log = stage.log + after.log
    after.events = stage.events + after.events
    return after


def a_grid(random: Random) -> Iterator[str]:
    """A clock that is asked for everything, at times on its limits and a nanosecond beside them."""
    one = random.choice
    for _ in range(12):
        clock = Clock(0, one(TEMPOS))
        clock.map = a_map_of(random)
        now_ns = 0
        for _ in range(60):
            edge = one(
                (now_ns, clock.next_due_ns, clock.last_due_ns, min(clock.start_at_ns, clock.next_due_ns))
            )
            at_ns = edge + one((0, 1, -1, 2, -2, 4)) * one((1, MS))
            now_ns = max(now_ns, min(at_ns, clock.next_due_ns + 600 * MS))
            said: object = None
            match random.randrange(13):
                case 0 | 1 | 2:
                    now_ns = max(now_ns, clock.deadline_ns())
                    said = (
                        clock.take_tick(now_ns) if clock.next_due_ns <= now_ns else clock.take_start(now_ns)
                    )
                case 3:
                    said = clock.request(
                        one(tuple(TransportCommand)[:3]), now_ns, now_ns + one((0, 1, 25)) * MS
                    )
                case 4:
                    clock.steer(at_ns, 20 * MS, one(TEMPOS), one((0, 1, 5)) * MS, now_ns)
                case 5:
                    clock.give_room(at_ns)
                case 6:
                    first = one((True, False))
                    said = clock.make_room(at_ns) if first else clock.bring_forward(at_ns, at_ns)
                case 7:
                    clock.set_tempo(one(TEMPOS))
                case 8:
                    one((clock.begin_song, clock.use_map))(a_map_of(random))
                case 9:
                    clock.locate(one((0, 6, 95, 96, 200)))
                case 10:
                    clock.tempo_by = one(tuple(TempoBy))
                    clock.steered = one((True, False))
                case 11:
                    said = clock.next_bar(clock.next_tick + one((0, 1, 95, 96)))
                case _ if clock.next_due_ns <= now_ns:
                    state = ClockState(clock.segment, clock.bpm, clock.tempo_by, one((True, False)),
                                       clock.position_ticks, clock.next_tick, clock.origin_tick,
                                       clock.bar_origin_tick)  # fmt: skip
                    clock = Clock(now_ns, Fraction(120))
                    clock.map = a_map_of(random)
                    clock.take_up(state)
                    clock.run_on(state.next_tick + one((0, 1, 50, 1000)), now_ns + one((0, 1, 500)) * MS)
            yield (
                f"{said} {clock.state} {clock.next_tick} {clock.next_due_ns} {clock.last_due_ns}"
                f" {clock.start_at_ns} {clock.position_ticks} {clock.origin_tick} {clock.bar_origin_tick}"
                f" {clock.step} {clock.step_tick} {clock.bpm} {clock.segment.bpm} {clock.tempo_by}"
                f" {clock.next_is_bar()} {clock.next_is_beat()} {clock.playing} {clock.mapped}"
                f" {clock.start_waits}"
            )


def a_map_of(random: Random) -> TempoMap:
    """Return a tempo map of chance."""
    timing = a_song_timing(random, ("drum",))
    return TempoMap(random.choice(TEMPOS), *random.choice(BEATS), timing.tempo, timing.meters)


def maps(random: Random) -> Iterator[str]:
    """Tempo maps: their steps, where bars lie and when ticks come."""
    for _ in range(25):
        one = a_map_of(random)
        yield f"{one.moves} {len(one.steps)} {one.steps[:5]} {one.steps[-3:]}"
        ticks = sorted({step.tick + beside for step in one.steps[::9] for beside in (-1, 0, 1)} | {0, 500})
        for tick in (tick for tick in ticks if tick >= 0):
            yield f"{tick} {one.index_at(tick)} {one.time_ns(tick) // 10} {one.bar_at(tick)}"
        yield f"{[one.tick_of_bar(bar) for bar in range(8)]}"


def a_source(random: Random) -> Iterator[str]:
    """A follower of sources that jitter, stamp coarsely, lose and double ticks, change tempo, fall silent."""
    for _ in range(5):
        follower = Follower(random.choice((300 * MS, 15_000 * MS)))
        period_ns = float(random.choice((20 * MS, 5_208_333, 62_500_000, 250 * MS)))
        noise_ns = random.choice((0, 50_000, MS, 3 * MS))
        step_ns = random.choice((0, 0, 0, 5_333_333, 10 * MS))
        odd = random.choice((0.0, 0.01, 0.08))
        due_ns = 0.0
        for number in range(260):
            if random.random() < 0.015:
                period_ns = max(5_208_333.0, period_ns * random.choice((0.5, 0.98, 1.02, 1.5, 2.0)))
            if random.random() < 0.008:
                due_ns += random.choice((3.9, 4.1, 30.0, 900.0)) * period_ns
            due_ns += period_ns * (2 if random.random() < odd else 1)
            at_ns = int(due_ns + random.gauss(0, noise_ns)) if noise_ns else int(due_ns)
            at_ns = -(-at_ns // step_ns) * step_ns if step_ns else at_ns
            moved = follower.tick(at_ns, at_ns + random.choice((0, 0, 0, 30 * MS)))
            if random.random() < odd:
                follower.tick(at_ns + random.choice((0, MS, int(period_ns / 4))))
            if number % 17 == 0:
                follower.pass_time(min(follower.silent_at_ns() + random.choice((-1, 0)), at_ns + 400 * MS))
            yield (
                f"{moved} {follower.state} {follower.number} {follower.next_number} {follower.at_ns // 100}"
                f" {follower.period_ns:.0f} {follower.sigma_ns:.0f} {follower.lag_ns:.0f}"
                f" {follower.error_ns:.0f}"
                f" {follower.accepted} {follower.outliers} {follower.doubled} {follower.missing}"
                f" {follower.relocks} {follower.resumed} {follower.silent_at_ns()}"
            )


# Out, and in


def a_wire(random: Random) -> Iterator[str]:
    """A wire that is offered everything between ticks: what goes out when, and what waits."""
    one = random.choice
    byte_ns = 320_000
    for _ in range(6):
        kind = one((WireKind.DIN, WireKind.DIN, WireKind.USB, WireKind.VIRTUAL))
        device = Device("box", output_pattern="b", wire=kind, clock=True, running_status=one((True, False)),
                        active_sensing=one((True, False)))  # fmt: skip
        wire = Wire((device,), 0)
        wire.connected, wire.takes_pieces = True, one((True, True, False))
        sink: Sink = []
        now_ns = tick_ns = 0
        every_ns = one((5_208_333, 20 * MS, 9 * MS))
        for _ in range(90):
            what = one(("offer", "offer", "patch", "play", "real", "pump", "dump"))
            for data in played(random):
                if what == "offer" and is_whole(data):
                    wire.offer(data, now_ns, sink)
                elif what == "patch" and data[0] < 0xF8:
                    wire.offer_patch(data, now_ns, sink)
                elif what == "play" and data[0] < 0xA0:
                    wire.play(data, now_ns, sink)
            if what == "real":
                wire.put_realtime(one((b"\xfa", b"\xfc")), now_ns, sink)
            elif what == "dump":
                wire.offer(b"\xf0\x7d" + bytes(one((0, 9, 28, 250, 252, 600))) + b"\xf7", now_ns, sink)
            elif what == "pump":
                wire.pump(now_ns, sink)
            for _ in range(one((0, 0, 1, 3))):
                now_ns = max(now_ns, min(wire.deadline_ns, tick_ns, now_ns + one((0, 1, 3, 9)) * byte_ns))
                if now_ns >= tick_ns:
                    wire.put_realtime(TICK_BYTES, now_ns, sink)
                    tick_ns += every_ns
                    wire.gate_ns = tick_ns
                    wire.sense(now_ns, tick_ns, sink) if wire.senses else None
                wire.pump(now_ns, sink)
            yield (
                f"{now_ns} {[data.hex() for _, data in sink]} {wire.queued} {wire.deadline_ns}"
                f" {wire.busy_until_ns} {wire.dropped} {wire.thinned} {wire.most_queued}"
                f" {wire.ungated} {wire.holds(0xF2)}"
            )
            sink.clear()


WAITS_MS = (
    *(0, 9, 10, 24, 25, 26, 49, 50, 51, 90, 199, 200, 201),
    *(349, 350, 351, 599, 600, 601, 999, 1000),
)
"""The times that presses are told apart by, and a millisecond beside each."""


def a_switch(random: Random) -> Iterator[str]:
    """Switches that are pressed, held, bounced and worn out, at times on their limits."""
    one = random.choice
    actions = (Action.NEXT, Action.TAP, Action.PANIC)
    for _ in range(14):
        presses = Presses()
        action = ask(one(actions))
        meant = {press: Control("pedals", 0xB0, 80, action, press=press) for press in Press}
        switch = Switch(
            meant[Press.SHORT], one((None, meant[Press.LONG])), one((None, meant[Press.DOUBLE])),
            one((0, 10, 50)) * MS, 600 * MS, 350 * MS,
        )  # fmt: skip
        now_ns, down = 1_000 * MS, False
        for _ in range(60):
            out: list[Control] = []
            if random.random() < 0.8:
                down = not down if random.random() < 0.9 else down
                out = presses.turn(
                    Turn(("pedals", 1), one((switch,) * 9 + (None,)), down, one((False,) * 8 + (True,))),
                    now_ns,
                )
            elif random.random() < 0.1:
                presses.forget(one(("pedals", "others")))
            yield f"{now_ns} {down} {[c.press for c in out]} {presses.next_due_ns}"
            yield f"{presses.news} {presses.chattering_switches}"
            presses.news.clear()
            now_ns += one(WAITS_MS) * MS
            now_ns += one((0, 0, 1, -1)) if now_ns > 1_000 * MS else 0
            while presses.next_due_ns <= now_ns and random.random() < 0.7:
                due_ns = presses.next_due_ns
                yield f"due {[c.press for c in presses.due(due_ns)]} {presses.next_due_ns}"
                if presses.next_due_ns == due_ns:
                    break


def tables(random: Random) -> Iterator[str]:
    """Functions of a few numbers, over all or many of them."""
    curve = ((1, 5), (60, 5), (61, 90), (127, 100))
    for points in ((), curve, ((0, 0), (127, 127)), ((5, 1), (6, 2))):
        yield f"{[bend_by(points, value) for value in range(0, FULL + 1, 43)]} {bend_by(points, FULL)}"
        yield velocity_map(0, 0, 1, 127, points).hex()
    for options in ((1,), (0, 1), (0, 64, 2, 100), (127, 3, 127, 127)):
        yield velocity_map(*options).hex()
    for source in ((0, 127), (20, 100), (0, FULL)):
        for target in ((0, 127), (127, 0), (5, 5), (0, FULL)):
            values = (0, 1, 19, 20, 21, 64, 99, 100, 127, FULL)
            yield f"{[scale(value, source, target, curve) for value in values]}"
    yield " ".join(note_name(note) for note in range(128))
    yield "\n".join(controller_words(number) for number in range(128))
    for status in range(0x80, 0x100):
        for data in (bytes((status,)), bytes((status, 0)), bytes((status, 60, 0)), bytes((status, 60, 127)),
                     bytes((status, 127, 64, 0)), bytes((status, 0x80, 0)),
                     bytes((status, 1, 2, 0xF7))):  # fmt: skip
            whole = is_whole(data)
            words = f"{is_release(data)} {message_words(data)}" if whole else ""
            yield f"{data.hex()} {whole} {is_piece(data)} {words}"
    yield f"{is_piece(bytes((0x10,)))} {is_piece(bytes((0xF7,)))} {is_whole(b'')}"
    for hertz in (380.0, 440.0, 442.5, 500.0):
        yield " ".join(data.hex() for data in retuned(hertz))
        yield f"{tuning_data(hertz)}"
    for rate in FrameRate:
        chosen = random.sample(range(2_600_000), 20)
        for frame in (0, 1, 1799, 1800, 1801, 17_981, 17_982, 17_984, 107_892, *chosen):
            time = frame_time(frame, rate)
            yield f"{time} {frame_number(time, rate)} {full_message(time, rate).hex()}"
            yield " ".join(quarter_frame(piece, time, rate).hex() for piece in range(8))
    for bpm in TEMPOS:
        segment = Segment(7, 3, bpm)
        yield f"{[segment.due_ns(tick) for tick in (-1, 0, 3, 4, 100)]} {format_bpm(bpm)} {shown_bpm(bpm)}"
        due_ns = segment.due_ns(50)
        yield f"{[segment.tick_at(due_ns + beside) for beside in (-1, 0, 1)]}"
        yield f"{segment.retimed(9, Fraction(77))}"
    for earliest in (0, 1, MS - 1, MS, MS + 1, 18 * MS, 19 * MS, 19 * MS + 1, 20 * MS, 22 * MS):
        yield f"{[start_slot(earliest, 0, due_ns) for due_ns in (MS, 20 * MS, NEVER_NS)]}"
    for kind in QuantityKind:
        yield f"{Quantity(kind).max}"


# Files


def texts(random: Random) -> Iterator[str]:
    """The rich rig's files with characters put in, taken out or changed: what the reader says of them."""
    sources = [path.read_text(encoding="utf-8") for path in sorted(RICH.rglob("*.yaml"))]
    odd = (
        *(":", ": ", "- ", "[", "]", "{", "}", ",", "'", '"', "#", "&a ", "*a ", "!x ", "|", ">", "%", "@"),
        *("\t", "\\", "\n", "\r\n", "\n---\n", "\n...\n", " ", "  ", "é", "\u200b", "\x07", "\ufeff"),
        *("0", "1e3", "~", "null", "yes"),
    )  # fmt: skip
    for _ in range(90):
        text = random.choice(sources)
        start = random.randrange(len(text))
        text = text[start : start + random.choice((60, 400, 2000))] if random.random() < 0.5 else text
        for _ in range(random.choice((1, 1, 2, 5))):
            at = random.randrange(len(text) + 1)
            text = text[:at] + random.choice((*odd, "")) + text[at + random.choice((0, 0, 1, 3)) :]
        raw = text.encode()
        if random.random() < 0.1:
            at = random.randrange(len(raw) + 1)
            raw = raw[:at] + random.choice((b"\xff", b"\x00", b"\xc3")) + raw[at:]
        if random.random() < 0.05:
            raw = text.encode("utf-16")
        document = read_document("a.yaml", raw)
        yield f"{[str(problem) for problem in document.problems]} {document.accepted} {len(document.lines)}"
        yield re.sub(r" object at 0x\w+", "", repr(document.data))[:3000]


def edits(random: Random) -> Iterator[str]:
    """Keys of devices and orders of sets that are written into files of several styles."""
    one = random.choice
    rigs = [
        (RICH / "rig.yaml").read_text(encoding="utf-8"),
        "name: r\ndevices:\n  keys-out: {output: a, timing: {offset: 1}} # box\n  drum:\n    output: b\n",
        "name: r\r\ndevices:\r\n  keys-out:\r\n    output: a # one\r\n    timing:\r\n      rate: 2\r\n",
        "devices: {keys-out: {output: a}, drum: {identity-reply: true, output: b}}\n",
        "devices:\n", "devices: []\n", "a: 1\n", "devices: {keys-out: a}\n",
        "devices: {keys-out: {timing: 5, output: a}}\n",
    ]  # fmt: skip
    names = ("keys-out", "drum", "nobody", "synth")
    for text in rigs:
        for key in (("identity-reply",), ("timing", "offset"), ("output",), ("timing", "pulse", "note")):
            for _ in range(3):
                values = {
                    name: one(("true", "-12.5", '"a: b"', "]")) for name in random.sample(names, one((1, 2)))
                }
                try:
                    yield with_values(text, key, values)
                except FileEditError as error:
                    yield f"{error}"
    sets = (
        "name: Tonight\ndate: 2031-05-06\norder: # one\n  - first\n  # then\n  - second\n\n# z\nencore: 1\n",
        "name: Tonight\r\norder:\r\n- first\r\n- second\r\n# more\r\nslot: 1:00:00\r\n",
        "name: Tonight\norder: [first, second]\n", "{name: Tonight, order: [first]}\n", "name: Tonight\n",
        "name: Tonight\norder:\n  [first,\n  second]\n", "", None,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "rig"
        shutil.copytree(RICH, folder)
        path = folder / "sets" / "tonight.yaml"
        for text in sets:
            for name, songs in (
                ("Tonight", ("second", "first")),
                ("Other one!", ("first",)),
                ("no", ("first",) * 3),
            ):
                for other in (folder / "sets").glob("*.yaml"):
                    other.unlink()
                if text is not None:
                    path.write_bytes(text.encode())
                set_list = SetList(name, songs, one(("", "2031-05-07")), encore=one((0, 1)))
                try:
                    yield save_set(folder, set_list)
                except FileEditError as error:
                    yield f"{error}"
                yield f"{[(other.name, other.read_bytes()) for other in sorted((folder / 'sets').glob('*'))]}"


PARTS: dict[str, tuple[Callable[[Random], Iterator[str]], int]] = {
    "routes": (a_set_of_routes, 40),
    "zones": (zones, 10),
    "fates": (fates, 4),
    "loops": (loops, 8),
    "timed shows": (a_timed_show, 16),
    "grids": (a_grid, 8),
    "maps": (maps, 4),
    "sources": (a_source, 22),
    "wires": (a_wire, 30),
    "switches": (a_switch, 10),
    "tables": (tables, 1),
    "texts": (texts, 8),
    "edits": (edits, 2),
}
"""By name: what makes the lines, and how often it is done, each time with another seed."""


def parts() -> Iterator[tuple[str, list[str]]]:
    """Yield every part's recording: a name and its lines."""
    for name, (_, runs) in PARTS.items():
        for number in range(runs):
            yield f"{name} {number}", recorded_part(name, number)


def recorded_part(name: str, number: int) -> list[str]:
    """Return the lines of one run of a part."""
    return [*PARTS[name][0](Random(f"{name} {number}"))]
