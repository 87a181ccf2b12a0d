"""The service on simulated ports in real time under playing, changes, pulled cables and panics.

Run by `python -m tests.bench.soak --real SECONDS`. Two devices are played from the far end, a third is the
foot switches; the API is asked once a second. What reaches the devices is heard and weighed against what was
played: presses without a release, messages that the engine has not counted, ticks that did not come. Every
minute it says how much memory and how many descriptors both processes hold.
"""

from __future__ import annotations

import random
import shutil
import socket
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from routerd.cli.demo import rig_folder
from routerd.core.midi.messages import TICK_BYTES, controller, note_off, note_on
from routerd.ports.far_end import FarEnd
from routerd.server.status import rss_bytes
from tests.service import Service, free_port, until

WATCHED = "instrument-host"
"""Its ticks are counted one by one; its cable is never pulled."""

PULLED = ("sampler", "drum-synth", "lead-synth")
PEDALS = (80, 81, 82, 83, 84, 85)
"""The demo's foot switches: next, previous, start, stop, second and first section. 86 is panic."""

SAY_EVERY_S = 60


class Ear(threading.Thread):
    """Hears everything that reaches the devices and keeps what sounds, and how many ticks came."""

    def __init__(self, address: tuple[str, int]) -> None:
        super().__init__(daemon=True)
        self.sounding: Counter[tuple[str, int, int]] = Counter()
        self.ticks = 0
        self.longest_gap_ns = 0
        self.stopping = False
        self._last_ns = 0
        self._far_end = FarEnd(address)
        self._far_end.listen()

    def run(self) -> None:
        """Hear until told to stop."""
        with self._far_end:
            while not self.stopping:
                arrival = self._far_end.receive(0.2)
                if arrival is None:
                    continue
                if arrival.data == TICK_BYTES:
                    self._tick(arrival.device, arrival.arrival_ns)
                elif 0x80 <= arrival.data[0] < 0xA0:
                    self._note(arrival.device, arrival.data)

    def _tick(self, device: str, at_ns: int) -> None:
        if device == WATCHED:
            self.ticks += 1
            if self._last_ns:
                self.longest_gap_ns = max(self.longest_gap_ns, at_ns - self._last_ns)
            self._last_ns = at_ns

    def _note(self, device: str, data: bytes) -> None:
        key = (device, data[0] & 0x0F, data[1])
        if data[0] >= 0x90 and data[2]:
            self.sounding[key] += 1
        else:
            self.sounding[key] = max(0, self.sounding[key] - 1)


class Evening:
    """Plays, changes and pulls by the dice; `played` counts the messages."""

    def __init__(self, far_end: FarEnd, seed: int) -> None:
        self.played = 0
        self.did: Counter[str] = Counter()
        self._far_end = far_end
        self._dice = random.Random(seed)
        self._down: dict[tuple[str, int, int], float] = {}
        self._away: str | None = None
        self._due: list[tuple[float, float, Callable[[], None]]] = [
            (0.0, 0.05, self._key),
            (0.0, 0.09, self._pad),
            (0.0, 0.04, self._wheel),
            (5.0, 9.0, self._pedal),
            (20.0, 45.0, self._cable),
            (30.0, 90.0, self._panic),
        ]

    def play_until(self, until_s: float) -> None:
        """Do what is due, every 10 ms or so."""
        began_s = time.monotonic()
        due = [(began_s + first_s, every_s, what) for first_s, every_s, what in self._due]
        while (now_s := time.monotonic()) < until_s:
            for number, (at_s, every_s, what) in enumerate(due):
                if at_s <= now_s:
                    due[number] = (now_s + every_s * self._dice.uniform(0.5, 1.5), every_s, what)
                    what()
            for key in [key for key, at_s in self._down.items() if at_s <= now_s]:
                del self._down[key]
                self._send(key[0], note_off(key[1], key[2]))
            time.sleep(0.01)

    def go_home(self) -> None:
        """Release everything and put the cable back."""
        if self._away is not None:
            self._far_end.plug(self._away)
            time.sleep(2)
        for device, channel, note in self._down:
            self._send(device, note_off(channel, note))
        self._down.clear()

    def _send(self, device: str, data: bytes) -> None:
        self._far_end.play(device, data)
        self.played += 1

    def _press(self, device: str, channel: int, note: int, longest_s: float) -> None:
        key = (device, channel, note)
        if key not in self._down:
            self._down[key] = time.monotonic() + self._dice.uniform(0.03, longest_s)
            self._send(device, note_on(channel, note, self._dice.randint(1, 127)))

    def _key(self) -> None:
        self._press("keys", 0, self._dice.randint(24, 96), 3.0)

    def _pad(self) -> None:
        self._press("pads", 9, self._dice.randint(36, 51), 0.2)

    def _wheel(self) -> None:
        self._send("keys", controller(0, self._dice.choice((1, 11)), self._dice.randint(0, 127)))

    def _tread(self, number: int) -> None:
        self._send("pedals", controller(15, number, 127))
        self._send("pedals", controller(15, number, 0))

    def _pedal(self) -> None:
        self._tread(self._dice.choice(PEDALS))
        self.did["foot switches"] += 1

    def _panic(self) -> None:
        self._tread(86)
        self.did["panics"] += 1

    def _cable(self) -> None:
        if self._away is None:
            self._away = self._dice.choice(PULLED)
            self._far_end.unplug(self._away)
        else:
            self._far_end.plug(self._away)
            self._away = None
        self.did["cables"] += 1


