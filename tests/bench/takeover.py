"""What a takeover costs: the engine is killed at random moments of a played set, and its spare goes on.

    python -m tests.bench.takeover [--kills 40] [--bpm 120] [--hang] [--follow] [--without]

How late ticks are depends on what else the machine does. So the first tick after each death stands beside
the first one after a moment half a second before it, in which nothing happened.

The service runs on simulated ports with a spare. Somebody plays chords and moves a wheel all the time, songs
are changed by foot switch and bring dumps along on a slow wire; with `--follow` a device leads the clock.
Every few seconds the engine gets SIGKILL, or SIGSTOP with `--hang`. Heard from outside is everything that
reaches the devices: ticks (none lost, none doubled, how late the first one after each death), presses,
releases, dumps. `--without` does the same without a spare, with one more engine started each time.

Exit status 1: a tick lost or doubled, a note stuck or struck twice, a dump glued, a panic.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import os
import random
import signal
import socket
import statistics
import sys
import tempfile
import threading
import time
from bisect import bisect
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

from routerd.core.midi.messages import TICK_BYTES
from routerd.ports.far_end import FarEnd
from tests.service import Restarted, Service, free_port, until, write_rig
from tests.stage import sounding, struck_while_sounding

RIG = """\
name: Takeover
devices:
  keys: {input: keys}
  pedals: {input: pedals}
  box: {input: box}
  lead: {output: lead, wire: din, clock: true, transport: true}
  pad: {output: pad, wire: usb, clock: true}
  host: {output: host, wire: virtual, clock: true, transport: true}
controls:
  - {from: pedals, cc: 80, channel: 16, do: next}
  - {from: pedals, cc: 81, channel: 16, do: previous}
"""

SONG = """\
title: %s
tempo: %s
routes:
  - {name: lead, from: keys, to: lead}
  - {name: pad, from: keys, to: pad}
patches:
  - device: lead
    channel: 2
    sysex: [%s]
    program: %d
