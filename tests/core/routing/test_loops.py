"""Loops through outside devices are cut by their cause; what fingers send passes, however often it repeats.

Devices that echo are simulated here: each brings everything that it is sent back on an input, so much later.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.rig import WireKind
from routerd.core.model.route import Quantity, QuantityKind, Remap, Route
from routerd.core.routing.links import Link
from tests.echoes import (
    LAGS,
    NAMES,
    PLAYED,
    PRESS,
    RELEASE,
    Echoes,
    S,
    as_routed,
    held_pressure,
    is_probe,
    only_pressure,
    path,
    ring,
)
from tests.stage import MS, TICK, compiled


@pytest.mark.parametrize("hops", [1, 2, 3, 4])
@pytest.mark.parametrize("lag_ms", LAGS)
@pytest.mark.parametrize("wire", [WireKind.USB, WireKind.DIN])
def test_an_echo_is_cut_within_half_a_second(hops: int, lag_ms: int, wire: WireKind) -> None:
    """A key that is struck, and held for a while."""
    made = Echoes(*ring(hops), wire=wire)
    for name in NAMES[:hops]:
        made.echo(name, name, lag_ms * MS)
    begin_ns = 1_000 * MS
    made.play(begin_ns, "a", PRESS)
    made.play(begin_ns + 700 * MS, "a", RELEASE)
    made.run(begin_ns + 4 * S)
    assert made.events()[:1] == ["loop"]
    for name in NAMES[:hops]:
        late = [data for data in made.heard(name, after_ns=begin_ns + 500 * MS) if data == PRESS]
        assert late == []
    assert made.stage.show.snapshot().loops == sorted(NAMES[:hops]) or made.withheld
    assert made.stage.sounding() == {}


@pytest.mark.parametrize("played", PLAYED)
@pytest.mark.parametrize(("source", "target"), [("keys", "synth"), ("a", "a")])
def test_what_fingers_send_passes_whole(
    played: Callable[[], Iterator[tuple[int, bytes]]], source: str, target: str
) -> None:
    """Also at a keyboard without local control (a to a), which plays itself over the router."""
    made = Echoes(path(source, target))
    messages = sorted(((MS + at_ns, data) for at_ns, data in played()), key=lambda one: one[0])
    made.play_all(source, messages)
    made.run(messages[-1][0] + S)
    assert made.heard(target) == as_routed(messages)
    assert made.withheld == 0
    assert made.events() == []
    assert made.probes() <= 20


UP_AND_DOWN = (path("a", "b", transpose=12), path("b", "a", transpose=-12))
CHANNELS = (path("a", "b", to_channel=3), path("b", "a", to_channel=0))
ROTATING = tuple(path("a", "a", from_channel=n, to_channel=(n + 1) % 4) for n in range(4))
SOFTER = (path("a", "a", velocity_curve=((0, 0), (127, 90))),)
RISING = (path("a", "a", transpose=1),)
LOUDER = (path("a", "b", velocity_curve=((0, 20), (127, 127))), path("b", "c"), path("c", "a"))
BENDS = (path("a", "b", bend_from=2, bend_to=12), path("b", "a", bend_from=12, bend_to=2))
WHEEL, SLIDER = Quantity(QuantityKind.CC, 1), Quantity(QuantityKind.CC, 11)
MAPPED = (
    path("a", "b", maps=(Remap(WHEEL, SLIDER, (0, 127), (0, 127), deadband=1),)),
    path("b", "a", maps=(Remap(SLIDER, WHEEL, (0, 127), (0, 127), deadband=1),)),
)
PLAYED_ROUND = [PRESS, b"\xb0\x01\x50", b"\xe0\x00\x50", b"\xd0\x40", b"\xc0\x05", b"\xa0\x3c\x20", RELEASE]


@pytest.mark.parametrize(
    "routes",
    [UP_AND_DOWN, CHANNELS, ROTATING, SOFTER, RISING, LOUDER, BENDS, MAPPED, (*ring(2), path("a", "c"))],
)
@pytest.mark.parametrize("lag_ms", [1, 10, 40, 100])
@pytest.mark.parametrize("jitter_ms", [0, 6])
def test_an_echo_is_cut_whatever_the_routes_make_of_it(
    routes: tuple[Route, ...], lag_ms: int, jitter_ms: int
) -> None:
    """Half a second after each message of a player nothing goes round; every note ends."""
    rng = random.Random(lag_ms)
    made = Echoes(*routes)
    for name in {route.target for route in routes} - {"c"} | {route.source for route in routes}:
        made.echo(name, name, lambda: lag_ms * MS - rng.randrange(min(jitter_ms, lag_ms) * MS + 1))
    for n, data in enumerate(PLAYED_ROUND):
        made.play((1000 + 600 * n) * MS, "a", data)
    made.run(8 * S)
    starts = [(1000 + 600 * n) * MS for n in range(len(PLAYED_ROUND))]
    late = [
        (at_ns / MS, name, data.hex())
        for at_ns, name, data in made.stage.log
        if data != TICK and not is_probe(data) and at_ns > starts[0]
        and min(at_ns - begin_ns for begin_ns in starts if begin_ns <= at_ns) > 500 * MS
    ]  # fmt: skip
    assert late == []
    assert made.stage.sounding() == {}


@pytest.mark.parametrize("lag_ms", [1, 10, 60])
def test_with_a_loop_kept_open_everything_that_is_played_sounds_once(lag_ms: int) -> None:
    made = Echoes(path("a", "a"))
    made.echo("a", "a", lag_ms * MS)
    made.play_all("a", [(S, PRESS), (S + 900 * MS, RELEASE)])
    rng = random.Random(3)
    at_ns, played = 2 * S, []
    for _ in range(300):
        at_ns += rng.randrange(20 * MS, 180 * MS)
        note = rng.randrange(40, 80)
        played += [
            (at_ns, bytes((0x90, note, rng.randrange(1, 128)))),
            (at_ns + 15 * MS, bytes((0x80, note, 64))),
        ]
    made.play_all("a", played)
    made.run(at_ns + S)
    played.sort()
    assert made.heard("a", after_ns=2 * S - 1) == [data for _, data in played]
    assert made.withheld >= len(played)


def test_a_loop_is_reported_and_so_is_its_end() -> None:
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 10 * MS)
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(3 * S)
    assert made.events() == ["loop"]
    assert made.stage.show.snapshot().loops == ("a",)
    asked = made.probes()
    made.run(5 * S)
    assert made.probes() > asked + 10
    made.echoes.clear()  # somebody has pulled the cable
    made.run(6 * S)
    assert made.events() == ["loop", "loop-ended"]
    assert made.stage.show.snapshot().loops == ()
    ended = [event for event in made.stage.events if event["kind"] == "loop-ended"]
    assert ended[0]["withheld"] == made.withheld
    asked = made.probes()
    made.play_all("a", ((6 * S + at_ns, data) for at_ns, data in only_pressure()))
    made.run(17 * S)
    assert made.heard("a", after_ns=6 * S - 1).count(b"\xd0\x7f") == 2000
    assert made.probes() <= asked + 5


def test_other_routes_end_a_loop_and_the_same_ones_begin_it_again() -> None:
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 10 * MS)
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(2 * S)
    made.stage.do(Action.SONG, "two")
    assert made.events() == ["loop", "loop-ended"]
    made.stage.do(Action.SONG, "one")
    made.play_all("a", [(3 * S, PRESS), (3500 * MS, RELEASE)])
    made.run(5 * S)
    assert made.events() == ["loop", "loop-ended", "loop"]
    assert len(made.heard("a", after_ns=3500 * MS + 1)) <= 3


def test_an_echo_that_does_not_grow_is_no_loop() -> None:
    """A device whose thru is heard and played on to another: every note passes, and it is asked little."""
    made = Echoes(path("keys", "a"), path("a", "synth"))
    made.echo("a", "a", 3 * MS)
    messages = sorted(((MS + at_ns, data) for at_ns, data in held_pressure()), key=lambda one: one[0])
    made.play_all("keys", messages)
    made.run(messages[-1][0] + S)
    assert made.heard("synth") == as_routed(messages)
    assert made.withheld == 0
    assert made.events() == []
    assert made.probes() <= 20


def test_what_is_known_to_be_heard_is_asked_about_every_ten_seconds() -> None:
    """Its thru is heard and goes nowhere back: once that is known, two probes tell for 30 s that it is so."""
    made = Echoes(path("keys", "a"), path("a", "synth"))
    made.echo("a", "a", 3 * MS)
    made.play_all("keys", (((20 + 50 * n) * MS, bytes((0xD0, n % 128))) for n in range(600)))
    made.run(5 * S)
    asked = made.probes()
    made.run(30 * S)
    assert made.probes() - asked == 2
    assert made.withheld == 0


def test_what_is_known_of_one_device_explains_no_echo_of_another() -> None:
    """What a is sent is heard at b, which closes no loop; then b itself is heard there, which does."""
    made = Echoes(path("keys", "a"), path("b", "b"))
    made.echo("a", "b", 3 * MS)
    made.play_all("keys", ((20 * MS * n, bytes((0xD0, n % 128))) for n in range(1, 100)))
    made.run(3 * S)
    assert made.events() == []
    assert made.probes()
    made.echo("b", "b", 10 * MS)
    made.play_all("b", [(4 * S, PRESS), (5 * S, RELEASE)])
    made.run(6 * S)
    assert made.events() == ["loop"]
    assert [at for at in made.stage.times_ms("b", PRESS) if at > 4500] == []
    assert made.stage.sounding() == {}


def test_every_probe_is_a_release_by_the_standard_and_another_one() -> None:
    """Data bytes are below 128 (M1, from memory); a loop that lasts is asked about more than 128 times."""
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 10 * MS)
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(20 * S)
    probes = [data for _, _, data in made.stage.log if is_probe(data)]
    assert len(probes) == len(set(probes)) > 128
    assert all(len(data) == 3 and data[1] < 128 and 0 < data[2] < 128 for data in probes)


def test_a_loop_that_feeds_itself_over_two_routes_is_cut() -> None:
    made = Echoes(path("a", "a"), path("a", "a", name="again"), wire=WireKind.DIN)
    made.echo("a", "a", 2 * MS)
    made.play(S, "a", PRESS)
    made.play(3 * S, "a", RELEASE)
    made.run(6 * S)
    assert made.events()[:1] == ["loop"]
    assert [data for data in made.heard("a", after_ns=1500 * MS) if data == PRESS] == []
    assert made.stage.sounding() == {}


@pytest.mark.parametrize("controller", [1, 0x3B])
def test_a_device_that_echoes_only_some_messages(controller: int) -> None:
    """A keyboard that passes on notes alone; the wheel moves all the while and does not come back: that takes
    a second and a half longer."""
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 20 * MS, lambda data: data[0] < 0xA0)
    made.play_all("a", ((S + 10 * MS * n, bytes((0xB0, controller, n % 128))) for n in range(400)))
    made.play_all("a", [(1500 * MS, PRESS), (4000 * MS, RELEASE)])
    made.run(6 * S)
    assert made.events()[:1] == ["loop"]
    assert [at for at in made.stage.times_ms("a", PRESS) if at > 1500 + 500 + 1500] == []


@pytest.mark.parametrize(
    ("wire", "size", "cut_ms"),
    [
        (WireKind.USB, 60, 1500),
        (WireKind.USB, 400, 1500),
        (WireKind.USB, 1000, 2000),
        (WireKind.DIN, 600, 2000),
    ],
)
def test_a_sysex_that_goes_round_is_cut(wire: WireKind, size: int, cut_ms: int) -> None:
    """Over USB it is back long before two slow wires would have let it through; its pieces never are."""
    made = Echoes(path("a", "a"), wire=wire)
    made.echo("a", "a", 10 * MS)
    made.play(S, "a", b"\xf0\x7d" + bytes(size) + b"\xf7")
    made.run(4 * S)
    assert made.events()[:1] == ["loop"]
    assert max(t for t, _, data in made.stage.log if data[0] == 0xF0) <= cut_ms * MS


def test_at_the_slowest_tempo_too() -> None:
    """The ticks are 250 ms apart at 10 BPM."""
    made = Echoes(path("a", "a"), bpm=10)
    made.echo("a", "a", 5 * MS)
    made.play_all("a", [(S, PRESS), (2 * S, RELEASE)])
    made.run(4 * S)
    assert [at for at in made.stage.times_ms("a", PRESS) if at > 1500] == []


def evening_with_echoes(seed: int) -> tuple[Echoes, int]:
    """Play at random into a ring of one to four devices that echo, routes at random; return when it ended."""
    rng = random.Random(seed)
    hops = rng.randrange(1, 5)
    routes = []
    for n in range(hops):
        options: dict[str, object] = {}
        if rng.random() < 0.3:
            options["transpose"] = rng.choice((12, -12, 1, -1, 7))
        if rng.random() < 0.3:
            options["to_channel"] = rng.randrange(4)
        if rng.random() < 0.2:
            options["velocity_curve"] = ((0, 0), (127, rng.randrange(60, 128)))
        routes.append(path(NAMES[n], NAMES[(n + 1) % hops], **options))
    if rng.random() < 0.3:
        routes.append(path("a", "synth"))
    made = Echoes(*routes, wire=rng.choice((WireKind.USB, WireKind.DIN)), bpm=rng.choice((30, 125, 300)))
    lag_ms = rng.randrange(1, 101)
    for name in NAMES[:hops]:
        made.echo(name, name, lambda: lag_ms * MS - rng.randrange(min(3, lag_ms) * MS))
    at_ns = S
    down: set[tuple[str, int]] = set()
    for _ in range(rng.randrange(1, 60)):
        at_ns += rng.randrange(300) * MS
        key = rng.choice(("a", NAMES[rng.randrange(hops)])), rng.randrange(50, 70)
        if rng.random() > 0.6:
            moved = rng.choice(
                (b"\xd0\x40", b"\xb0\x01\x20", b"\xe0\x00\x50", b"\xb0\x40\x7f", b"\xb0\x40\x00")
            )
            made.play(at_ns, key[0], moved)
        elif key in down:
            down.discard(key)
            made.play(at_ns, key[0], bytes((0x80, key[1], 64)))
        else:
            down.add(key)
            made.play(at_ns, key[0], bytes((0x90, key[1], rng.randrange(1, 128))))
    for name, note in sorted(down):
        at_ns += 50 * MS
        made.play(at_ns, name, bytes((0x80, note, 64)))
    for name in NAMES[:hops]:
        made.play(at_ns + 100 * MS, name, b"\xb0\x40\x00")
    made.run(at_ns + S)
    return made, at_ns


@pytest.mark.parametrize("seed", range(40))
def test_whatever_is_played_into_a_ring_of_echoes_ends(seed: int) -> None:
    made, end_ns = evening_with_echoes(seed)
    late = [
        (at_ns, name, data)
        for at_ns, name, data in made.stage.log
        if data != TICK and not is_probe(data) and at_ns > end_ns + 650 * MS
    ]
    assert late == []
    assert made.stage.sounding() == {}


def test_a_link_that_closes_no_loop_is_forgotten_without_a_word() -> None:
    """Its cable is pulled: the next probe does not come back, and what is played then is a finger's."""
    made = Echoes(path("keys", "a"), path("a", "synth"))
    made.echo("a", "a", 3 * MS)
    made.play_all("keys", (((20 + 50 * n) * MS, bytes((0xD0, n % 128))) for n in range(600)))
    made.run(5 * S)
    assert len(made.stage.show.routes.loops.links) == 1
    made.echoes.clear()
    made.play_all("a", (((20 + 50 * n) * MS, bytes((0xD0, n % 128))) for n in range(101, 600)))
    made.run(31 * S)
    assert not made.stage.show.routes.loops.links
    assert made.events() == []
    assert made.withheld == 0


