"""Devices that echo, each bringing back everything that it is sent on an input, so much later; and what is
played on them."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from fractions import Fraction

from routerd.core.midi.messages import Kind
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.route import Route
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
        self.pieces: dict[str, bytes] = {}
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
                heard = data
                if data[0] == 0xF0 or self.pieces.get(name):  # a SysEx goes out in pieces, and is heard whole
                    heard = self.pieces.pop(name, b"") + data
                    if heard[-1] != 0xF7:
                        self.pieces[name] = heard
                        continue
                if passes(heard):
                    self.play(at_ns + lag_ns(), input, heard)
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
        return sum(input.withheld for input in self.stage.show.compiled.inputs)


def is_probe(data: bytes) -> bool:
    """Nothing here plays on the last channels."""
    return data[0] in (0x8F, 0x8E, 0x8D)


LAGS = (1, 2, 3, 5, 8, 13, 20, 33, 50, 75, 100)


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
