"""A played set on JACK in which things break: what was broken, when that was named, what came of it.

For `test_jack_faults.py` (one of every kind) and `tests.bench.port_faults` (many at random). A keyboard plays
through the daemon to a synth and a box, all of them programs of their own on a server with the dummy driver.
A round holds a note, breaks something, lets go of the note, mends it, and then judges: was it named within
NAMED_S, did every port that is called open carry notes both ways, did any note stay held, did every request
get its answer.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import queue
import random
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from dummy_server import DummyServer
from far_program import FarProgram

from routerd.core.midi.messages import note_off, note_on
from tests.service import Service, write_rig

PROGRAMS = {device: f"{device.title()}-{os.getpid()}" for device in ("keys", "synth", "box")}
"""Names that no other test run beside this one uses: whose a program is, is found by its name."""

RIG = f"""
name: Fault bench
devices:
  keys: {{input: "{PROGRAMS["keys"]} out*"}}
  synth: {{output: "{PROGRAMS["synth"]} in*", wire: usb, clock: true, transport: true}}
  box: {{output: "{PROGRAMS["box"]} in*", wire: virtual, clock: true, transport: true}}
"""
SONG = """
title: One
tempo: 120
routes: [{from: keys, to: synth, channel: 1}, {from: keys, to: box, channel: 2}]
"""
NAMED_S = 1.0
ANSWER_S = 2.0
PATIENCE_S = 10.0
"""For what a busy machine may delay on its way to here."""

BACK_S = 30.0
"""A quarrel is over ten seconds after the last removal."""


@dataclass
class Round:
    """What came of one fault. Seconds; `wrong` says in words what must not be.

    `late_clients` counts how often JACK reported a client late for a period: what it then sends may be lost.
    """

    fault: str
    named_s: float
    back_s: float
    late_clients: int
    wrong: list[str]


class Events(threading.Thread):
    """Listens to the daemon's events."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.came: list[dict[str, Any]] = []
        self._port = port

    def run(self) -> None:
        """Listen until the daemon ends."""
        connection = http.client.HTTPConnection("127.0.0.1", self._port)
        try:
            connection.request("GET", "/v1/events")
            for line in connection.getresponse():
                if line.startswith(b"data:"):
                    self.came.append(json.loads(line[5:]))
        except (OSError, http.client.HTTPException, ValueError):
            return
        finally:
            connection.close()

    def closed_since(self, since_s: float) -> dict[str, float]:
        """Return the devices whose ports have been named as closed since then, and when by the engine.

        When it comes here a busy machine decides.
        """
        found: dict[str, float] = {}
        for event in list(self.came):
            at_s = event["at_ns"] / 1e9
            if at_s >= since_s and event["kind"] == "port-closed":
                found.setdefault(event["device"], at_s)
        return found