def test_an_input_that_hears_two_loops_is_reported_until_both_have_ended() -> None:
    made = Echoes(path("a", "a"), path("a", "b"))
    made.echo("a", "a", 10 * MS)
    made.echo("b", "a", 20 * MS)
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(3 * S)
    assert len(made.stage.show.routes.loops.links) == 2
    for name, after in (("a", ["loop"]), ("b", ["loop", "loop-ended"])):
        del made.echoes[name]
        made.run(made.stage.now_ns + S)
        assert made.events() == after
    assert not made.stage.show.routes.loops.links


def test_a_loop_may_last_for_hours() -> None:
    """After 16 256 probes, half an hour of one loop, their numbers begin anew."""
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 10 * MS)
    made.stage.show.routes.loops._count = 128 * 127 - 5
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(4 * S)
    assert made.probes() > 20
    assert all(max(data[1:]) < 128 and data[2] > 0 for _, _, data in made.stage.log if is_probe(data))
    assert made.events() == ["loop"]


def test_a_loop_ends_where_only_time_code_goes_round() -> None:
    """No probe tells of it, so nothing of it is withheld: it is no loop to be reported."""
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 10 * MS)
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(2 * S)
    assert made.events() == ["loop"]
    stage = made.stage
    code = replace(path("a", "a"), kinds=frozenset({Kind.MTC}))
    rig, (song, *_) = stage.show.compiled.rig, (one.song for one in stage.show.compiled.songs.values())
    stage.load(compiled(rig, (replace(song, routes=(code,)),), (song.identifier,), stage.show.compiled))
    assert made.events() == ["loop", "loop-ended"]


