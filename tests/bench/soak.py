"""Hours at full traffic: does the clock drift, does memory grow, is a note left on, do the counts agree?

    python -m tests.bench.soak [--hours 12]       simulated time: the show alone, as fast as can be
    python -m tests.bench.soak --real 3600        real time: the service on simulated ports (see `soak_real`)

Simulated: three devices play the demo's rig at once (keys held, pedals, wheels, bends, pads, strange bytes),
somebody changes songs, sections, tempo, mutes and the rig, panics, and pulls cables. All of it follows
from the seed. An account of its own, kept beside the show, says what must come out.
"""

from __future__ import annotations

import argparse
import gc
import heapq
import os
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from routerd.cli.demo import rig_folder
from routerd.core.errors import CommandError
from routerd.core.midi.messages import controller, note_off, note_on
from routerd.core.model.actions import Action
from routerd.core.show.compiler import EMPTY_RIG, CompiledRig
from routerd.core.units import NS_PER_S
from routerd.server.rigfiles import load_folder
from routerd.server.status import rss_bytes
from tests.stage import MS, TICK, Stage, compiled

ALWAYS_THERE = "instrument-host"
"""Hears every tick: its cable is never pulled."""

TEMPOS = ("60", "97", "121.5", "173/2", "1000/7", "180", "240")
PULLED = ("lead-synth", "bass-synth", "modular-left", "sampler", "drum-synth")
MALFORMED = (b"\xf4", b"\x90\x40", b"\x40", b"\xf0\x7d")
MOST_UNTOLD_NS = 1
"""An anchor is rounded down to a nanosecond once, at a change of tempo; nothing else may be lost."""


@dataclass
class Account:
    """What must come out, and what has; devices by name."""

    ticks: int = 0
    exact_ns: Fraction = Fraction(0)
    tempos: int = 0
    sounding: Counter[tuple[str, int, int]] = field(default_factory=Counter)
    sent: Counter[str] = field(default_factory=Counter)
    events: Counter[str] = field(default_factory=Counter)
    asked: Counter[str] = field(default_factory=Counter)
    played: int = 0
    malformed: int = 0
    worst_drift_ns: float = 0.0


class SoakStage(Stage):
    """A stage that keeps accounts instead of everything."""

    def __init__(self, book: CompiledRig) -> None:
        self.account = Account()
        self._bpm = Fraction(0)
        super().__init__(book)

    def collect(self) -> None:
        account = self.account
        for wire, data in self.show.effects.sink:
            name = wire.name
            if data is TICK or data == TICK:
                if name == ALWAYS_THERE:
                    self._tick()
                continue
            account.sent[name] += 1
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            if kind == 0x90 and data[2]:
                account.sounding[name, channel, data[1]] += 1
            elif kind in (0x80, 0x90):
                key = (name, channel, data[1])
                if account.sounding[key] <= 1:
                    del account.sounding[key]
                else:
                    account.sounding[key] -= 1
            elif kind == 0xB0 and data[1] in (64, 66):
                key = (name, channel, 1000 + data[1])
                if data[2] >= 64:
                    account.sounding[key] = 1
                else:
                    account.sounding.pop(key, None)
        self.show.effects.sink.clear()
        for event in self.show.effects.events:
            account.events[event.kind] += 1
        self.show.effects.events.clear()

    def _tick(self) -> None:
        """Add one tick's length of the tempo that was in force; where the show says it lies must agree."""
        account, show = self.account, self.show
        if account.ticks == 0:
            account.exact_ns = Fraction(show.ticks.due_ns)
        else:
            account.exact_ns += Fraction(60 * NS_PER_S, 24) / self._bpm
        account.ticks += 1
        bpm = show.transport.clock.segment.bpm
        if bpm != self._bpm:
            account.tempos += 1
            self._bpm = bpm
        account.worst_drift_ns = max(account.worst_drift_ns, abs(show.ticks.due_ns - float(account.exact_ns)))