class Bed:
    """The server, the three programs and the daemon."""

    def __init__(self, place: Path, period_frames: int = 1024, options: tuple[str, ...] = ()) -> None:
        self.server = DummyServer(place, period_frames, options)
        self.longest_answer_s = 0.0
        self.lost = 0
        self.programs: dict[str, FarProgram] = {}
        self._place = place
        self._before = dict(os.environ)

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as begun:
            begun.callback(self._restore)
            os.environ.update(self.server.environment)
            begun.callback(self.server.end)
            self.server.start()
            begun.callback(self._end_programs)
            for device in PROGRAMS:
                self.start(device)
            folder = write_rig(self._place / "rig", RIG, {"one": SONG}, ["one"])
            self.service = begun.enter_context(Service(folder, self._place / "state", "--ports", "jack"))
            self.service.wait_until_open()
            self.service.ask("POST", "/v1/start")
            self.events = Events(self.service.http)
            self.events.start()
            time.sleep(0.3)
            self._begun = begun.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._begun.close()
        self.events.join(5)

    def _restore(self) -> None:
        os.environ.clear()
        os.environ.update(self._before)

    def _end_programs(self) -> None:
        for program in self.programs.values():
            program.end()

    def start(self, device: str) -> None:
        """Start the program that is a device."""
        self.programs[device] = FarProgram("jack", PROGRAMS[device])

    def status(self) -> Any:
        """Ask for the status, and see how long the answer takes."""
        began_s = time.monotonic()
        status = self.service.status()
        self.longest_answer_s = max(self.longest_answer_s, time.monotonic() - began_s)
        return status

    def states(self) -> dict[str, str]:
        """Return the state of each device's port."""
        return {port["device"]: port["state"] for port in self.status()["ports"]}

    def own_port(self, device: str) -> str:
        """Return the daemon's port that is connected to a device's."""
        program = self.programs[device]
        return self.server.connected(program.output_name if device == "keys" else program.input_name)

    def disconnect(self, device: str) -> None:
        """Take a device's connection away, as another program does."""
        program, own = self.programs[device], self.own_port(device)
        pair = (program.output_name, own) if device == "keys" else (own, program.input_name)
        self.server.disconnect(*pair)

    def dead(self, note: int) -> list[str]:
        """Play a note up to three times, and return the devices that hear none of them.

        A client that is late for a period, as on a busy machine, makes JACK lose what was sent in it: what
        that costs is counted in `lost`.
        """
        dead = {"synth": 0, "box": 1}
        for _ in range(3):
            self.programs["keys"].send(note_on(0, note, 99))
            self.programs["keys"].send(note_off(0, note))
            dead = {
                device: channel
                for device, channel in dead.items()
                if not hears(self.programs[device], note_on(channel, note, 99))
            }
            if not dead:
                break
            self.lost += len(dead)
        return sorted(dead)

    def held(self, heard: dict[str, list[bytes]]) -> list[str]:
        """Return what sounds at the devices by all that they have heard, their queues included."""
        found = []
        for device in ("synth", "box"):
            sounding: set[int] = set()
            for data in [*heard[device], *drained(self.programs[device])]:
                if data[0] & 0xF0 == 0x90 and data[2]:
                    sounding.add(data[1])
                elif data[0] & 0xF0 in (0x80, 0x90):
                    sounding.discard(data[1])
            found += [f"{device} holds {note}" for note in sorted(sounding)]
        return found


def bridge_of(engine: int) -> int:
    """Return the number of an engine's process that talks to JACK, 0 for none."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            if b"jack_process" in path.read_bytes():
                stat = (path.parent / "stat").read_text().rpartition(")")[2].split()
                if stat[0] != "Z" and int(stat[1]) == engine:
                    return int(path.parent.name)
    return 0


def hears(program: FarProgram, wanted: bytes) -> bool:
    """Return whether a program receives that; what came before it is dropped."""
    until_s = time.monotonic() + 3.0
    while (left_s := until_s - time.monotonic()) > 0:
        try:
            if program.receive(left_s) == wanted:
                return True
        except queue.Empty:
            break
    return False


def drained(program: FarProgram) -> list[bytes]:
    """Return what a program has received so far."""
    found = []
    try:
        while True:
            found.append(program.receive_stamped(0)[0])
    except queue.Empty:
        return found


Mend = Callable[[], None]
Fault = Callable[[Bed, random.Random], tuple[set[str], Mend]]
"""Breaks something; returns the devices it concerns, and what mends it."""


def _nothing() -> None:
    """Mend what mends itself."""


def connection_removed(bed: Bed, chance: random.Random) -> tuple[set[str], Mend]:
    """Another program takes a connection away."""
    device = chance.choice(["keys", "synth", "box"])
    bed.disconnect(device)
    return {device}, _nothing


def program_stopped(bed: Bed, chance: random.Random) -> tuple[set[str], Mend]:
    """A program stands still."""
    device = chance.choice(["keys", "synth", "box"])
    process = bed.programs[device].pid
    os.kill(process, signal.SIGSTOP)
    return {device}, lambda: os.kill(process, signal.SIGCONT)


def program_killed(bed: Bed, chance: random.Random) -> tuple[set[str], Mend]:
    """A program dies and is started again."""
    device = chance.choice(["keys", "synth", "box"])
    bed.programs[device].end()
    return {device}, lambda: bed.start(device)


def server_stopped(bed: Bed, _: random.Random) -> tuple[set[str], Mend]:
    """The JACK server stands still."""
    bed.server.signal(signal.SIGSTOP)
    return set(PROGRAMS), lambda: bed.server.signal(signal.SIGCONT)


def server_killed(bed: Bed, _: random.Random) -> tuple[set[str], Mend]:
    """The JACK server dies, is started again, and the programs with it."""
    bed.server.end(signal.SIGKILL)

    def mend() -> None:
        for program in bed.programs.values():
            program.end()
        bed.server.start()
        for device in PROGRAMS:
            bed.start(device)

    return set(PROGRAMS), mend


def bridge_killed(bed: Bed, _: random.Random) -> tuple[set[str], Mend]:
    """The daemon's own process that talks to JACK dies."""
    os.kill(bridge_of(bed.service.engine()), signal.SIGKILL)
    return set(PROGRAMS), _nothing


