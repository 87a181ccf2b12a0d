"""Loops through outside devices are cut by their cause; what fingers send passes, however often it repeats.

Devices that echo are simulated here: each brings everything that it is sent back on an input, so much later.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from fractions import Fraction

import pytest

from routerd.core.midi.messages import Kind
from routerd.core.model.actions import Action
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Quantity, QuantityKind, Remap, Route
from routerd.core.model.song import Song
from tests.stage import MS, TICK, Stage, compiled

S = 1000 * MS
ALL = frozenset(Kind) - {Kind.CLOCK, Kind.TRANSPORT}
NAMES = "abcd"
PRESS, RELEASE = b"\x90\x3c\x40", b"\x80\x3c\x40"


def path(source: str, target: str, **options: object) -> Route:
    made = Route(f"{source} to {target}", source, target, ALL)
    return replace(made, **options)


def ring(hops: int, **options: object) -> tuple[Route, ...]:
    """Routes from each device to the next and from the last to the first."""
    return tuple(path(NAMES[n], NAMES[(n + 1) % hops], **options) for n in range(hops))


class Echoes:
    """A stage with devices a to d, "keys" that only send and "synth" that only hears; some of them echo."""

    def __init__(self, *routes: Route, wire: WireKind = WireKind.USB, bpm: int = 125) -> None:
        rig = Rig(
            "echoes",
            (
                *(Device(name, input_pattern=name, output_pattern=name, wire=wire) for name in NAMES),
                Device("keys", input_pattern="keys"),
                Device("synth", output_pattern="synth", wire=WireKind.USB),
            ),
        )
        songs = (
            Song("one", "One", Fraction(bpm), routes=routes),
            Song("two", "Two", Fraction(bpm), routes=()),
        )
        self.stage = Stage(compiled(rig, songs, ("one", "two")))
        self.echoes: dict[str, tuple[str, Callable[[], int], Callable[[bytes], bool]]] = {}
        self.coming: list[tuple[int, int, str, bytes]] = []
        self.count = self.read = 0

    def echo(
        self,
        output: str,
        input: str,
        lag_ns: int | Callable[[], int],
        passes: Callable[[bytes], bool] = lambda _: True,
    ) -> None:
        """Let what goes to `output` come back on `input`."""
        self.echoes[output] = (input, lag_ns if callable(lag_ns) else lambda: lag_ns, passes)

    def play(self, at_ns: int, device: str, data: bytes) -> None:
        self.count += 1
        heapq.heappush(self.coming, (at_ns, self.count, device, data))

    def play_all(self, device: str, played: Iterable[tuple[int, bytes]]) -> None:
        for at_ns, data in played:
            self.play(at_ns, device, data)

    def run(self, until_ns: int) -> None:
        stage = self.stage
        while True:
            due_ns = self.coming[0][0] if self.coming else until_ns + 1
            ahead_ns = min(due_ns, until_ns, stage.show.next_deadline_ns())
            stage.run(max(ahead_ns, stage.now_ns))
            self._hear()
            if not self.coming or self.coming[0][0] > until_ns:
                if stage.now_ns >= until_ns:
                    return
                continue
            if self.coming[0][0] <= stage.now_ns:
                _, _, device, data = heapq.heappop(self.coming)
                stage.play(device, data.hex())
                self._hear()

    def _hear(self) -> None:
        log = self.stage.log
        for at_ns, name, data in log[self.read :]:
            if name in self.echoes and data != TICK:
                input, lag_ns, passes = self.echoes[name]
                if passes(data):
                    self.play(at_ns + lag_ns(), input, data)
        self.read = len(log)

    def heard(self, name: str, *, after_ns: int = -1) -> list[bytes]:
        """Return what a device was sent that was played, not asked."""
        return [
            data
            for at_ns, device, data in self.stage.log
            if device == name and at_ns > after_ns and data != TICK and not is_probe(data)
        ]

    def probes(self) -> int:
        return sum(is_probe(data) for _, _, data in self.stage.log)

    def events(self) -> list[object]:
        return [e["kind"] for e in self.stage.events if str(e["kind"]).startswith("loop")]

    @property
    def withheld(self) -> int:
        return sum(input.withheld for input in self.stage.show.book.inputs)


def is_probe(data: bytes) -> bool:
    """Nothing here plays on the last channels."""
    return data[0] in (0x8F, 0x8E, 0x8D)


LAGS = (1, 2, 3, 5, 8, 13, 20, 33, 50, 75, 100)


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


def held_pressure() -> Iterator[tuple[int, bytes]]:
    """Full pressure every 5 ms for ten seconds, and twelve notes."""
    for n in range(2000):
        yield 5 * MS * n, b"\xd0\x7f"
    for n in range(12):
        yield 300 * MS + 800 * MS * n, bytes((0x90, 48 + n, 100))
        yield 700 * MS + 800 * MS * n, bytes((0x80, 48 + n, 64))


def only_pressure() -> Iterator[tuple[int, bytes]]:
    for n in range(2000):
        yield 5 * MS * n, b"\xd0\x7f"


def strikes() -> Iterator[tuple[int, bytes]]:
    """Equal strikes at 12 a second, as a drum machine plays them."""
    for n in range(120):
        yield 83 * MS * n, b"\x99\x26\x7f"
        yield 83 * MS * n + 20 * MS, b"\x89\x26\x40"


def strikes_without_release() -> Iterator[tuple[int, bytes]]:
    for n in range(200):
        yield 50 * MS * n, b"\x99\x24\x7f"


def tremolo() -> Iterator[tuple[int, bytes]]:
    """Two keys in turn at 14 strokes a second, none quite like the last."""
    rng = random.Random(4)
    for n in range(140):
        note, at_ns = 60 + 4 * (n % 2), 71 * MS * n + rng.randrange(8 * MS)
        yield at_ns, bytes((0x90, note, rng.randrange(60, 110)))
        yield at_ns + 60 * MS, bytes((0x80, note, 64))


def fader_at_its_end() -> Iterator[tuple[int, bytes]]:
    for n in range(3000):
        yield 3 * MS * n, b"\xb0\x07\x7f"


def sixteenths() -> Iterator[tuple[int, bytes]]:
    """A sequencer's bar at 150 BPM, again and again: four voices, all at one velocity."""
    for n in range(100):
        for voice, every in ((36, 4), (42, 1), (38, 2), (46, 3)):
            if n % every == 0:
                yield 100 * MS * n, bytes((0x99, voice, 100))
                yield 100 * MS * n + 50 * MS, bytes((0x89, voice, 0))