class Band:
    """Players and their hands: a queue of what they do next, in simulated ns."""

    def __init__(self, stage: SoakStage, seed: int) -> None:
        self._stage = stage
        self._dice = random.Random(seed)
        self._queue: list[tuple[int, int, Any]] = []
        self._number = 0
        self._away: set[str] = set()
        self._down: Counter[tuple[str, int, int]] = Counter()
        for every_ms, what in (
            (70, self._key),
            (110, self._pad),
            (45, self._wheel),
            (60, self._bend),
            (900, self._sustain),
            (3_000, self._strange),
            (15_000, self._song),
            (7_000, self._section),
            (11_000, self._transport),
            (31_000, self._tempo),
            (23_000, self._mute),
            (41_000, self._cable),
            (61_000, self._panic),
            (300_000, self._reload),
        ):
            self._every(every_ms, what)

    def _at(self, at_ns: int, what: Any) -> None:
        self._number += 1
        heapq.heappush(self._queue, (at_ns, self._number, what))

    def _every(self, every_ms: int, what: Any) -> None:
        """Do something now and again, on average every so often."""

        def again() -> None:
            self._at(self._stage.now_ns + int(self._dice.uniform(0.3, 1.7) * every_ms * MS), again)
            what()

        self._at(self._stage.now_ns + int(self._dice.random() * every_ms * MS), again)

    def play_until(self, until_ns: int) -> None:
        """Let the evening go on until then."""
        while self._queue and self._queue[0][0] <= until_ns:
            at_ns, _, what = heapq.heappop(self._queue)
            self._stage.run(at_ns)
            what()
        self._stage.run(until_ns)

    def go_home(self) -> None:
        """Release every key and pedal, put every cable back, and wait until the wires are empty."""
        stage = self._stage
        self._queue.clear()
        for name in sorted(self._away):
            stage.open(name)
            stage.account.asked["cable"] += 1
        self._away.clear()
        for device, channel, note in sorted(self._down):
            self._play(device, note_off(channel, note))
        for channel in (0, 1):
            self._play("keys", controller(channel, 64, 0))
        stage.run(stage.now_ns + 30 * NS_PER_S)

    def _play(self, device: str, data: bytes) -> None:
        self._stage.account.played += 1
        self._stage.show.receive(self._stage.input(device), data, self._stage.now_ns)
        self._stage.collect()

    def _press(self, device: str, channel: int, note: int, longest_ms: int) -> None:
        key = (device, channel, note)
        if self._down[key]:
            return
        self._down[key] = 1
        self._play(device, note_on(channel, note, self._dice.randint(1, 127)))

        def release() -> None:
            del self._down[key]
            self._play(device, note_off(channel, note))

        self._at(self._stage.now_ns + self._dice.randint(20, longest_ms) * MS, release)

    def _key(self) -> None:
        self._press("keys", self._dice.choice((0, 0, 1)), self._dice.randint(24, 96), 3000)

    def _pad(self) -> None:
        self._press("pads", 9, self._dice.randint(36, 51), 200)

    def _wheel(self) -> None:
        self._play("keys", controller(0, self._dice.choice((1, 11, 74)), self._dice.randint(0, 127)))

    def _bend(self) -> None:
        self._play("keys", bytes((0xE0, self._dice.randint(0, 127), self._dice.randint(0, 127))))

    def _sustain(self) -> None:
        self._play("keys", controller(self._dice.choice((0, 1)), 64, self._dice.choice((0, 127))))

    def _strange(self) -> None:
        strange = self._dice.choice((*MALFORMED, b"\xff", b"\xfe"))
        self._stage.account.malformed += strange in MALFORMED
        self._play("keys", strange)

    def _do(self, action: Action, argument: int | str | None = None, when: str = "now") -> None:
        try:
            self._stage.do(action, argument, when)
        except CommandError:
            self._stage.collect()  # at the end of the order, or a section that this song has not
        else:
            self._stage.account.asked[action.value] += 1

    def _song(self) -> None:
        self._do(Action.SONG, self._dice.randint(1, 4), self._dice.choice(("now", "now", "bar")))

    def _section(self) -> None:
        self._do(Action.SECTION, self._dice.randint(1, 4), self._dice.choice(("now", "bar", "beat")))

    def _transport(self) -> None:
        self._do(self._dice.choice((Action.START, Action.STOP, Action.CONTINUE)))

    def _tempo(self) -> None:
        self._do(Action.TEMPO, self._dice.choice(TEMPOS))

    def _mute(self) -> None:
        action = self._dice.choice((Action.MUTE, Action.UNMUTE, Action.UNMUTE))
        self._do(action, f"device {self._dice.choice(PULLED)}")

    def _panic(self) -> None:
        self._do(Action.PANIC)

    def _cable(self) -> None:
        name = self._dice.choice(PULLED)
        if name in self._away:
            self._away.discard(name)
            self._stage.open(name)
        else:
            self._away.add(name)
            self._stage.lose(name)
        self._stage.account.asked["cable"] += 1

    def _reload(self) -> None:
        self._stage.load(demo_rig_folder(self._stage.show.compiled))
        self._stage.account.asked["reload"] += 1