def descriptors(pid: int) -> int:
    """Return how many descriptors a process has open."""
    return sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir())


def held(service: Service) -> dict[str, Any]:
    """Return memory and descriptors of both processes now."""
    status = until(service.status, what="the API answers")
    found = {}
    for name in ("engine", "server"):
        pid = status[name]["pid"]
        found[name] = ((rss_bytes(pid) or 0) / 1e6, descriptors(pid))
    return found


def _in_words(found: dict[str, Any]) -> str:
    return ", ".join(f"{name} {mb:.1f} MB and {fds} descriptors" for name, (mb, fds) in found.items())


def _ask_regularly(service: Service, ended: threading.Event, refused: list[str]) -> None:
    while not ended.wait(1):
        try:
            service.status()
        except OSError as error:
            refused.append(str(error))


def soak_real(seconds: float, seed: int) -> None:
    """Run the service for so long and print what it came to."""
    udp = free_port(socket.SOCK_DGRAM)
    address = ("127.0.0.1", udp)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(shutil.copytree(rig_folder(), Path(name) / "rig"))
        options = ("--ports", "simulated", "--far-end", str(udp))
        with Service(folder, Path(name) / "state", *options) as service, FarEnd(address) as far_end:
            service.wait_until_open()
            ear = Ear(address)
            ear.start()
            ended = threading.Event()
            refused: list[str] = []
            asking = threading.Thread(target=_ask_regularly, args=(service, ended, refused), daemon=True)
            asking.start()
            evening = Evening(far_end, seed)
            began_s = time.monotonic()
            begin = held(service)
            print(f"    0 s: {_in_words(begin)}", flush=True)
            while (past_s := time.monotonic() - began_s) < seconds:
                evening.play_until(began_s + min(seconds, past_s + SAY_EVERY_S))
                print(f"{time.monotonic() - began_s:5.0f} s: {_in_words(held(service))}", flush=True)
            evening.go_home()
            time.sleep(3)
            ended.set()
            asking.join()
            print(f"API requests that failed: {len(refused)}", *refused[:3], sep="\n  ")
            _conclude(service, evening, ear)


def _conclude(service: Service, evening: Evening, ear: Ear) -> None:
    counters = until(service.status)["engine"]["counters"]
    report = service.ask("GET", "/v1/report")
    ear.stopping = True
    ear.join()
    overall = report["overall"]
    late = {key: overall["lateness_us"][key] for key in ("p50", "p99", "max")}
    silent = [line for line in service.log.splitlines() if "the server has" in line]
    print(f"server: {silent or 'never restarted'}")
    print(f"played {evening.played}, counted {counters['messages_in']}; {dict(evening.did)}")
    print(f"ticks {overall['ticks']} on all ports, missed {overall['missed']}, late by (µs) {late}")
    print(f"{WATCHED}: {ear.ticks} ticks heard, longest gap {ear.longest_gap_ns / 1e6:.1f} ms")
    print(f"left on: {sum(ear.sounding.values())}; dropped {counters['messages_dropped']}")
    print(f"faults {counters['faults']}, server restarts {counters['server_restarts']}")
    errors = [line for line in service.log.splitlines() if '"level": "error"' in line]
    print(
        f"log: {len(service.log.splitlines())} lines, {len(errors)} of them errors", *errors[:5], sep="\n  "
    )