def flood() -> Iterator[tuple[int, bytes]]:
    """Ten thousand messages a second of all of them."""
    patterns = [
        b"\xd0\x7f",
        b"\xb0\x07\x7f",
        b"\x90\x3c\x40",
        b"\x80\x3c\x40",
        b"\x99\x26\x7f",
        b"\x89\x26\x40",
    ]
    for n in range(20_000):
        yield n * MS // 10, patterns[n % len(patterns)]


PLAYED = [
    held_pressure, only_pressure, strikes, strikes_without_release, tremolo, fader_at_its_end, sixteenths,
    flood,
]  # fmt: skip


def as_routed(played: list[tuple[int, bytes]]) -> list[bytes]:
    """Return what a plain route makes of it: a key struck again is released first."""
    out, held = [], set()
    for _, data in sorted(played, key=lambda one: one[0]):
        if data[0] & 0xF0 == 0x90:
            key = (data[0] & 15, data[1])
            if key in held:
                out.append(bytes((0x80 | key[0], key[1], 64)))
            held.add(key)
        elif data[0] & 0xF0 == 0x80:
            held.discard((data[0] & 15, data[1]))
        out.append(data)
    return out


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


def test_a_sysex_that_goes_round_is_cut() -> None:
    made = Echoes(path("a", "a"))
    made.echo("a", "a", 10 * MS)
    dump = b"\xf0\x7d" + bytes(60) + b"\xf7"
    made.play(S, "a", dump)
    made.run(4 * S)
    assert made.events()[:1] == ["loop"]
    assert [at for at in made.stage.times_ms("a", dump) if at > 1700] == []


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
