"""Law: the status says what somebody works out who hears every port and knows nothing else.

Devices that are started, the tempo, and how far a device has counted since its Start, whatever is asked of
the show and whenever. Ticks are 24 to the quarter note (M1 p. 30).
"""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from routerd.core.errors import CommandError
from routerd.core.midi.messages import CONTINUE, START, STOP, TICK
from routerd.core.model.actions import Action
from routerd.core.model.rig import Device, Rig, WireKind
from routerd.core.model.snapshot import Snapshot
from routerd.core.model.song import Song
from routerd.core.model.timing import ChangePolicy, Curve, SongTiming, StartMode, TempoPoint, Timing
from routerd.server.status import device_clock, position_at, tempo_of, tick_at
from tests.stage import MS, Stage, ask, compiled

F = Fraction
PLAIN = Device("plain", output_pattern="p", wire=WireKind.VIRTUAL, clock=True, transport=True)


def device(name: str, timing: Timing) -> Device:
    return replace(PLAIN, name=name, output_pattern=name, timing=timing)


RIG = Rig(
    "rig",
    (
        PLAIN,
        device("late", Timing(offset_ns=5 * MS)),
        device("bar", Timing(start=StartMode.BAR, sequence_steps=7)),
        device("entry", Timing(start=StartMode.ENTRY)),
        device("never", Timing(start=StartMode.NEVER)),
    ),
)
SONGS = (
    Song("first", "First", F(125)),
    Song("second", "Second", F(118), timing=SongTiming(change=ChangePolicy.BAR)),
    Song(
        "ramp",
        "Ramp",
        F(120),
        timing=SongTiming(tempo=(TempoPoint(F(0), F(120), F(180), F(384), Curve.LINEAR),)),
    ),
)
ACTIONS = (
    "start", "start", "stop", "continue", "next", "previous", "panic", "silence", "half", "double", "go",
    "song-tempo", "retrigger bar plain", "retrigger bar bar", "retrigger cycle bar", "tempo 97", "nudge 1",
)  # fmt: skip
WHENS = ("now", "now", "now", "beat", "bar", "2 bars")


class Observer:
    """What one hears at a port."""

    def __init__(self) -> None:
        self.running = False
        self.counted: int | None = None
        """Ticks since Start; None once that cannot be known."""
        self.ticks: list[int] = []

    def hear(self, at_ns: int, data: bytes) -> None:
        if data[0] == TICK:
            self.ticks = [*self.ticks[-2:], at_ns]
            if self.running and self.counted is not None:
                self.counted += 1
        elif data[0] in (START, CONTINUE):
            self.running = True
            self.counted = 0 if data[0] == START else None
        elif data[0] == STOP:
            self.running = False


class Watched:
    """A stage, and an observer at each of its ports."""

    def __init__(self) -> None:
        self.stage = Stage(compiled(RIG, SONGS, [song.identifier for song in SONGS]))
        self.observers = {device.name: Observer() for device in RIG.devices}
        self._heard = 0

    def look(self) -> Snapshot:
        for at_ns, name, data in self.stage.log[self._heard :]:
            self.observers[name].hear(at_ns, data)
        self._heard = len(self.stage.log)
        return self.stage.show.snapshot()

    def at_rest(self) -> Snapshot | None:
        """Let two ticks pass and return the snapshot, where no device was started or stopped meanwhile."""
        before = self.look().devices
        first = [observer.running for observer in self.observers.values()]
        show = self.stage.show
        until = show.ticks.number + 2
        while (
            show.ticks.number < until
        ):  # at 10 BPM a tick takes 250 ms, and a new tempo begins with the next
            self.stage.run(show.transport.clock.next_due_ns + 6 * MS)
        snapshot = self.look()
        same = first == [observer.running for observer in self.observers.values()]
        return snapshot if same and before == snapshot.devices else None


@pytest.mark.parametrize("seed", range(6))
def test_the_status_says_what_is_heard(seed: int) -> None:
    chance = random.Random(seed)
    watched = Watched()
    one = watched.stage
    compared = song = 0
    for _ in range(60):
        word, _, argument = chance.choice(ACTIONS).partition(" ")
        value: Any = F(argument) if word in ("tempo", "nudge") else argument or None
        try:
            one.show.apply(ask(Action(word), value, chance.choice(WHENS)), one.now_ns)
        except CommandError:
            continue
        one.collect()
        one.run(one.now_ns + chance.choice((5, 60, 300, 2500)) * MS)
        snapshot = watched.at_rest()
        if watched.look().song != song:
            song = watched.look().song
            watched.observers["plain"].counted = None  # a song that is entered while transport runs
        if snapshot is None:
            continue
        compared += 1
        for state in snapshot.devices:
            observer = watched.observers[state.device]
            shown = device_clock(state, snapshot, one.now_ns)
            assert bool(shown.running) is observer.running, state
            if observer.running and observer.counted and state.device != "late":
                # the first tick after Start is the first of its sequence
                counted = tick_at(snapshot, one.now_ns) - state.started_tick + 1
                assert counted == observer.counted, state
        plain = watched.observers["plain"]
        from_top = snapshot.devices[0].started_tick == snapshot.origin_tick
        if plain.counted and plain.running and from_top and snapshot.transport == "running":
            position = position_at(snapshot, one.now_ns)
            assert ((position.bar - 1) * 4 + position.beat - 1) * 24 + position.tick == plain.counted - 1
        segment_ns = snapshot.grid.anchor_ns
        if len(plain.ticks) == 3 and segment_ns <= plain.ticks[1]:
            heard = F(60_000_000_000, 24) / (plain.ticks[2] - plain.ticks[1])
            assert float(tempo_of(snapshot).bpm) == pytest.approx(float(heard), abs=0.002)
    assert compared > 15