"""

DUMP_BYTES = 400
SETTLE_S = 2.0
"""From one death to the next, at least: a spare is made half a second after the ports have been looked at."""

KEYS = (48, 52, 55, 60, 64, 67)
SAMPLE = 24
"""So many ticks before a death tell where the grid lies."""

BEFORE_NS = 500_000_000
"""So long before a death nothing happens."""


def dump(number: int) -> bytes:
    """Return the dump of a song."""
    return bytes((0xF0, 0x7D, number, *(n % 0x70 for n in range(DUMP_BYTES)), 0xF7))


@dataclass
class Seen:
    """What reached the devices, and what was done meanwhile."""

    heard: list[tuple[int, str, bytes]] = field(default_factory=list)
    deaths_ns: list[int] = field(default_factory=list)
    presses: int = 0
    faults: list[str] = field(default_factory=list)

    def of(self, device: str) -> list[tuple[int, bytes]]:
        """Return what reached one device."""
        return [(at_ns, data) for at_ns, name, data in self.heard if name == device]


class Player:
    """Plays on threads, until `end`."""

    def __init__(self, far_end: FarEnd, seen: Seen, bpm: float, *, leads: bool, seed: int) -> None:
        self._far_end = far_end
        self._seen = seen
        self._random = random.Random(seed)
        self._ended = threading.Event()
        self._threads = [threading.Thread(target=self._play), threading.Thread(target=self._hear)]
        if leads:
            self._threads.append(threading.Thread(target=self._lead, args=(60 / 24 / bpm,)))
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        """Let all keys go, and end."""
        self._ended.set()
        for thread in self._threads:
            thread.join()

    def _hear(self) -> None:
        quiet_s = 0.0
        while not self._ended.is_set() or quiet_s < 1.0:
            arrival = self._far_end.receive(0.02)
            if arrival is None:
                quiet_s += 0.02
                self._far_end.ask()  # another engine knows nothing of who listens
            else:
                if arrival.data != TICK_BYTES:
                    quiet_s = 0.0
                elif self._ended.is_set():
                    quiet_s += 0.002
                self._seen.heard.append((arrival.arrival_ns, arrival.device, arrival.data))

    def _lead(self, period_s: float) -> None:
        due_s = time.monotonic()
        while not self._ended.is_set():
            due_s += period_s
            time.sleep(max(0.0, due_s - time.monotonic()))
            self._far_end.play("box", TICK_BYTES)

    def _play(self) -> None:
        one, down = self._random.choice, set[int]()
        turn = 0
        while not self._ended.is_set():
            key = one(KEYS)
            if key in down:
                down.discard(key)
                self._far_end.play("keys", bytes((0x80, key, 64)))
            else:
                down.add(key)
                self._seen.presses += 1
                self._far_end.play("keys", bytes((0x90, key, 20 + self._random.randrange(80))))
            if self._random.random() < 0.3:
                self._far_end.play("keys", bytes((0xB0, 1, self._random.randrange(128))))
            turn += 1
            if turn % 40 == 0:
                switch = 80 if turn % 80 else 81
                self._far_end.play("pedals", bytes((0xBF, switch, 127)))
                time.sleep(0.03)
                self._far_end.play("pedals", bytes((0xBF, switch, 0)))
            time.sleep(one((0.005, 0.02, 0.05, 0.08)))
        for key in sorted(down):
            self._far_end.play("keys", bytes((0x80, key, 64)))


def play_a_set(place: Path, options: argparse.Namespace) -> Seen:
    """Play, and kill the engine again and again."""
    songs = {
        name: SONG % (name, options.bpm, " ".join(f"{byte:02X}" for byte in dump(number)), number + 1)
        for number, name in enumerate(("one", "two"))
    }
    folder = write_rig(place / "rig", RIG, songs, ["one", "two"])
    udp, seen, chance = free_port(socket.SOCK_DGRAM), Seen(), random.Random(options.seed)
    arguments = ("--ports", "simulated", "--far-end", str(udp))
    number = signal.SIGSTOP if options.hang else signal.SIGKILL
    kind = Restarted if options.without else Service
    with kind(folder, place / "state", *arguments) as service, FarEnd(("127.0.0.1", udp)) as far_end:
        service.wait_until_open()
        far_end.listen()
        service.ask("POST", "/v1/start")
        player = Player(far_end, seen, options.bpm, leads=options.follow, seed=options.seed)
        if options.follow:
            service.ask("POST", "/v1/clock-source", {"device": "box"})
        engine = 0
        try:
            for _ in range(options.kills):
                engine = another(service, engine)
                time.sleep(SETTLE_S + chance.random())
                with contextlib.suppress(ProcessLookupError):  # it was late, and has been taken over
                    os.kill(engine, number)
                    seen.deaths_ns.append(time.monotonic_ns())
            another(service, engine)
        finally:
            player.end()
        time.sleep(0.5)
        if options.verbose:
            print(service.log)
    return seen


def another(service: Service, before: int) -> int:
    """Wait until another engine than that one is on; return it."""
    return int(until(lambda: (pid := service.engine()) != before and pid, 120, what="another engine is on"))


def judge(seen: Seen, bpm: float, *, follows: bool) -> dict[str, list[float]]:
    """Return what was seen of each death; what must not be goes to `faults`."""
    period_ns = 60e9 / 24 / bpm
    late: dict[str, list[float]] = defaultdict(list)
    for device in ("host", "pad"):
        ticks = [at_ns for at_ns, data in seen.of(device) if data == TICK_BYTES]
        # Whoever is late catches up: so what is lost or doubled shows in the count from first to last.
        count = round((ticks[-1] - ticks[0]) / period_ns) + 1
        late[f"{device}: ticks too few or too many"].append(len(ticks) - count if not follows else 0)
        gaps = [(after_ns - before_ns) / period_ns for before_ns, after_ns in itertools.pairwise(ticks)]
        late[f"{device}: ticks more than half a period late"].append(sum(gap > 1.5 for gap in gaps))
        for death_ns in seen.deaths_ns:
            for words, moment_ns in ("after a death", death_ns), ("otherwise", death_ns - BEFORE_NS):
                begin = bisect(ticks, moment_ns)
                known = ticks[max(0, begin - SAMPLE) : begin]
                if len(known) < SAMPLE or begin == len(ticks):
                    continue
                places = [
                    known[-1] - at_ns - round((known[-1] - at_ns) / period_ns) * period_ns for at_ns in known
                ]
                after = (ticks[begin] - known[-1] + statistics.median(places)) / period_ns
                late_ns = (after - max(1, round(after))) * period_ns
                late[f"{device}: first tick late {words}, ms"].append(late_ns / 1e6)
                late[f"{device}: gap {words}, ms"].append((ticks[begin] - known[-1]) / 1e6)
    return late


def check_notes(seen: Seen) -> None:
    """Find what sounds for ever, was struck twice, or came although nobody had asked for it."""
    log = [(at_ns, device, data) for at_ns, device, data in seen.heard if data[0] < 0xF0]
    for key, count in sounding(log).items():
        seen.faults.append(f"stuck: {key} {count}")
    seen.faults += [f"struck while it sounded: {one}" for one in struck_while_sounding(log)]
    for device in ("lead", "pad"):
        struck = sum(name == device and data[0] & 0xF0 == 0x90 and data[2] > 0 for _, name, data in log)
        if struck > seen.presses:
            seen.faults.append(f"{device}: {struck} notes of {seen.presses} presses")
        print(f"  {device}: {struck} of {seen.presses} presses arrived")
    heard = Counter(data.hex() for _, _, data in seen.heard if data[0] in (0xFA, 0xFB, 0xFC))
    panics = sum(data[0] & 0xF0 == 0xB0 and data[1] in (120, 123) for _, _, data in log)
    print(f"  transport heard: {dict(heard)}, all notes off: {panics}")
    if panics:
        seen.faults.append(f"{panics} messages of a panic")


def check_dumps(seen: Seen) -> None:
    """Put the pieces together: each dump is whole, or was ended and came again."""
    whole = broken = 0
    parts = b""
    for _, data in seen.of("lead"):
        if data[0] >= 0xF8:
            continue
        if data[0] == 0xF0:
            if parts:
                seen.faults.append("a dump began inside another")
            parts = data
        elif parts and (data[0] < 0x80 or data[0] == 0xF7):
            parts += data
        elif parts:
            seen.faults.append(f"inside a dump: {data.hex()}")
            parts = b""
        if parts and parts[-1] == 0xF7:
            whole += parts in (dump(0), dump(1))
            broken += parts not in (dump(0), dump(1))
            parts = b""
    print(f"  dumps: {whole} whole, {broken} ended early")


def main() -> int:
    """See the module's head."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--bpm", type=float, default=120)
    parser.add_argument("--seed", type=int, default=1)
    for name in ("hang", "follow", "without", "verbose"):
        parser.add_argument(f"--{name}", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        seen = play_a_set(Path(place), options)
    print(f"{len(seen.deaths_ns)} deaths at {options.bpm:g} BPM, seed {options.seed}:")
    for name, values in judge(seen, options.bpm, follows=options.follow).items():
        if len(values) == 1:
            print(f"  {name}: {values[0]:g}")
            if values[0] and "too" in name and not options.without:
                seen.faults.append(f"{name}: {values[0]:g}")
            continue
        ordered = sorted(values)
        p99 = ordered[int(0.99 * (len(ordered) - 1))]
        print(f"  {name}: median {statistics.median(ordered):.3f}, p99 {p99:.3f}, largest {ordered[-1]:.3f}")
    check_notes(seen)
    check_dumps(seen)
    for fault in seen.faults:
        print(f"  WRONG: {fault}")
    return bool(seen.faults) and not options.without


if __name__ == "__main__":
    sys.exit(main())