def demo_rig_folder(before: CompiledRig = EMPTY_RIG) -> CompiledRig:
    """Compile the demo's rig folder, every song in the order."""
    book = load_folder(rig_folder()).rig_folder
    assert book is not None
    return compiled(book.rig, book.songs, [song.identifier for song in book.songs], before)


@dataclass
class Outcome:
    """What a soak has shown. Blocks are those of Python's allocator, counted after a full collection."""

    hours: float
    took_s: float
    account: Account
    left_on: int
    queued: int
    dropped: int
    missed: int
    miscounted: list[str]
    blocks: list[int]
    rss: list[int]

    def lines(self) -> list[str]:
        """Return the figures for people."""
        account = self.account
        asked = ", ".join(f"{count} {what}" for what, count in sorted(account.asked.items()))
        sent = sum(account.sent.values())
        return [
            f"{self.hours:g} simulated hours in {self.took_s:.0f} s",
            f"{account.played} messages played, {sent} sent, {account.ticks} ticks; asked: {asked}",
            f"drift of the last tick at most {account.worst_drift_ns:.0f} ns "
            f"over {account.tempos} changes of tempo (each may round by {MOST_UNTOLD_NS} ns)",
            f"counts that do not agree: {', '.join(self.miscounted) or 'none'}; left on {self.left_on}, "
            f"waiting {self.queued}, dropped {self.dropped}, ticks missed {self.missed}",
            f"memory blocks {self.blocks[0]} after the first twelfth, {self.blocks[-1]} at the end; "
            f"resident {self.rss[0] / 1e6:.1f} and {self.rss[-1] / 1e6:.1f} MB",
        ]


def miscounted(stage: SoakStage, first_tick: int) -> Iterator[str]:
    """Yield what the show counts otherwise than the account."""
    account, show = stage.account, stage.show
    pairs = {
        "ticks": (show.ticks.number - first_tick + 1, account.ticks),
        "panics": (account.events["panic"], account.asked["panic"]),
        "cables": (account.events["port-closed"] + account.events["port-opened"], account.asked["cable"]),
        "malformed messages": (sum(input.malformed for input in show.compiled.inputs), account.malformed),
    }
    for what, (counted, expected) in pairs.items():
        if counted != expected:
            yield f"{what}: {counted}, not {expected}"


def soak(hours: float, seed: int, say: Any = lambda _: None) -> Outcome:
    """Play for so many simulated hours."""
    began_s = time.perf_counter()
    stage = SoakStage(demo_rig_folder())
    stage.account.events.clear()  # those of setting up
    first_tick = stage.show.ticks.number
    band = Band(stage, seed)
    whole_ns = int(hours * 3600 * NS_PER_S)
    blocks: list[int] = []
    rss: list[int] = []
    for part in range(1, 13):
        band.play_until(whole_ns * part // 12)
        gc.collect()
        blocks.append(sys.getallocatedblocks())
        rss.append(rss_bytes(os.getpid()) or 0)
        say(f"{hours * part / 12:5.2f} h: {blocks[-1]} blocks, {rss[-1] / 1e6:.1f} MB")
    band.go_home()
    gc.collect()
    wires = stage.show.compiled.wires
    return Outcome(
        hours,
        time.perf_counter() - began_s,
        stage.account,
        left_on=sum(stage.account.sounding.values()),
        queued=sum(wire.queued for wire in wires),
        dropped=sum(wire.dropped for wire in wires),
        missed=stage.account.events["ticks-missed"],
        miscounted=list(miscounted(stage, first_tick)),
        blocks=[*blocks, sys.getallocatedblocks()],
        rss=rss,
    )


def main() -> None:
    """See the module's head."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=12)
    parser.add_argument("--real", type=float, metavar="SECONDS")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.real:
        from tests.bench.soak_real import soak_real

        soak_real(options.real, options.seed)
        return
    outcome = soak(options.hours, options.seed, lambda line: print(line, flush=True))
    print("\n".join(outcome.lines()))


if __name__ == "__main__":
    main()