def bridge_stopped(bed: Bed, _: random.Random) -> tuple[set[str], Mend]:
    """The daemon's own process that talks to JACK stands still."""
    os.kill(bridge_of(bed.service.engine()), signal.SIGSTOP)
    return set(PROGRAMS), _nothing


def quarrel(bed: Bed, chance: random.Random) -> tuple[set[str], Mend]:
    """Another program takes a connection away whenever it is made, until that is called a quarrel."""
    device = chance.choice(["keys", "synth", "box"])
    while bed.states()[device] != "contested":
        if _is_connected(bed, device):
            bed.disconnect(device)
    return {device}, _nothing


def _is_connected(bed: Bed, device: str) -> bool:
    program = bed.programs[device]
    return bool(bed.server.connections(program.output_name if device == "keys" else program.input_name))


FAULTS: dict[str, tuple[int, Fault]] = {
    "connection removed": (34, connection_removed),
    "program stopped": (22, program_stopped),
    "program killed": (14, program_killed),
    "server stopped": (16, server_stopped),
    "bridge killed": (5, bridge_killed),
    "bridge stopped": (3, bridge_stopped),
    "server killed": (3, server_killed),
    "quarrel": (3, quarrel),
}
"""By name: how often of a hundred, and what does it."""


def play_round(bed: Bed, name: str, chance: random.Random, note: int) -> Round:
    """Break one thing in the middle of a held note, mend it, and judge."""
    wrong: list[str] = []
    late_before = bed.server.late_clients()
    heard = {device: drained(bed.programs[device]) for device in PROGRAMS}
    keys = bed.programs["keys"]
    keys.send(note_on(0, note, 90))
    time.sleep(chance.uniform(0.02, 0.2))
    for device in heard:
        heard[device] = drained(bed.programs[device])
    broken_s = time.monotonic()
    devices, mend = FAULTS[name][1](bed, chance)
    done_s = time.monotonic()  # the commands that break things take a while to start
    time.sleep(chance.uniform(0.0, 0.3))
    if bed.programs["keys"] is keys and keys.alive:
        keys.send(note_off(0, note))
    lasting = mend is not _nothing
    named = bed.events.closed_since(broken_s)
    while not devices <= named.keys() and time.monotonic() < broken_s + PATIENCE_S:
        time.sleep(0.01)
        named = bed.events.closed_since(broken_s)
    late = [device for device in sorted(devices) if named.get(device, 1e18) > done_s + NAMED_S]
    wrong += [f"{device} not named within {NAMED_S:g} s" for device in late]
    if lasting:
        time.sleep(chance.uniform(0.0, 1.5))
        wrong += [
            f"{device} called open"
            for device, state in bed.states().items()
            if device in devices and state == "open"
        ]
    mend()
    restored_s = time.monotonic()
    until_s = restored_s + BACK_S
    while time.monotonic() < until_s and set(bed.states().values()) != {"open"}:
        time.sleep(0.02)
    back_s = time.monotonic() - restored_s
    wrong += [f"{device} stays {state}" for device, state in bed.states().items() if state != "open"]
    for device in ("synth", "box"):
        again = name == "server killed" or (name == "program killed" and device in devices)
        heard[device] = [] if again else heard[device] + drained(bed.programs[device])
    if bed.programs["keys"] is not keys:
        keys = bed.programs["keys"]
    time.sleep(0.1)
    for device in ("synth", "box"):
        heard[device] += drained(bed.programs[device])
    wrong += bed.held(heard)
    wrong += [f"{device} is called open and carries nothing" for device in bed.dead(127 - note)]
    if bed.longest_answer_s > ANSWER_S:
        wrong.append(f"an answer took {bed.longest_answer_s:.1f} s")
    named_s = max((max(0.0, named[device] - done_s) for device in devices & named.keys()), default=9.0)
    return Round(name, named_s, back_s, bed.server.late_clients() - late_before, wrong)