@pytest.mark.parametrize("quiet", [b"\xb0\x01", b"\xf0\x7d"])
def test_who_echoes_notes_alone_is_asked_when_that_has_gone_on_for_a_second_and_a_half(quiet: bytes) -> None:
    """Meanwhile a controller or dumps go there and do not come back."""
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 20 * MS, lambda data: data[0] < 0xA0)
    end = b"\xf7" if quiet[0] == 0xF0 else b""
    made.play_all("a", ((S + 25 * MS * n, quiet + bytes((n % 128,)) + end) for n in range(200)))
    made.play_all("a", [(1500 * MS, PRESS), (5000 * MS, RELEASE)])
    made.run(6 * S)
    first = min(at_ns for at_ns, _, data in made.stage.log if is_probe(data))
    assert 3_000 * MS <= first < 3_400 * MS
    assert made.events()[:1] == ["loop"]


def test_a_flood_of_messages_of_all_kinds_fills_no_memory() -> None:
    made = Echoes(path("keys", "synth"))
    for n in range(12_000):
        made.stage.play("keys", bytes((0xE0 | n // 3000, n % 128, n // 128 % 128)).hex())
    loops = made.stage.show.routes.loops
    assert len(loops.sent) > 8_000
    made.run(200 * MS)
    assert len(loops.sent) < 20


def test_dumps_of_a_megabyte_fill_no_memory() -> None:
    made = Echoes(path("keys", "synth"))
    loops, wire = made.stage.show.routes.loops, made.stage.output("synth").wire
    for n in range(17):
        loops.note_sysex(wire, b"\xf0\x7d" + bytes((n,)) * 65_533 + b"\xf7", 0)
        assert loops.busy is (n == 16)
    made.run(40 * MS)
    assert not loops.sent
    assert not loops.busy


def test_a_set_without_a_song_ends_loops_and_what_keys_have_latched() -> None:
    drone = replace(path("keys", "synth"), drone=(36,))
    made = Echoes(path("a", "a"), drone)
    made.echo("a", "a", 10 * MS)
    made.play_all("keys", [(S, b"\x90\x30\x40"), (1100 * MS, b"\x80\x30\x40")])
    made.play_all("a", [(S, PRESS), (1500 * MS, RELEASE)])
    made.run(2 * S)
    stage = made.stage
    assert made.events() == ["loop"]
    assert stage.sounding() == {("synth", 0, 36): 1}
    stage.load(compiled(stage.show.compiled.rig, (), (), stage.show.compiled))
    assert made.events() == ["loop", "loop-ended"]
    assert stage.sounding() == {}


@pytest.mark.parametrize(
    ("after_ns", "taken"), [(3 * MS - 1, False), (3 * MS, True), (71_920_000, True), (71_920_001, False)]
)
def test_an_echo_is_expected_from_half_its_time_to_twice_its_time(after_ns: int, taken: bool) -> None:
    """A probe was back after 10 ms; 2 ms earlier than half of that may be, or 50 ms later than twice of that
    and of three bytes on a DIN wire (320 µs each, M1 p. 1)."""
    stage = Echoes(path("a", "a")).stage
    link = Link(stage.output("a").wire, stage.input("a"))
    link.lag_ns = 10 * MS
    link.expect(PRESS, S)
    assert not link.takes(RELEASE, S + 10 * MS)
    assert link.takes(PRESS, S + after_ns) is taken
    assert not link.takes(PRESS, S + after_ns), "each is back once"
